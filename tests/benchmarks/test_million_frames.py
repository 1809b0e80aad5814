"""Speed and memory beside yardsticks that run in turn with it: `pytest tests/benchmarks -s`.

A benchmark, not a test: it prints what it measured and asserts no time.
"""

import os
import random
import struct
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

import pytest

SESSIONS = 40
HOST = "00005e0053{:02x}"


def _ethernet(dst: str, src: str, kind: int) -> bytes:
    return bytes.fromhex(dst + src) + struct.pack(">H", kind)


def _ip(src: bytes, dst: bytes, protocol: int, body: bytes, number: int) -> bytes:
    header = (0x45, 0, 20 + len(body), number & 0xFFFF, 0x4000, 64, protocol, 0, src, dst)
    return struct.pack(">BBHHHBBH4s4s", *header) + body


def _tcp(sport: int, dport: int, seq: int, ack: int, flags: int, data: bytes = b"") -> bytes:
    return struct.pack(">HHIIBBHHH", sport, dport, seq, ack, 0x50, flags, 8192, 0, 0) + data


def _busy_plant(frames: int) -> bytes:
    """A PC polling forty controllers, with ARP, multicast and cyclic frames of others between."""
    choose, records = random.Random(1), []
    header = struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 262144, 1)
    pc, pc_hw = bytes((192, 0, 2, 15)), HOST.format(0x15)
    state = [[1000 * i, 5000 * i] for i in range(SESSIONS)]

    def put(frame: bytes) -> None:
        microseconds = len(records) * 150
        frame = frame.ljust(60, b"\0")
        when = (1741683600 + microseconds // 10**6, microseconds % 10**6)
        records.append(struct.pack("<IIII", *when, len(frame), len(frame)) + frame)

    def segment(i: int, to_unit: bool, flags: int, data: bytes = b"") -> None:
        unit, hw = bytes((192, 0, 2, 60 + i)), HOST.format(0x60 + i)
        mine, other = (0, 1) if to_unit else (1, 0)
        ports = (40000 + i, 502) if to_unit else (502, 40000 + i)
        body = _tcp(*ports, state[i][mine], state[i][other], flags, data)
        ends = (pc, unit) if to_unit else (unit, pc)
        link = _ethernet(hw, pc_hw, 0x800) if to_unit else _ethernet(pc_hw, hw, 0x800)
        put(link + _ip(*ends, 6, body, len(records)))
        state[i][mine] += len(data) + (flags >> 1 & 1)

    for i in range(SESSIONS):
        segment(i, True, 2)
        segment(i, False, 18)
        segment(i, True, 16)
    while len(records) < frames:
        i, number = choose.randrange(SESSIONS), len(records) & 0xFFFF
        segment(i, True, 24, struct.pack(">HHHBBHH", number, 0, 6, 1, 3, 108, 20))
        segment(i, False, 24, struct.pack(">HHHBBB", number, 0, 43, 1, 3, 40) + bytes(40))
        segment(i, True, 16)
        other = choose.random()
        if other < 0.02:
            ask = (1, 0x800, 6, 4, 1, bytes.fromhex(HOST.format(0xA0)), bytes((192, 0, 2, 9)))
            wanted = bytes((192, 0, 2, choose.randrange(250)))
            body = struct.pack(">HHBBH6s4s6s4s", *ask, bytes(6), wanted)
            put(_ethernet("ff" * 6, HOST.format(0xA0), 0x806) + body)
        elif other < 0.15:
            datagram = struct.pack(">HHHH", 5000, 5001, 40, 0) + bytes(32)
            ip = _ip(bytes((192, 0, 2, 9)), bytes((224, 0, 0, 1)), 17, datagram, number)
            put(_ethernet("01005e000001", HOST.format(0xA0), 0x800) + ip)
        elif other < 0.2:
            put(_ethernet("ff" * 6, HOST.format(0xA1), 0x8892) + number.to_bytes(40))
    return header + b"".join(records[:frames])


@pytest.fixture(scope="module")
def million(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of a million frames, 95 MB."""
    path = tmp_path_factory.mktemp("benchmark") / "million.pcap"
    path.write_bytes(_busy_plant(1_000_000))
    return path


@pytest.fixture(scope="module")
def ten_million(million: Path) -> Path:
    """Ten times as many frames: the same minute ten times. The clock jumps back, and all data comes
    again: the dearest a recording of this size can be.
    """
    path = million.with_name("ten-million.pcap")
    octets = million.read_bytes()
    with path.open("wb") as out:
        out.write(octets[:24])
        for _ in range(10):
            out.write(octets[24:])
    return path


PEAK = """
import resource, subprocess, sys
subprocess.run([sys.executable, "-m", "analyzer", "diagnose", sys.argv[1]], capture_output=True)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
"""


def _peak(path: Path) -> float:
    """Peak memory of the whole command, in MiB; asked of a small parent, whose own size a child
    would inherit."""
    command = [sys.executable, "-c", PEAK, str(path)]
    return int(subprocess.run(command, capture_output=True, check=True).stdout) / 1024


START = [sys.executable, "-c"]
DIAGNOSE = [sys.executable, "-m", "analyzer"]
BARE_DPKT = """
import sys, dpkt
with open(sys.argv[1], "rb") as stream:
    for seconds, frame in dpkt.pcap.Reader(stream):
        dpkt.ethernet.Ethernet(frame)
"""
"""A loop over dpkt that looks at nothing."""
CHECKSUM = """
import hashlib, sys
digest = hashlib.sha256()
with open(sys.argv[1], "rb") as stream:
    while block := stream.read(1 << 22):
        digest.update(block)
print(digest.hexdigest())
"""
"""The digest alone. Processors with instructions of their own for SHA-256 are four to six times as
fast at it as others, so figures beside it compare on one machine only."""


def _medians(rounds: int, **commands: list[str]) -> dict[str, float]:
    """Median seconds of each command. They take turns, so that all meet the same load; the first
    round is not counted: it writes byte code.
    """
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": ""}
    took: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(rounds + 1):
        for name, command in commands.items():
            began = time.perf_counter()
            subprocess.run(command, env=environment, stdout=subprocess.DEVNULL, check=True)
            took[name].append(time.perf_counter() - began)
    return {name: median(times[1:]) for name, times in took.items()}


def test_a_million(million: Path) -> None:
    """The whole command, from start to printed report, beside a bare parse and a checksum."""
    took = _medians(
        3,
        dpkt=[*START, BARE_DPKT, str(million)],
        checksum=[*START, CHECKSUM, str(million)],
        diagnose=[*DIAGNOSE, "diagnose", str(million)],
    )
    print(f"\n1,000,000 frames: {took['diagnose']:.2f} s, peak {_peak(million):.0f} MiB")
    print(f"{took['dpkt'] / took['diagnose']:.1f} times as fast as a bare dpkt parse")
    print(f"{took['diagnose'] / took['checksum']:.1f} times as long as a plain checksum pass")


def test_ten_million(ten_million: Path) -> None:
    """State is kept a station and a session: memory stays flat."""
    began = time.perf_counter()
    peak = _peak(ten_million)
    print(f"\n10,000,000 frames: {time.perf_counter() - began:.2f} s, peak {peak:.0f} MiB")


def test_a_small_recording() -> None:
    """The demo recording, whole command, beside an import of numpy."""
    took = _medians(15, numpy=[*START, "import numpy"], demo=[*DIAGNOSE, "demo"])
    print(f"\nA small recording: {took['demo']:.3f} s")
    print(f"{took['demo'] / took['numpy']:.2f} times as long as an import of numpy")
