"""No report says what the frames of its recording contradict: a second reader recounts them all."""

import ast
import copy
import gzip
import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from analyzer.diagnosis import diagnose
from analyzer.errors import Unusable
from analyzer.inputs import open_recording
from analyzer.linkup import Told
from analyzer.reports.document import report
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from rules import ALL
from tests.lab.keep import KEPT
from tests.lab.scenarios.every import EVERY
from tests.readings.judge import FOLDER
from tests.recount.claims import contradictions, is_about
from tests.recount.reader import Recording, read
from tests.support import controller_told

CAPTURES = Path(__file__).parents[2] / "captures"
Report = tuple[dict[str, Any], str]


def told_of(path: Path, controllers: list[str]) -> Report | None:
    """The JSON and the full text of a report; None where the tool cannot use the file."""
    told = Told(controllers=tuple(controller_told(text) for text in controllers))
    try:
        one = diagnose(open_recording(io.BytesIO(path.read_bytes()), path.name), ALL, told)
    except Unusable:
        return None
    return json.loads(to_json([one])), to_text(report([one], everything=True))


def demos() -> Iterator[tuple[Path, list[str]]]:
    yield from ((path, []) for path in sorted(CAPTURES.glob("*.pcap*")))


def kept() -> Iterator[tuple[Path, list[str]]]:
    for one in EVERY.values():
        yield KEPT / one.file, []
        yield KEPT / one.file, [one.told]


def by_others() -> Iterator[tuple[Path, list[str]]]:
    yield from ((path, []) for path in sorted(FOLDER.glob("r[0-9]*")))


@pytest.mark.parametrize("recordings", [demos, kept, by_others])
def test_no_report_is_contradicted_by_its_frames(
    recordings: Callable[[], Iterator[tuple[Path, list[str]]]],
) -> None:
    found: dict[str, list[str]] = {}
    for path, told in recordings():
        said = told_of(path, told)
        problems = [] if said is None else list(contradictions(read(path), *said))
        if problems:
            found[f"{path.name} {told}"] = problems
    assert found == {}


# --- the recount can say no -----------------------------------------------------------------------

Change = Callable[[dict[str, Any]], None]


def _add(*way: str | int) -> Change:
    def change(report: dict[str, Any]) -> None:
        inner: Any = report
        for key in way[:-1]:
            inner = inner[key]
        inner[way[-1]] += 1

    return change


def _put(value: object, *way: str | int) -> Change:
    def change(report: dict[str, Any]) -> None:
        inner: Any = report
        for key in way[:-1]:
            inner = inner[key]
        inner[way[-1]] = value

    return change


LINKUP, FINDING = ("linkups", 0), ("findings", 0)
QUOTE = (*FINDING, "evidence", 0)
LIES: dict[str, Change] = {
    "frames": _add("recordings", 0, "frames"),
    "seconds": _add("recordings", 0, "seconds"),
    "frames of a station": _add("stations", 0, "frames"),
    "first frame of a station": _add("stations", 0, "first_frame"),
    "addresses of a station": _put(["192.0.2.99"], "stations", 0, "addresses"),
    "a router": _put("router", "stations", -1, "role"),
    "times": _add(*LINKUP, "timing", "tries", -1, "times"),
    "answers": _add(*LINKUP, "timing", "answers"),
    "answers of a stage": _put(
        "7 answers, typically after 4.0 ms", *LINKUP, "stages", 6, "because"
    ),
    "first": _add(*LINKUP, "timing", "tries", 0, "first"),
    "hardware": _put("00-00-5E-00-53-20", *LINKUP, "controller", "hardware_address"),
    "proof": _put(1, *LINKUP, "stages", 3, "frame"),
    "calls": _add(*FINDING, "values", "calls"),
    "quoted frame": _add(*QUOTE, "frame"),
    "quoted time": _add(*QUOTE, "seconds"),
    "no such frame": _put(9999, *QUOTE, "frame"),
    "another sentence": _put("frame 1, 0.000 s: the PC whistles", *QUOTE, "text"),
}


@pytest.fixture(scope="module")
def refused() -> tuple[Recording, dict[str, Any], str]:
    path = CAPTURES / "port-refused.pcap"
    said = told_of(path, [])
    assert said is not None
    return read(path), *said


@pytest.mark.parametrize("lie", LIES)
def test_a_lie_is_found(lie: str, refused: tuple[Recording, dict[str, Any], str]) -> None:
    recording, report, text = refused
    report = copy.deepcopy(report)
    LIES[lie](report)
    assert list(contradictions(recording, report, text))


@pytest.mark.parametrize(
    "text",
    [
        "These fit equally well: 192.0.2.15. Say so with --pc ADDRESS.",
        "0.0-1.0  Calls TCP port 4711 once",
        "0.0-1.0  Calls TCP port 502 1,000 times",
    ],
)
def test_a_lie_in_the_text_is_found(
    text: str, refused: tuple[Recording, dict[str, Any], str]
) -> None:
    recording, report, _ = refused
    assert list(contradictions(recording, report, text))


def test_durations_are_read_as_they_are_rounded() -> None:
    assert is_about("less than 1 ms", 0.0004)
    assert is_about("3.7 s", 3.66)
    assert is_about("1 min 15 s", 75.4)
    assert is_about("2 min", 120.4)
    assert is_about("1 h", 3625)
    assert not is_about("less than 1 ms", 9.0)
    assert not is_about("3.7 s", 12.6)
    assert not is_about("2 min", 125)
    assert not is_about("1 h", 3700)


def test_the_reader_reads_what_was_packed() -> None:
    path = KEPT / "controller-lost-its-address.pcapng.gz"
    whole = Recording(gzip.decompress(path.read_bytes())).all
    assert [one.number for one in whole] == list(range(1, len(whole) + 1))


def test_the_recount_shares_nothing_with_the_tool() -> None:
    for path in Path(__file__).parent.glob("*.py"):
        if path.name.startswith("test_"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [one for one in names if one.split(".")[0] in ("analyzer", "rules")]
