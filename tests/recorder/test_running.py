"""The recording while it goes on: what is on the disk, what is counted, what is made of it."""

import errno
import gzip
import io
import json
import time
from ipaddress import IPv4Interface
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from analyzer.diagnosis import Diagnosis, Verdict, diagnose
from analyzer.inputs import open_recording
from analyzer.inputs.records import Chunk, Interface
from analyzer.linkup import Told
from analyzer.outputs import pcapng
from analyzer.recorder import running
from analyzer.recorder.adapters import Adapter
from analyzer.recorder.capture import Frames
from analyzer.recorder.pieces import KEPT, Pieces
from analyzer.recorder.running import Ended, Recorder, Together, Watch, described, head
from analyzer.reports.to_json import to_json
from rules import ALL
from tests import raw
from tests.support import acquainted, ended

CAPTURES = sorted((Path(__file__).parents[2] / "captures").glob("*.pcap*"))
OWN = Adapter("cable", (IPv4Interface("192.0.2.15/24"),), 0x00005E005315, True, 10**9)
HEAD = pcapng.section() + pcapng.interface(described(OWN, 1))


def first(frames: Frames, number: int) -> Frames:
    return Frames(*(column[:number] for column in frames))


class Given:
    """A listener that hands on what it was given, a few frames at a time."""

    def __init__(self, frames: Frames, lost: int | None = 0, gone: bool = False) -> None:
        self.left, self.lost, self.gone, self.open = frames, lost, gone, True
        self.taken = 0

    def frames(self, wait: float) -> Frames:
        now, self.left = first(self.left, 7), Frames(*(column[7:] for column in self.left))
        if self.gone and not now.octets:
            raise OSError(errno.ENODEV, "No such device")
        if not now.octets:
            time.sleep(wait / 20)
        self.taken += len(now.octets)
        return now

    def is_there(self) -> bool:
        return True

    def counts(self) -> tuple[int, int | None]:
        return self.taken + (self.lost or 0), self.lost

    def close(self) -> None:
        self.open = False


def frames_of(path: Path) -> Frames:
    octets = path.read_bytes()
    octets = gzip.decompress(octets) if path.suffix == ".gz" else octets
    _, chunks = raw.read(octets)
    times = [time for chunk in chunks for time in chunk.time.tolist()]
    return Frames(times, [data for chunk in chunks for data in raw.stored(chunk)])


def record(listener: Any, path: Path, most: int = 10**7) -> Recorder:
    """Record until the listener has nothing left."""
    with Recorder(listener, Pieces(path, HEAD, most)) as recorder:
        until = time.monotonic() + 10
        while listener.left.octets and recorder.problem is None and time.monotonic() < until:
            time.sleep(0.01)
    return recorder


def read(path: Path) -> Diagnosis:
    return diagnose(open_recording(io.BytesIO(path.read_bytes()), ""), ALL)


def told(diagnosis: Diagnosis) -> Any:
    """All that is told, without what only a finished file has."""
    said = json.loads(to_json([diagnosis]))
    said["recordings"][0]["sha256"] = ""
    return said


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_the_view_of_a_recording_that_goes_on_is_the_diagnosis_of_its_file(
    path: Path, tmp_path: Path
) -> None:
    frames = frames_of(path)
    recorder = record(Given(frames), tmp_path / "a.pcapng")
    watch = Watch(recorder, described(OWN, 1), ALL, Told())
    live = watch.look()
    assert recorder.frames == len(frames.octets) == live.facts.coverage.frames
    live.facts.interfaces[0].drops = 0  # the file tells them at its end
    assert told(live) == told(read(tmp_path / "a.pcapng"))


def test_the_recording_says_on_what_and_by_what_it_was_made(tmp_path: Path) -> None:
    octets = head(described(OWN, 1), "whynolink 9", ["Other adapter: office."])
    recording, _ = raw.read(octets)
    (interface,) = recording.interfaces
    address, mask = int(IPv4Interface("192.0.2.15").ip), 0xFFFFFF00
    assert (interface.name, interface.addresses) == ("cable", [(address, mask)])
    assert (interface.hardware, interface.speed) == (0x00005E005315, 10**9)
    assert recording.comments == ["Other adapter: office."]
    for words in (b"whynolink 9", running.platform.platform().encode()):
        assert words in octets


def test_counts_and_times_stand_at_the_end(tmp_path: Path) -> None:
    before = time.time_ns()
    recorder = record(Given(first(frames_of(CAPTURES[0]), 20), lost=3), tmp_path / "a.pcapng")
    recording, _ = raw.read((tmp_path / "a.pcapng").read_bytes())
    (interface,) = recording.interfaces
    assert (recorder.frames, recorder.lost, interface.drops) == (20, 3, 3)
    assert interface.began is not None
    assert interface.ended is not None
    assert before <= interface.began <= interface.ended <= time.time_ns()


