"""What the tests of the rules do not see: `python -m tests.mutations [PATH...] [--most N]`.

One thing at a time is changed in the logic of a rule: all of its file but the texts. Then the tests
of that rule run, and where they all pass, its kept scenes of the lab and the healthy ones. A change
that nobody sees is printed: a test is missing there, or the code is not needed, or the change makes
no difference (`<` for `<=` between two times). Two processes work, on systems that can fork, and no
file is written. What takes much longer than without a change is ended and counts as seen. All rules
take hours; `--most 300` looks at so many changes, drawn at random.
"""

import argparse
import os
import random
import resource
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import CodeType
from typing import NoReturn

import pytest
from tabulate import tabulate

import tests.lab.crafted
import tests.lab.lab  # noqa: F401  once, before the forks: all that is slow, and no rule
from tests.mutations.changes import ROOT, Mutant, mutants_of

RULES = ROOT / "rules"
SCENES = ""
"""Instead of a path to tests: the scenes."""
AT_ONCE = 2
"""Forks at a time."""
PATIENCE, AT_LEAST = 5, 5
"""A fork may take so many times as long as without a change, and as many seconds more."""
MEMORY = 4 << 30
"""Octets of address space of a fork: an endless list ends there."""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """Tests to run, with a change or without one, and the processor seconds that they may take.

    tests: a path, or nothing for the scenes of the rule, or of all rules where none is changed.
    """

    tests: str
    mutant: Mutant | None = None
    limit: int = 600

    def end(self) -> NoReturn:
        """Run, and end this process: with 0 where the tests pass."""
        status = 1
        try:
            status = self._status()
        finally:
            os._exit(status)

    def _status(self) -> int:
        resource.setrlimit(resource.RLIMIT_CPU, (self.limit, self.limit))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        silent = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silent, 1)
        os.dup2(silent, 2)
        if self.mutant is not None:
            _install(self.mutant)
        if not self.tests:
            _judge_scenes(self.mutant and self.mutant.file)
            return 0
        options = ["-x", "-q", "-p", "no:cacheprovider", "--tb=no", "--assert=plain"]
        return pytest.main([*options, self.tests])


def _install(mutant: Mutant) -> None:
    """Have the changed code imported instead of what is in the file."""
    module, code = ".".join(mutant.file.relative_to(ROOT).with_suffix("").parts), mutant.code()
    found = SourceFileLoader.get_code

    def get_code(self: SourceFileLoader, name: str) -> CodeType | None:
        return code if name == module else found(self, name)

    SourceFileLoader.get_code = get_code


def _judge_scenes(file: Path | None) -> None:
    """Judge the kept scenes of the rule in a file, or of all, and those where all is well."""
    from rules import ALL
    from tests.lab.judging import judge
    from tests.lab.keep import KEPT
    from tests.lab.scenarios.every import EVERY

    slug = file and file.stem.replace("_", "-")
    every = slug not in {rule.slug for rule in ALL}
    for one in EVERY.values():
        if every or slug in (one.fault, *one.also) or one.fault is None:
            for told in (False, True):
                judge((KEPT / one.file).read_bytes(), one, told)


def passed(runs: Sequence[Run]) -> dict[Run, float | None]:
    """Processor seconds of each run that passed, None for the others; a fork for each."""
    waiting, running, results = list(reversed(runs)), {}, {}
    while waiting or running:
        while waiting and len(running) < AT_ONCE:
            run = waiting.pop()
            pid = os.fork()
            if pid == 0:
                run.end()
            running[pid] = run
        pid, status, used = os.wait4(-1, 0)
        results[running.pop(pid)] = None if status else used.ru_utime + used.ru_stime
    return results


def _tests_of(file: Path) -> str:
    """The rule's own tests; those of the folder for code that rules share."""
    folder = ROOT / "tests" / "rules" / file.parent.relative_to(RULES)
    own = folder / f"test_{file.name}"
    return str(own if own.exists() else folder)


def survivors(mutants: Sequence[Mutant]) -> tuple[list[Mutant], list[Mutant]]:
    """Those that the tests of their rules let pass, and of these what the scenes let pass too."""
    tests = {one.file: _tests_of(one.file) for one in mutants}
    whole = passed([Run(each) for each in {SCENES, *tests.values()}])
    if failing := [run.tests or "the scenes" for run, used in whole.items() if used is None]:
        sys.exit(f"without any change there fails: {', '.join(failing)}")
    limits = {run.tests: round(AT_LEAST + PATIENCE * (used or 0)) for run, used in whole.items()}

    def survived(runs: Sequence[tuple[str, Mutant]]) -> list[Mutant]:
        used = passed(forks := [Run(tests, one, limits[tests]) for tests, one in runs])
        return [one.mutant for one in forks if used[one] is not None and one.mutant is not None]

    own = survived([(tests[one.file], one) for one in mutants])
    return own, survived([(SCENES, one) for one in own])


def _row(name: str, counts: Sequence[int]) -> tuple[object, ...]:
    made, own, left = counts
    return name, made, made - own, own - left, left, f"{100 * (made - left) / max(made, 1):.0f} %"


HEADER = ("File", "Changes", "Seen by its tests", "By scenes only", "Not seen", "Seen")


def report(groups: tuple[Sequence[Mutant], Sequence[Mutant], Sequence[Mutant]]) -> None:
    """Print what was not seen, and the shares by file; groups: all, then as `survivors` has it."""
    made, own, left = groups
    for mutant in own:
        print(f"{mutant}{'' if mutant in left else '  (seen by scenes only)'}")
    files = dict.fromkeys(one.file for one in made)
    rows = [
        _row(file.relative_to(ROOT).as_posix(), [sum(m.file == file for m in g) for g in groups])
        for file in files
    ]
    print(f"\n{tabulate([*rows, _row('all', list(map(len, groups)))], HEADER, tablefmt='simple')}")


def _files(paths: Iterable[Path]) -> list[Path]:
    found = {one for path in paths for one in ([path] if path.is_file() else path.rglob("*.py"))}
    return sorted(one.resolve() for one in found if one.name != "__init__.py")


def main() -> int:
    """Change, test, report."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutations")
    parser.add_argument("paths", nargs="*", type=Path, default=[RULES], metavar="PATH")
    parser.add_argument("--most", type=int, help="draw so many changes at random")
    parser.add_argument("--seed", type=int, default=1, help="of the drawing")
    given = parser.parse_args()
    began = time.monotonic()
    mutants = [one for file in _files(given.paths) for one in mutants_of(file)]
    if given.most is not None and given.most < len(mutants):
        drawn = random.Random(given.seed).sample(range(len(mutants)), given.most)
        mutants = [mutants[place] for place in sorted(drawn)]
    os.chdir(ROOT)
    report((mutants, *survivors(mutants)))
    print(f"\n{len(mutants)} changes in {time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
