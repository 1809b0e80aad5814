"""How sure it is that nobody answered."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from analyzer.facts import Facts, Moment

LISTENED = 5.0
"""Seconds from the first try to the end of the recording in which an answer would have come:
embedded systems lag 3 s and more (common practice, no source)."""
REPEATED = 2
"""Repeats that show that the tries before them got nothing: systems wait about 1 s before they ask
again, and longer each time (RFC 1122 2.3.2.1, RFC 6298 2 and 5.5)."""
WAITED = 0.5
"""Seconds between the first and the last try from which on somebody waited in between: several at
once are no repeats (systems repeat after 0.2 s or more, and longer each time: RFC 6298 2 and 5.5;
0.2 s common practice, no source)."""
LISTENED_BEFORE = 2.0
"""Seconds that a recording has to run before the first try to show what came before it."""


class Silence(NamedTuple):
    """Tries that nothing recorded answers.

    first, last: the first and the last of them; tries: how many, each repeat counted; listened:
    seconds that the recording went on after the first one; arrived: whether it is known that the
    other end got them; doubts: what weakens it, as keys of words; deaf: whether the recording
    could not have heard an answer.
    """

    first: Moment
    last: Moment
    tries: int
    listened: float
    arrived: bool = False
    doubts: tuple[str, ...] = ()
    deaf: bool = False

    @property
    def is_evidence(self) -> bool:
        """Whether it fits that nobody answers: one try right before the end says nothing."""
        enough = self.is_repeated or self.listened >= LISTENED
        return enough and not self.deaf

    @property
    def is_repeated(self) -> bool:
        """Whether it was tried again often enough, each time after a wait."""
        return self.tries > REPEATED and self.last.seconds - self.first.seconds >= WAITED

    @property
    def is_sure(self) -> bool:
        """Whether frames show it."""
        repeated = self.is_repeated or self.arrived
        return self.is_evidence and repeated and self.listened >= LISTENED and not self.doubts


LOST, BEGAN_LATE = "lost", "began late"


def silence_of(
    facts: Facts,
    sent: Iterable[Moment],
    *,
    tries: int | None = None,
    began: Sequence[Moment] = (),
    arrived: bool = False,
    deaf: bool = False,
) -> Silence | None:
    """The silence that follows tries; None where there were none.

    tries: how many where not all moments are kept; began: everything that was tried, of which the
    recording may lack the beginning.
    """
    moments = sorted(sent)
    if not moments:
        return None
    doubts = [LOST] if facts.drops else []
    if facts.heard_before(min([*began[:1], moments[0]])) < LISTENED_BEFORE:
        doubts.append(BEGAN_LATE)
    return Silence(
        first=moments[0],
        last=moments[-1],
        tries=len(moments) if tries is None else tries,
        listened=facts.heard_after(moments[0]),
        arrived=arrived,
        doubts=tuple(doubts),
        deaf=deaf,
    )
