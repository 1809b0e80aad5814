"""One function for each thing that reads what others wrote: octets in, nothing but promises kept.

A refusal (`Unusable`) is an answer; whatever else is raised is a finding.
"""

import hashlib
import io
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import dpkt

from analyzer import planning, site
from analyzer.cli.reading import diagnosed
from analyzer.cli.replying import Desk
from analyzer.comparison import compare
from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.errors import NotARecording
from analyzer.facts import Address
from analyzer.inputs import open_recording
from analyzer.inputs.parcels import Limits, unpack
from analyzer.inputs.records import PADDING, Recording
from analyzer.linkup import Told
from analyzer.reports import comparison, house, plan, plan_json
from analyzer.reports.document.answer import in_full, in_short
from analyzer.reports.document.page import page as page_of
from analyzer.reports.letter import Style, letter
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
from tests import raw
from tests.fuzz import promises, seeds
from tests.trim.test_canaries import Site, session

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
    recording = _opened(octets)
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


def _opened(octets: bytes) -> Recording:
    return open_recording(io.BytesIO(octets), "fuzz")


def _diagnosed(octets: bytes, told: Told | None = None) -> Diagnosis:
    return diagnose(_opened(octets), ALL, told)


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

    def again() -> AbstractContextManager[Recording]:
        return nullcontext(_opened(octets))

    with tempfile.TemporaryDirectory() as folder:
        for key in (None, b"sixteen octets.."):
            out = Path(folder, f"{key is None}.pcapng")
            trimmed = trim(again, ALL, Told(), Order("fuzz", key=key), out)
            assert out.stat().st_size
            assert not set(trimmed.names.values()) & set(trimmed.names)


def _lines(octets: bytes) -> None:
    """Of a conversation in lines of text only words that turn away stay in a copy, none around."""
    turns = [bytes(32 + octet % 95 for octet in line) + b"\r\n" for line in octets.split(b"\n")]
    frames = list(session(Site(0), 23, [(turn, turns[-1]) for turn in turns]))
    recording = raw.pcap(*((number * raw.SECOND, one) for number, one in enumerate(frames)))
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder, "copy.pcapng")
        trim(lambda: nullcontext(_opened(recording)), ALL, Told(), Order("fuzz"), out)
        with out.open("rb") as stream:
            for _, frame in dpkt.pcapng.Reader(stream):
                promises.is_filled(bytes(dpkt.ethernet.Ethernet(frame).data.data.data))


def _reply(octets: bytes) -> None:
    """A mail with recordings gets a letter, and a draft that is one answer to it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "mail.eml")
        path.write_bytes(octets)
        found = list(diagnosed(str(path), Told(), Limits()))
        desk = Desk([str(path)], None)
        desk.take(str(path), found)
        if not desk.diagnoses:
            raise NotARecording("holds no recording.", "mail.eml", "Ask for one.")
        for everything in (False, True):
            promises.is_terminal_text(desk.reply([], everything, as_draft=False))
            promises.is_answer(desk.reply([], everything, as_draft=True), desk.mail)


def _house(octets: bytes) -> None:
    """House wording that is read stands in a letter, in the desk's own script."""
    style = Style(house=house.read(octets, "house.toml"))
    text = to_text(letter([_working()], style=style))
    assert all(line.isprintable() for line in text.split("\n"))


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
    "protocols": Target(_trim, seeds.protocols, share=2),
    "lines": Target(_lines, seeds.lines, longest=4096),
    "reply": Target(_reply, seeds.mails, share=2),
    "house": Target(_house, seeds.houses, longest=4096),
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
