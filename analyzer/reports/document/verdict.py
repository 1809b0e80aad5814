"""How far a link-up got, in words; and which of several comes first."""

from collections import Counter
from collections.abc import Iterable, Sequence
from math import inf

from analyzer.diagnosis import (
    Certainty,
    Finding,
    LinkUp,
    Outcome,
    Stage,
    StageResult,
    State,
    Verdict,
)
from analyzer.reports.document.bounds import FEW, MOST_IN_FULL, MOST_PROOF, named
from analyzer.words import listed

SHOWN_AS = {
    Stage.LINK: "Cable and link",
    Stage.ADDRESS: "The PC's own address",
    Stage.NEIGHBOUR: "The controller's hardware address",
    Stage.ROUTE: "Same network, or a working route",
    Stage.PORT: "The port opens",
    Stage.SESSION: "The session stays up",
    Stage.ANSWER: "The controller answers",
}
NAMES = {
    Stage.LINK: "link",
    Stage.ADDRESS: "PC's own address",
    Stage.NEIGHBOUR: "hardware address",
    Stage.ROUTE: "route",
    Stage.PORT: "port",
    Stage.SESSION: "session",
    Stage.ANSWER: "answer",
}
"""What each stage is called in a sentence. A number would be taken for a layer of the seven-layer
model."""


def at_stage(stage: str) -> str:
    """The same of any stage of a rule or a row: one that is none of a link-up is its own name."""
    return {str(one): name for one, name in NAMES.items()}.get(stage, stage)


ENDED = {
    Verdict.COMPLETE: "complete",
    Verdict.STOPPED: "stopped",
    Verdict.UNSTABLE: "unstable",
    Verdict.CANNOT_TELL: "cannot be told",
}
WARNED = "complete, with a warning"
"""The verdict of a link-up that works, where a warning goes with it."""
WORST_FIRST = (Verdict.STOPPED, Verdict.UNSTABLE, Verdict.CANNOT_TELL, WARNED, Verdict.COMPLETE)
NOT_JUDGED = "What the answers say is not judged here."
WITH_THE_PROGRAM = (
    "Read the program's message.",
    "Look whether the PC's firewall lets the program receive.",
    "Compare protocol, unit number and access rights with the controller's manual.",
)
"""What to do where the program reports trouble although the connection works."""
STILL_TROUBLE = f"{NOT_JUDGED} If the program still reports trouble: {' '.join(WITH_THE_PROGRAM)}"


WHOLE = "the recording as a whole"
"""What proves a thing that no single frame shows."""


CONTROLLER = "controller"
SERVERS = {53: "name server", 67: "address server", 123: "time server", 547: "address server"}
"""What answers at a port that no controller is called at (IANA; RFC 8415 7.2; from memory)."""


def far_end(linkup: LinkUp) -> str:
    """What the one is that the PC calls: a controller, or a server of the network, by its port."""
    return SERVERS.get(linkup.target.port or 0, CONTROLLER)


def headline(outcome: Outcome) -> str:
    """What happened to a link-up, in one sentence."""
    name = NAMES[outcome.stopped_at] if outcome.stopped_at else ""
    title = outcome.fault.title if outcome.fault else ""
    match outcome.verdict:
        case Verdict.COMPLETE if outcome.warning is not None:
            works = "The connection works" if outcome.linkup.works else _found(outcome)
            return f"{works}, with a warning: {outcome.warning.title}."
        case Verdict.COMPLETE if not outcome.linkup.works:
            return f"{_found(outcome)}; no call to a port is in the recording."
        case Verdict.COMPLETE if outcome.asked_by_controller:
            return "The connection works: the controller calls the PC, and the PC answers."
        case Verdict.COMPLETE:
            return f"The connection works: the {far_end(outcome.linkup)} answers the PC."
        case Verdict.STOPPED:
            connected = any(one.opened for one in outcome.linkup.on_port)
            came_up = connected and outcome.stopped_at is not Stage.PORT
            what = "The connection came up, and stopped" if came_up else "Connecting stopped"
            return f"{what} at the {name}: {title}."
        case Verdict.UNSTABLE:
            what = "then failed" if _broke(outcome) else "then met trouble"
            return f"The connection came up, {what} at the {name}: {title}."
        case Verdict.CANNOT_TELL:
            return "This recording cannot tell whether the connection works."


