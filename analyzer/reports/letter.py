"""A diagnosis -> a reply that support staff paste into a mail to the site."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from analyzer.diagnosis import Diagnosis, Finding, Outcome, Stage, Step, Verdict
from analyzer.reports.blocks import Block, Listing, Paragraph
from analyzer.reports.document import (
    GOOD_RECORDING,
    NOT_RECORDINGS,
    STILL_TROUBLE,
    calls_for_another,
    certainty,
    clock,
    comments,
    headline,
    main_findings,
    what_it_is,
)
from analyzer.words import clean

GREETING = "[Your greeting]"
FAREWELL = "[Your name]"
MOST_STEPS = 3
"""Steps, causes and frames in a letter: more are not read (common practice, no source)."""
NO_MORE = (
    "If that does not help, write before you do anything else. Until then do not restart the "
    "controller, change addresses or close anybody's session."
)


def letter(diagnoses: Sequence[Diagnosis], refused: Sequence[str] = ()) -> list[Block]:
    """The letter about one or several recordings, and a line for each thing that is none."""
    blocks: list[Block] = [Paragraph(GREETING)]
    for diagnosis in diagnoses:
        blocks += _about(diagnosis)
    if refused:
        lines = [Step(clean(text)) for text in refused]
        blocks += [Paragraph(f"{NOT_RECORDINGS}:"), Listing(lines)]
    asked = dict.fromkeys(text for one in diagnoses for text in _questions(one))
    if asked:
        blocks += [
            Paragraph("The recording cannot answer these questions. Please tell us:"),
            Listing([Step(text) for text in asked], numbered=True),
        ]
    return [*blocks, Paragraph(FAREWELL)]


def _about(diagnosis: Diagnosis) -> Iterator[Block]:
    name = clean(diagnosis.facts.file)
    yield Paragraph(f"Thank you for the recording {name}. {what_it_is(diagnosis)}")
    yield from (Paragraph(text) for text in comments(diagnosis))
    for outcome in diagnosis.outcomes:
        yield Paragraph(f"{_who(outcome)}: {headline(outcome)}")
        if outcome.verdict is Verdict.COMPLETE and outcome.warning is None:
            yield Paragraph(STILL_TROUBLE)
    told = [outcome.fault or outcome.warning for outcome in diagnosis.outcomes]
    for finding in main_findings(diagnosis):
        yield Paragraph(finding.means if finding in told else f"{finding.title}. {finding.means}")
        yield from _finding(diagnosis, finding)
    if calls_for_another(diagnosis):
        yield Paragraph("Please send us a new recording, made like this:")
        yield Listing([Step(text) for text in GOOD_RECORDING], numbered=True)


def _who(outcome: Outcome) -> str:
    return f"The PC and the controller {outcome.linkup.controller}"


def _finding(diagnosis: Diagnosis, finding: Finding) -> Iterator[Block]:
    yield Paragraph(certainty(finding))
    if finding.evidence:
        yield Listing([Step(text) for text in _proof(diagnosis, finding)])
    yield Paragraph("Likely causes, most likely first:")
    yield Listing([Step(text) for text in finding.likely_causes[:MOST_STEPS]])
    yield Paragraph("Please do this, in this order:")
    yield Listing(finding.what_to_do[:MOST_STEPS], numbered=True)
    yield Paragraph(NO_MORE)
    general = [
        text for text in finding.cautions if text not in {s.caution for s in finding.what_to_do}
    ]
    if general:
        yield Paragraph("Please be careful: " + " ".join(general))
    if finding.confirm.text:
        yield Paragraph("To be sure:")
        yield Listing([finding.confirm])


def _proof(diagnosis: Diagnosis, finding: Finding) -> Iterator[str]:
    for one in finding.evidence[:MOST_STEPS]:
        when = clock(diagnosis, one.moment)
        yield f"Frame {one.moment.frame:,}{', ' + when + ' UTC' if when else ''}: {one.text}."


@dataclass(frozen=True, slots=True, eq=False)
class Question:
    """One question of the intake form. open: whether a diagnosis leaves it open."""

    text: str
    open: Callable[[Diagnosis, Outcome | None], bool]


def _always(diagnosis: Diagnosis, outcome: Outcome | None) -> bool:
    return True


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


QUESTIONS = (
    Question(
        "Is the machine running or able to move? Who may stop it, and who may restart the "
        "controller, and when?",
        _always,
    ),
    Question(
        "What was pressed, in which program and version, at what clock time (with the time zone)? "
        "Which words and numbers did it show?",
        _not_working,
    ),
    Question(
        "Did this PC ever work with this controller? What has changed since: PC, cable, program, "
        "firmware, switch, controller, power?",
        _not_working,
    ),
    Question(
        "Does a panel or another PC work with the controller right now? How many programs are "
        "connected to it?",
        _not_working,
    ),
    Question(
        "Does it always fail, or sometimes? After how long? With the machine's motion, at the "
        "start of a shift, after a break?",
        _not_working,
    ),
    Question(
        "What lies between PC and controller: a direct cable, a switch, a router, a VPN, radio, a "
        "virtual machine?",
        _way_unknown,
    ),
    Question(
        "Which lamps are lit at both ends of the cable, in which colour? Which socket of the "
        "controller is used?",
        _stopped_before(Stage.ROUTE),
    ),
    Question(
        "Address, mask and gateway of every adapter of the PC that is up: fixed or automatic?",
        _mask_unknown,
    ),
    Question(
        "Address, mask, gateway and hardware address of the controller, as its display, label or "
        "project shows them?",
        _unless_in_sheet(_not_working, "mask", "hardware_address"),
    ),
    Question(
        "Which port and protocol does the manual name?",
        _unless_in_sheet(_stopped_before(Stage.PORT), "port", "transport"),
    ),
    Question("Does the controller answer ten pings from the PC, and from a panel?", _not_pinged),
    Question(
        "Which hardware address does the PC's neighbour table hold for the controller?",
        _failed_at(Stage.NEIGHBOUR, Stage.ROUTE),
    ),
    Question(
        "The controller's family, firmware date, operating mode, fault code, and how long it has "
        "been powered?",
        _not_working,
    ),
    Question(
        "How many sessions does the controller accept, and which ones does it list now?",
        _failed_at(Stage.PORT, Stage.SESSION, Stage.ANSWER),
    ),
    Question(
        "Which time limits are set in the controller and in the program?",
        _failed_at(Stage.SESSION, Stage.ANSWER),
    ),
    Question(
        "The PC's operating system, security software, firewall setting on that adapter, and sleep "
        "setting?",
        _not_working,
    ),
    Question("On which adapter was the recording made, and with which filter?", _adapter_unknown),
)
"""The intake form. Each is asked only where the recording leaves it open."""


def _questions(diagnosis: Diagnosis) -> list[str]:
    """What the recording leaves open, about its first link-up without success."""
    outcomes = sorted(diagnosis.outcomes, key=lambda one: one.verdict is Verdict.COMPLETE)
    outcome = outcomes[0] if outcomes else None
    return [question.text for question in QUESTIONS if question.open(diagnosis, outcome)]
