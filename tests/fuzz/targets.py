"""One function for each thing that reads what others wrote: octets in, nothing but promises kept.

A refusal (`Unusable`) is an answer; whatever else is raised is a finding.
"""

import hashlib
import io
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from analyzer import planning, site
from analyzer.comparison import compare
from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.errors import NotARecording
from analyzer.facts import Address
from analyzer.inputs import open_recording
from analyzer.inputs.parcels import unpack
from analyzer.inputs.records import PADDING, Recording
from analyzer.linkup import Told
from analyzer.reports import comparison, plan, plan_json
from analyzer.reports.document.answer import in_full, in_short
from analyzer.reports.document.page import page as page_of
from analyzer.reports.letter import letter
from analyzer.reports.ranking import columns, ranking, rows_to_json
from analyzer.reports.row import row_of
from analyzer.reports.sheet import sheet
from analyzer.reports.to_csv import to_csv
from analyzer.reports.to_html import to_html
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from analyzer.triage import kept
from analyzer.trim import Order, trim
from rules import ALL
from tests.fuzz import promises, seeds

LONGEST = 5.0
"""Seconds of the processor for one input: far above what so few octets may take."""


@dataclass(frozen=True, slots=True)
class Target:
    """run: raises what is a finding; share: of the time, where several take turns."""

    run: Callable[[bytes], object]
    seeds: Callable[[], list[bytes]]
    share: int = 1
    longest: int = 12288


def _recording(octets: bytes) -> None:
    recording = open_recording(io.BytesIO(octets), "fuzz")
    _read(recording)
    assert recording.consumed == len(octets)
    assert recording.sha256 == hashlib.sha256(octets).hexdigest()


def _read(recording: Recording) -> None:
    """A reader's chunks hold together."""
    number = 1
    for chunk in recording.chunks:
        frames = len(chunk.start)
        assert frames
        assert chunk.first == number
        assert {len(c) for c in (chunk.stored, chunk.original, chunk.fcs, chunk.time)} == {frames}
        assert (chunk.start >= 0).all()
        assert (chunk.stored >= 0).all()
        assert (chunk.start + chunk.stored <= len(chunk.data) - len(PADDING)).all()
        assert (chunk.stored <= chunk.original).all()
        assert (chunk.time >= 0).all()
        assert (chunk.interface >= 0).all()
        assert (chunk.interface < len(recording.interfaces)).all()
        number += frames
    if recording.damage is not None:
        assert recording.damage.why
        before = recording.damage.after_frame
        assert before == number - 1 if recording.damage.stopped else 0 <= before < number


TOLD = Told(
    controllers=((Address.parse("192.0.2.60"), 502),),
    pc=Address.parse("192.0.2.15"),
    site=site.read(seeds.SHEET, "site.toml"),
)


def _diagnosed(octets: bytes, told: Told | None = None) -> Diagnosis:
    return diagnose(open_recording(io.BytesIO(octets), "fuzz"), ALL, told)


def _diagnosis(octets: bytes, told: Told | None = None) -> None:
    """The whole way: octets -> diagnosis -> every report."""
    diagnosis = _diagnosed(octets, told)
    _reported(diagnosis)
    row = row_of(diagnosis, "fuzz")
    promises.is_terminal_text(to_text(ranking([row], ["fuzz"])))
    promises.is_json(rows_to_json([row], {}))
    promises.is_plain(to_csv(columns([row], {})))


def _reported(diagnosis: Diagnosis, refused: Sequence[NotARecording] = ()) -> None:
    lines = [str(one) for one in refused]
    promises.is_terminal_text(to_text(in_short([diagnosis], refused=lines)))
    promises.is_terminal_text(to_text(in_full([diagnosis], refused=lines)))
    promises.is_terminal_text(to_text(letter([diagnosis], lines)))
    promises.is_page(to_html(page_of([diagnosis], True, refused=lines)))
    told = promises.is_json(to_json([diagnosis], [(r.where, r.what, r.todo) for r in refused]))
    promises.names_its_frames(diagnosis.facts.coverage.frames, told)
    new_sheet = sheet([diagnosis])
    if new_sheet is not None:
        promises.is_plain(new_sheet)
        site.read(new_sheet.encode(), "site.toml")


