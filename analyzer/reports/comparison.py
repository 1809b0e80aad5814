"""A comparison of two recordings -> one document, and its JSON."""

import json
from collections.abc import Callable, Iterator, Sequence
from itertools import zip_longest
from typing import Any

from analyzer.comparison import Aspect, Comparison, Remark, Weight
from analyzer.diagnosis import Diagnosis, Outcome, State, Step, Verdict
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table
from analyzer.reports.document.bounds import MOST_NAMED, named
from analyzer.reports.document.recording import what_it_is
from analyzer.reports.document.verdict import NAMES as STAGES
from analyzer.reports.document.verdict import SHOWN_AS, headline
from analyzer.words import clean, listed, quoted, seconds

SCHEMA = "whynolink-comparison/1"
ABSENT = "not recorded"
UNKNOWN = {State.UNCLEAR, State.NOT_SHOWN}
"""States of stages of which nobody knows whether they worked."""
MARKS = {
    Weight.SAME: "",
    Weight.NOT_REACHED: "",
    Weight.UNKNOWN: "-",
    Weight.BESIDE: "differs",
    Weight.FOLLOWS: "follows",
    Weight.COULD_MATTER: "differs",
    Weight.MATTERS: "MATTERS",
}
REMARKS = {
    Remark.SAME: (
        "The two are the same recording. Give one in which it works, and one in which it does not."
    ),
    Remark.NOBODY: (
        "They cannot be compared: {nobody} no connection between a PC and a controller. Name the "
        "controller with --controller if you know it."
    ),
    Remark.OTHER_CONTROLLER: (
        "They are about two addresses, {working} in the first and {failing} in the second. If it "
        "should be the same controller, look at the address set in the program. Look at the PC's "
        "mask, too: with a wrong one the PC asks for its router. If they are two, what follows may "
        "be how they are made: record the same one twice, or name it with --controller."
    ),
    Remark.OTHER_PORT: (
        "They are about two ports, {working_port} and {failing_port}. If it should be the same "
        "one, compare the port that is set in both programs first."
    ),
    Remark.BOTH_WORK: "Neither recording shows the trouble. Record again while it does not work.",
    Remark.FAIL_ALIKE: (
        "Neither is seen working, and both end at the same place for the same reason, so that "
        "comparing them tells nothing. "
        "Record a PC, a cable or a time with which it works."
    ),
    Remark.BOTH_FAIL: (
        "No difference explains why neither works. Diagnose the later one; compare again with a "
        "recording that works."
    ),
    Remark.NOT_TRIED: "Its program did not call, or the PC had no address or no way to do so.",
    Remark.UNCLEAR: (
        "The failing recording does not show where connecting stopped: it may end too early, or "
        "leave frames out. Its own diagnosis says which recording would decide."
    ),
}
NAMES = {
    "controller": "Whom the PC calls",
    "heard": "Others are heard",
    "after link": "First try after the link came up",
    "pc address": "The PC's address",
    "pc hardware": "The PC's adapter",
    "mask": "The PC's mask",
    "asked for": "Whose hardware address the PC asks for",
    "arp": "Asked for the hardware address",
    "controller hardware": "The controller's adapter",
    "arp time": "Hardware address known after",
    "same network": "PC and controller in one network",
    "way": "Whom the PC hands packets to",
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
    "yes": "yes",
    "no": "no",
    "presumed yes": "yes (by a presumed mask)",
    "presumed no": "no (by a presumed mask)",
    "open": "open",
    "refused": "turned down",
    "unfinished": "accepted, not taken up",
    "pc close": "the PC closes it",
    "pc reset": "the PC resets it",
    "controller close": "the controller closes it",
    "controller reset": "the controller resets it",
}
MEANS = {
    "controller": "The PC of the failing recording calls another address.",
    "heard": "In the failing recording nothing at all comes from the cable.",
    "after link": "In the failing recording the PC tries much sooner after its link came up.",
    "pc address": (
        "In one of them the PC uses an address that it gave itself, or the controller's own."
    ),
    "mask": "By these masks, the PC takes the controller for a neighbour in one of them only.",
    "asked for": "In one of them the PC asks for the controller, in the other for another station.",
    "arp": "Only in one of them somebody answers for the controller's hardware address.",
    "controller hardware": (
        "Another device answers for the controller's address: a second device with that address, "
        "a replaced one, or a router that answers in its place."
    ),
    "arp time": "The hardware address comes much later than where it works.",
    "same network": "Only in one of them the PC takes the controller for a neighbour.",
    "way": (
        "The packets go to different stations in the two: the controller itself, a router, or one "
        "that does not have the controller's address."
    ),
    "packet back": "In the failing recording no packet comes back from the controller.",
    "port": "The PC calls another port.",
    "opening": "The controller takes the call on the port in one of them only.",
    "handshake": "The port opens much later than where it works.",
    "ended": "In the failing recording the controller ends the session.",
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
MORE = "More controllers work in the one recording and not in the other:"
NEXT = (
    "says what to do about it, and what to be careful of. A difference is a place to look at "
    "first: only putting it right shows whether it was the cause."
)
DURATIONS = {"after link", "arp time", "handshake", "idle", "answer time"}


def document(comparison: Comparison) -> list[Block]:
    """What differs first, then both sides of what was compared."""
    one, other = _sides(comparison)
    names = [quoted(one.facts.file) for one in (comparison.working, comparison.failing)]
    led = _first(comparison)
    remarks = [_remark(remark, comparison) for remark in comparison.remarks]
    blocks: list[Block] = [
        Heading(f"{names[0]} ({one.lower()}) and {names[1]} ({other.lower()})", 1),
        Paragraph(led, strong=True),
        *(Paragraph(text) for text in remarks if text != led),
        Listing([Step(text) for text in _recordings(comparison)]),
    ]
    if comparison.more:
        more = named(comparison.more)
        blocks.append(Paragraph(f"{MORE} {more}. Compare each with --controller ADDRESS."))
    if comparison.outcomes is None:
        return blocks
    shown = [one for one in comparison.aspects if _is_shown(one)]
    blocks += [
        Heading("Stage by stage"),
        Table(("Stage", one, other, "Differs"), list(_stages(comparison))),
        Heading("Side by side"),
        Table(("What", one, other, "Differs"), [_row(one) for one in shown]),
        *_marks(comparison),
    ]
    if comparison.explains:
        blocks += [Heading("What next"), Paragraph(f"Of {names[1]}, whynolink diagnose {NEXT}")]
    return blocks


def in_a_sentence(comparison: Comparison) -> str:
    """What differs first, for a letter."""
    return _first(comparison)


def progress(comparison: Comparison) -> str:
    """Whether it is better or worse in the later one, for a letter; nothing where one of them
    works, or they are about two services.
    """
    if set(comparison.remarks) - {Remark.BOTH_FAIL, Remark.FAIL_ALIKE}:
        return ""
    return _is_it_better(comparison) if comparison.remarks else ""


def _sides(comparison: Comparison) -> tuple[str, str]:
    """What the two are called: by how they end, or by their time where both fail."""
    if {Remark.BOTH_FAIL, Remark.FAIL_ALIKE} & set(comparison.remarks):
        return ("Earlier", "Later")
    return ("Working", "Failing") if comparison.explains else ("First", "Second")


def _first(comparison: Comparison) -> str:
    first = comparison.first
    if first is not None:
        both = f"Working: {_value(first.name, first.working)}. "
        both += f"Failing: {_value(first.name, first.failing)}."
        name = NAMES[first.name]
        where = _where(first.working, first.failing)
        return f"First difference that matters: {_small(name)}. {both}{where} {MEANS[first.name]}"
    if comparison.outcomes is None:
        return "No comparison can be made."
    if Remark.NOT_TRIED in comparison.remarks:
        called = comparison.outcomes[1].linkup.controller
        return f"In the failing recording the PC does not try to reach {called}."
    if Remark.BOTH_WORK in comparison.remarks:
        apart = [one.name for one in comparison.aspects if one.weight is Weight.COULD_MATTER]
        told = f"they differ in {listed([_small(NAMES[name]) for name in apart])}"
        return f"Both work, and {told if apart else 'nothing that can matter differs'}."
    if Remark.BOTH_FAIL in comparison.remarks:
        return _is_it_better(comparison)
    if not comparison.explains:
        return "No difference that explains anything."
    if comparison.parts_at is None:
        return "No difference that matters is in these two recordings."
    where = f"the {STAGES[comparison.parts_at]}"
    if Remark.UNCLEAR in comparison.remarks:
        return f"The failing recording cannot tell what came of {where}."
    if comparison.fault is None:
        return f"They part at {where}, and nothing that is compared here tells why."
    return (
        f"They part at {where}. What the failing recording shows, and the working one does not: "
        f"{comparison.fault.title}."
    )


def _is_it_better(comparison: Comparison) -> str:
    """What changed from the earlier to the later one, where neither works."""
    assert comparison.outcomes is not None
    told = [_further(comparison)]
    if not _unclear(comparison):
        earlier, later = (one.fault for one in comparison.outcomes)
        if earlier is not None and (later is None or later.rule != earlier.rule):
            told.append(f"Gone: {earlier.title}.")
        if later is not None and (earlier is None or later.rule != earlier.rule):
            told.append(f"New: {later.title}.")
    return " ".join(told)


def _unclear(comparison: Comparison) -> list[str]:
    """Which of the two cannot tell what came of it."""
    pairs = zip(("earlier", "later"), comparison.outcomes or (), strict=False)
    return [name for name, one in pairs if one.verdict is Verdict.CANNOT_TELL]


def _further(comparison: Comparison) -> str:
    up, down = comparison.came_up, comparison.went_down
    if bool(up) is bool(down):
        unclear = _unclear(comparison)
        if unclear:
            return f"Neither is seen working, and the {unclear[0]} one cannot tell how far it got."
        return "Neither works, and the later one is not clearly better or worse."
    which = listed([f"the {STAGES[stage]}" for stage in up or down])
    if up:
        return f"It does not work yet, but the later one gets further: {which} came up."
    return f"It works in neither, and the later one gets less far: {which} did not come up again."


def _where(working: object, failing: object) -> str:
    """From where on octets differ."""
    if not isinstance(working, bytes) or not isinstance(failing, bytes):
        return ""
    pairs = enumerate(zip_longest(working, failing), 1)
    place = next(number for number, (one, other) in pairs if one != other)
    return f" They differ from octet {place} on."


def _small(name: str) -> str:
    """A name inside a sentence."""
    return name if name.startswith("PC ") else name[0].lower() + name[1:]


def _remark(remark: Remark, comparison: Comparison) -> str:
    if comparison.outcomes is None:
        without = [
            quoted(one.facts.file)
            for one in (comparison.working, comparison.failing)
            if not one.outcomes
        ]
        verb = "hold" if len(without) > 1 else "holds"
        return REMARKS[remark].format(nobody=f"{' and '.join(without)} {verb}")
    good, bad = (outcome.linkup.target for outcome in comparison.outcomes)
    return REMARKS[remark].format(
        working=good.address, failing=bad.address, working_port=good.port, failing_port=bad.port
    )


def _recordings(comparison: Comparison) -> Iterator[str]:
    diagnoses = comparison.working, comparison.failing
    pair = comparison.outcomes or [next(iter(one.outcomes), None) for one in diagnoses]
    for name, diagnosis, outcome in zip(_sides(comparison), diagnoses, pair, strict=True):
        told = headline(outcome) if outcome is not None else ""
        yield f"{name}: {what_it_is(diagnosis)} {told}".rstrip()


def _stages(comparison: Comparison) -> Iterator[tuple[str, str, str, str]]:
    """In agreement with the headline: only where a difference explains something is one of them the
    first, and then those before it are unclear, and those behind it follow.
    """
    assert comparison.outcomes is not None
    good, bad = comparison.outcomes
    parts_at = comparison.parts_at if comparison.explains else None
    passed = False
    for number, (one, other) in enumerate(zip(good.stages, bad.stages, strict=True), 1):
        differs = "" if one.state is other.state else MARKS[Weight.BESIDE]
        if one.stage is parts_at:
            differs, passed = "first", True
        elif differs and passed:
            differs = MARKS[Weight.FOLLOWS]
        elif differs and (parts_at or not UNKNOWN.isdisjoint((one.state, other.state))):
            differs = MARKS[Weight.UNKNOWN]
        yield f"{number} {SHOWN_AS[one.stage]}", str(one.state), str(other.state), differs


def _is_shown(aspect: Aspect) -> bool:
    """Not what the failing link-up did not reach, nor what neither recording holds."""
    absent = all(one in (None, []) for one in (aspect.working, aspect.failing))
    return aspect.weight is not Weight.NOT_REACHED and not absent


def _row(aspect: Aspect) -> tuple[str, str, str, str]:
    values = (_value(aspect.name, one) for one in (aspect.working, aspect.failing))
    here, there = values
    return NAMES[aspect.name], here, there, MARKS[aspect.weight]


def _marks(comparison: Comparison) -> Iterator[Block]:
    weights = {one.weight for one in comparison.aspects if _is_shown(one)}
    differs = "differs: usually harmless by itself."
    if not comparison.explains:
        how = "both work" if Remark.BOTH_WORK in comparison.remarks else "neither works"
        differs = f"differs: the two are not alike in this, and {how}."
    said = {
        Weight.MATTERS: "MATTERS: can by itself make one work and the other not.",
        Weight.COULD_MATTER: differs,
        Weight.BESIDE: differs,
        Weight.FOLLOWS: "follows: differs because the failing recording did not get that far.",
        Weight.UNKNOWN: "-: only one of the two recordings shows it.",
    }
    told = [
        Step(text)
        for text in dict.fromkeys(text for weight, text in said.items() if weight in weights)
    ]
    if any(one.weight is Weight.NOT_REACHED for one in comparison.aspects):
        told.append(Step("What the failing recording did not reach is left out."))
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
    if name == "answers":
        return f"{value:,}"
    if isinstance(value, list):
        told = [clean(str(one)).upper() for one in value[:MOST_NAMED]]
        more = len(value) - len(told)
        return ", then ".join([*told, *([f"{more:,} more"] if more else [])])
    return WORDS.get(str(value), clean(str(value)))


# --- JSON ---------------------------------------------------------------------------------------


def to_json(comparisons: Sequence[Comparison]) -> str:
    """One comparison as an object, several as a list in one; ASCII, always the same text."""
    each = [_content(one) for one in comparisons]
    content = {"schema": SCHEMA, **(each[0] if len(each) == 1 else {"comparisons": each})}
    return json.dumps(content, indent=1) + "\n"


def _content(comparison: Comparison) -> dict[str, Any]:
    outcomes = comparison.outcomes or (None, None)
    return {
        "working": _side(comparison.working, outcomes[0]),
        "failing": _side(comparison.failing, outcomes[1]),
        "comparable": comparison.is_comparable,
        "remarks": [
            {"remark": str(one), "text": _remark(one, comparison)} for one in comparison.remarks
        ],
        "came_up": [str(one) for one in comparison.came_up],
        "went_down": [str(one) for one in comparison.went_down],
        "first_difference": _aspect(comparison.first) if comparison.first else None,
        "more_controllers": [str(one) for one in comparison.more],
        "parts_at": None if comparison.parts_at is None else str(comparison.parts_at),
        "text": _first(comparison),
        "stages": _each_stage(outcomes[0], outcomes[1]),
        "aspects": [_aspect(one) for one in comparison.aspects],
    }


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
