"""The PC's datagrams: whether they wait for answers, and answers that come from elsewhere, another
port or another address than the one that was asked.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from analyzer.facts import Exchange, Facts, IcmpError, Moment
from analyzer.linkup.model import LinkUp

AT_ONCE = 1.0
"""Seconds after the question within which a datagram from another address is its answer."""
WAITS = 0.3
"""Seconds from one datagram to the next: those who wait for an answer take longer than a stream
does (common practice, no source)."""


class Elsewhere(NamedTuple):
    """Datagrams that came to the socket of the PC that had asked, and asked nobody else.

    asked: the exchange without an answer; back: what came; refused: the PC's own messages that no
    program takes it.
    """

    asked: Exchange
    back: Exchange
    refused: list[IcmpError]

    @property
    def asks_on(self) -> bool:
        """Whether the PC asked again after it had turned one down: its program was there."""
        return bool(self.refused) and self.asked.last > self.refused[0].moment

    @property
    def is_discarded(self) -> bool:
        """Whether the program got none of it, by the PC's own messages."""
        return self.asks_on or 0 < self.back.asked.count <= len(self.refused)

    @property
    def is_prompt(self) -> bool:
        """Whether it came right after the question."""
        return self.back.first.seconds - self.asked.first.seconds < AT_ONCE

    @property
    def same_address(self) -> bool:
        """Whether only the port is another one."""
        return self.back.client[0] == self.asked.server[0]


def are_questions(first: Moment, last: Moment, count: int) -> bool:
    """Whether datagrams come as slowly as from somebody who waits for an answer to each: a stream
    may be meant one way.
    """
    return last.seconds - first.seconds >= WAITS * (count - 1)


def with_answers(facts: Facts, exchanges: Sequence[Exchange]) -> list[Exchange]:
    """The exchanges, each completed that the asked address answered from another port, as some
    services do (RFC 1350 section 4).
    """
    taken = [one for one in _found(facts, exchanges) if one.same_address and not one.is_discarded]
    back = {(one.asked.client, one.asked.server): one.back for one in taken}
    return [
        replace(one, answered=answer.asked, answered_by=answer.client)
        if (answer := back.get((one.client, one.server))) is not None
        else one
        for one in exchanges
    ]


def elsewhere(linkup: LinkUp) -> list[Elsewhere]:
    """Answers that count as none: from another port and turned down, or at once from another
    address of the station that the PC's packets go to.
    """
    facts = linkup.facts
    there = {one.src_ip for to in linkup.sent_to for one in facts.index.paths_from[to]}
    return [
        one
        for one in _found(facts, linkup.exchanges)
        if one.same_address
        or (one.is_prompt and (one.back.client[0] in there or not facts.has_hardware_addresses))
    ]


def _found(facts: Facts, exchanges: Sequence[Exchange]) -> Iterator[Elsewhere]:
    silent = {one.client: one for one in exchanges if not one.answered.count}
    if not silent:
        return
    index = facts.index
    for socket, one in silent.items():
        if len(index.exchanges_by[socket]) > 1:
            continue
        for back in index.exchanges_with[socket]:
            if one.first < back.first:
                refused = index.refused_datagrams[back.client, back.server]
                yield Elsewhere(one, back, refused)
