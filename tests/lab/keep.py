"""Make the lab's recordings anew: `python -m tests.lab.keep [NAME...]`, as root.

Without names every scenario is acted on the real network stacks of this kernel and its recording is
put into tests/lab/kept/; with names only those are. It takes about two minutes on two cores.
Afterwards run `pytest tests/lab/test_kept.py`.
"""

import sys
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from tests.lab.lab import Scenario
from tests.lab.network import lacking
from tests.lab.scenarios.every import EVERY

KEPT = Path(__file__).parent / "kept"
AT_ONCE = 16
"""Scenarios acted side by side: they mostly wait."""


@contextmanager
def acted(scenarios: Iterable[Scenario]) -> Iterator[dict[str, Future[bytes]]]:
    """Name -> the recording to come of every scenario."""
    pool = ThreadPoolExecutor(AT_ONCE)
    try:
        yield {one.name: pool.submit(one.make) for one in scenarios}
    finally:
        pool.shutdown(cancel_futures=True)


def main(names: list[str]) -> int:
    """Write the recordings; 1 where a scenario broke or a name is unknown."""
    if reason := lacking():
        print(reason)
        return 1
    if unknown := [name for name in names if name not in EVERY]:
        print("no scenario of that name:", *unknown)
        return 1
    wanted = [EVERY[name] for name in names] if names else list(EVERY.values())
    KEPT.mkdir(exist_ok=True)
    began, broken = time.monotonic(), 0
    with acted(wanted) as recordings:
        for one in wanted:
            broken += not _kept(one, recordings[one.name])
    print(f"{len(wanted)} scenarios in {time.monotonic() - began:.0f} s, {broken} broken")
    return int(broken > 0)


def _kept(scenario: Scenario, recording: Future[bytes]) -> bool:
    if problem := recording.exception():
        print(f"{scenario.name}: {problem!r}")
        return False
    octets = recording.result()
    (KEPT / scenario.file).write_bytes(octets)
    print(f"{scenario.name}: {len(octets)} octets")
    return True


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
