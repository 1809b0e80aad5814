"""How often the fault that was put into a recording leads: `python -m tests.accuracy`.

Recordings of known content, each diagnosed with the controller named and with nothing told: those
that the lab made on real network stacks, the demo recordings, and demo recordings with traffic of
others woven in. Where the frames of two causes are alike by nature, naming either is counted
as alike, not as led.
"""

import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from tabulate import tabulate

from analyzer.diagnosis import Diagnosis
from analyzer.findings import Level
from tests.dressing import demos, dressed
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

    alike: what its frames do not tell from that; remark: it spoils nothing, so no fault is due.
    """

    source: str
    name: str
    octets: bytes
    wrong: str | None
    told: Sequence[str]
    alike: Sequence[str] = ()
    remark: bool = False


@dataclass(slots=True)
class Score:
    """Recordings of one kind, and what was said of them."""

    recordings: int = 0
    led: int = 0
    alike: int = 0
    missed: list[str] = field(default_factory=list)
    extra: int = 0
    alarms: list[str] = field(default_factory=list)

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
        first = said[0] if said else "nothing"
        if one.remark:
            self.led += one.wrong in said
            self.extra += len(faults)
            self.missed += [] if one.wrong in said else [f"{one.name}: {first}"]
            return
        self.extra += max(0, len(faults) - len(diagnosis.outcomes or faults))
        if one.alike and first in (one.wrong, *one.alike) and _says_so(diagnosis):
            self.alike += 1
        elif first == one.wrong:
            self.led += 1
        else:
            self.missed.append(f"{one.name}: {first}")


def _says_so(diagnosis: Diagnosis) -> bool:
    """Whether the leading finding names other causes that fit, too."""
    first = diagnosis.findings[0]
    return len(first.likely_causes) + len(first.also_fits) > 1


def labelled() -> Iterator[Labelled]:
    """Every recording of known content."""
    for one in EVERY.values():
        octets = (KEPT / one.file).read_bytes()
        yield Labelled("lab", one.name, octets, one.fault, [one.told], one.also, one.remark)
    dice = random.Random(SEED)
    for demo in demos(TABLE):
        yield Labelled("demo", demo.name, demo.octets, demo.wrong, (), (), demo.remark)
        for number in range(DRESSINGS if demo.name not in FORM else 0):
            name, octets = f"{demo.name} {number}", dressed(demo, dice)
            yield Labelled("generated", name, octets, demo.wrong, (), (), demo.remark)


def scored(recordings: Sequence[Labelled], named: bool) -> dict[tuple[str, str], Score]:
    """Scores by rule and source; told whom the PC wanted to reach, or nothing."""
    scores: dict[tuple[str, str], Score] = {}
    for one in recordings:
        score = scores.setdefault((one.wrong or "healthy", one.source), Score())
        score.count(one, diagnosed(one.octets, one.told if named else ()))
    return scores


HEADER = ("What is wrong", "From", "Recordings", "Leads", "Alike", "Missed", "Extra", "Alarms")


def main() -> int:
    """Print both tables and what was missed; 1 where anything was."""
    recordings = list(labelled())
    failed = 0
    for named in (True, False):
        scores = scored(recordings, named)
        rows = [
            (*key, one.recordings, one.led, one.alike, len(one.missed), one.extra, len(one.alarms))
            for key, one in sorted(scores.items())
        ]
        totals = [sum(int(row[place]) for row in rows) for place in range(2, len(HEADER))]
        print(f"With {'the controller named' if named else 'nothing told'}:\n")
        print(tabulate([*rows, ("all", "", *totals)], HEADER, tablefmt="simple"), "\n")
        for (wrong, _), one in sorted(scores.items()):
            for text in (*one.missed, *one.alarms):
                failed += 1
                print(f"{wrong}, said of {text}")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
