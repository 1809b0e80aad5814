"""Speed and memory beside a bare dpkt parse: `pytest tests/benchmarks`.

A benchmark, not a test: it prints what it measured and asserts no time.
"""

import random
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

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
    """Ten times as many frames: the same minute again and again, later each time."""
    path = million.with_name("ten-million.pcap")
    octets = million.read_bytes()
    with path.open("wb") as out:
        out.write(octets[:24])
        for _ in range(10):
            out.write(octets[24:])
    return path


def _whole_command(path: Path) -> None:
    subprocess.run(
        [sys.executable, "-m", "analyzer", "diagnose", str(path)], capture_output=True, check=True
    )


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


BARE_DPKT = """
import sys, dpkt
with open(sys.argv[1], "rb") as stream:
    for seconds, frame in dpkt.pcap.Reader(stream):
        dpkt.ethernet.Ethernet(frame)
"""


def test_bare_dpkt(benchmark: BenchmarkFixture, million: Path) -> None:
    """What a loop over dpkt takes that looks at nothing."""
    command = [sys.executable, "-c", BARE_DPKT, str(million)]
    benchmark.pedantic(subprocess.run, (command,), {"check": True}, rounds=1)


def test_diagnose_a_million(benchmark: BenchmarkFixture, million: Path) -> None:
    """The whole command, from start to printed report."""
    benchmark.pedantic(_whole_command, (million,), rounds=3)
    benchmark.extra_info["peak MiB"] = _peak(million)
    print(f"\n1,000,000 frames: peak {benchmark.extra_info['peak MiB']:.0f} MiB")


def test_diagnose_ten_million(benchmark: BenchmarkFixture, ten_million: Path) -> None:
    """State is kept a station and a session: memory stays flat."""
    benchmark.pedantic(_whole_command, (ten_million,), rounds=1)
    print(f"\n10,000,000 frames: peak {_peak(ten_million):.0f} MiB")


def test_import_numpy(benchmark: BenchmarkFixture) -> None:
    """The yardstick for a small recording."""
    command = [sys.executable, "-c", "import numpy"]
    benchmark.pedantic(subprocess.run, (command,), {"check": True}, rounds=10)


def test_diagnose_a_small_recording(benchmark: BenchmarkFixture) -> None:
    """The demo recording, whole command."""
    command = [sys.executable, "-m", "analyzer", "demo"]
    benchmark.pedantic(
        subprocess.run, (command,), {"check": True, "capture_output": True}, rounds=10
    )
