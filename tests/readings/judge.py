"""Holds the tool to what an expert read in recordings that nobody here made.

A reading says, before the tool is asked: `kind` (works, fault, mixed, nothing, undecidable,
unreadable), what was `tried` by whom and how it ended, which faults may `lead`, what else `may` be
told, what must `never` be told, what an expert would `tell`, what would be `wrong`, and whether two
experts would agree (`sure`).
"""

import tomllib
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from analyzer.diagnosis import Diagnosis, Verdict, diagnose
from analyzer.errors import Unusable
from analyzer.findings import Level
from analyzer.inputs import open_recording
from rules import ALL

FOLDER = Path(__file__).parents[3] / "shared" / "recordings"
ABOUT_THE_FILE = {rule.slug for rule in ALL if rule.stage == "recording"}
"""Remarks about a recording, which say nothing about the link-up."""


class Mark(StrEnum):
    """How the tool's answer stands to a reading."""

    RIGHT = "right"
    ARGUABLE = "arguable"
    FALSE_ALARM = "false alarm"
    FALSE_WORKS = "false works"
    OTHER_FAULT = "another fault"
    UNDECIDED = "needlessly undecided"


@dataclass(frozen=True)
class Reading:
    """What an expert read in one recording."""

    name: str
    kind: str
    tell: str
    sure: bool
    tried: list[dict[str, object]] = field(default_factory=list)
    lead: list[str] = field(default_factory=list)
    may: list[str] = field(default_factory=list)
    never: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    @property
    def path(self) -> Path:
        """The recording, whatever its ending."""
        return next(FOLDER.glob(f"{self.name}.*"))


def readings() -> list[Reading]:
    """All readings, in order."""
    text = Path(__file__).with_name("readings.toml").read_text(encoding="utf-8")
    return [Reading(name, **told) for name, told in tomllib.loads(text).items()]


def answer(reading: Reading) -> Diagnosis | None:
    """What the tool says; None where it says that the file is unusable."""
    with reading.path.open("rb") as file:
        try:
            return diagnose(open_recording(file, reading.path.name), ALL)
        except Unusable:
            return None


def mark(reading: Reading, diagnosis: Diagnosis | None) -> tuple[Mark, str]:
    """How the answer stands to the reading, and why."""
    if diagnosis is None:
        return (Mark.RIGHT, "") if reading.kind == "unreadable" else (Mark.UNDECIDED, "unusable")
    said = {one.rule for one in diagnosis.findings if one.level is not Level.NOTE}
    faults = [one.rule for one in diagnosis.findings if one.level is Level.FAULT]
    allowed = {*reading.lead, *reading.may}
    forbidden = sorted({one.rule for one in diagnosis.findings} & set(reading.never))
    strange = [one for one in faults if one not in allowed]
    works = any(one.verdict is Verdict.COMPLETE for one in diagnosis.outcomes)
    comes_up = works or any(one.verdict is Verdict.UNSTABLE for one in diagnosis.outcomes)
    alarms = sorted(said - allowed - ABOUT_THE_FILE - set(faults))
    if reading.kind in ("fault", "mixed"):
        if set(faults) & set(reading.lead):
            return (Mark.RIGHT, "") if not forbidden else (Mark.ARGUABLE, f"says {forbidden}")
        if faults:
            return (Mark.OTHER_FAULT if reading.sure else Mark.ARGUABLE), f"leads with {faults}"
        if set(reading.lead) & {one.rule for one in diagnosis.findings}:
            return Mark.ARGUABLE, "told, and not as a fault"
        if works:
            return (Mark.FALSE_WORKS if reading.sure else Mark.ARGUABLE), "works"
        return (Mark.UNDECIDED if reading.sure else Mark.ARGUABLE), "cannot tell"
    if strange or forbidden:
        return Mark.FALSE_ALARM, f"says {sorted({*strange, *forbidden})}"
    if reading.kind == "works" and not comes_up:
        if set(faults) & allowed:
            return Mark.RIGHT, ""
        return (Mark.UNDECIDED if reading.sure else Mark.ARGUABLE), "does not say that it works"
    if alarms:
        return Mark.ARGUABLE, f"warns of {alarms}"
    if reading.kind in ("nothing", "undecidable", "unreadable") and works and reading.sure:
        return Mark.FALSE_WORKS, "says that it works"
    return Mark.RIGHT, ""
