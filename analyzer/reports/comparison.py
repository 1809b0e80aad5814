"""A comparison of two recordings -> one document, and its JSON."""

import json
from collections.abc import Callable, Iterator
from typing import Any

from analyzer.comparison import DECIDES, Aspect, Comparison, Remark, Weight
from analyzer.diagnosis import Diagnosis, Outcome, Stage, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table
from analyzer.reports.document import SHOWN_AS, headline, what_it_is
from analyzer.words import clean, seconds

SCHEMA = "whynolink-comparison/1"
ABSENT = "not recorded"
MARKS = {
    Weight.SAME: "",
    Weight.UNKNOWN: "-",
    Weight.BESIDE: "differs",
    Weight.FOLLOWS: "follows",
    Weight.MATTERS: "MATTERS",
}
REMARKS = {
    Remark.NOBODY: (
        "They cannot be compared: at least one of them holds no link-up between a PC and a "
        "controller. Name the controller with --controller if you know it."
    ),
    Remark.OTHER_CONTROLLER: (
        "They are about two controllers, {working} and {failing}. If it should be the same one, "
        "this is the first difference. If not, whatever follows may be how the two are made: "
        "record the same controller twice, or name it with --controller."
    ),
    Remark.OTHER_PORT: (
        "They are about two ports, {working_port} and {failing_port}. If it should be the same "
        "one, compare the port that is set in both programs first."
    ),
    Remark.BOTH_WORK: (
        "Both work, so that no difference explains a trouble. Record again while it does not work."
    ),
    Remark.FAIL_ALIKE: (
        "Neither is seen working, and both end at the same place for the same reason, so that "
        "comparing them tells nothing. "
        "Record a PC, a cable or a time with which it works."
    ),
    Remark.BOTH_FAIL: (
        "Neither is seen working, and they end differently. Diagnose each of them; compare again "
        "with a recording that works."
    ),
    Remark.SWAPPED: (
        "The recording given first does not work and the second does: give them the other way "
        "round, the working one first."
    ),
    Remark.UNCLEAR: "The second recording does not show by itself that the link-up stopped.",
}
NAMES = {
    "controller": "Whom the PC calls",
    "heard": "Others are heard",
    "after link": "First try after the link came up",
    "pc address": "The PC's address",
    "pc hardware": "The PC's adapter",
    "mask": "The PC's mask",
    "arp": "Asked for the hardware address",
    "controller hardware": "Who answers for the controller",
    "arp time": "Hardware address known after",
    "same network": "PC and controller in one network",
    "way": "The PC hands packets to",
    "packet back": "Packets come back",
    "ttl": "Time to live of answers",
    "port": "Port called",
    "opening": "The port",
    "handshake": "Port open after",
    "order": "What the PC tries, in order",
    "ended": "The session",
    "idle": "Without data before its end",
    "protocol": "Protocol",
    "speaks first": "The controller speaks first",
    "request": "First octets of the request",
    "unit": "Unit asked",
    "answers": "Answers",
    "answer time": "Typical answer time",
}
WORDS = {
    "answered": "answered",
    "silent": "no answer",
    "direct": "the controller itself",
    "open": "open",
    "refused": "turned down",
    "unfinished": "accepted, not taken up",
    "pc close": "the PC closes it",
    "pc reset": "the PC resets it",
    "controller close": "the controller closes it",
    "controller reset": "the controller resets it",
}
MEANS = {
    "controller": "The PC of the second recording calls another address.",
    "heard": "In the second recording nothing at all comes from the cable.",
    "after link": "In the second recording the PC tries much sooner after its link came up.",
    "pc address": "One of the two addresses of the PC is one that it gave itself.",
    "mask": "By these masks, the PC takes the controller for a neighbour in one of them only.",
    "arp": "Only in one of them somebody answers for the controller's hardware address.",
    "controller hardware": (
        "Another device answers for the controller's address: a second device with that address, "
        "or a replaced one."
    ),
    "arp time": "The hardware address comes much later than where it works.",
    "same network": "Only in one of them the PC takes the controller for a neighbour.",
    "way": "The packets take another way: directly in one of them, by a router in the other.",
    "packet back": "In the second recording no packet comes back from the controller.",
    "port": "The PC calls another port.",
    "opening": "The controller takes the call on the port in one of them only.",
    "handshake": "The port opens much later than where it works.",
    "ended": "In the second recording the controller ends the session.",
    "protocol": "The programs speak different protocols.",
    "speaks first": "In one of them the controller sends first, in the other it waits to be asked.",
    "request": (
        "The PC asks for something else: another program, version or setting. Numbers that count "
        "up are left out of this."
    ),
    "unit": "The requests are for different units behind the controller.",
    "answers": "The same request is answered in one of them only.",
    "answer time": "The answers come much later than where it works.",
}
DURATIONS = {"after link", "arp time", "handshake", "idle", "answer time"}


def document(comparison: Comparison) -> list[Block]:
    """What differs first, then both sides of everything compared."""
    names = [clean(one.facts.file) for one in (comparison.working, comparison.failing)]
    blocks: list[Block] = [
        Heading(f"{names[0]} (working) and {names[1]} (failing)", 1),
        Paragraph(_first(comparison), strong=True),
        *(Paragraph(_remark(one, comparison)) for one in comparison.remarks),
        Listing([Step(text) for text in _recordings(comparison)]),
    ]
    if comparison.outcomes is None:
        return blocks
    blocks += [
        Heading("Stage by stage"),
        Table(("Stage", "Working", "Failing", "Differs"), list(_stages(comparison))),
        Heading("Side by side"),
        Table(("What", "Working", "Failing", "Differs"), [_row(one) for one in comparison.aspects]),
        *_marks(comparison),
        Heading("What next"),
        Paragraph(
            f"whynolink diagnose {names[1]} says what to do about it, and what to be careful of. "
            "A difference is a place to look at first: only putting it right shows whether it was "
            "the cause."
        ),
    ]
    return blocks


