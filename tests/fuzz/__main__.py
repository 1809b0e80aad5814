"""Look for octets that break a promise: `python -m tests.fuzz [NAME...] [--seconds N] [--runs N]`.

Without names all targets take turns. What a target finds worth keeping lies in build/fuzz/NAME/,
and the next run begins with it. A finding ends with status 1, and its place is printed: bring the
file to tests/fuzz/found/NAME/ with the change that mends it.
"""

import argparse
import importlib.util
import os
import re
import sys
from contextlib import redirect_stderr
from io import StringIO
from pathlib import Path

PLACE = Path(__file__).parents[2] / "build" / "fuzz"
LACKING = "atheris is not installed, so nothing is fuzzed: pip install -e '.[fuzz]' (Linux only)."
DONE = re.compile(r"#(\d+)\s+DONE\s+cov: (\d+) ft: \d+ corp: (\d+)")
"""The last line of libFuzzer's log."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("names", metavar="NAME", nargs="*", help="a target; all without")
    parser.add_argument("--seconds", type=int, default=60, help="for all targets together")
    parser.add_argument("--runs", type=int, default=-1, help="of each target at most")
    parser.add_argument("--seed", type=int, default=0, help="the same choices again; 0: any")
    parser.add_argument("--into", type=Path, default=PLACE, help="where inputs are kept")
    options = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print(LACKING)
        return 0
    import atheris

    with redirect_stderr(StringIO()), atheris.instrument_imports(include=["analyzer", "rules"]):
        from tests.fuzz.hunt import hunt
        from tests.fuzz.targets import TARGETS

    names = options.names or list(TARGETS)
    if unknown := set(names) - set(TARGETS):
        print("no target of that name:", *unknown, "- there are", *TARGETS)
        return 2
    shares = sum(TARGETS[name].share for name in names)
    sound = True
    for name in names:
        seconds = max(1, options.seconds * TARGETS[name].share // shares)
        folder = options.into / name
        child = os.fork()
        if not child:
            hunt(name, folder, seconds, options.runs, options.seed)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        sound &= _told(name, status, (folder / "log").read_text("utf-8", "replace"))
    return 0 if sound else 1


def _told(name: str, status: int, log: str) -> bool:
    """Say what came of a target; False for a finding."""
    done = DONE.search(log)
    if status == 0 and done:
        runs, branches, kept = map(int, done.groups())
        print(f"{name}: {runs:,} runs, {branches:,} branches seen, {kept} inputs kept", flush=True)
        return True
    print(*(line for line in log.splitlines() if not re.match(r"#\d|INFO|WARNING", line)), sep="\n")
    print(f"{name}: FOUND, as above (status {status})", flush=True)
    return False


if __name__ == "__main__":
    sys.exit(main())
