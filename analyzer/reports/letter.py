"""A diagnosis -> a reply that support staff paste into a mail to the site."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC

from analyzer.diagnosis import Certainty, Diagnosis, Finding, Outcome, Stage, Step, Verdict
from analyzer.reports.blocks import Block, Listing, Paragraph, safely
from analyzer.reports.document import NOT_RECORDINGS
from analyzer.reports.document.another import GOOD_RECORDING, calls_for_another
from analyzer.reports.document.bounds import FEW, MOST_IN_FULL, MOST_NAMED, named
from analyzer.reports.document.finding import AGAIN, general_cautions, main_findings
from analyzer.reports.document.recording import Clock, comments, how_much
from analyzer.reports.document.verdict import (
    STILL_TROUBLE,
    first_of_each,
    headline,
    worst_first,
)
from analyzer.words import quoted, say

GREETING = "[Your greeting]"
FAREWELL = "[Your name]"
MOST_STEPS = 3
"""Steps, causes and frames in a letter: more are not read (common practice, no source)."""
STEPS = "Please do this, in this order:"
MOST_QUESTIONS = 5
"""Questions that a letter asks for an answer; the others are asked in passing."""
NO_MORE = (
    "If that does not help, write before you do anything else. Beyond the steps above, do not "
    "restart the controller, change addresses or close anybody's session."
)
IN_DOUBT = {
    Certainty.SHOWN: "What happened is sure: these frames of the recording show it"
    "{sheet:if, together with the site sheet}.",
    Certainty.FITS: "What happened is likely, but not sure: something else could look the same in "
    "these frames.",
}
MEANT = {
    Stage.LINK: "the cable and its link",
    Stage.ADDRESS: "the PC's own address",
    Stage.NEIGHBOUR: "finding the controller on the network",
    Stage.ROUTE: "the way to the controller and back",
    Stage.PORT: "the controller taking the PC's call",
    Stage.SESSION: "keeping the connection up",
    Stage.ANSWER: "the controller's answers",
}
"""What each stage is about, for somebody who never heard of them."""


def letter(
    diagnoses: Sequence[Diagnosis], refused: Sequence[str] = (), everything: bool = False
) -> list[Block]:
    """The letter about one or several recordings, and a line for each thing that is none.
    everything: every link-up by itself.
    """
    blocks: list[Block] = [Paragraph(GREETING)]
    for diagnosis in diagnoses:
        blocks += _about(diagnosis, everything)
    if refused:
        lines = [Step(text) for text in refused]
        blocks += [Paragraph(f"{NOT_RECORDINGS}:"), Listing(lines)]
    return list(safely([*blocks, *_questions(diagnoses), Paragraph(FAREWELL)]))


def _about(diagnosis: Diagnosis, everything: bool) -> Iterator[Block]:
    name = quoted(diagnosis.facts.file)
    yield Paragraph(f"Thank you for the recording {name}. It holds {how_much(diagnosis)}.")
    yield from comments(diagnosis)
    outcomes = worst_first(diagnosis.outcomes)
    working = [one for one in outcomes if _works(one)]
    troubled = [one for one in outcomes if not _works(one)]
    short = len(troubled) > MOST_IN_FULL and not everything
    told = first_of_each(troubled) if short else troubled
    one_by_one = told if len(working) > FEW else [*told, *working]
    for outcome in one_by_one:
        yield Paragraph(f"{_who(outcome)}: {headline(outcome)}{_stage(outcome)}")
    told_above = set(told)
    rest = [one.linkup.controller for one in troubled if one not in told_above]
    if rest:
        yield Paragraph(f"Besides these, there is trouble or a warning with {named(rest)}.")
    if len(working) > FEW:
        addresses = [one.linkup.controller for one in working]
        names = named(addresses, len(addresses) if everything else MOST_NAMED)
        yield Paragraph(f"The connection works with {names}: they answer the PC.")
    if working:
        yield Paragraph(STILL_TROUBLE)
    yield from _findings(diagnosis, told)
    if calls_for_another(diagnosis):
        yield Paragraph("Please send us a new recording, made like this:")
        yield Listing(GOOD_RECORDING, numbered=True)


def _works(outcome: Outcome) -> bool:
    return outcome.verdict is Verdict.COMPLETE and outcome.warning is None


def _findings(diagnosis: Diagnosis, outcomes: Sequence[Outcome]) -> Iterator[Block]:
    """What leads these link-ups, or without any what is told of the whole; causes and steps once a
    rule.
    """
    faults = {one.fault for one in outcomes}
    leads = main_findings(diagnosis)
    findings = [one for one in leads if one in faults] or leads[:1]
    headlines = {outcome.fault or outcome.warning for outcome in diagnosis.outcomes}
    told: dict[str, Finding] = {}
    for finding in findings:
        if finding.rule in told:
            same = told[finding.rule].title
            yield Paragraph(f'{finding.title}: causes and steps are those under "{same}".')
            continue
        is_clear = len(findings) == 1 and finding in headlines
        yield Paragraph(finding.means if is_clear else f"{finding.title}. {finding.means}")
        yield from _finding(diagnosis, finding)
        told[finding.rule] = finding
    if findings:
        yield Paragraph(NO_MORE)


def _who(outcome: Outcome) -> str:
    return f"The PC and the controller {outcome.linkup.controller}"


def _stage(outcome: Outcome) -> str:
    """What the stage is about that failed."""
    stage = outcome.stopped_at
    return f" That stage is about {MEANT[stage]}." if stage else ""


def _finding(diagnosis: Diagnosis, finding: Finding) -> Iterator[Block]:
    if finding.evidence:
        sheet = finding.linkup is not None and finding.linkup.sheet is not None
        yield Paragraph(say(IN_DOUBT[finding.certainty], {"sheet": sheet}))
        yield Listing([Step(text) for text in _proof(diagnosis, finding)])
    yield Paragraph("Likely causes, most likely first:")
    yield Listing([Step(text) for text in finding.likely_causes[:MOST_STEPS]])
    yield Paragraph(STEPS)
    yield from general_cautions(finding)
    yield Listing(finding.what_to_do[:MOST_STEPS], numbered=True)
    if finding.confirm.text:
        yield Paragraph("To be sure:")
        yield Listing([finding.confirm])


def _proof(diagnosis: Diagnosis, finding: Finding) -> Iterator[str]:
    """A few frames and what they show: as many kinds as there is room for."""
    kinds = {one.text.replace(AGAIN, ""): one for one in reversed(finding.evidence)}
    firsts = sorted(kinds.values(), key=lambda one: one.moment)
    more = [one for one in finding.evidence if one not in firsts]
    clock = Clock(diagnosis, UTC)
    for one in sorted([*firsts, *more][:MOST_STEPS], key=lambda one: one.moment):
        when = clock.at(one.moment)
        yield f"Frame {one.moment.frame:,}{', ' + when + ' UTC' if when else ''}: {one.text}."


@dataclass(frozen=True, slots=True, eq=False)
class Question:
    """One question of the intake form. short: the same in passing; open: whether a diagnosis leaves
    it open.
    """

    text: str
    short: str
    open: Callable[[Diagnosis, Outcome | None], bool]


def _has_steps(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
    return bool(main_findings(diagnosis))


def _not_working(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
    return outcome is None or outcome.verdict is not Verdict.COMPLETE


def _stopped_before(stage: Stage) -> Callable[[Diagnosis, Outcome | None], bool]:
    def is_open(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
        return outcome is None or stage not in outcome.linkup.proofs

    return is_open


def _failed_at(*stages: Stage) -> Callable[[Diagnosis, Outcome | None], bool]:
    def is_open(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
        return outcome is not None and outcome.stopped_at in stages

    return is_open


def _way_unknown(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
    switch = any(station.is_switch for station in diagnosis.facts.stations)
    return not switch and (outcome is None or outcome.linkup.router is None)


def _mask_unknown(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
    return outcome is None or outcome.linkup.mask is None


def _not_pinged(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
    return _not_working(diagnosis, outcome) and (outcome is None or outcome.linkup.pings is None)


def _unless_in_sheet(
    is_open: Callable[[Diagnosis, Outcome | None], bool], *fields: str
) -> Callable[[Diagnosis, Outcome | None], bool]:
    """Open as before, and not answered by these fields of the controller's site sheet."""

    def is_still_open(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
        sheet = outcome.linkup.sheet if outcome is not None else None
        return is_open(diagnosis, outcome) and any(
            getattr(sheet, field, None) is None for field in fields
        )

    return is_still_open


def _adapter_unknown(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
    return not any(one.addresses for one in diagnosis.facts.interfaces)


QUESTIONS = {
    "machine": Question(
        "Is the machine running or able to move? Who may stop it, and who may restart the "
        "controller, and when?",
        "whether the machine is running, and who may stop it",
        _has_steps,
    ),
    "attempt": Question(
        "What was pressed, in which program and version, at what clock time (with the time zone)? "
        "Which words and numbers did it show?",
        "what was pressed in which program, when, and what it showed",
        _not_working,
    ),
    "worked": Question(
        "Did this PC ever work with this controller? What has changed since: PC, cable, program, "
        "firmware, switch, controller, power?",
        "whether it ever worked, and what has changed since",
        _not_working,
    ),
    "others": Question(
        "Does a panel or another PC work with the controller right now? How many programs are "
        "connected to it?",
        "whether a panel or another PC works with the controller now",
        _not_working,
    ),
    "sometimes": Question(
        "Does it always fail, or sometimes? After how long? With the machine's motion, at the "
        "start of a shift, after a break?",
        "whether it always fails, or when",
        _not_working,
    ),
    "way": Question(
        "What lies between PC and controller: a direct cable, a switch, a router, a VPN, radio, a "
        "virtual machine?",
        "what lies between PC and controller: a cable, a switch, a router, radio",
        _way_unknown,
    ),
    "lamps": Question(
        "Which lamps are lit at both ends of the cable, in which colour? Which socket of the "
        "controller is used?",
        "which lamps are lit at both ends of the cable",
        _stopped_before(Stage.ROUTE),
    ),
    "adapters": Question(
        "Address, mask and gateway of every adapter of the PC that is up: fixed or automatic?",
        "the addresses and masks of the PC's adapters",
        _mask_unknown,
    ),
    "label": Question(
        "Address, mask, gateway and hardware address of the controller, as its display, label or "
        "project shows them?",
        "the controller's address, mask and hardware address by its label",
        _unless_in_sheet(_not_working, "mask", "hardware_address"),
    ),
    "port": Question(
        "Which port and protocol does the controller's manual name?",
        "port and protocol by the controller's manual",
        _unless_in_sheet(_stopped_before(Stage.PORT), "port", "transport"),
    ),
    "pings": Question(
        "Does the controller answer ten pings from the PC, and from a panel?",
        "whether the controller answers pings",
        _not_pinged,
    ),
    "table": Question(
        "Which hardware address does the PC's neighbour table hold for the controller?",
        "which hardware address the PC's neighbour table holds for the controller",
        _failed_at(Stage.NEIGHBOUR, Stage.ROUTE),
    ),
    "state": Question(
        "The controller's family, firmware date, operating mode, fault code, and how long it has "
        "been powered?",
        "the controller's family, firmware date, mode and fault code",
        _not_working,
    ),
    "sessions": Question(
        "How many sessions does the controller accept, and which ones does it list now?",
        "how many sessions the controller accepts, and which it lists now",
        _unless_in_sheet(_failed_at(Stage.PORT, Stage.SESSION, Stage.ANSWER), "sessions"),
    ),
    "limits": Question(
        "Which time limits are set in the controller and in the program?",
        "the time limits set in the controller and the program",
        _failed_at(Stage.SESSION, Stage.ANSWER),
    ),
    "system": Question(
        "The PC's operating system, security software, firewall setting on that adapter, and sleep "
        "setting?",
        "the PC's operating system, security software and firewall setting",
        _not_working,
    ),
    "adapter": Question(
        "On which adapter was the recording made, and with which filter?",
        "on which adapter and with which filter it was recorded",
        _adapter_unknown,
    ),
}
"""The intake form. Each is asked only where the recording leaves it open."""
DECIDES = {
    "recording": ("adapter", "attempt", "way", "worked"),
    "link": ("lamps", "way", "others", "worked"),
    "address": ("adapters", "way", "worked", "others"),
    "neighbour": ("label", "lamps", "others", "worked"),
    "route": ("adapters", "label", "way", "worked"),
    "port": ("port", "others", "sessions", "state"),
    "session": ("sometimes", "sessions", "limits", "worked"),
    "answer": ("attempt", "limits", "sometimes", "state"),
}
"""By the stage of what leads: the questions whose answers part its causes."""


def _questions(diagnoses: Sequence[Diagnosis]) -> Iterator[Block]:
    """What the recordings leave open: the machine's safety and what decides first, the rest in
    passing.
    """
    asked: dict[str, None] = {}
    for diagnosis in diagnoses:
        asked |= dict.fromkeys(_open(diagnosis))
    keys = list(asked)
    if keys:
        yield Paragraph("The recording cannot answer these questions. Please tell us:")
        texts = [Step(QUESTIONS[key].text) for key in keys[:MOST_QUESTIONS]]
        yield Listing(texts, numbered=True)
    if len(keys) > MOST_QUESTIONS:
        rest = "; ".join(QUESTIONS[key].short for key in keys[MOST_QUESTIONS:])
        yield Paragraph(f"If it is easy, tell us as well: {rest}.")


def _open(diagnosis: Diagnosis) -> list[str]:
    """The questions about the link-up that got on worst, those that decide first."""
    outcome = next(iter(worst_first(diagnosis.outcomes)), None)
    leads = main_findings(diagnosis)
    if outcome is not None and _works(outcome) and not leads:
        return []
    first = DECIDES[leads[0].stage if leads else "recording"]
    order = dict.fromkeys(("machine", *first, *QUESTIONS))
    return [key for key in order if QUESTIONS[key].open(diagnosis, outcome)]
