"""How often the fault that was put into a recording leads: `python -m tests.accuracy`.

Recordings of known content, each diagnosed with the controller named and with nothing told: those
that the lab made on real network stacks, the demo recordings, and demo recordings with traffic of
others woven in. Three ways of being right are counted apart: the fault leads and is shown; it leads
and fits, with what would look the same; another rule leads, as frames cannot tell, and names it.
"""

import random
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from tabulate import tabulate

from analyzer.diagnosis import Diagnosis
from analyzer.findings import Level
from tests.dressing import demos, dressed
from tests.lab.judging import Lead, lead_of
from tests.lab.keep import KEPT
from tests.lab.scenarios.every import EVERY
from tests.support import diagnosed
from tests.test_captures import TABLE

DRESSINGS = 5
"""Generated recordings for each demo recording."""
SEED = 5227
FORM = (
    "frames-cut-short.pcapng",
    "damaged-file.pcap",
    "no-hardware-addresses.pcap",
    "recorder-dropped.pcapng",
    "clock-jump.pcap",
)
"""What is wrong in these is the form of the file, which the generated ones choose anew."""


@dataclass(frozen=True, slots=True)
class Labelled:
    """A recording and what is wrong in it: None for nothing.

    also: rules that may lead instead, with the words by which they name it; remark: it spoils
    nothing, so no fault is due.
    """

    source: str
    name: str
    octets: bytes
    wrong: str | None
    told: Sequence[str]
    also: Mapping[str, str] = field(default_factory=dict)
    remark: bool = False


@dataclass(slots=True)
class Score:
    """Recordings of one kind, and what was said of them."""

    recordings: int = 0
    leads: Counter[Lead] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)

    @property
    def wrong(self) -> tuple[int, int, int]:
        """How many missed it, told faults beside it, and raised an alarm about nothing."""
        return len(self.missed), len(self.extra), len(self.alarms)

    def count(self, one: Labelled, diagnosis: Diagnosis) -> None:
        """Take in what was said of a recording."""
        faults = [found for found in diagnosis.findings if found.level is Level.FAULT]
        warnings = [found.rule for found in diagnosis.findings if found.level is Level.WARNING]
        said = [found.rule for found in diagnosis.findings]
        self.recordings += 1
        if one.wrong is None:
            if faults or warnings:
                self.alarms.append(f"{one.name}: {', '.join(said)}")
            return
        lead = lead_of(diagnosis, one.wrong, one.also)
        if one.remark:
            lead = Lead.SHOWN if one.wrong in said else Lead.ASTRAY
        due = 0 if one.remark else len(diagnosis.outcomes or faults)
        self.extra += [f"{one.name}: {found.rule}" for found in faults[due:]]
        self.leads[lead] += 1
        if lead is Lead.ASTRAY:
            self.missed.append(f"{one.name}: {said[0] if said else 'nothing'}")


def labelled() -> Iterator[Labelled]:
    """Every recording of known content."""
    for one in EVERY.values():
        octets = (KEPT / one.file).read_bytes()
        yield Labelled("lab", one.name, octets, one.fault, [one.told], one.also, one.remark)
    dice = random.Random(SEED)
    for demo in demos(TABLE):
        yield Labelled("demo", demo.name, demo.octets, demo.wrong, (), {}, demo.remark)
        for number in range(DRESSINGS if demo.name not in FORM else 0):
            name, octets = f"{demo.name} {number}", dressed(demo, dice)
            yield Labelled("generated", name, octets, demo.wrong, (), {}, demo.remark)


def scored(recordings: Sequence[Labelled], named: bool) -> dict[tuple[str, str], Score]:
    """Scores by rule and source; told whom the PC wanted to reach, or nothing."""
    scores: dict[tuple[str, str], Score] = {}
    for one in recordings:
        score = scores.setdefault((one.wrong or "healthy", one.source), Score())
        score.count(one, diagnosed(one.octets, one.told if named else ()))
    return scores


RIGHT = (Lead.SHOWN, Lead.FITS, Lead.NAMED)
HEADER = ("What is wrong", "From", "Files", "Shown", "Fits", "Named", "Missed", "Extra", "Alarms")


def main() -> int:
    """Print both tables and what was missed; 1 where anything was."""
    recordings = list(labelled())
    failed = 0
    for named in (True, False):
        scores = scored(recordings, named)
        rows = [
            (*key, one.recordings, *(one.leads[lead] for lead in RIGHT), *one.wrong)
            for key, one in sorted(scores.items())
        ]
        totals = [sum(int(row[place]) for row in rows) for place in range(2, len(HEADER))]
        print(f"With {'the controller named' if named else 'nothing told'}:\n")
        print(tabulate([*rows, ("all", "", *totals)], HEADER, tablefmt="simple"), "\n")
        for (wrong, _), one in sorted(scores.items()):
            for text in (*one.missed, *one.extra, *one.alarms):
                failed += 1
                print(f"{wrong}, said of {text}")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
