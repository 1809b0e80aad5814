"""Whatever ends a recording, what was recorded until then can be read."""

import random
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from analyzer import diagnose
from tests import raw
from tests.lab import network
from tests.lab.actors import Server, call, poll
from tests.lab.network import Site, Station, run
from tests.recorder.terminal import SLOW, Terminal

LACKING = network.lacking()
lab = pytest.mark.skipif(bool(LACKING), reason=LACKING)
TORN = "the file ends inside a block"
STARTED = "Times are seconds since"


@contextmanager
def busy_site() -> Iterator[tuple[Station, Station]]:
    """A PC that hears about a thousand numbered frames a second."""
    with Site() as site:
        pc, unit = site.station("pc", "192.0.2.15/24"), site.station("unit", "192.0.2.60/24")
        number_frames(unit)
        yield pc, unit


def number_frames(unit: Station, every: float = 0.01, at_once: int = 10) -> None:
    """Send numbered broadcast frames of an EtherType for experiments (RFC 9542 3)."""
    wire = unit.raw()
    begin = bytes.fromhex("ffffffffffff" + unit.hw.replace(":", "") + "88b5")
    choose = random.Random(1)

    def sending() -> None:
        number = 0
        while not unit.stopping.wait(every):
            for _ in range(at_once):
                wire.send(begin + number.to_bytes(4) + bytes(choose.randrange(50, 1400)))
                number += 1

    unit.start(sending)


def numbers(path: Path) -> list[int]:
    """The numbers of the numbered frames in a recording that is whole, or torn at its end only."""
    recording, chunks = raw.read(path.read_bytes())
    assert recording.damage is None or recording.damage.why == TORN
    frames = [data for chunk in chunks for data in raw.stored(chunk)]
    return [int.from_bytes(data[14:18]) for data in frames if data[12:14] == b"\x88\xb5"]


def wait_to_grow(path: Path, octets: int = 100_000) -> None:
    """Wait until about a hundred of the numbered frames are on the disk."""
    until = time.monotonic() + SLOW
    while path.stat().st_size < octets:
        assert time.monotonic() < until, f"{path} has {path.stat().st_size} octets"
        time.sleep(0.02)


def killed_at_random(folder: Path, times: int, seed: int) -> None:
    """Recorders on one adapter, each killed at a moment of its own."""
    moments = random.Random(seed)
    with busy_site() as (pc, _unit):
        recorders = [
            Terminal(pc.name, folder, "eth0", "--output", f"{n}.pcapng") for n in range(times)
        ]
        try:
            for number, recorder in enumerate(recorders):
                recorder.wait_for(STARTED)
                wait_to_grow(folder / f"{number}.pcapng")
            for recorder in recorders:
                time.sleep(moments.uniform(0.0, 0.4))
                recorder.process.kill()
                recorder.process.wait(10)
        finally:
            for recorder in recorders:
                recorder.__exit__(None, None, None)
    for n in range(times):
        path = folder / f"{n}.pcapng"
        seen = numbers(path)
        assert len(seen) > 20, f"{path} holds {len(seen)} frames"
        assert seen == list(range(seen[0], seen[0] + len(seen)))
        assert diagnose(path).facts.coverage.frames >= len(seen)