def _first(comparison: Comparison) -> str:
    first = comparison.first
    if first is not None:
        both = f"{_value(first.name, first.working)} / {_value(first.name, first.failing)}"
        name = NAMES[first.name]
        return f"First difference that matters: {name}: {both}. {MEANS[first.name]}"
    if set(comparison.remarks) & set(DECIDES):
        return "No difference that explains anything."
    if comparison.parts_at is None:
        return "No difference that matters is in these two recordings."
    where = f"stage {list(Stage).index(comparison.parts_at) + 1}, {SHOWN_AS[comparison.parts_at]}"
    if comparison.fault is None:
        return f"They part at {where}, and nothing that is compared here tells why."
    return (
        f"They part at {where}. What the second recording shows, and the first does not: "
        f"{comparison.fault.title}."
    )


def _remark(remark: Remark, comparison: Comparison) -> str:
    if comparison.outcomes is None:
        return REMARKS[remark]
    good, bad = (outcome.linkup.target for outcome in comparison.outcomes)
    return REMARKS[remark].format(
        working=good.address, failing=bad.address, working_port=good.port, failing_port=bad.port
    )


def _recordings(comparison: Comparison) -> Iterator[str]:
    diagnoses = comparison.working, comparison.failing
    for place, diagnosis in enumerate(diagnoses):
        told = f"{'Failing' if place else 'Working'}: {what_it_is(diagnosis)}"
        if comparison.outcomes is not None:
            told += f" {headline(comparison.outcomes[place])}"
        yield told


def _stages(comparison: Comparison) -> Iterator[tuple[str, str, str, str]]:
    assert comparison.outcomes is not None
    good, bad = comparison.outcomes
    for number, (one, other) in enumerate(zip(good.stages, bad.stages, strict=True), 1):
        parts = "first" if one.stage is comparison.parts_at else ""
        differs = parts or ("differs" if one.state is not other.state else "")
        yield f"{number} {SHOWN_AS[one.stage]}", str(one.state), str(other.state), differs


def _row(aspect: Aspect) -> tuple[str, str, str, str]:
    values = (_value(aspect.name, one) for one in (aspect.working, aspect.failing))
    here, there = values
    return NAMES[aspect.name], here, there, MARKS[aspect.weight]


def _marks(comparison: Comparison) -> Iterator[Block]:
    weights = {one.weight for one in comparison.aspects}
    said = {
        Weight.MATTERS: "MATTERS: can by itself make one work and the other not.",
        Weight.BESIDE: "differs: usually harmless by itself.",
        Weight.FOLLOWS: "follows: comes of a difference above, as it was not reached.",
        Weight.UNKNOWN: "-: only one of the two recordings shows it.",
    }
    told = [Step(text) for weight, text in said.items() if weight in weights]
    if told:
        yield Listing(told)


def _value(name: str, value: object) -> str:
    if value is None or value == []:
        return ABSENT
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, bytes):
        return value.hex(" ")
    if isinstance(value, float) and name in DURATIONS:
        return seconds(value)
    if isinstance(value, list):
        return ", then ".join(clean(str(one)).upper() for one in value)
    return WORDS.get(str(value), clean(str(value)))


# --- JSON ---------------------------------------------------------------------------------------


def to_json(comparison: Comparison) -> str:
    """The comparison as one object, in ASCII; the same two recordings give the same text."""
    outcomes = comparison.outcomes or (None, None)
    content = {
        "schema": SCHEMA,
        "working": _side(comparison.working, outcomes[0]),
        "failing": _side(comparison.failing, outcomes[1]),
        "comparable": comparison.is_comparable,
        "remarks": [
            {"remark": str(one), "text": _remark(one, comparison)} for one in comparison.remarks
        ],
        "first_difference": _aspect(comparison.first) if comparison.first else None,
        "parts_at": None if comparison.parts_at is None else str(comparison.parts_at),
        "text": _first(comparison),
        "stages": _each_stage(outcomes[0], outcomes[1]),
        "aspects": [_aspect(one) for one in comparison.aspects],
    }
    return json.dumps(content, indent=1) + "\n"


def _side(diagnosis: Diagnosis, outcome: Outcome | None) -> dict[str, Any]:
    side: dict[str, Any] = {"file": diagnosis.facts.file, "sha256": diagnosis.facts.sha256}
    if outcome is not None:
        stopped = outcome.stopped_at
        side |= {
            "controller": str(outcome.linkup.controller),
            "port": outcome.linkup.target.port,
            "verdict": str(outcome.verdict),
            "stopped_at": None if stopped is None else str(stopped),
            "fault": outcome.fault.rule if outcome.fault else None,
        }
    return side


def _each_stage(good: Outcome | None, bad: Outcome | None) -> list[dict[str, str]]:
    if good is None or bad is None:
        return []
    return [
        {"stage": str(one.stage), "working": str(one.state), "failing": str(other.state)}
        for one, other in zip(good.stages, bad.stages, strict=True)
    ]


def _aspect(aspect: Aspect) -> dict[str, Any]:
    return {
        "stage": None if aspect.stage is None else str(aspect.stage),
        "aspect": aspect.name,
        "working": _raw(aspect.working),
        "failing": _raw(aspect.failing),
        "weight": str(aspect.weight),
    }


def _raw(value: object) -> object:
    if isinstance(value, bytes):
        return value.hex()
    plain: tuple[Callable[..., object], ...] = (bool, int, float, str, list)
    return value if value is None or type(value) in plain else str(value)
