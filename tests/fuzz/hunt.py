"""Fuzz one target until time or runs are over: what `python -m tests.fuzz` starts for each."""

import os
import resource
import sys
import tempfile
from pathlib import Path
from random import Random

import atheris

from tests.fuzz.shapes import mutator
from tests.fuzz.targets import TARGETS, survive

HANGS = 60
"""Seconds after which an input counts as one that never ends."""
GROWTH = 64 << 10
"""KiB that one input may add to the most that was ever held: readers take blocks of 4 MiB."""
MOST_MEMORY = 2048
"""MiB of the process, the fuzzer's own records included."""
SCRATCH = tempfile.gettempdir()
NEVER = {"os.system", "socket.connect", "subprocess.Popen"}
"""Audit events of what a reader of files has no business with."""


def hunt(name: str, folder: Path, seconds: int, runs: int, choice: int) -> None:
    """Never returns: libFuzzer ends the process, with a status other than 0 for a finding."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "log").open("wb") as log:
        os.dup2(log.fileno(), 1)
        os.dup2(log.fileno(), 2)
    target = TARGETS[name]
    seeds = target.seeds()
    corpus = folder / "corpus"
    corpus.mkdir(exist_ok=True)
    chosen = Random(choice or None).sample(seeds, min(len(seeds), seconds))  # all take long
    for number, seed in enumerate(chosen):
        (corpus / f"seed-{number}").write_bytes(seed)
    survive(target, seeds[0])  # what is imported late is imported now
    sys.addaudithook(_writes_nothing)

    def one(octets: bytes) -> None:
        before = _most_memory()
        survive(target, octets)
        grown = _most_memory() - before
        assert grown < GROWTH, f"took {grown >> 10} MiB for {len(octets)} octets"

    atheris.Setup(
        [
            name,
            str(corpus),
            f"-artifact_prefix={folder}{os.sep}",
            f"-max_total_time={seconds}",
            f"-runs={runs}",
            f"-seed={choice}",
            f"-max_len={target.longest}",
            f"-timeout={HANGS}",
            f"-rss_limit_mb={MOST_MEMORY}",
        ],
        one,
        custom_mutator=mutator(lambda octets, most: atheris.Mutate(octets, most), seeds),
    )
    atheris.Fuzz()


def _most_memory() -> int:
    """The most that this process ever held, in KiB (Linux)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _writes_nothing(event: str, details: tuple[object, ...]) -> None:
    """An audit hook: nothing but scratch files is written. The fuzzer itself writes in C."""
    assert event not in NEVER, f"{event} {details}"
    if event == "open":
        path, _, flags = details
        writes = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        scratch = str(path).startswith(SCRATCH) or path == os.devnull
        assert scratch or not writes, f"opens {path!r} for writing"