@lab
def test_killed_at_random_moments(tmp_path: Path) -> None:
    killed_at_random(tmp_path, times=5, seed=5)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    try:
        run("mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(place))
    except subprocess.CalledProcessError as refused:
        pytest.skip(f"no small disk can be made here: {refused.stderr.strip()}")
    yield place
    run("umount", str(place))


@lab
def test_a_disk_that_gets_full(small_disk: Path) -> None:
    with (
        busy_site() as (pc, _unit),
        Terminal(pc.name, small_disk, "eth0", "--output", "full.pcapng") as terminal,
    ):
        status = terminal.end()
    assert status == 2
    assert "It ended: it could not go on." in terminal.text
    path = small_disk / "full.pcapng"
    recording, _ = raw.read(path.read_bytes())
    assert recording.damage is None
    assert len(numbers(path)) > 100
    (line,) = re.findall(
        r"^whynolink: full\.pcapng: no more can be .*", terminal.text, re.MULTILINE
    )
    assert "No space left" in line
    assert "Traceback" not in terminal.text


@lab
def test_a_disk_that_is_full_before_it_begins(small_disk: Path) -> None:
    with (small_disk / "filler").open("wb", buffering=0) as filler, suppress(OSError):
        while filler.write(bytes(4096)):
            pass
    with Site() as site:
        pc = site.station("pc", "192.0.2.15/24")
        with Terminal(pc.name, small_disk, "eth0", "--output", "full.pcapng") as terminal:
            assert terminal.end() == 2
    assert "no more can be written" in terminal.text
    assert "Traceback" not in terminal.text
    assert [path.name for path in small_disk.iterdir()] == ["filler"]


@lab
def test_the_cable_is_pulled_and_plugged_again(tmp_path: Path) -> None:
    with Site() as site:
        pc, unit = site.station("pc", "192.0.2.15/24"), site.station("unit", "192.0.2.60/24")
        Server(unit)
        with Terminal(pc.name, tmp_path, "eth0", "--output", "a.pcapng") as terminal:
            terminal.wait_for(STARTED)
            pc.pull()
            terminal.wait_for("The adapter has no link")
            pc.plug()
            terminal.wait_for("The adapter has a link.")
            pc.ip("link set eth0 down")
            terminal.wait_for("The adapter has no link")
            pc.ip("link set eth0 up")
            poll(call(pc, "192.0.2.60"), times=3)
            terminal.wait_for("The connection works")
            assert terminal.interrupt() == 0
    assert "none lost" in terminal.text


@lab
def test_it_ends_by_itself_when_the_time_is_over(tmp_path: Path) -> None:
    with Site() as site:
        pc = site.station("pc", "192.0.2.15/24")
        with Terminal(pc.name, tmp_path, "--minutes", "0.05") as terminal:
            assert terminal.end() in (0, 3)
    assert "It ended: the time was over." in terminal.text
    (path,) = tmp_path.iterdir()
    assert re.fullmatch(r"whynolink-\d{8}-\d{6}\.pcapng", path.name)
    assert path.name in terminal.text.splitlines()[-1]


@lab
@pytest.mark.parametrize("renewed", [False, True], ids=["removed", "made anew"])
def test_the_adapter_goes_away(tmp_path: Path, renewed: bool) -> None:
    """It is told within a second, and its silence is not the controller's."""
    with Site() as site:
        pc = site.station("pc", "192.0.2.15/24")
        pc.ip("link add own type veth peer name far")
        pc.ip("link set own up")
        with Terminal(pc.name, tmp_path, "own", "--output", "a.pcapng") as terminal:
            terminal.wait_for(STARTED)
            time.sleep(1.5)
            pc.ip("link del own")
            if renewed:
                pc.ip("link add own type veth peer name far")
                pc.ip("link set own up")
            at, began = time.time_ns(), time.monotonic()
            assert terminal.end() == 2
            assert time.monotonic() - began < 5
    assert "The adapter went away, or was made anew" in " ".join(terminal.text.split())
    recording, _ = raw.read((tmp_path / "a.pcapng").read_bytes())
    assert "went away" in recording.comments[-1]
    ended = recording.interfaces[0].ended
    assert ended is not None
    assert ended <= at


@lab
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_signal_ends_it_with_its_last_counts(tmp_path: Path, name: str) -> None:
    with (
        busy_site() as (pc, _unit),
        Terminal(pc.name, tmp_path, "eth0", "--output", "a.pcapng") as terminal,
    ):
        terminal.wait_for(STARTED)
        wait_to_grow(tmp_path / "a.pcapng")
        terminal.process.send_signal(getattr(signal, name))
        assert terminal.end() in (0, 3)
    assert "It ended: by a signal of the system." in terminal.text
    assert "Traceback" not in terminal.text
    path = tmp_path / "a.pcapng"
    last = path.stat().st_mtime
    ended = raw.read(path.read_bytes())[0].interfaces[0].ended
    assert ended is not None
    assert last - ended / 1e9 < 1
