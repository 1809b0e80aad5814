"""Diagnoses -> a reply to the site: one for one mail, however many recordings it holds."""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from analyzer.comparison import compare
from analyzer.diagnosis import Certainty, Diagnosis, Finding, Outcome, Stage, Step, Verdict
from analyzer.inputs.envelopes import Envelope
from analyzer.reports.blocks import Block, Listing, Paragraph, Typed, safely
from analyzer.reports.comparison import in_a_sentence, progress
from analyzer.reports.document import NOT_RECORDINGS
from analyzer.reports.document.another import GOOD_RECORDING, TROUBLES, calls_for_another
from analyzer.reports.document.bounds import FEW, MOST_IN_FULL, MOST_NAMED, named
from analyzer.reports.document.finding import AGAIN, general_cautions, main_findings
from analyzer.reports.document.recording import Clock, comments, how_much
from analyzer.reports.document.verdict import (
    STILL_TROUBLE,
    far_end,
    first_of_each,
    headline,
    worst_first,
)
from analyzer.reports.house import House
from analyzer.reports.offers import Offers, offers
from analyzer.words import count, listed, quoted, say

MOST_STEPS = 3
"""Steps, causes and frames in a letter: more are not read (common practice, no source)."""
STEPS = "Please do this, in this order:"
STEPS_FOR_ANOTHER = "Please send us a new recording. Do this for it, in this order:"
"""Where what is told is what the recording lacks."""
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
WHY_NO_MORE = {
    Certainty.SHOWN: "These frames show why the recording cannot tell more:",
    Certainty.FITS: "These frames suggest why the recording cannot tell more:",
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


HOUSE = House()


@dataclass(frozen=True, slots=True)
class Style:
    """How a letter is written. everything: every link-up and step by itself; attached: whether the
    page goes with it; house: the desk's own wording.
    """

    everything: bool = False
    attached: bool = False
    house: House = HOUSE


PLAIN = Style()


def letter(
    diagnoses: Sequence[Diagnosis],
    refused: Sequence[str] = (),
    style: Style = PLAIN,
    mail: Envelope | None = None,
    beside: Sequence[str] = (),
) -> list[Block]:
    """The letter about one or several recordings, and a line for each thing that is none. mail: the
    one that they came with; beside: names of what came along and never holds frames.
    """
    ordered = sorted(diagnoses, key=_began)
    several = len(ordered) > 1
    house = style.house
    blocks: list[Block] = [Paragraph(house.greeting)]
    blocks += _all(ordered, mail) if several else _one(ordered[0], mail, style.everything)
    blocks += _offers(ordered, mail)
    blocks += _findings(ordered, style)
    if any(calls_for_another(one) for one in ordered):
        is_asked = Paragraph(STEPS_FOR_ANOTHER) in blocks
        blocks.append(Paragraph(HOW_TO_MAKE_IT if is_asked else MAKE_ANOTHER))
        blocks.append(Listing(GOOD_RECORDING, numbered=True))
    if refused:
        lines = [Step(text) for text in refused]
        blocks += [Paragraph(f"{NOT_RECORDINGS}:"), Listing(lines)]
    if beside:
        names = named(list(map(quoted, beside)))
        blocks.append(Paragraph(f"Not used, since no frames are in such files: {names}."))
    if style.attached:
        blocks.append(Paragraph(ATTACHED))
    blocks += _questions(ordered, mail.words if mail is not None else "")
    blocks += [Paragraph(note) for note in house.notes]
    return list(safely([*blocks, Typed(house.signature)]))


MAKE_ANOTHER = "Please send us a new recording, made like this:"
HOW_TO_MAKE_IT = "How to make the new recording:"
ATTACHED = (
    "The page attached has the proof, all steps and their cautions. Any browser shows it; it needs "
    "no network."
)
NO_TIME = datetime.max.replace(tzinfo=UTC)


def _began(diagnosis: Diagnosis) -> datetime:
    """What recordings are put in order by; one without a time comes last."""
    return diagnosis.facts.first_seen or NO_TIME


def _name(diagnosis: Diagnosis) -> str:
    return quoted(diagnosis.facts.file)


def _thanks(mail: Envelope | None) -> str:
    if mail is None:
        return "Thank you for"
    sent = f" of {mail.sent:%Y-%m-%d}" if mail.sent is not None else ""
    return f"Thank you for your mail{sent} and"


# --- what the recordings show -------------------------------------------------------------------


def _one(diagnosis: Diagnosis, mail: Envelope | None, everything: bool) -> Iterator[Block]:
    """A recording that came alone."""
    name = _name(diagnosis)
    yield Paragraph(f"{_thanks(mail)} the recording {name}. It holds {how_much(diagnosis)}.")
    yield from comments(diagnosis)
    yield from (Paragraph(text) for text in _said(diagnosis, everything))


def _said(diagnosis: Diagnosis, everything: bool) -> Iterator[str]:
    """What a recording says of each link-up."""
    outcomes = worst_first(diagnosis.outcomes)
    working = [one for one in outcomes if _works(one)]
    troubled = [one for one in outcomes if not _works(one)]
    told = _told(troubled, everything)
    for outcome in told if len(working) > FEW else [*told, *working]:
        yield f"{_of(outcome)}{_stage(outcome)}"
    told_above = set(told)
    rest = [one.linkup.controller for one in troubled if one not in told_above]
    if rest:
        yield f"Besides these, there is trouble or a warning with {named(rest)}."
    if len(working) > FEW:
        addresses = [one.linkup.controller for one in working]
        names = named(addresses, len(addresses) if everything else MOST_NAMED)
        yield f"The connection works with {names}: they answer the PC."
    if working:
        yield STILL_TROUBLE


def _told(troubled: Sequence[Outcome], everything: bool) -> list[Outcome]:
    """The link-ups with a trouble or a warning that are told by themselves."""
    short = len(troubled) > MOST_IN_FULL and not everything
    return first_of_each(troubled) if short else list(troubled)


def _all(ordered: Sequence[Diagnosis], mail: Envelope | None) -> Iterator[Block]:
    """Several recordings: what they show together, each in a line, and where they differ."""
    yield Paragraph(f"{_thanks(mail)} the {len(ordered):,} recordings.")
    yield Paragraph(_together(ordered))
    yield Listing([Step(f"{_name(one)}: {how_much(one)}. {_in_a_line(one)}") for one in ordered])
    pair = _pair(ordered)
    if pair is not None:
        compared = compare(*pair)
        good, bad = _name(compared.working), _name(compared.failing)
        if compared.is_comparable:
            both = f"{good}, where it works, compared with {bad}, where it does not."
            yield Paragraph(f"{both} {in_a_sentence(compared)}")
    else:
        yield from _progress(ordered)
    if all(map(_all_work, ordered)):
        yield Paragraph(STILL_TROUBLE)


def _progress(ordered: Sequence[Diagnosis]) -> Iterator[Block]:
    """Where none works: whether the last is better than the first."""
    tried = [one for one in ordered if one.outcomes and one.facts.first_seen is not None]
    told = progress(compare(tried[0], tried[-1])) if len(tried) > 1 else ""
    if told:
        first, last = _name(tried[0]), _name(tried[-1])
        yield Paragraph(f"{last}, the last, compared with {first}, the first. {told}")


def _together(ordered: Sequence[Diagnosis]) -> str:
    """In how many of them it works, and that the list is in order of time."""
    works = sum(_all_work(one) for one in ordered)
    if works == len(ordered):
        told = "The connection works in all of them."
    elif not works:
        told = "None of them shows a connection that works without trouble."
    else:
        told = f"The connection works in {works:,} of them, and not or not well in the others."
    return f"{told} In order of time they show this:"


def _all_work(diagnosis: Diagnosis) -> bool:
    return bool(diagnosis.outcomes) and all(_works(one) for one in diagnosis.outcomes)


def _in_a_line(diagnosis: Diagnosis) -> str:
    """What came of the link-up that got least far."""
    outcomes = worst_first(diagnosis.outcomes)
    if not outcomes:
        leads = main_findings(diagnosis)
        return f"{leads[0].title}." if leads else "No controller was found in it."
    more = len(outcomes) - 1
    told = f" {count(more, 'other connection')} got as far or farther." if more else ""
    return f"{_of(outcomes[0])}{told}"


def _pair(ordered: Sequence[Diagnosis]) -> tuple[Diagnosis, Diagnosis] | None:
    """A recording in which a controller works and the next one in which the same does not; without
    one, the last before it.
    """
    for diagnoses in (ordered, ordered[::-1]):
        works: dict[object, Diagnosis] = {}
        for diagnosis in diagnoses:
            for one in diagnosis.outcomes:
                if one.fault is not None and one.linkup.controller in works:
                    return works[one.linkup.controller], diagnosis
            works |= {
                one.linkup.controller: diagnosis
                for one in diagnosis.outcomes
                if one.verdict is Verdict.COMPLETE
            }
    return None


def _offers(ordered: Sequence[Diagnosis], mail: Envelope | None) -> Iterator[Block]:
    """What the mail's own words name, and what of it no frame has."""
    named_there = offers(mail.words) if mail is not None else Offers()
    told = [
        f"{what} {listed(texts)}"
        for what, texts in (
            ("", [*named_there.addresses, *named_there.hardware]),
            ("the mask", named_there.masks),
            ("the port", named_there.ports),
        )
        if texts
    ]
    if not told:
        return
    yield Paragraph(
        f"Your mail names {'; '.join(told).strip()}. We take that as an offer, not as a fact: "
        "please tell us if anything of it is wrong."
    )
    unseen = named_there.unseen(ordered)
    if unseen:
        where = "none of the recordings" if len(ordered) > 1 else "no frame of the recording"
        verb = "are" if len(unseen) > 1 else "is"
        yield Paragraph(f"{listed(unseen)} {verb} in {where}.")


def _works(outcome: Outcome) -> bool:
    return outcome.verdict is Verdict.COMPLETE and outcome.warning is None


def _findings(ordered: Sequence[Diagnosis], style: Style) -> Iterator[Block]:
    """What leads the link-ups that are told, or without any what is told of the whole; causes and
    steps once a rule.
    """
    told: dict[str, str] = {}
    for diagnosis in ordered:
        for finding in _leading(diagnosis, style.everything):
            title = finding.title if len(ordered) == 1 else f"{_name(diagnosis)}: {finding.title}"
            if finding.rule in told:
                same = told[finding.rule]
                yield Paragraph(f'{title}: causes and steps are those under "{same}".')
                continue
            if len(told) == MOST_IN_FULL and not style.everything:
                continue
            is_clear = len(ordered) == 1 and _is_told_above(diagnosis, finding, style.everything)
            yield Paragraph(finding.means if is_clear else f"{title}. {finding.means}")
            yield from _finding(diagnosis, finding, style)
            told[finding.rule] = title
    if told:
        yield Paragraph(NO_MORE)


def _leading(diagnosis: Diagnosis, everything: bool) -> Sequence[Finding]:
    troubled = [one for one in worst_first(diagnosis.outcomes) if not _works(one)]
    faults = {one.fault for one in _told(troubled, everything)}
    leads = main_findings(diagnosis)
    return [one for one in leads if one in faults] or leads[:1]


def _is_told_above(diagnosis: Diagnosis, finding: Finding, everything: bool) -> bool:
    """Whether it is the only one, and leads a link-up: then its title stands above."""
    judged = [one for one in diagnosis.outcomes if one.verdict is not Verdict.CANNOT_TELL]
    headlines = {one.fault or one.warning for one in judged}
    return len(_leading(diagnosis, everything)) == 1 and finding in headlines


def _of(outcome: Outcome) -> str:
    """Whom it is about, and what happened."""
    told = headline(outcome)
    linkup = outcome.linkup
    return f"With the {far_end(linkup)} {linkup.controller}, {told[0].lower()}{told[1:]}"


def _stage(outcome: Outcome) -> str:
    """What the stage is about that failed."""
    stage = outcome.stopped_at
    return f" That stage is about {MEANT[stage]}." if stage else ""


def _finding(diagnosis: Diagnosis, finding: Finding, style: Style) -> Iterator[Block]:
    lacks = finding.rule in TROUBLES
    if finding.evidence:
        sheet = finding.linkup is not None and finding.linkup.sheet is not None
        sure = WHY_NO_MORE if lacks else IN_DOUBT
        yield Paragraph(say(sure[finding.certainty], {"sheet": sheet}))
        yield Listing([Step(text) for text in _proof(diagnosis, finding)])
    yield Paragraph("Likely causes, most likely first:")
    yield Listing([Step(text) for text in finding.likely_causes[:MOST_STEPS]])
    yield Paragraph(STEPS_FOR_ANOTHER if lacks else STEPS)
    yield from general_cautions(finding)
    most = len(finding.what_to_do) if style.everything else MOST_STEPS
    yield Listing(finding.what_to_do[:most], numbered=True)
    if finding.confirm.text and not lacks:
        yield Paragraph("To be sure:")
        yield Listing([finding.confirm])
    left = len(finding.what_to_do[most:])
    if left:
        it = "it" if left == 1 else "them"
        where = f"the page attached has {it}" if style.attached else f"ask us for {it}"
        yield Paragraph(
            f"There {'is' if left == 1 else 'are'} {count(left, 'more step')}: {where}."
        )


def _proof(diagnosis: Diagnosis, finding: Finding) -> Iterator[str]:
    """A few frames and what they show: as many kinds as there is room for."""
    kinds = {one.text.replace(AGAIN, ""): one for one in reversed(finding.evidence)}
    firsts = sorted(kinds.values(), key=lambda one: one.moment)
    more = [one for one in finding.evidence if one not in firsts]
    clock = Clock(diagnosis, UTC)
    for one in sorted([*firsts, *more][:MOST_STEPS], key=lambda one: one.moment):
        when = clock.at(one.moment)
        yield f"Frame {one.moment.frame:,}{', ' + when + ' UTC' if when else ''}: {one.text}."


NEVER = r"(?!)"
"""Fits no words: whatever a mail says, who may stop the machine is asked."""


@dataclass(frozen=True, slots=True, eq=False)
class Question:
    """One question of the intake form. short: the same in passing; open: whether a diagnosis leaves
    it open; words: those of a mail that speaks of it, in English.
    """

    text: str
    short: str
    open: Callable[[Diagnosis, Outcome | None], bool]
    words: str = NEVER


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
        r"\d[:.h]\d\d\b.*\b(click|press|start|connect|go online|message|error)",
    ),
    "worked": Question(
        "Did this PC ever work with this controller? What has changed since: PC, cable, program, "
        "firmware, switch, controller, power?",
        "whether it ever worked, and what has changed since",
        _not_working,
        r"\b(worked|used to|never connected|since|yesterday|last (week|month)|changed|replaced)\b",
    ),
    "others": Question(
        "Does a panel or another PC work with the controller right now? How many programs are "
        "connected to it?",
        "whether a panel or another PC works with the controller now",
        _not_working,
        r"\b(panel|other|another|second) (pc|laptop|program|panel|computer)|\bpanel\b",
    ),
    "sometimes": Question(
        "Does it always fail, or sometimes? After how long? With the machine's motion, at the "
        "start of a shift, after a break?",
        "whether it always fails, or when",
        _not_working,
        r"\b(sometimes|always|every time|after \d+|intermittent\w*|sporadic\w*)\b",
    ),
    "way": Question(
        "What lies between PC and controller: a direct cable, a switch, a router, a VPN, radio, a "
        "virtual machine?",
        "what lies between PC and controller: a cable, a switch, a router, radio",
        _way_unknown,
        r"\b(switch|router|vpn|direct(ly)? (cable|connected)|wireless|radio|virtual machine)\b",
    ),
    "lamps": Question(
        "Which lamps are lit at both ends of the cable, in which colour? Which socket of the "
        "controller is used?",
        "which lamps are lit at both ends of the cable",
        _stopped_before(Stage.ROUTE),
        r"\b(lamps?|leds?|lights?)\b",
    ),
    "adapters": Question(
        "Address, mask and gateway of every adapter of the PC that is up: fixed or automatic?",
        "the addresses and masks of the PC's adapters",
        _mask_unknown,
        r"\b(mask|gateway|dhcp|fixed address|255\.\d+\.\d+\.\d+)\b|/\d\d\b",
    ),
    "label": Question(
        "Address, mask, gateway and hardware address of the controller, as its display, label or "
        "project shows them?",
        "the controller's address, mask and hardware address by its label",
        _unless_in_sheet(_not_working, "mask", "hardware_address"),
        r"\b(label|display|plate)\b|([0-9a-f]{2}[-:]){5}[0-9a-f]{2}",
    ),
    "port": Question(
        "Which port and protocol does the controller's manual name?",
        "port and protocol by the controller's manual",
        _unless_in_sheet(_stopped_before(Stage.PORT), "port", "transport"),
        r"\b(port|tcp|udp)\W{0,3}\d{2,5}\b|\d:\d{2,5}\b",
    ),
    "pings": Question(
        "Does the controller answer ten pings from the PC, and from a panel?",
        "whether the controller answers pings",
        _not_pinged,
        r"\bping(s|ed|ing)?\b",
    ),
    "table": Question(
        "Which hardware address does the PC's neighbour table hold for the controller?",
        "which hardware address the PC's neighbour table holds for the controller",
        _failed_at(Stage.NEIGHBOUR, Stage.ROUTE),
        r"\b(arp|neighbou?r) (table|cache)\b",
    ),
    "state": Question(
        "The controller's family, firmware date, operating mode, fault code, and how long it has "
        "been powered?",
        "the controller's family, firmware date, mode and fault code",
        _not_working,
        r"\b(firmware|fault code|operating mode|stop mode|run mode)\b",
    ),
    "sessions": Question(
        "How many sessions does the controller accept, and which ones does it list now?",
        "how many sessions the controller accepts, and which it lists now",
        _unless_in_sheet(_failed_at(Stage.PORT, Stage.SESSION, Stage.ANSWER), "sessions"),
        r"\b(sessions|connections)\b",
    ),
    "limits": Question(
        "Which time limits are set in the controller and in the program?",
        "the time limits set in the controller and the program",
        _failed_at(Stage.SESSION, Stage.ANSWER),
        r"\b(time ?outs?|time limits?)\b",
    ),
    "system": Question(
        "The PC's operating system, security software, firewall setting on that adapter, and sleep "
        "setting?",
        "the PC's operating system, security software and firewall setting",
        _not_working,
        r"\b(firewall|security software|operating system|antivirus)\b",
    ),
    "adapter": Question(
        "On which adapter was the recording made, and with which filter?",
        "on which adapter and with which filter it was recorded",
        _adapter_unknown,
        r"\b(filter|capture filter|recorded on|network card)\b",
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


def _questions(diagnoses: Sequence[Diagnosis], words: str) -> Iterator[Block]:
    """What the recordings leave open: the machine's safety and what decides first, the rest in
    passing. What the mail speaks of is not asked again.
    """
    asked: dict[str, None] = {}
    for diagnosis in diagnoses:
        asked |= dict.fromkeys(_open(diagnosis))
    spoken = [key for key in asked if re.search(QUESTIONS[key].words, words, re.I)]
    keys = [key for key in asked if key not in spoken]
    if spoken:
        yield Paragraph(
            f"Thank you: your mail speaks of this already. If anything is missing, add it: "
            f"{_in_passing(spoken)}."
        )
    if keys:
        yield Paragraph("The recording cannot answer these questions. Please tell us:")
        texts = [Step(QUESTIONS[key].text) for key in keys[:MOST_QUESTIONS]]
        yield Listing(texts, numbered=True)
    if len(keys) > MOST_QUESTIONS:
        yield Paragraph(f"If it is easy, tell us as well: {_in_passing(keys[MOST_QUESTIONS:])}.")


def _in_passing(keys: Sequence[str]) -> str:
    return "; ".join(QUESTIONS[key].short for key in keys)


def _open(diagnosis: Diagnosis) -> list[str]:
    """The questions about the link-up that got on worst, those that decide first."""
    outcome = next(iter(worst_first(diagnosis.outcomes)), None)
    leads = main_findings(diagnosis)
    if outcome is not None and _works(outcome) and not leads:
        return []
    first = DECIDES[leads[0].stage if leads else "recording"]
    order = dict.fromkeys(("machine", *first, *QUESTIONS))
    return [key for key in order if QUESTIONS[key].open(diagnosis, outcome)]
