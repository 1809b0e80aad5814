"""Printable text whose segments end with a line end: no standard, many small devices speak so.

Recognised by its first octets and the last one; nothing in it is understood.
"""

import numpy as np

from analyzer.columns import Flags, Ints, Octets
from analyzer.facts.protocols.framing import Framing, Heads, heads

LOOKED_AT = 64
"""Octets that have to be printable."""
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


FRAMING = Framing("lines of text", frozenset({23}), read, ends=1)
