"""The answer on one screen: where, whom, what, how sure, what first; and again at the end of all.

Of several connections or recordings, a table of all comes first, then the one that matters most.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, tzinfo
from typing import Any, NamedTuple

from analyzer.diagnosis import (
    Diagnosis,
    Finding,
    Level,
    Outcome,
    Stage,
    StageResult,
    State,
    Step,
    Verdict,
)
from analyzer.reports.blocks import Block, Heading, Labelled, Listing, Paragraph, safely
from analyzer.reports.document import refusals, report
from analyzer.reports.document.another import GOOD_RECORDING, calls_for_another
from analyzer.reports.document.bounds import MOST_LINES, MOST_STEPS
from analyzer.reports.document.finding import general_cautions, how_explained, unled
from analyzer.reports.document.incidents import SEVERAL, HowMuch, are_few, told_shortly
from analyzer.reports.document.parties import (
    nobody,
    other_controller,
    other_port,
    refusing_ports,
    which_pc,
    who,
)
from analyzer.reports.document.recording import Clock, since, when
from analyzer.reports.document.several import overview, recordings, worst_recording
from analyzer.reports.document.untold import what_would_tell
from analyzer.reports.document.verdict import (
    NAMES,
    NOT_JUDGED,
    WHOLE,
    WITH_THE_PROGRAM,
    because_of,
    capital,
    certainty,
    headline,
    worst_first,
)
from analyzer.reports.to_text import to_text
from analyzer.words import count, listed, opening, quoted

IN_ONE_LINE = {
    State.PASSED: "Works",
    State.AT_TIMES: "At times",
    State.UNCLEAR: "Unclear",
    State.NOT_SHOWN: "Not shown",
    State.NOT_REACHED: "Not reached",
}
"""How stages are told beside the one that the verdict names."""
AT_FIRST = "At first"
"""The same of what worked until it failed for good."""
TRIED = (State.PASSED, State.AT_TIMES, State.UNCLEAR)
MATTERS_MOST = "The one that matters most"
AGAIN = "The answer again"
EVERYTHING = "add --all"
"""How to see the rest, where a command was given that takes it."""


class Room(NamedTuple):
    """What the answer has room for: steps, how much of how it broke, the stages that were tried,
    letters of what happened (its first sentence, which carries the proof, is always told), the
    likeliest cause, the stages that were not tried and the length of the recording, and what else
    was noticed.
    """

    steps: int = MOST_STEPS
    breaks: HowMuch | None = HowMuch.ALL
    tried: bool = True
    letters: int = 0
    cause: bool = False
    others: bool = False
    noticed: bool = False


LEAST = (
    Room(2),
    Room(2, tried=False),
    Room(2, tried=False, breaks=HowMuch.WHY),
    Room(2, tried=False, breaks=HowMuch.WHEN),
    Room(2, breaks=None),
    Room(1, breaks=None),
)
"""What is always told: the first of these that fits."""
MORE: Sequence[dict[str, Any]] = (
    {"letters": 130},
    {"cause": True},
    {"steps": MOST_STEPS},
    {"others": True},
    {"letters": 200},
    {"noticed": True},
)
"""What is told beyond the least, as far as there is room for it, what helps most first."""


def in_short(
    diagnoses: Sequence[Diagnosis],
    everything: str = EVERYTHING,
    zone: tzinfo | None = UTC,
    refused: Sequence[str] = (),
) -> list[Block]:
    """The short report: MOST_LINES lines for one connection. everything: how to see the rest; zone:
    that of the times, None for this machine's own; refused: a line for each thing that is no
    recording.
    """
    worst = worst_recording(diagnoses)
    return [*_at_a_glance(diagnoses, worst), *_fitting(worst, everything, zone), *refusals(refused)]


def in_full(
    diagnoses: Sequence[Diagnosis], zone: tzinfo | None = UTC, refused: Sequence[str] = ()
) -> list[Block]:
    """Everything, with the proof; the verdict and the first step again at the end."""
    answer = Answer(worst_recording(diagnoses))
    return [
        *report(diagnoses, True, refused=refused, zone=zone),
        Heading(AGAIN),
        Paragraph(answer.verdict),
        Listing(answer.steps[:1], numbered=True),
    ]


def _at_a_glance(diagnoses: Sequence[Diagnosis], worst: Diagnosis) -> Iterator[Block]:
    """The table of all, where there are several."""
    if len(diagnoses) > 1:
        yield from recordings(diagnoses)
        yield Heading(f"{MATTERS_MOST}: {quoted(worst.facts.file)}")
    elif len(worst.outcomes) > 1:
        yield from overview(worst_first(worst.outcomes), False, worst.case.pc_unknown)
        yield Heading(MATTERS_MOST)


def _fitting(diagnosis: Diagnosis, everything: str, zone: tzinfo | None) -> list[Block]:
    """As much as there is room for."""
    answer = Answer(diagnosis)

    def told(room: Room) -> list[Block]:
        return list(safely(answer.told(room, everything, zone)))

    def fits(room: Room) -> bool:
        return to_text(told(room)).count("\n") <= MOST_LINES

    room = next(filter(fits, LEAST), LEAST[-1])
    for more in MORE:
        larger = room._replace(**more)
        room = larger if fits(larger) else room
    return told(room)


class Answer:
    """The answer that one recording gives: about the connection that got least far."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        self._diagnosis = diagnosis
        self._outcome = next(iter(worst_first(diagnosis.outcomes)), None)
        self.lead = _lead(diagnosis, self._outcome)

    @property
    def _is_told(self) -> bool:
        """Whether the verdict says what became of the connection."""
        if self._outcome is None:
            return self.lead is not None and self.lead.stage in NAMES
        return self._outcome.verdict is not Verdict.CANNOT_TELL

    @property
    def verdict(self) -> str:
        """What came of the connection, in a sentence or two."""
        lead = self.lead
        if self._outcome is not None:
            is_named = lead is None or self._outcome.verdict is not Verdict.CANNOT_TELL
            told = headline(self._outcome)
            return told if is_named or lead is None else f"{told} {lead.title}."
        if lead is None:
            return "This recording cannot tell whether a connection works."
        is_fault = lead.level is Level.FAULT
        stage = next((one for one in Stage if is_fault and one == lead.stage), None)
        return (
            f"Connecting stopped at the {NAMES[stage]}: {lead.title}."
            if stage
            else lead.title + "."
        )

    @property
    def steps(self) -> Sequence[Step]:
        """What to do, in order."""
        if self.lead is not None:
            return self.lead.what_to_do
        if calls_for_another(self._diagnosis):
            return GOOD_RECORDING
        return [Step(text) for text in WITH_THE_PROGRAM]

    def told(self, room: Room, everything: str, zone: tzinfo | None) -> Iterator[Block]:
        """The whole answer, as far as there is room for it."""
        yield Paragraph(self.verdict, strong=True)
        yield Labelled([row for row in self.rows(room, zone) if row[1]])
        yield from self.first_steps(room.steps)
        more = f" More: {how_explained(self.lead)}" if self.lead else ""
        yield Paragraph(f"{self._left(room.steps)}: {everything}.{more}")

    def first_steps(self, most: int, level: int = 3) -> Iterator[Block]:
        """So many steps, with what to be careful of in few words; level: of their heading."""
        steps = [
            Step(one.text, one.caution and one.caution.in_short()) for one in self.steps[:most]
        ]
        if self.lead is None and not calls_for_another(self._diagnosis):
            yield Heading("If the program still reports trouble", level)
        else:
            yield Heading("What to do first", level)
        if self.lead is not None:
            yield from general_cautions(self.lead)
        yield Listing(steps, numbered=True)

    def rows(self, room: Room, zone: tzinfo | None) -> Iterator[tuple[str, str]]:
        """What is told behind a word each, with empty texts."""
        diagnosis, outcome = self._diagnosis, self._outcome
        yield "Who", nobody(diagnosis) if outcome is None else who(outcome.linkup)
        began = when(diagnosis, zone) if room.others else since(diagnosis, zone)
        yield "Recorded", ", ".join(filter(None, [quoted(diagnosis.facts.file), began]))
        yield "What", self._what(room.letters)
        yield "How sure", self.how_sure(zone)
        yield "Likely why", self._cause() if room.cause else ""
        if outcome is not None:
            if room.tried:
                yield from _stages(outcome, IN_ONE_LINE if room.others else TRIED)
            yield "But", other_port(outcome.linkup) or other_controller(diagnosis, outcome.linkup)
            if self.lead is None:
                yield "Besides", refusing_ports(outcome.linkup)
            if room.breaks is not None:
                yield "Breaks", told_shortly(outcome, Clock(diagnosis, zone), room.breaks)
        yield "Noticed", self._noticed() if room.noticed else ""
        yield "Which PC", which_pc(diagnosis) or ""

    def _what(self, letters: int) -> str:
        outcome = self._outcome
        if self.lead is not None:
            return opening(self.lead.what_happened, letters)
        if outcome is None:
            return ""
        if outcome.verdict is Verdict.CANNOT_TELL:
            return what_would_tell(outcome)
        return f"{because_of(outcome)}. {NOT_JUDGED}"

    def _cause(self) -> str:
        """The likeliest cause: what can be told of it in a sentence."""
        causes = [] if self.lead is None else self.lead.likely_causes
        return opening(causes[0], 0) if causes else ""

    def how_sure(self, zone: tzinfo | None, with_zone: bool = False) -> str:
        """How sure it is, and at what time of day the proof begins; with_zone: where the zone is
        told nowhere near.
        """
        if self.lead is not None:
            proof = self.lead.evidence
            clock = Clock(self._diagnosis, zone)
            at = clock.at(self.lead.moment or proof[0].moment) if proof else ""
            at += f" {clock.zone}" if at and with_zone else ""
            return capital(certainty(self.lead, at, self._is_told))
        outcome = self._outcome
        if outcome is None or outcome.verdict is Verdict.CANNOT_TELL:
            return "Nothing is claimed: the recording shows too little."
        last = [one for one in outcome.stages if one.state is State.PASSED][-1]
        return f"Certain: shown by {f'frame {last.moment.frame:,}' if last.moment else WHOLE}."

    def _noticed(self) -> str:
        """What else was found: the first of it, and how many more."""
        others = [one for one in self._diagnosis.findings if one is not self.lead]
        if not others:
            return ""
        more = f" And {len(others) - 1:,} more." if len(others) > 1 else ""
        return f"{others[0].title}.{more}"

    def _left(self, shown: int) -> str:
        more = max(0, len(self.steps) - shown)
        all_told = self._outcome is None or are_few(self._outcome.incidents)
        left = ["Proof", "" if all_told else "each break", count(more, "more step") if more else ""]
        return listed(list(filter(None, left)))


def _lead(diagnosis: Diagnosis, outcome: Outcome | None) -> Finding | None:
    """The finding that the answer is about."""
    if outcome is not None and (outcome.fault or outcome.warning):
        return outcome.fault or outcome.warning
    return next(iter(unled(diagnosis)), None)


def _stages(outcome: Outcome, states: Iterable[State]) -> Iterator[tuple[str, str]]:
    for state in states:
        for_good = outcome.linkup.is_lost and outcome.incidents.count < SEVERAL
        label = AT_FIRST if state is State.AT_TIMES and for_good else IN_ONE_LINE[state]
        names = [NAMES[one.stage] for one in outcome.stages if _in_one_line(one) is state]
        every = len(names) == len(Stage)
        yield label, "every stage" if every else ", ".join(names)


def _in_one_line(result: StageResult) -> State:
    """How a stage is told there: one that failed, and worked all the same, works at times."""
    return State.AT_TIMES if result.worked else result.state
