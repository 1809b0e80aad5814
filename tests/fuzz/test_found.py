"""What fuzzing found stays mended, and fuzzing itself can find something. Needs no fuzzer, but for
the last tests.
"""

import importlib.util
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.fuzz import promises, seeds
from tests.fuzz.shapes import mutator, taken_apart
from tests.fuzz.targets import TARGETS, survive

FOUND = Path(__file__).parent / "found"
ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "path", sorted(FOUND.glob("*/*")), ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_what_was_found_keeps_its_promises_now(path: Path) -> None:
    survive(TARGETS[path.parent.name], path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_every_target_gets_past_its_reader(name: str) -> None:
    assert not survive(TARGETS[name], TARGETS[name].seeds()[0])
    assert all(len(seed) <= TARGETS[name].longest for seed in TARGETS[name].seeds())


@pytest.mark.parametrize(
    "one",
    [seeds.pcaps, seeds.pcapngs, seeds.gzips, seeds.zips, seeds.tars, seeds.mails, seeds.kept],
)
def test_files_are_taken_apart_and_put_together_again(one: Callable[[], list[bytes]]) -> None:
    for octets in one():
        pieces, join = taken_apart(octets)
        assert pieces
        assert taken_apart(join(pieces))[0] == pieces


def test_changed_files_are_read_beyond_their_head() -> None:
    """Most of them: the container is made to fit what was changed inside."""

    def spoil(octets: bytes, most: int) -> bytes:
        return (octets[::-1] or b"?")[:most]

    change = mutator(spoil, seeds.pcaps())
    changed = [change(seeds.pcaps()[0], 4096, number) for number in range(60)]
    assert len(set(changed)) > 40
    assert sum(not survive(TARGETS["pcap"], octets) for octets in changed) > 30


@pytest.mark.parametrize(
    ("promise", "kept", "broken"),
    [
        (promises.is_plain, "a\nb", "a\x1b[2J"),
        (promises.is_plain, "a", "\u202egnp"),
        (promises.is_terminal_text, "a" * 80, "a" * 81),
        (promises.is_page, "<p>&lt;b&gt; &#39;</p>", "<p><script></p>"),
        (promises.is_page, "<p></p>", "<p>&#8238;</p>"),
        (promises.is_json, '{"a": 1.5}', '{"a": NaN}'),
    ],
)
def test_a_broken_promise_is_noticed(
    promise: Callable[[str], object], kept: str, broken: str
) -> None:
    promise(kept)
    with pytest.raises(AssertionError):
        promise(broken)


def test_a_frame_that_is_not_in_the_recording_is_noticed() -> None:
    for frame in (0, 5):
        with pytest.raises(AssertionError, match=f"frame {frame} of 4"):
            promises.names_its_frames(4, {"evidence": [{"frame": 4}, {"frame": frame}]})


# --- the fuzzer ---------------------------------------------------------------------------------

fuzzing = pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None, reason="needs atheris: pip install -e '.[fuzz]'"
)
BREAKS = """
import sys
from tests.fuzz import __main__ as runner, targets

def breaks(octets):
    if len(octets) > 3:
        raise ZeroDivisionError

targets.TARGETS.update(breaks=targets.Target(breaks, lambda: [b"abc"]))
sys.exit(runner.main())
"""
LACKS = "import sys; sys.modules['atheris'] = None; from tests.fuzz.__main__ import main; main()"


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, capture_output=True, encoding="utf-8", check=False
    )


def test_without_the_fuzzer_it_says_so() -> None:
    told = run("-c", LACKS)
    assert told.returncode == 0
    assert told.stdout.startswith("atheris is not installed")


@fuzzing
def test_a_finding_is_kept_its_place_is_told_and_the_status_says_so(tmp_path: Path) -> None:
    told = run("-c", BREAKS, "breaks", "--into", tmp_path)
    assert told.returncode == 1
    assert "ZeroDivisionError" in told.stdout
    (kept,) = (tmp_path / "breaks").glob("crash-*")
    assert f"written to {kept}" in told.stdout
    assert len(kept.read_bytes()) > 3


@fuzzing
def test_without_a_finding_the_runs_are_counted(tmp_path: Path) -> None:
    told = run("-m", "tests.fuzz", "pcap", "--runs", "50", "--into", tmp_path)
    assert told.returncode == 0
    assert told.stdout.startswith("pcap: 50 runs, ")


@fuzzing
def test_an_unknown_target_is_told() -> None:
    told = run("-c", BREAKS, "no-such-target")
    assert told.returncode == 2
    assert "diagnosis" in told.stdout