def test_counts_that_the_system_does_not_tell(tmp_path: Path) -> None:
    recorder = record(Given(first(frames_of(CAPTURES[0]), 9), lost=None), tmp_path / "a.pcapng")
    recording, _ = raw.read((tmp_path / "a.pcapng").read_bytes())
    assert (recorder.lost, recording.interfaces[0].drops) == (None, None)


def test_each_piece_has_its_own_counts_and_all_together_are_one_recording(tmp_path: Path) -> None:
    frames = Frames([(1_780_000_000 + n) * 10**9 for n in range(60)], [bytes(200)] * 60)
    listener = Given(frames, lost=0)
    real = listener.frames

    def losing(wait: float) -> Frames:
        came = real(wait)
        listener.lost = (listener.lost or 0) + len(came.octets)
        return came

    listener.frames = losing  # type: ignore[method-assign]
    recorder = record(listener, tmp_path / "a.pcapng", KEPT * 5000)
    assert len(recorder.pieces.paths) > 2
    with Together(list(recorder.pieces.paths)) as octets:
        recording = open_recording(octets, "together")
        assert sum(len(chunk.start) for chunk in recording.chunks) == 60
    assert recording.damage is None
    drops = [one.drops for one in recording.interfaces]
    assert len(drops) == len(recorder.pieces.paths)
    assert sum(map(int, drops)) == recorder.lost == 60


def test_an_adapter_that_is_pulled_out_ends_the_recording_with_one_line(tmp_path: Path) -> None:
    listener = Given(first(frames_of(CAPTURES[0]), 9), gone=True)
    with Recorder(listener, Pieces(tmp_path / "a.pcapng", HEAD, 10**6)) as recorder:
        watch = Watch(recorder, described(OWN, 1), ALL, Told())
        looks = list(watch.looks(20, keep_on=True))
    assert watch.ended is Ended.PROBLEM
    assert "No such device" in str(recorder.problem)
    assert looks[-1][2].facts.coverage.frames == 9
    assert not listener.open
    assert read(tmp_path / "a.pcapng").facts.drops == 0


def test_whatever_breaks_the_listener_is_told_and_the_file_is_whole(tmp_path: Path) -> None:
    listener = Given(first(frames_of(CAPTURES[0]), 9))
    given = listener.frames
    listener.frames = lambda wait: given(wait if listener.left.octets else 1 / 0)  # type: ignore[method-assign]
    pieces = Pieces(tmp_path / "a.pcapng", HEAD, 10**6)
    with Recorder(listener, pieces) as recorder:
        until = time.monotonic() + 5
        while recorder.problem is None and time.monotonic() < until:
            time.sleep(0.01)
    assert "ZeroDivisionError" in str(recorder.problem)
    assert not listener.open
    assert read(tmp_path / "a.pcapng").facts.coverage.frames == 9


def now_and_then(seconds: float) -> Frames:
    """A healthy link-up that began so many seconds ago."""
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(4)
    records = ended(plant).records
    shift = time.time_ns() - round(seconds * 1e9) - records[0].time
    return Frames([one.time + shift for one in records], [one.data for one in records])


def test_it_ends_when_the_link_up_stays_complete(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "SETTLED", 0.6)
    with Recorder(Given(now_and_then(60)), Pieces(tmp_path / "a.pcapng", HEAD, 10**6)) as recorder:
        watch = Watch(recorder, described(OWN, 1), ALL, Told())
        looks = list(watch.looks(30, keep_on=False))
    assert watch.ended is Ended.COMPLETE
    assert [one.verdict for one in looks[-1][2].outcomes] == [Verdict.COMPLETE]


def breaking_now_and_then(seconds: float, times: int) -> Frames:
    """A session that is reset so many times, the last time so many seconds ago."""
    plant, pc, unit = acquainted()
    for _ in range(times):
        session = plant.tcp(pc, unit).open()
        session.poll(4)
        session.rst(unit, after=0.5)
        plant.wait(1)
    plant.tcp(pc, unit).open().poll(2)
    records = plant.records
    shift = time.time_ns() - round(seconds * 1e9) - records[-1].time
    return Frames([one.time + shift for one in records], [one.data for one in records])