def _found(outcome: Outcome) -> str:
    """What the controller answers where no port was called."""
    if outcome.linkup.pings:
        return "The controller answers pings"
    asked = "neighbour solicitations" if outcome.linkup.is_ipv6 else "ARP"
    return f"The controller answers {asked}"


def _broke(outcome: Outcome) -> bool:
    """Whether anything of the link-up ended that was wanted, not only is in danger."""
    fault = outcome.fault
    is_lower = fault is not None and list(Stage).index(Stage(fault.stage)) < list(Stage).index(
        Stage.SESSION
    )
    held = any(one.stage == Stage.SESSION and one.state is State.PASSED for one in outcome.stages)
    return outcome.linkup.is_lost or not (is_lower and held)


def because_of(outcome: Outcome) -> str:
    """What tells most of a link-up without a fault: the last stage that is seen working or not."""
    passed = [one for one in outcome.stages if one.state is State.PASSED]
    told = passed[-1] if outcome.verdict is Verdict.COMPLETE else first_open(outcome)
    return capital(told.because)


def first_open(outcome: Outcome) -> StageResult:
    """The first stage that is not seen working."""
    return next(one for one in outcome.stages if one.state is not State.PASSED)


def certainty(finding: Finding, at: str = "", is_told: bool = True) -> str:
    """How sure a finding is, in a sentence without its first capital. at: the time of day of the
    frame that shows it best; is_told: whether the verdict says what became of the connection.
    """
    proof = _frames(finding, at) if finding.evidence else WHOLE
    about, rest = "", ""
    if not is_told:
        about = f" about {'this' if finding.stage in NAMES else 'the recording'}"
        rest = " Nothing is claimed about the connection."
    if finding.certainty is Certainty.SHOWN:
        with_sheet = finding.linkup is not None and finding.linkup.sheet is not None
        sheet = ", together with the site sheet" if with_sheet else ""
        return f"certain{about}: shown by {proof}{sheet}.{rest}"
    return f"likely, not certain{about and ','}{about}: fits {proof}.{rest}"


def _frames(finding: Finding, at: str) -> str:
    """What it rests on: "frames 7, 9, 10 and 3 more", "frame 7 (09:00:02) and 5 more"."""
    frames = list(dict.fromkeys(f"{one.moment.frame:,}" for one in finding.evidence))
    if at:
        best = f"{finding.moment.frame:,}" if finding.moment else frames[0]
        others = [one for one in frames if one != best][: len(frames) - 1]
        return f"frame {named([f'{best} ({at})', *others], 1)}"
    return f"frame{'s' if len(frames) > 1 else ''} {named(frames, MOST_PROOF)}"


def short_verdict(outcome: Outcome) -> str:
    """The verdict for a table."""
    warned = outcome.verdict is Verdict.COMPLETE and outcome.warning is not None
    return WARNED if warned else str(outcome.verdict)


def counted(outcomes: Iterable[Outcome]) -> str:
    """How many ended how: "6 complete and 4 stopped"."""
    counts = Counter(one.verdict for one in outcomes)
    return listed([f"{counts[one]:,} {ENDED[one]}" for one in Verdict if counts[one]])


def worst_first(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """The worst first; those that ended alike in the order of their first frames."""
    return sorted(outcomes, key=lambda one: (WORST_FIRST.index(short_verdict(one)), _begins(one)))


def _begins(outcome: Outcome) -> float:
    """The first frame between the PC and the controller; those without any come last."""
    linkup = outcome.linkup
    moments = [*linkup.attempts[:1], *([linkup.heard] if linkup.heard else [])]
    return min((one.frame for one in moments), default=inf)


def told_in_full(outcomes: Sequence[Outcome]) -> list[Outcome]:
    """Of many link-ups, the first of each trouble."""
    if len(outcomes) <= FEW:
        return list(outcomes)
    return first_of_each([one for one in outcomes if one.verdict is not Verdict.COMPLETE])


def first_of_each(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """The first of those that ended alike, as many as a reader bears."""
    first: dict[object, Outcome] = {}
    for one in outcomes:
        first.setdefault((one.verdict, one.fault and one.fault.rule), one)
    return list(first.values())[:MOST_IN_FULL]


def capital(text: str) -> str:
    """Text that begins a sentence."""
    return text[:1].upper() + text[1:]
