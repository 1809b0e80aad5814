"""`whynolink record` without a network: what it prints, and what it says where it cannot record."""

import ctypes
import shutil
import subprocess
import sys
import time
from ipaddress import IPv4Interface
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

import pytest
from click.testing import CliRunner, Result

from analyzer.cli import main
from analyzer.errors import CannotRecord
from analyzer.recorder import adapters, capture
from analyzer.recorder.adapters import Adapter
from analyzer.recorder.capture import Frames
from tests.lab import network
from tests.recorder.terminal import ROOT
from tests.support import acquainted, ended

CABLE = Adapter("cable", (IPv4Interface("192.0.2.15/24"),), 0x00005E005315, True, 10**9)
OFFICE = Adapter("office", (IPv4Interface("198.51.100.7/24"),), None, True, None)


class Healthy:
    """A listener that hears a healthy link-up at once."""

    link = 1

    def __init__(self, adapter: str) -> None:
        plant, pc, unit = acquainted()
        plant.tcp(pc, unit).open().poll(4)
        records = ended(plant).records
        shift = time.time_ns() - records[-1].time
        times = [one.time + shift for one in records]
        self.left = Frames(times, [one.data for one in records])
        self.count = len(times)

    def frames(self, wait: float) -> Frames:
        now, self.left = self.left, Frames([], [])
        time.sleep(0.0 if now.octets else wait)
        return now

    def is_there(self) -> bool:
        return True

    def counts(self) -> tuple[int, int | None]:
        return self.count + 2, 2

    def close(self) -> None:
        pass


def record(monkeypatch: pytest.MonkeyPatch, *arguments: str, source: Any = Healthy) -> Result:
    monkeypatch.setattr(adapters, "adapters", lambda: [CABLE, OFFICE])
    monkeypatch.setattr(adapters, "has_link", lambda name: True)
    monkeypatch.setattr(capture, "Source", source)
    return CliRunner().invoke(main, ["record", *arguments])


def test_a_recording_from_beginning_to_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.pcapng"
    told = ("--controller", "192.0.2.60:502", "--minutes", "0.02", "--output", str(path))
    result = record(monkeypatch, *told)
    assert result.exit_code == 0
    positions = [
        result.output.index(part)
        for part in (
            '-> "cable"',
            "Nothing is sent.",
            "192.0.2.60: the link works",
            "192.0.2.60: the answer works",
            "192.0.2.60: The connection works",
            'Recorded  "a.pcapng", ',
            "It ended: the time was over.",
            "2 frames lost.",
        )
    ]
    assert positions == sorted(positions)
    assert result.output.rstrip().endswith(f'{path.name}"')
    again = CliRunner().invoke(
        main, ["diagnose", "--all", str(path), "--controller", "192.0.2.60:502"]
    )
    assert again.exit_code == 0
    assert "2 frames lost by the recorder" in " ".join(again.output.split())


class Opened(Healthy):
    """A listener that takes nothing; how often it was opened and closed is counted."""

    opened: ClassVar[list[str]] = []
    closed = 0

    def __init__(self, adapter: str) -> None:
        self.opened.append(adapter)

    def frames(self, wait: float) -> Frames:
        raise AssertionError("nothing is to be taken")

    def close(self) -> None:
        Opened.closed += 1


def refusing(adapter: str) -> None:
    raise CannotRecord("recording needs more rights than you have here.", adapter, "Ask.")


