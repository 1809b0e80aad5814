"""The recorder under load, and killed again and again: `pytest tests/benchmarks`.

A benchmark prints what it measured and asserts no time; what is lost has to be told.
"""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from analyzer import diagnose
from tests.lab import network
from tests.lab.network import Site
from tests.recorder.terminal import Terminal
from tests.recorder.test_endings import STARTED, killed_at_random

LACKING = network.lacking()
pytestmark = pytest.mark.skipif(bool(LACKING), reason=LACKING)
RATE, SECONDS, BURST = 50_000, 10, 250
WHOLE = ("--megabytes", "1000", "--output", "fast.pcapng")  # in one piece

SENDER = """
import socket, sys, time
rate, seconds, burst, hw = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
wire = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
wire.bind(("eth0", 0))
frame = bytes.fromhex("ffffffffffff" + hw.replace(":", "") + "88b5") + bytes(86)
began, sent = time.monotonic(), 0
while sent < rate * seconds:
    for _ in range(burst):
        wire.send(frame)
    sent += burst
    time.sleep(max(0.0, began + sent / rate - time.monotonic()))
print(sent, time.monotonic() - began)
"""


def test_fifty_thousand_frames_a_second(tmp_path: Path) -> None:
    with Site() as site:
        pc, unit = site.station("pc", "192.0.2.15/24"), site.station("unit", "192.0.2.60/24")
        with Terminal(pc.name, tmp_path, "eth0", *WHOLE) as terminal:
            terminal.wait_for(STARTED)
            numbers = map(str, (RATE, SECONDS, BURST))
            sender = ("ip", "netns", "exec", unit.name, sys.executable, "-c", SENDER, *numbers)
            told = subprocess.run(
                (*sender, unit.hw), check=True, capture_output=True, text=True, timeout=120
            ).stdout
            terminal.interrupt()
    sent, took = int(told.split()[0]), float(told.split()[1])
    written, lost = map(_number, re.findall(r"([\d,]+) frames?, (\S+)", terminal.text)[-1])
    facts = diagnose(tmp_path / "fast.pcapng").facts
    print(
        f"\n{sent:,} frames in {took:.1f} s ({sent / took:,.0f}/s): {written:,} written, ", end=""
    )
    print(f"{lost:,} lost ({lost / sent:.2%}), {facts.coverage.frames:,} read back")
    assert facts.coverage.frames == written
    assert facts.drops == lost
    assert written + lost >= sent


def _number(text: str) -> int:
    return 0 if text == "none" else int(text.replace(",", ""))


@pytest.mark.parametrize("seed", range(5))
def test_killed_fifty_times(seed: int, tmp_path: Path) -> None:
    killed_at_random(tmp_path, times=10, seed=seed)
