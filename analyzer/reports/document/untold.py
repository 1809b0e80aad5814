"""What the recording cannot tell, and what would."""

from collections.abc import Iterator, Sequence

from analyzer.diagnosis import Certainty, Diagnosis, Outcome, Stage, Verdict
from analyzer.reports.document.bounds import MOST_IN_FULL, first
from analyzer.reports.document.recording import oddities
from analyzer.reports.document.verdict import capital, first_open
from analyzer.words import count, listed

PRESUMED = (
    "The PC's mask: {mask} is presumed, as nothing in the recording names it. Whether both "
    "are in one network rests on that."
)
PRESUMED6 = (
    "The length of the PC's IPv6 prefix: it is not looked for, and PC and controller are taken for "
    "neighbours."
)
MOST_NAMES = 4
"""Rules that are named where they could not look."""
WOULD_TELL = {
    Stage.LINK: "A recording of 60 s that begins before the cable is plugged in would tell.",
    Stage.ADDRESS: "A recording that begins before the cable is plugged in would tell.",
    Stage.ANSWER: "A recording in which the program asks for something would tell.",
}
ONE_ATTEMPT = "A recording of one whole attempt, from 5 s before to 30 s after it, would tell."


def cannot_tell(
    diagnosis: Diagnosis, outcomes: Sequence[Outcome], everything: bool
) -> Iterator[str]:
    """A sentence for each thing. outcomes: all link-ups, the worst first."""
    yield from oddities(diagnosis)
    networks = (one.linkup.network for one in outcomes)
    presumed = (one for one in networks if one is not None and one.is_presumed)
    told = (
        PRESUMED6 if one.address.is_ipv6 else PRESUMED.format(mask=one.mask) for one in presumed
    )
    yield from dict.fromkeys(told)
    unclear = [one for one in outcomes if one.verdict is Verdict.CANNOT_TELL]
    shown = first(unclear, MOST_IN_FULL, everything)
    yield from (what_would_tell(one) for one in shown)
    if len(shown) < len(unclear):
        left = count(len(unclear) - len(shown), "more connection")
        yield f"How far {left} got: --all tells it."
    if any(one.fault is not None and one.fault.certainty is Certainty.FITS for one in outcomes):
        yield "Which of the causes named above it is: the test named with them decides."
    unable: dict[str, list[str]] = {}
    for rule, because in diagnosis.unable:
        unable.setdefault(because, []).append(rule)
    for why, names in unable.items():
        yield f"{capital(why)}: {_unchecked(names)} could not be checked."
    yield (
        "Whether a frame sent by the PC reached the cable, and whether a frame received by it "
        "reached the program: the recorder sits between the two."
    )


def _unchecked(names: Sequence[str]) -> str:
    return listed(names) if len(names) <= MOST_NAMES else count(len(names), "rule")


def what_would_tell(outcome: Outcome) -> str:
    """How far it got, and which recording would tell more."""
    unclear = first_open(outcome)
    who = outcome.linkup.controller
    opened = [one for one in outcome.linkup.sessions if one.completed is not None]
    unused = bool(opened) and not any(one.from_client.octets for one in opened)
    stage = Stage.ANSWER if unclear.stage is Stage.SESSION and unused else unclear.stage
    would_tell = WOULD_TELL.get(stage, ONE_ATTEMPT)
    return f"How far connecting with {who} got: {unclear.because}. {would_tell}"
