"""Printable text whose segments end with a line end: no standard, many small devices speak so.

Recognised by its first octets and the last one; nothing in it is understood, but for a few words
that devices turn a caller away with.
"""

import re

import numpy as np

from analyzer.columns import Flags, Ints, Octets
from analyzer.facts.protocols.framing import Framing, Heads, Span, heads

LOOKED_AT = 64
"""Octets that have to be printable."""
NO = re.compile(
    rb"(?i)\b(busy|err(or)?|fail(ed|ure)?|refused|den(y|ied)|rejected|in use|taken|occupied|already"
    rb"|too many|no more|not allowed|unavailable|sorry)\b"
)
"""Words of a device that has no session to spare (common practice, no source)."""
TAB, LINE_FEED, RETURN, SPACE, TILDE = 0x09, 0x0A, 0x0D, 0x20, 0x7E


def read(octets: Octets, at: Ints, end: Ints, by_server: Flags) -> Heads:
    """A head where a segment is text; its message is the whole segment."""
    places = at[:, None] + np.arange(LOOKED_AT)
    inside = places < end[:, None]
    letters = octets[np.minimum(places, len(octets) - 1)]
    printable = (letters >= SPACE) & (letters <= TILDE)
    printable |= (letters == TAB) | (letters == LINE_FEED) | (letters == RETURN)
    last = octets[np.maximum(end - 1, 0)]
    ended = (last == LINE_FEED) | (last == RETURN)
    text = (end - at >= 2) & (printable | ~inside).all(axis=1) & ended
    return heads(np.where(text, end - at, 0))


def reads_like_a_no(text: bytes) -> bool:
    """Whether a text holds a word that turns the reader away."""
    return NO.search(text) is not None


def reads(octets: Octets, at: Ints, end: Ints) -> list[Span]:
    """What is read of each text beside its last octet: a word that turns away, nothing around."""
    texts = (octets[begin : begin + LOOKED_AT].tobytes() for begin in at.tolist())
    found = [one.span() if (one := NO.search(text)) else (0, 0) for text in texts]
    words = np.array(found, np.int64).reshape(-1, 2)
    return [Span(at + words[:, 0], at + words[:, 1]), Span(end - 1, end)]


FRAMING = Framing("lines of text", frozenset({23}), read, reads)
