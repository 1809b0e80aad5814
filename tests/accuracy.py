"""How often the tool is right: `python -m tests.accuracy`.

Recordings of known content, each diagnosed with the controller named and with nothing told: those
that the lab made on real network stacks, the demo recordings, and demo recordings with traffic of
others woven in. Three ways of being right are counted apart: the fault leads and is shown; it leads
and fits, with what would look the same; another rule leads, as frames cannot tell, and names it.

Beside them stand the recordings by others that experts read (`tests/readings`), with nothing told,
where they lie beside the checkout. What was said of any recording gets one of the marks of
`tests/readings/judge.py`, and each fault and warning is true or not:

- in ours it is true where it is what was put in, or the finding that names it (`lead_of`); any
  other fault is false, and in a healthy recording any warning too; other warnings beside what was
  put in are not counted;
- in one that was read it is true where the reading names it (`lead`, `may`), false where it says
  `never`, or where it is a fault and the reading says that all works; others are not counted.
"""

import random
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from tabulate import tabulate

from analyzer.diagnosis import Diagnosis, Verdict
from analyzer.findings import Certainty, Finding, Level
from tests.dressing import demos, dressed
from tests.lab.judging import Lead, lead_of
from tests.lab.keep import KEPT
from tests.lab.scenarios.every import EVERY
from tests.readings.judge import FOLDER, Mark, Reading, answer, mark, readings
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


Truth = tuple[Certainty, bool | None]
"""How sure a finding was, and whether it was true; None where nobody said."""


@dataclass(slots=True)
class Score:
    """Recordings of one kind, and what was said of them."""

    recordings: int = 0
    leads: Counter[Lead] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)
    marks: Counter[Mark] = field(default_factory=Counter)
    truths: Counter[Truth] = field(default_factory=Counter)

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
        self.marks[marked(one, diagnosis)] += 1
        self.truths += Counter(truths(one, diagnosis))
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


def marked(one: Labelled, diagnosis: Diagnosis) -> Mark:
    """How what was said of one of our recordings stands to what was put in."""
    grave = [found for found in diagnosis.findings if found.level is not Level.NOTE]
    faults = [found for found in grave if found.level is Level.FAULT]
    verdicts = {outcome.verdict for outcome in diagnosis.outcomes}
    works = Verdict.COMPLETE in verdicts
    if one.wrong is None:
        if grave:
            return Mark.FALSE_ALARM
        return Mark.RIGHT if works else Mark.UNDECIDED
    if one.remark:
        if faults:
            return Mark.FALSE_ALARM
        told = one.wrong in [found.rule for found in diagnosis.findings]
        return Mark.RIGHT if told else Mark.ARGUABLE
    if lead_of(diagnosis, one.wrong, one.also) is not Lead.ASTRAY:
        return Mark.RIGHT
    if faults:
        return Mark.OTHER_FAULT
    return Mark.FALSE_WORKS if works else Mark.UNDECIDED


def truths(one: Labelled, diagnosis: Diagnosis) -> Iterator[Truth]:
    """The faults and warnings that were told of one of our recordings."""
    right = one.wrong and lead_of(diagnosis, one.wrong, one.also) is not Lead.ASTRAY
    for place, found in enumerate(diagnosis.findings):
        if found.level is Level.NOTE:
            continue
        if found.rule == one.wrong or (place == 0 and right):
            yield found.certainty, True
        elif found.level is Level.FAULT or one.wrong is None:
            yield found.certainty, False
        else:
            yield found.certainty, None


def read_truths(reading: Reading, found: Sequence[Finding]) -> Iterator[Truth]:
    """The faults and warnings that were told of a recording that experts read."""
    for one in found:
        if one.level is Level.NOTE:
            continue
        is_alarm = reading.kind == "works" and one.level is Level.FAULT
        if one.rule in (*reading.lead, *reading.may):
            yield one.certainty, True
        else:
            yield one.certainty, False if is_alarm or one.rule in reading.never else None


def read_by_experts() -> Score:
    """What was said of the recordings by others; nothing where they are not there."""
    score = Score()
    for one in readings() if FOLDER.is_dir() else []:
        diagnosis = answer(one)
        score.recordings += 1
        score.marks[mark(one, diagnosis)[0]] += 1
        if diagnosis is not None:
            score.truths += Counter(read_truths(one, diagnosis.findings))
    return score


def share_true(truths: Counter[Truth], certainty: Certainty) -> float:
    """The share of true findings of one certainty, of those of which it is known."""
    true, false = truths[certainty, True], truths[certainty, False]
    return true / (true + false) if true + false else 1.0


def by_source(scores: Mapping[tuple[str, str], Score]) -> dict[str, Score]:
    """Scores of each source, whatever was wrong."""
    sources = dict.fromkeys(source for _, source in scores)
    return {name: whole(one for (_, at), one in scores.items() if at == name) for name in sources}


def whole(scores: Iterable[Score]) -> Score:
    """Marks and truths of several together."""
    total = Score()
    for one in scores:
        total.recordings += one.recordings
        total.marks += one.marks
        total.truths += one.truths
    return total


def scored(recordings: Sequence[Labelled], named: bool) -> dict[tuple[str, str], Score]:
    """Scores by rule and source; told whom the PC wanted to reach, or nothing."""
    scores: dict[tuple[str, str], Score] = {}
    for one in recordings:
        score = scores.setdefault((one.wrong or "healthy", one.source), Score())
        score.count(one, diagnosed(one.octets, one.told if named else ()))
    return scores


RIGHT = (Lead.SHOWN, Lead.FITS, Lead.NAMED)
MARKS = ("From", "Recordings", *(str(one).capitalize() for one in Mark))
TRUTHS = ("From", "Called", "True", "False", "Not said", "Share true")
HEADER = ("What is wrong", "From", "Files", "Shown", "Fits", "Named", "Missed", "Extra", "Alarms")


def main() -> int:
    """Print both tables and what was missed; 1 where anything was."""
    recordings = list(labelled())
    failed = 0
    sums: dict[str, Score] = {}
    for named in (True, False):
        scores = scored(recordings, named)
        told = "told" if named else "not told"
        sums |= {f"{source}, {told}": one for source, one in by_source(scores).items()}
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
    sums["read by experts"] = read_by_experts()
    print(tabulate([_marks_row(*one) for one in sums.items()], MARKS, tablefmt="simple"), "\n")
    sums["all"] = whole(sums.values())
    rows = [_truths_row(name, one, sure) for name, one in sums.items() for sure in Certainty]
    print(tabulate(rows, TRUTHS, tablefmt="simple"))
    return int(failed > 0)


def _marks_row(name: str, score: Score) -> tuple[object, ...]:
    return name, score.recordings, *(score.marks[one] for one in Mark)


def _truths_row(name: str, score: Score, sure: Certainty) -> tuple[object, ...]:
    counts = [score.truths[sure, one] for one in (True, False, None)]
    return name, str(sure), *counts, f"{100 * share_true(score.truths, sure):.1f} %"


if __name__ == "__main__":
    sys.exit(main())
