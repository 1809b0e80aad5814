"""Systems that no test runs on here: what their Python lacks, and what their capture says.

scapy and psutil are stood in for by what they show on such a system (from memory).
"""

import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import psutil
import pytest
from click.testing import CliRunner, Result

from analyzer.cli import main
from analyzer.recorder import capture
from tests.test_architecture import POSIX_ONLY

ROOT = Path(__file__).parents[2]
SYSTEMS = ("win32", "darwin")
FRAME = bytes.fromhex("ffffffffffff 00005e005360 88b5") + bytes(46)

EVERYTHING_WITHOUT = """
import pkgutil, sys
from importlib import import_module

import click, dpkt, jinja2, netaddr, numpy, psutil, scapy.arch  # for their own system
import concurrent.futures.process, multiprocessing.pool, subprocess, tempfile

gone = sys.argv[1].split()
for name in gone:
    sys.modules[name] = None
import analyzer, rules
for package in (analyzer, rules):
    for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if module.name != "analyzer.__main__":
            import_module(module.name)
from analyzer.cli import main
main(sys.argv[2:])
"""


@pytest.mark.parametrize("arguments", [("demo",), ("plan", "--controller", "192.0.2.60")])
def test_everything_works_without_what_only_posix_has(arguments: tuple[str, ...]) -> None:
    command = (sys.executable, "-c", EVERYTHING_WITHOUT, " ".join(POSIX_ONLY - {"posix"}))
    done = subprocess.run(
        (*command, *arguments), cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (done.stderr, done.returncode) == ("", 0)
    assert done.stdout


class Handle:
    """A handle of the pcap library, as scapy wraps it: FRAME comes again and again."""

    pcap = 0

    def setnonblock(self, on: bool) -> None:
        assert on

    def datalink(self) -> int:
        return 1


class Listening:
    """scapy's listening socket where frames come by the pcap library."""

    __name__ = "L2pcapListenSocket"

    def __init__(self) -> None:
        self.closed = False
        self.left = 3

    def __call__(self, iface: str) -> Any:
        self.pcap_fd = Handle()
        return self

    def select(self, sockets: list[Any], remain: float) -> list[Any]:
        return sockets

    def recv_raw(self, most: int) -> tuple[Any, bytes | None, float | None]:
        self.left -= 1
        return (None, FRAME, 1_780_000_000.25) if self.left >= 0 else (None, None, None)

    def close(self) -> None:
        self.closed = True


class Conf:
    """scapy's settings. use_pcap stays False where there is no pcap library."""

    bufsize = 0

    def __init__(self, listener: Any, has_pcap: bool) -> None:
        self.L2listen, self._has_pcap = listener, has_pcap

    @property
    def use_pcap(self) -> bool:
        return self._has_pcap

    @use_pcap.setter
    def use_pcap(self, wanted: bool) -> None:
        assert wanted


@pytest.fixture(params=SYSTEMS)
def system(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A PC with one adapter in use."""
    monkeypatch.setattr(sys, "platform", request.param)

    def entry(family: int, address: str, netmask: str | None = None) -> SimpleNamespace:
        return SimpleNamespace(family=family, address=address, netmask=netmask)

    listed = {
        "Ethernet 2": [
            entry(psutil.AF_LINK, "00-00-5E-00-53-15"),
            entry(socket.AF_INET, "192.0.2.15", "255.255.255.0"),
            entry(socket.AF_INET6, "fe80::1%7"),
        ],
        "Bluetooth": [entry(socket.AF_INET, "169.254.7.9", "255.255.0.0")],
        "Loopback Pseudo-Interface 1": [entry(socket.AF_INET, "127.0.0.1", "255.0.0.0")],
    }
    states = {name: SimpleNamespace(isup=name != "Bluetooth", speed=1000) for name in listed}
    monkeypatch.setattr(psutil, "net_if_addrs", lambda: listed)
    monkeypatch.setattr(psutil, "net_if_stats", lambda: states)
    return request.param


def scapy(monkeypatch: pytest.MonkeyPatch, listener: Any, has_pcap: bool = True) -> None:
    arch = ModuleType("scapy.arch")
    arch.conf = Conf(listener, has_pcap)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "scapy.arch", arch)


def listed() -> tuple[Result, str]:
    result = CliRunner().invoke(main, ["record", "--list"])
    return result, " ".join(result.output.split())


def raising(problem: Exception) -> Any:
    def opened(iface: str) -> None:
        raise problem

    return opened


def test_adapters_are_listed_and_recording_can_begin(
    system: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    listener = Listening()
    scapy(monkeypatch, listener)
    result, told = listed()
    assert result.exit_code == 0
    assert '-> "Ethernet 2" 192.0.2.15/24 00-00-5E-00-53-15 yes 1,000 Mbit/s' in told
    assert '"Bluetooth" 169.254.7.9/16 - no' in told
    assert "Recording can begin" in told
    assert (listener.closed, listener.left) == (True, 3)


@pytest.mark.parametrize(
    "problem",
    [
        PermissionError(13, "Permission denied"),
        OSError("Ethernet 2: Permission denied (cannot open device)"),
        OSError("Error opening adapter: Access is denied. (5)"),
    ],
)
def test_no_rights(system: str, problem: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    scapy(monkeypatch, raising(problem))
    result, told = listed()
    assert result.exit_code == 0
    todo = {"win32": "Open the terminal as administrator", "darwin": "Run it as root, with sudo"}
    assert f"more rights than you have here. {todo[system]}" in told


def test_no_driver(system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where scapy would then listen in another way."""
    scapy(monkeypatch, raising(AssertionError("not to be opened")), has_pcap=False)
    result, told = listed()
    assert result.exit_code == 0
    todo = {"win32": "a capture driver with the pcap interface", "darwin": "the pcap library"}
    assert "this PC has no driver to record with." in told
    assert todo[system] in told


def test_an_adapter_that_scapy_does_not_know(system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    scapy(monkeypatch, raising(ValueError("Interface 'Ethernet 2' not found !")))
    _, told = listed()
    assert "cannot be recorded on: Interface 'Ethernet 2' not found." in told


def test_frames_come_by_the_pcap_library(system: str, monkeypatch: pytest.MonkeyPatch) -> None:
    listener = Listening()
    scapy(monkeypatch, listener)
    source = capture.Source("Ethernet 2")
    assert source.link == 1
    frames = source.frames(0.1)
    assert frames == capture.Frames([1_780_000_000_250_000_000] * 3, [FRAME] * 3)
    source.close()
    assert listener.closed
