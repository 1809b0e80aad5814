"""Breaks of the same PC and controller over several recordings, told together on one time axis."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import groupby

from analyzer.diagnosis import Diagnosis, Observed, Step, in_common_of_all
from analyzer.reports.blocks import Block, Heading, Lane, Listing, Paragraph, Table
from analyzer.reports.dates import Dates
from analyzer.reports.document.incidents import IN_A_CELL, how_they_showed
from analyzer.reports.overview import in_time
from analyzer.words import LONGEST_NAME, count, quoted, seconds, times

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FEWEST = 2
"""Recordings that are told together."""
MOST = 20
"""Breaks listed of one pair; more are counted."""


@dataclass(frozen=True, slots=True)
class Broken:
    """One link-up that broke in one recording: plain data.

    file: what the reader calls it; pc, controller, port: as in its row; began, ended: seconds since
    1970 of the recording; out, signs: of each break, None for how long where it did not come back;
    observed: what is known of these and of other times.
    """

    file: str
    pc: str
    controller: str
    port: int | None
    began: float
    ended: float
    count: int
    out: Sequence[float | None]
    observed: Observed

    @property
    def pair(self) -> tuple[str, str, int]:
        """Whom it is about."""
        return self.pc, self.controller, self.port or 0


@dataclass(frozen=True, slots=True)
class Together:
    """All that broke of one pair, in order of time. overlapping: recordings left out, of a time
    that another one holds; in_common: sentences.
    """

    several: Sequence[Broken]
    overlapping: int
    in_common: Sequence[str]

    @property
    def count(self) -> int:
        """Breaks in all."""
        return sum(one.count for one in self.several)


def broken_in(diagnosis: Diagnosis, file: str) -> list[Broken]:
    """The link-ups of a recording that broke; none where it does not say when it was made."""
    first = diagnosis.facts.first_seen
    if first is None:
        return []
    began = first.timestamp()
    return [
        Broken(
            file=file,
            pc=str(one.linkup.pc_address or one.linkup.pc.hardware or ""),
            controller=str(one.linkup.controller),
            port=one.linkup.target.port,
            began=began,
            ended=began + diagnosis.facts.coverage.seconds,
            count=one.incidents.count,
            out=[each.out for each in one.incidents.kept],
            observed=one.observed,
        )
        for one in diagnosis.outcomes
        if one.incidents.count
    ]


def together(broken: Iterable[Broken]) -> list[Together]:
    """Those of the same pair in several recordings, the most breaks first."""
    ordered = sorted(broken, key=lambda one: (one.pair, one.began, one.ended))
    found = [_joined(list(alike)) for _, alike in groupby(ordered, lambda one: one.pair)]
    return sorted((one for one in found if len(one.several) >= FEWEST), key=lambda one: -one.count)


def _joined(alike: Sequence[Broken]) -> Together:
    kept = [alike[0]]
    for one in alike[1:]:
        if one.began >= kept[-1].ended:
            kept.append(one)
    told = in_common_of_all([(one.began, one.observed) for one in kept])
    return Together(kept, len(alike) - len(kept), told)


def renamed(broken: Iterable[Broken], before: str) -> list[Broken]:
    """The same, their files named from outside the file that they were in."""
    return [replace(one, file=before + one.file) for one in broken]


def over_files(
    whole: Sequence[Together], zone: tzinfo | None = UTC, picture: bool = False
) -> Iterator[Block]:
    """Nothing where no pair broke in several recordings. zone: that of the times, None for this
    machine's own; picture: whether the strip is wanted.
    """
    for one in whole:
        first = one.several[0]
        ends = f"{first.pc} and {first.controller}"
        port = f", TCP port {first.port}" if first.port else ""
        number = count(len(one.several), "recording")
        yield Heading(f"{ends}{port}: it broke {times(one.count)} in {number}")
        yield Listing([Step(text) for text in _summary(one)])
        strip = _strip(one)
        if picture and strip is not None:
            yield strip
        dates = Dates(_began(one), zone)
        rows = _rows(one, dates)
        yield Table((dates.above("Began"), "Out for", "It showed as", "File"), rows[:MOST])
        if one.count > len(rows[:MOST]):
            left = count(one.count - len(rows[:MOST]), "more break")
            yield Paragraph(f"Counted and not listed: {left}.")


def _summary(one: Together) -> Iterator[str]:
    outs = [out for each in one.several for out in each.out if out is not None]
    if outs:
        yield f"Out for {seconds(sum(outs))} in all, {seconds(max(outs))} at the longest."
    yield how_they_showed([sign for each in one.several for sign in each.observed.signs])
    yield from one.in_common
    if one.overlapping:
        yield f"Left out: {count(one.overlapping, 'recording')} of a time that another one holds."


def _strip(one: Together) -> Block | None:
    start = one.several[0].began
    recorded = [(each.began - start, each.ended - start) for each in one.several]
    marks = [at + each.began - start for each in one.several for at in each.observed.moments]
    lanes = [Lane("Recorded", recorded, []), Lane("Breaks", [], marks)]
    return in_time("All recordings in time", one.several[-1].ended - start, lanes)


def _began(one: Together) -> list[datetime]:
    """When each break began."""
    return [at for each in one.several for at in _moments(each)]


def _moments(one: Broken) -> list[datetime]:
    """The same of one recording. Not every system converts times before 1970 itself."""
    return [EPOCH + timedelta(seconds=one.began + at) for at in one.observed.moments]


def _rows(one: Together, dates: Dates) -> list[tuple[str, ...]]:
    return [
        (
            dates.second(at),
            "to the end" if out is None else seconds(out),
            IN_A_CELL[sign],
            quoted(each.file, LONGEST_NAME),
        )
        for each in one.several
        for at, out, sign in zip(_moments(each), each.out, each.observed.signs, strict=True)
    ]


def over_files_json(whole: Sequence[Together]) -> list[dict[str, object]]:
    """The same as data: times in UTC, ISO 8601; seconds, null where it did not come back."""
    return [
        {
            "pc": one.several[0].pc,
            "controller": one.several[0].controller,
            "port": one.several[0].port,
            "recordings": len(one.several),
            "overlapping": one.overlapping,
            "count": one.count,
            "list": [
                {"began": at.isoformat(), "out": out, "sign": str(sign), "file": each.file}
                for each in one.several
                for at, out, sign in zip(_moments(each), each.out, each.observed.signs, strict=True)
            ],
            "in_common": list(one.in_common),
        }
        for one in whole
    ]
