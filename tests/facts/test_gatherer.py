"""Facts can be asked for at any moment, and the pieces in which frames come change nothing."""

import gzip
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analyzer.diagnosis import judge
from analyzer.facts import Facts, Gatherer, Moment
from analyzer.inputs import open_recording
from analyzer.inputs.records import Chunk, Recording
from analyzer.reports.to_json import to_json
from rules import ALL
from tests import raw

CAPTURES = sorted((Path(__file__).parents[2] / "captures").glob("*.pcap*"))
BEGAN = 1_780_000_000  # seconds


def opened(path: Path) -> Recording:
    octets = path.read_bytes()
    octets = gzip.decompress(octets) if path.suffix == ".gz" else octets
    return open_recording(io.BytesIO(octets), path.name)


def part(chunk: Chunk, begin: int, end: int) -> Chunk:
    columns = ("start", "stored", "original", "fcs", "time", "interface", "direction")
    cut = {name: getattr(chunk, name)[begin:end] for name in columns}
    return replace(chunk, first=chunk.first + begin, **cut)


def told(facts: Facts) -> Any:
    return json.loads(to_json([judge(facts, ALL)]))


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_frames_may_come_in_any_pieces_and_be_asked_about_in_between(path: Path) -> None:
    whole, pieces = opened(path), opened(path)
    at_once, one_by_one = Gatherer(whole), Gatherer(pieces)
    for chunk in whole.chunks:
        at_once.take(chunk)
    for chunk in pieces.chunks:
        begin, size = 0, 1
        while begin < len(chunk.start):
            one_by_one.take(part(chunk, begin, begin + size))
            begin, size = begin + size, size % 7 + 1
            if size == 5:
                judge(one_by_one.facts(), ALL)
    assert told(one_by_one.facts()) == told(at_once.facts())


def recorded(began: float | None, ended: float | None) -> Facts:
    """Two frames, 3 s apart; the recorder says when it listened."""
    recording = raw.opened(
        raw.pcap_header()
        + b"".join(raw.record(bytes(60), round(at * 1e9)) for at in (BEGAN, BEGAN + 3.0))
    )
    gatherer = Gatherer(recording)
    for chunk in recording.chunks:
        gatherer.take(chunk)
    (interface,) = recording.interfaces
    interface.began = None if began is None else round(began * 1e9)
    interface.ended = None if ended is None else round(ended * 1e9)
    return gatherer.facts()


def test_listening_goes_on_without_frames() -> None:
    facts = recorded(BEGAN - 5, BEGAN + 10)
    assert facts.coverage.seconds == facts.coverage.listened == pytest.approx(10)
    assert facts.heard_after(Moment(2, 3.0)) == pytest.approx(7)
    assert facts.heard_before(Moment(1, 0.5)) == pytest.approx(5.5)


@pytest.mark.parametrize(
    ("began", "ended"),
    [(None, None), (BEGAN + 1, BEGAN + 2), (BEGAN - 90_000, BEGAN + 90_000), (0, 0)],
    ids=["not told", "inside the frames", "days away", "zero"],
)
def test_times_of_listening_that_are_not_told_or_not_likely(
    began: float | None, ended: float | None
) -> None:
    facts = recorded(began, ended)
    assert facts.coverage.seconds == facts.coverage.listened == pytest.approx(3)
    assert facts.heard_after(Moment(2, 3.0)) == 0
    assert facts.heard_before(Moment(1, 0.5)) == 0.5


def test_asking_does_not_change_what_is_gathered() -> None:
    recording = raw.opened(raw.pcap_header() + raw.record(bytes(60), BEGAN * 10**9))
    gatherer = Gatherer(recording)
    for chunk in recording.chunks:
        gatherer.take(chunk)
    recording.interfaces[0].ended = (BEGAN + 9) * 10**9
    assert gatherer.facts().coverage.seconds == pytest.approx(9)
    recording.interfaces[0].ended = (BEGAN + 4) * 10**9
    assert gatherer.facts().coverage.seconds == pytest.approx(4)


def test_without_frames_nothing_was_listened_to() -> None:
    recording = raw.opened(raw.pcap_header())
    recording.interfaces[0].ended = BEGAN * 10**9
    facts = Gatherer(recording).facts()
    assert (facts.coverage.seconds, facts.coverage.spans) == (0, [])
