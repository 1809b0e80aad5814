"""A day at 1,000 frames a second, through a pipe: `pytest tests/benchmarks/test_day.py -s`.

Takes some ten minutes. Prints what it measured, and asserts no time.
"""

import json
import subprocess
import sys

MILLION, DAY = 1_000_000, 86_400_000
RUN = """
import resource, subprocess, sys
made = subprocess.Popen([sys.executable, "-m", "tests.benchmarks.day", sys.argv[1]], stdout=-1)
command = [sys.executable, "-m", "analyzer", "-", "--controller", "192.0.2.60", "--format", "json"]
told = subprocess.run(command, stdin=made.stdout, stdout=-1).stdout
used = resource.getrusage(resource.RUSAGE_CHILDREN)
sys.stderr.write(f"{used.ru_utime + used.ru_stime:.1f} {used.ru_maxrss / 1024:.0f}")
sys.stdout.buffer.write(told)
made.wait()
"""


def _run(frames: int) -> tuple[float, float]:
    """Processor seconds of the whole command and its peak memory in MiB."""
    command = [sys.executable, "-c", RUN, str(frames)]
    done = subprocess.run(command, capture_output=True, check=True)
    told = json.loads(done.stdout)
    (recording,), (linkup,) = told["recordings"], told["linkups"]
    incidents = linkup["incidents"]
    (found,) = incidents["in_common"]["found"]
    assert recording["frames"] >= frames
    assert (incidents["count"], found["what"], found["breaks"]) == (11, "request", [11, 11])
    processor, peak = map(float, done.stderr.split())
    print(f"{frames:>12,} frames: {processor:7.1f} s of processor, {peak:5.0f} MiB")
    return processor, peak


def test_a_day_takes_the_memory_of_a_quarter_of_an_hour() -> None:
    print()
    least = _run(MILLION)
    _run(10 * MILLION)
    most = _run(DAY)
    assert most[1] <= 1.1 * least[1]
    assert most[0] <= 1.2 * least[0] * DAY / MILLION