def _parcel(octets: bytes) -> None:
    """A parcel gives recordings and refusals, whose names may be anything."""
    refused: list[NotARecording] = []
    diagnosis = None
    for one in unpack(io.BytesIO(octets), "fuzz"):
        if isinstance(one, NotARecording):
            promises.is_refusal(one)
            refused.append(one)
        elif diagnosis is None:
            diagnosis = diagnose(one, ALL)
        else:
            _read(one)
    assert refused or diagnosis
    if diagnosis is not None:
        _reported(diagnosis, refused)


def _sheet(octets: bytes) -> None:
    """A sheet that is read is written and read again the same; plans and a diagnosis use it."""
    known = site.read(octets, "site.toml")
    assert site.read(site.write(known, "Written.").encode(), "site.toml") == known
    plans = planning.plan(known, known.controllers)
    if plans:
        promises.is_terminal_text(to_text(plan.plan_report(plans)))
        promises.is_page(to_html(plan.plan_report(plans)))
        promises.is_json(plan_json.plan_json(plans))
    _diagnosis(seeds.working(), Told(site=known))


def _kept(octets: bytes) -> None:
    """Kept rows can be kept again."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "old.kept").write_bytes(octets)
        rows = kept.recall(folder, "old")
        if rows is not None:
            kept.remember(folder, "new", rows)
            assert kept.recall(folder, "new") == rows


@cache
def _working() -> Diagnosis:
    return _diagnosed(seeds.working())


def _compare(octets: bytes) -> None:
    """A recording that works beside one that may be anything, either way round."""
    diagnosis = _diagnosed(octets)
    for pair in ((_working(), diagnosis), (diagnosis, _working())):
        compared = compare(*pair)
        promises.is_terminal_text(to_text(comparison.document(compared)))
        promises.is_page(to_html(comparison.document(compared)))
        promises.is_json(comparison.to_json([compared]))


def _trim(octets: bytes) -> None:
    """A copy is judged as the recording is, or is not made."""

    @contextmanager
    def again() -> Iterator[Recording]:
        yield open_recording(io.BytesIO(octets), "fuzz")

    with tempfile.TemporaryDirectory() as folder:
        for key in (None, b"sixteen octets.."):
            out = Path(folder, f"{key is None}.pcapng")
            trim(again, ALL, Told(), Order("fuzz", key=key), out)
            assert out.stat().st_size


TARGETS = {
    "pcap": Target(_recording, seeds.pcaps, longest=4096),
    "snoop": Target(_recording, seeds.snoops, longest=4096),
    "pcapng": Target(_recording, seeds.pcapngs, longest=4096),
    "gzip": Target(_recording, seeds.gzips, longest=4096),
    "zip": Target(_parcel, seeds.zips),
    "tar": Target(_parcel, seeds.tars),
    "mail": Target(_parcel, seeds.mails),
    "sheet": Target(_sheet, seeds.sheets, longest=4096),
    "kept": Target(_kept, seeds.kept, longest=4096),
    "compare": Target(_compare, seeds.recordings, share=2),
    "trim": Target(_trim, seeds.recordings, share=2),
    "told": Target(partial(_diagnosis, told=TOLD), seeds.recordings, share=4),
    "diagnosis": Target(_diagnosis, seeds.recordings, share=12),
}


def survive(target: Target, octets: bytes) -> bool:
    """Run a target; whether it refused the octets. Raises what is a finding."""
    began = time.process_time()
    refused = promises.refused(target.run, octets)
    took = time.process_time() - began
    assert took < LONGEST, f"took {took:.1f} s for {len(octets)} octets"
    return refused
