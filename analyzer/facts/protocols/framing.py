"""What a protocol has to say about its messages: plain data, and how a head is read."""

from collections.abc import Callable
from enum import IntEnum
from typing import Any, NamedTuple

import numpy as np

from analyzer.columns import Flags, Ints, Keys, Octets, Records, take


class Kind(IntEnum):
    """What a message is.

    DATA: a request or its good answer; OPEN: asks for, or grants, an inner opening; ASIDE: wants
    no answer and is none; LATER: the answer is put off; REJECT: an answer that says no; REFUSE: a
    no to the inner opening, or to the whole session; the client's own, too.
    """

    DATA = 0
    OPEN = 1
    ASIDE = 2
    LATER = 3
    REJECT = 4
    REFUSE = 5


class Heads(NamedTuple):
    """Heads of messages, one a position.

    size: octets of the whole message as it claims, 0 where none of the protocol begins; id: the
    number that an answer repeats, 0 where there is none; kind: a Kind; code: the reason of a no;
    unit: the number of the unit meant, function: that of what is asked for; -1 where there is none.
    """

    size: Ints
    id: Keys
    kind: Ints
    code: Ints
    unit: Ints
    function: Ints


Reader = Callable[[Octets, Ints, Ints, Flags], Heads]
"""(octets, position of each head, position behind its segment's stored octets, whether the server
sent it) -> heads. 64 octets or more lie behind each position. Nothing raises on octets."""


class Span(NamedTuple):
    """Octets that are read, one span a message, from a position up to one behind; empty where it
    ends before it begins. is_number: what counts is only whether it is the same as another one.
    """

    begin: Ints
    end: Ints
    is_number: bool = False


Reads = Callable[[Octets, Ints, Ints], list[Span]]
"""(octets, position of each message, position behind what is stored of it) -> what `heads` reads of
it. A copy that is trimmed keeps these octets and no others, so they hold no word of anybody's."""


class Framing(NamedTuple):
    """How one protocol frames its messages.

    ports: registered ones, a hint only; reads: which octets of a message `heads` reads; explain: a
    code of `heads` -> (published number, meaning); is_sure: whether a head alone tells the
    protocol, else the message has to fill its segment; has_answers: whether each request gets one
    answer of its own, with the request's number.
    """

    name: str
    ports: frozenset[int]
    heads: Reader
    reads: Reads
    explain: Callable[[int], tuple[int, str]] = lambda code: (code, "")
    is_sure: bool = True
    has_answers: bool = False


def records(octets: Octets, at: Ints, layout: "np.dtype[Any]") -> Records:
    """One head at each position; what lies behind the stored octets is rubbish in it."""
    return take(octets, at, layout)


def heads(
    size: Records,
    *,
    id: Records | None = None,
    kind: Records | None = None,
    code: Records | None = None,
    unit: Records | None = None,
    function: Records | None = None,
) -> Heads:
    """Heads from the columns that a protocol has."""
    none = np.zeros(len(size), np.int64)
    return Heads(
        size=size.astype(np.int64),
        id=(none if id is None else id).astype(np.uint64),
        kind=none if kind is None else kind.astype(np.int64),
        code=none if code is None else code.astype(np.int64),
        unit=none - 1 if unit is None else unit.astype(np.int64),
        function=none - 1 if function is None else function.astype(np.int64),
    )
