"""Waiting times near 0.2 s and 0.04 s: those of acknowledgements that are held back.

Stacks delay a bare acknowledgement: up to 0.5 s (RFC 9293 3.8.6.3); in practice by 0.2 s or 0.04 s
(common practice, no source). A sender that waits for it goes on in such steps.
"""

import numpy as np

from analyzer.columns import Flags, Floats, Ints, distinct
from analyzer.facts.dialogue import NOBODY, Dialogue
from analyzer.facts.session import CLIENT, SERVER

FIFTH, MULTIPLES = 0.2, 3
EARLY, TARDY = 0.01, 0.03
"""Seconds by which a wait may miss a multiple of FIFTH."""
SHORT = (0.036, 0.05)
"""Seconds between which a wait is a short one."""


def add_steps(dialogues: list[Dialogue], part: Ints, side: Ints, seconds: Floats) -> None:
    """Sort the waits of one chunk's data segments, which are sorted by session.

    An answer's wait runs from the last segment asked. A piece's wait is the one before the second
    segment of a turn.
    """
    begins = np.append(True, part[1:] != part[:-1])
    before_side = np.append(NOBODY, side[:-1])
    before = np.append(0.0, seconds[:-1])
    opens = side != before_side  # a turn
    starts = np.flatnonzero(begins)
    for at in starts.tolist():
        before_side[at], _, before[at] = dialogues[part[at]].turn
        opens[at] = side[at] != before_side[at]
    opened = np.append(False, opens[:-1])
    for at in starts.tolist():
        opened[at] = dialogues[part[at]].turn[1] == 1
    wait = seconds - before
    answer = opens & (side == SERVER) & (before_side == CLIENT)
    fifth, short = _is_fifth(wait), (wait >= SHORT[0]) & (wait <= SHORT[1])
    piece = ~opens & opened
    for number, count in _counts(part[answer & fifth]):
        dialogues[number].fifth_answers += count
    for number, count in _counts(part[answer & short]):
        dialogues[number].short_answers += count
    for sender in (CLIENT, SERVER):
        sent = piece & (side == sender)
        for number, count in _counts(part[sent & fifth]):
            dialogues[number].fifth_pieces = _plus(dialogues[number].fifth_pieces, sender, count)
        for number, count in _counts(part[sent & short]):
            dialogues[number].short_pieces = _plus(dialogues[number].short_pieces, sender, count)
    for at in np.append(starts[1:], len(part)).tolist():
        turn = (int(side[at - 1]), 1 if opens[at - 1] else 2, float(seconds[at - 1]))
        dialogues[part[at - 1]].turn = turn


def _plus(by_side: tuple[int, int], side: int, count: int) -> tuple[int, int]:
    """Counts by side, and some more of one side."""
    client, server = by_side
    return (client + count, server) if side == CLIENT else (client, server + count)


def _is_fifth(wait: Floats) -> Flags:
    nearest = np.clip(np.round(wait / FIFTH), 1, MULTIPLES) * FIFTH
    near: Flags = (wait >= nearest - EARLY) & (wait <= nearest + TARDY)
    return near


def _counts(part: Ints) -> list[tuple[int, int]]:
    numbers, counts, _ = distinct(part)
    return list(zip(numbers.tolist(), counts.tolist(), strict=True))