@pytest.mark.parametrize(("times", "wanted", "ends"), [(1, 1, True), (0, 1, False), (1, 2, False)])
def test_it_ends_behind_the_break_that_it_waits_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, times: int, wanted: int, ends: bool
) -> None:
    monkeypatch.setattr(running, "BEHIND", 0.6)
    monkeypatch.setattr(running, "has_link", lambda name: True)
    listener = Given(breaking_now_and_then(30, times))
    with Recorder(listener, Pieces(tmp_path / "a.pcapng", HEAD, 10**6)) as recorder:
        watch = Watch(recorder, described(OWN, 1), ALL, Told())
        looks = list(watch.looks(2.5, keep_on=True, breaks=wanted))
    assert watch.ended is (Ended.BREAK if ends else Ended.TIME)
    assert watch.breaks == times
    assert looks[-1][0] >= 0.6


def test_a_link_that_goes_is_a_break_and_the_pieces_around_it_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    links = iter([True] * 3 + [False] * 2 + [True] * 1000)
    monkeypatch.setattr(running, "BEHIND", 0.4)
    monkeypatch.setattr(running, "has_link", lambda name: next(links))
    pieces = Pieces(tmp_path / "a.pcapng", HEAD, 10**6)
    with Recorder(Given(now_and_then(60)), pieces) as recorder:
        watch = Watch(recorder, described(OWN, 1), ALL, Told())
        list(watch.looks(20, keep_on=True, breaks=1))
    assert (watch.ended, watch.breaks) == (Ended.BREAK, 1)
    for _ in range(KEPT + 2):
        with pieces.paths[-1].open("rb"):
            pieces.go_on()
    assert pieces.paths[0] == tmp_path / "a.pcapng"
    pieces.close()


def test_it_ends_when_the_time_is_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "SETTLED", 0.1)
    with Recorder(Given(now_and_then(60)), Pieces(tmp_path / "a.pcapng", HEAD, 10**6)) as recorder:
        watch = Watch(recorder, described(OWN, 1), ALL, Told())
        looks = list(watch.looks(1.2, keep_on=True))
    assert watch.ended is Ended.TIME
    assert looks[-1][0] >= 1.2


def test_a_listener_without_frames_is_watched_too(tmp_path: Path) -> None:
    with Recorder(Given(Frames([], [])), Pieces(tmp_path / "a.pcapng", HEAD, 10**6)) as recorder:
        watch = Watch(recorder, Interface(1), ALL, Told())
        assert watch.look().facts.coverage.frames == 0


def test_a_look_that_takes_long_heaps_up_no_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looks rest ten times as long as they take; what came is taken in meanwhile."""
    now, taken = [0.0], []

    def sleep(seconds: float) -> None:
        now[0] += seconds

    def slow(*_: object) -> Diagnosis:
        now[0] += 2.0
        return diagnose(open_recording(io.BytesIO(HEAD), ""), ALL)

    def take(chunk: Chunk) -> None:
        taken.append((chunk.first, len(chunk.time)))

    recorder = SimpleNamespace(
        began=0,
        problem=None,
        fresh=lambda: [Frames([10**18], [bytes(60)])],
        heard_until=time.time_ns,
    )
    clock = SimpleNamespace(monotonic=lambda: now[0], time_ns=time.time_ns, sleep=sleep)
    monkeypatch.setattr(running, "time", clock)
    monkeypatch.setattr(running, "judge", slow)
    watch = Watch(recorder, described(OWN, 1), ALL, Told())  # type: ignore[arg-type]
    monkeypatch.setattr(watch._gatherer, "take", take)
    elapsed = [seconds for seconds, _, _ in watch.looks(30, keep_on=True)]
    assert [round(one) for one in elapsed] == [2, 24, 32]
    assert taken == [(number, 1) for number in range(1, len(taken) + 1)]
    assert len(taken) > 50


class Leaving(Given):
    """An adapter that goes away after a while; nothing comes of it any more, and nothing fails."""

    until = 0.0

    def is_there(self) -> bool:
        return time.monotonic() < self.until


def test_an_adapter_that_goes_away_ends_the_recording(tmp_path: Path) -> None:
    """Within a second; the file says so, and no silence counts from then on."""
    path = tmp_path / "a.pcapng"
    listener = Leaving(Frames([time.time_ns()], [bytes(60)]))
    listener.until = time.monotonic() + 0.7
    with Recorder(listener, Pieces(path, HEAD, 10**6)) as recorder:
        interface = described(OWN, 1)
        watch = Watch(recorder, interface, ALL, Told())
        looks = list(watch.looks(10, keep_on=True))
    assert looks[-1][0] < 2.5
    assert watch.ended is Ended.PROBLEM
    recording, _ = raw.read(path.read_bytes())
    (comment,) = recording.comments
    assert comment == f"The recording ended: {running.GONE}"
    ends = (recording.interfaces[0].ended, interface.ended)
    gone = recorder.began + 700_000_000
    assert all(end is not None and end <= gone for end in ends)