def test_the_list_of_adapters_tells_which_one_it_would_be_and_why(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """And whether rights and driver are there: it listens for a moment and takes nothing."""
    result = record(monkeypatch, "--list", "--controller", "198.51.100.9", source=Opened)
    assert result.exit_code == 0
    told = " ".join(result.output.split())
    assert '-> "office"' in told
    assert 'Adapter to record on: "office", since the controller is in its network.' in told
    assert "Recording can begin" in told
    assert (Opened.opened, Opened.closed) == (["office"], 1)


def test_the_list_of_adapters_where_none_can_be_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    result = record(monkeypatch, "--list", source=refusing)
    assert result.exit_code == 0
    told = " ".join(result.output.split())
    assert "192.0.2.15/24" in told
    assert "->" not in told
    assert 'none yet, several adapters could be meant: "cable", "office".' in told
    assert "Recording cannot begin: cable: recording needs more rights than you have here." in told


def test_the_list_of_adapters_with_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    told = " ".join(record(monkeypatch, "--list", "cable", source=Opened).output.split())
    assert 'Adapter to record on: "cable", since it is the one named.' in told
    assert record(monkeypatch, "--list", "garage").exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), 'several adapters could be meant: "cable", "office"'),
        (("garage",), 'garage: is no adapter of this PC. There are: "cable", "office".'),
        (("cable", "--controller", "x"), "is not an IPv4 address"),
        (("cable", "--minutes", "0"), "--minutes"),
        (("cable", "--megabytes", "1"), "--megabytes"),
        (("cable", "--output", "."), "Name another --output."),
        (("cable", "--output", "missing/a.pcapng"), "cannot be written"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    arguments: tuple[str, ...], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = record(monkeypatch, *arguments)
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_file_that_exists_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(b"precious")
    result = record(monkeypatch, "cable", "--output", str(path))
    assert (result.exit_code, path.read_bytes()) == (2, b"precious")
    assert "exists already" in result.stderr


# --- what recording needs -------------------------------------------------------------------------


def refused(monkeypatch: pytest.MonkeyPatch, opener: Any) -> str:
    """What is said where scapy's socket cannot be opened."""
    import scapy.arch

    monkeypatch.setattr(scapy.arch.conf, "L2listen", opener)
    with pytest.raises(CannotRecord) as told:
        capture.Source("cable")
    return str(told.value)


def raising(problem: Exception) -> Any:
    def opened(iface: str) -> None:
        raise problem

    return opened


@pytest.mark.parametrize(
    "problem",
    [PermissionError(1, "Operation not permitted"), OSError("cable: Permission denied (x)")],
)
def test_no_rights(problem: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    said = refused(monkeypatch, raising(problem))
    assert said.startswith("cable: recording needs more rights than you have here. ")
    assert "sudo" in said or "administrator" in said


def test_no_capture_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    class _NotAvailableSocket:
        """What scapy puts in the place of a socket that this system does not have."""

    said = refused(monkeypatch, _NotAvailableSocket)
    assert "this PC has no driver to record with" in said


def test_no_scapy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scapy.arch", None)
    with pytest.raises(CannotRecord, match="the package scapy is missing"):
        capture.Source("cable")


@pytest.mark.parametrize("problem", [OSError(19, "No such device"), ValueError("not found")])
def test_an_adapter_that_cannot_be_opened(
    problem: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = refused(monkeypatch, raising(problem))
    assert said.startswith("cable: cannot be recorded on: ")
    assert "--list" in said


@pytest.mark.skipif(bool(network.lacking()), reason=network.lacking() or "runs here")
@pytest.mark.skipif(not shutil.which("setpriv"), reason="setpriv takes the rights away")
def test_root_without_the_right_to_record(tmp_path: Path) -> None:
    without = ("setpriv", "--bounding-set", "-net_raw", "--inh-caps", "-net_raw")
    command = (*without, sys.executable, "-m", "analyzer", "record", "lo", "--minutes", "0.02")
    result = subprocess.run(
        command, cwd=tmp_path, env={"PYTHONPATH": str(ROOT)}, capture_output=True, text=True
    )
    assert result.returncode == 2
    assert result.stderr.startswith("whynolink: lo: recording needs more rights")
    assert result.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


class _Counted(ctypes.Structure):
    _fields_ = (
        ("ps_recv", ctypes.c_uint),
        ("ps_drop", ctypes.c_uint),
        ("ps_ifdrop", ctypes.c_uint),
    )


def _count(handle: object, into: Any) -> int:
    into._obj.ps_recv, into._obj.ps_drop, into._obj.ps_ifdrop = 100, 5, 2
    return 0


def test_counts_of_the_pcap_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where frames come by the pcap library, it counts what was lost."""
    counted = SimpleNamespace(pcap_stat=_Counted, pcap_stats=_count)
    monkeypatch.setitem(sys.modules, "scapy.libs.winpcapy", counted)  # type: ignore[arg-type]
    assert capture._pcap_counts(SimpleNamespace(pcap=0), 100) == (107, 7)
    monkeypatch.setattr(counted, "pcap_stats", lambda *_: -1)
    assert capture._pcap_counts(SimpleNamespace(pcap=0), 100) == (100, None)


def test_it_says_that_it_waits_for_a_break(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.pcapng"
    told = ("--until-break", "--minutes", "0.02", "--output", str(path))
    result = record(monkeypatch, "cable", *told)
    words = " ".join(result.output.split())
    assert "It ends a minute after the connection broke." in words
    assert "It ended: the time was over." in words
    again = record(monkeypatch, "cable", "--breaks", "0", "--output", str(tmp_path / "b.pcapng"))
    assert again.exit_code == 2
