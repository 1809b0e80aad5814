"""Which requests got no answer, though later ones did: for protocols in which each one gets one.

An answer belongs to the last request with its number that has none yet. Done for all messages of a
chunk together; only what lacks its other half in the chunk is looked at singly.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from analyzer.columns import Flags, Floats, Ints, Keys
from analyzer.facts.dialogue import Dialogue, Owed
from analyzer.facts.values import Moment


class Said(NamedTuple):
    """Messages of one protocol in one chunk, sorted by session, in order inside: session, whether
    the client sent it, its number, function and unit; octets, 0 where they go on in another
    segment; its second and the number of its frame.
    """

    part: Ints
    client: Flags
    id: Keys
    function: Ints
    unit: Ints
    octets: Ints
    seconds: Floats
    number: Ints

    def owed(self, row: int) -> Owed:
        """The request in a row."""
        moment = Moment(int(self.number[row]), float(self.seconds[row]))
        return Owed(int(self.id[row]), moment, int(self.function[row]), int(self.unit[row]))


def settle(dialogues: Sequence[Dialogue], said: Said) -> None:
    """Note which requests of a chunk are answered, and which are not yet. To be called before the
    requests of the chunk are counted.
    """
    read = np.bincount(said.part, said.octets * ~said.client, len(dialogues))
    for dialogue, octets in zip(dialogues, read.tolist(), strict=True):
        dialogue.read += int(octets)
    asked, answered, alone = _pairs(said)
    _reach(dialogues, said, asked, said.seconds[answered] - said.seconds[asked])
    asks = np.flatnonzero(said.client)[::-1]
    first = np.full(len(dialogues), len(said.part))
    first[said.part[asks]] = asks
    for row in alone.tolist():
        number = said.part[row]
        dialogue, one = dialogues[number], said.owed(row)
        if said.client[row]:
            dialogue.owe(one)
        elif dialogue.asked or first[number] < row:
            dialogue.pay(one.id, one.asked)


def _pairs(said: Said) -> tuple[Ints, Ints, Ints]:
    """Requests and their answers in this chunk, and the rows of what lacks its other half here.

    What stands side by side is taken out first, so that little is sorted. Numbers may be used again
    while their first request waits: then pairs are taken out from the inside, until no more fit.
    """
    rows, is_sorted = np.arange(len(said.part)), False
    asked, answered = [], []
    while True:
        one, other = rows[:-1], rows[1:]
        fits = np.zeros(len(rows), bool)
        fits[:-1] = said.client[one] & ~said.client[other] & (said.part[one] == said.part[other])
        fits[:-1] &= said.id[one] == said.id[other]
        behind = np.roll(fits, 1)
        asked.append(rows[fits])
        answered.append(rows[behind])
        rows = rows[~(fits | behind)]
        if not is_sorted:
            rows, is_sorted = rows[np.lexsort((said.id[rows], said.part[rows]))], True
        elif not fits.any():
            return np.concatenate(asked), np.concatenate(answered), np.sort(rows)


def _reach(dialogues: Sequence[Dialogue], said: Said, asked: Ints, wait: Floats) -> None:
    """Note the last request of each session that is answered, and the longest wait."""
    latest, longest = np.full(len(dialogues), -1), np.zeros(len(dialogues))
    np.maximum.at(latest, said.part[asked], asked)
    np.maximum.at(longest, said.part[asked], wait)
    for number in np.flatnonzero(latest >= 0).tolist():
        dialogues[number].reach(said.owed(int(latest[number])).asked, float(longest[number]))
