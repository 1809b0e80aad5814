"""What can be read off the source: who imports whom, and that every rule is complete.

Every check is a function from source or files to a list of complaints, so that a test can also feed
it something wrong and see it complain.
"""

import ast
import importlib
import re
import sys
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import Field
from importlib.util import resolve_name
from pathlib import Path, PurePosixPath
from types import SimpleNamespace

import pytest

import rules

ROOT = Path(__file__).parents[1]
STAGES = ("recording", "link", "address", "neighbour", "route", "port", "session", "answer")

ERRORS = "analyzer.errors"
WORDS = "analyzer.words"
COLUMNS = "analyzer.columns"
RECORDS = "analyzer.inputs.records"
INPUTS = "analyzer.inputs"
ENVELOPES = "analyzer.inputs.envelopes"
OUTPUTS = "analyzer.outputs"
RECORDER = "analyzer.recorder"
CAPTURE = "analyzer.recorder.capture"
FRAMES = "analyzer.frames"
FACTS = "analyzer.facts"
SITE = "analyzer.site"
LINKUP = "analyzer.linkup"
SILENT = "analyzer.silent"
INCIDENTS = "analyzer.incidents"
CHANCE = "analyzer.chance"
COMMON = "analyzer.common"
FINDINGS = "analyzer.findings"
RULES = "rules"
CAUTIONS = "analyzer.cautions"
RULE_CAUTIONS = "rules.cautions"
EXAMPLES = "rules.examples"
PLANNING = "analyzer.planning"
TELLING = "analyzer.telling"
DIAGNOSIS = "analyzer.diagnosis"
COMPARISON = "analyzer.comparison"
TRIM = "analyzer.trim"
REPORTS = "analyzer.reports"
TRIAGE = "analyzer.triage"
PACKAGE = "analyzer"
CLI = "analyzer.cli"

BELOW_DIAGNOSIS = {
    ERRORS, WORDS, COLUMNS, RECORDS, INPUTS, FRAMES, FACTS, SITE, LINKUP, SILENT, INCIDENTS, COMMON,
    FINDINGS,
}  # fmt: skip

MAY_IMPORT: dict[str, set[str]] = {
    ERRORS: {WORDS},
    WORDS: set(),
    COLUMNS: set(),
    RECORDS: {COLUMNS, ERRORS},
    INPUTS: {INPUTS, RECORDS, COLUMNS, ERRORS},
    ENVELOPES: {INPUTS},
    OUTPUTS: {OUTPUTS, RECORDS, COLUMNS, ERRORS},
    FRAMES: {FRAMES, INPUTS, RECORDS, COLUMNS, ERRORS},
    FACTS: {FACTS, FRAMES, RECORDS, COLUMNS, ERRORS},
    SITE: {FACTS, ERRORS},
    LINKUP: {LINKUP, FACTS, SITE, ERRORS},
    SILENT: {FACTS, LINKUP},
    INCIDENTS: {FACTS, LINKUP, SILENT},
    CHANCE: set(),
    COMMON: {CHANCE, FACTS, INCIDENTS, LINKUP},
    FINDINGS: {CAUTIONS, COMMON, FACTS, LINKUP, WORDS, ERRORS},
    CAUTIONS: set(),
    RULE_CAUTIONS: {CAUTIONS},
    EXAMPLES: set(),
    **{f"{RULES}.{stage}": {FACTS, LINKUP, FINDINGS, RULE_CAUTIONS} for stage in STAGES},
    RULES: {FINDINGS, *(f"{RULES}.{stage}" for stage in STAGES)},
    TELLING: {COMMON, FINDINGS, LINKUP, WORDS},
    DIAGNOSIS: BELOW_DIAGNOSIS | {TELLING},
    PLANNING: {FACTS, LINKUP, SITE},
    COMPARISON: {DIAGNOSIS, FACTS, LINKUP},
    TRIM: BELOW_DIAGNOSIS | {DIAGNOSIS, OUTPUTS, TRIM},
    RECORDER: BELOW_DIAGNOSIS | {RECORDER, CAPTURE, OUTPUTS, DIAGNOSIS},
    CAPTURE: {RECORDS, ERRORS},
    REPORTS: {REPORTS, DIAGNOSIS, COMPARISON, TRIM, RECORDER, PLANNING, SITE, CAUTIONS, WORDS}
    | {ENVELOPES, ERRORS},
    TRIAGE: {
        TRIAGE,
        REPORTS,
        DIAGNOSIS,
        FINDINGS,
        LINKUP,
        INPUTS,
        ENVELOPES,
        RECORDS,
        OUTPUTS,
        ERRORS,
    },
    PACKAGE: BELOW_DIAGNOSIS | {DIAGNOSIS, REPORTS, RULES},
    CLI: BELOW_DIAGNOSIS
    | {CLI, ENVELOPES}
    | {DIAGNOSIS, COMPARISON, TRIM, RECORDER, CAPTURE, PLANNING, REPORTS, TRIAGE, RULES, PACKAGE}
    | {EXAMPLES, OUTPUTS},
    "analyzer.__main__": {CLI},
}
"""Each part of the house and the parts it may import. Data flows down this list, imports go up."""

RULE_STANDARD = {"bisect", "collections", "dataclasses", "ipaddress", "itertools", "typing"}
"""What a rule may use besides the facts: a rule judges, it does not compute or decode."""

POSIX_ONLY = {
    "curses", "fcntl", "grp", "posix", "pty", "pwd", "readline", "resource", "syslog", "termios",
    "tty",
}  # fmt: skip


def sources(root: Path = ROOT) -> Iterator[tuple[str, str]]:
    """Path (with /, below root) and source of every file of the two packages."""
    for package in (PACKAGE, RULES):
        for path in sorted((root / package).rglob("*.py")):
            yield path.relative_to(root).as_posix(), path.read_text(encoding="utf-8")


def imported(path: str, source: str) -> Iterator[str]:
    """Whole dotted names that a file imports, anywhere in it; `from a import b` gives a.b."""
    package = ".".join(PurePosixPath(path).parent.parts)
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Import(names):
                yield from (alias.name for alias in names)
            case ast.ImportFrom(module, names, level):
                origin = resolve_name("." * level + (module or ""), package)
                yield from (f"{origin}.{alias.name}" for alias in names)
            case ast.Call(
                ast.Name("__import__")
                | ast.Name("import_module")
                | ast.Attribute(_, "import_module"),
                [ast.Constant(str(name)), *_],
            ):
                yield name


def part_of(name: str) -> str:
    """The row of MAY_IMPORT that a dotted name falls under, "" where there is none."""
    pieces = name.split(".")
    prefixes = (".".join(pieces[:end]) for end in range(len(pieces), 0, -1))
    return next((prefix for prefix in prefixes if prefix in MAY_IMPORT), "")


def wrong_imports(path: str, source: str) -> list[str]:
    """Imports that go against the arrow, do not run everywhere, or do not belong in the part."""
    module = ".".join(PurePosixPath(path).with_suffix("").parts).removesuffix(".__init__")
    part = part_of(module)
    if part in (PACKAGE, RULES) and module != part:
        return [f"{path} has no row in MAY_IMPORT: say where it stands"]
    complaints = []
    for name in imported(path, source):
        top = name.partition(".")[0]
        if top in (PACKAGE, RULES):
            wrong = part_of(name) not in MAY_IMPORT[part]
        elif part.startswith(f"{RULES}.") and part != EXAMPLES:
            wrong = top not in RULE_STANDARD
        else:
            wrong = top in POSIX_ONLY or (top == "scapy" and part != CAPTURE)
        if wrong:
            complaints.append(f"{path} imports {name}")
    return complaints


ENDINGS = {
    "broken_by", "closing", "held_over", "is_hung", "is_open", "is_silent", "is_waiting",
    "only_reset", "server_ended", "turned_away", "turned_down", "waits_since",
}  # fmt: skip
"""What a session's facts say of its ending. The table in analyzer/linkup/tries.py judges by them;
who reads them elsewhere makes a second one."""
JUDGES_NO_ENDING = (f"{RULES}/", f"{PACKAGE}/reports/")
READS_CALLS = {f"{PACKAGE}/diagnosis.py", f"{PACKAGE}/telling.py", f"{PACKAGE}/comparison.py"}


def second_endings(path: str, source: str) -> list[str]:
    """Where a rule or a report judges by itself how a session ended."""
    if not path.startswith(JUDGES_NO_ENDING) and path not in READS_CALLS:
        return []
    read = (one for one in ast.walk(ast.parse(source)) if isinstance(one, ast.Attribute))
    return [f"{path}:{one.lineno} reads {one.attr}" for one in read if one.attr in ENDINGS]


def test_one_table_says_how_calls_end() -> None:
    assert [complaint for file in sources() for complaint in second_endings(*file)] == []


def classes() -> Iterator[type]:
    for path, _ in sources():
        module = ".".join(PurePosixPath(path).with_suffix("").parts).removesuffix(".__init__")
        yield from vars(importlib.import_module(module)).values()


def test_no_named_tuple_takes_a_description_of_a_field_for_its_default() -> None:
    """dataclasses.field means nothing there, and mypy does not mind."""
    defaults = (getattr(one, "_field_defaults", {}) for one in classes() if isinstance(one, type))
    wrong = [name for told in defaults for name, one in told.items() if isinstance(one, Field)]
    assert wrong == []


@pytest.mark.parametrize(
    ("path", "complaints"),
    [
        ("rules/port/port_silent.py", 1),
        ("analyzer/reports/text.py", 1),
        ("analyzer/diagnosis.py", 1),
        ("analyzer/linkup/tries.py", 0),
    ],
)
def test_a_second_table_is_flagged(path: str, complaints: int) -> None:
    source = "def find(linkup):\n    return [one for one in linkup.sessions if one.is_silent]"
    assert len(second_endings(path, source)) == complaints


CITES = re.compile(r"ground rule|faults\.md|design\.md|model\.md|standards\.md|\bG\d{1,2}\b", re.I)
"""Names of papers that the project does not contain."""


def test_nothing_cites_what_the_project_does_not_contain() -> None:
    own = Path(__file__).name
    files = [*ROOT.glob("*.md"), *(p for d in FOLDERS for p in sorted((ROOT / d).rglob("*.py")))]
    cited = [
        f"{path.relative_to(ROOT)}: {found.group()}"
        for path in files
        if path.name != own and (found := CITES.search(path.read_text(encoding="utf-8")))
    ]
    assert cited == []


FOLDERS = (PACKAGE, RULES, "tests", "captures")


def test_packages_hand_out_all_that_they_name() -> None:
    for name in (FACTS, LINKUP, DIAGNOSIS):
        module = importlib.import_module(name)
        assert [one for one in module.__all__ if not hasattr(module, one)] == []


DATA_ONLY = {"netaddr"}
"""Its registry file is read by analyzer/facts/makers.py; importing it would take too long."""


def third_party(files: Iterable[tuple[str, str]]) -> set[str]:
    tops = {name.partition(".")[0] for path, source in files for name in imported(path, source)}
    return tops - sys.stdlib_module_names - {PACKAGE, RULES}


def test_every_import_follows_the_arrow() -> None:
    files = list(sources())
    assert {"analyzer/cli/__init__.py", "rules/__init__.py"} <= {path for path, _ in files}
    assert [complaint for file in files for complaint in wrong_imports(*file)] == []


def test_third_party_imports_are_the_declared_dependencies() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[<>=~!\[; ]", line)[0] for line in project["dependencies"]}
    assert third_party(sources()) | DATA_ONLY == declared


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("analyzer/errors.py", "import analyzer.findings"),
        ("analyzer/words.py", "from analyzer.findings import Rule"),
        ("analyzer/inputs/pcap.py", "from analyzer.frames import Frames"),
        ("analyzer/inputs/pcap.py", "from ..frames import Frames"),
        ("analyzer/frames.py", "from analyzer import facts"),
        ("analyzer/facts/tcp/sequence.py", "from analyzer.inputs import pcap"),
        ("analyzer/facts/__init__.py", "from ..linkup import Linkup"),
        ("analyzer/linkup.py", "from analyzer import findings"),
        ("analyzer/findings.py", "import rules"),
        ("analyzer/diagnosis.py", "def late():\n    from rules import ALL"),
        ("analyzer/diagnosis.py", "import importlib\nimportlib.import_module('rules')"),
        ("analyzer/reports/text.py", "from analyzer.facts import Facts"),
        ("analyzer/reports/text.py", "import rules.link.nothing_heard"),
        ("analyzer/reports/text.py", "from analyzer import diagnose"),
        ("analyzer/__init__.py", "from analyzer.cli import main"),
        ("analyzer/unheard_of.py", ""),
        ("analyzer/cli/record.py", "import fcntl"),
        ("analyzer/cli/record.py", "from scapy.all import Ether"),
        ("rules/link/nothing_heard.py", "from analyzer.frames import Frames"),
        ("rules/link/nothing_heard.py", "from analyzer.words import times"),
        ("rules/link/nothing_heard.py", "from rules.link.link_flapping import RULE"),
        ("rules/link/nothing_heard.py", "import numpy as np"),
        ("rules/link/nothing_heard.py", "import dpkt"),
        ("rules/link/nothing_heard.py", "from pathlib import Path"),
        ("rules/nothing_heard.py", ""),
    ],
)
def test_wrong_import_is_flagged(path: str, source: str) -> None:
    assert len(wrong_imports(path, source)) == 1


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("analyzer/inputs/__init__.py", "from .pcap import read"),
        (
            "analyzer/facts/tcp/sequence.py",
            "import numpy\nfrom analyzer.inputs.records import Direction",
        ),
        ("analyzer/cli/record.py", "import click\nimport rules\nfrom analyzer.reports import text"),
        ("rules/__init__.py", "from rules.link import nothing_heard"),
        (
            "rules/link/nothing_heard.py",
            "from collections.abc import Iterator\nfrom analyzer.findings import Rule",
        ),
    ],
)
def test_right_import_is_not_flagged(path: str, source: str) -> None:
    assert wrong_imports(path, source) == []


def test_third_party_import_is_seen() -> None:
    assert third_party([("analyzer/cli/demo.py", "import json, requests.sessions")]) == {"requests"}


def rule_files(root: Path) -> dict[str, Path]:
    """Slug and path below root of every rule file."""
    paths = (path.relative_to(root) for path in sorted(root.glob("rules/*/*.py")))
    return {path.stem.replace("_", "-"): path for path in paths if path.stem != "__init__"}


def wrong_list(files: dict[str, Path], listed: Iterable[object]) -> list[str]:
    """Where the rule files and the list of rules do not match, or the list is out of order."""
    listed = list(listed)
    slugs = [rule.slug for rule in listed]
    complaints = [f"{slug} is listed, but has no file" for slug in slugs if slug not in files]
    for slug, path in files.items():
        if slugs.count(slug) != 1:
            complaints.append(f"{path.as_posix()} is listed {slugs.count(slug)} times as {slug}")
    for rule in listed:
        path = files.get(rule.slug)
        if path and rule.stage != path.parent.name:
            complaints.append(f"{rule.slug} lies in {path.parent.name} and says {rule.stage}")
        looks = [look for look in (rule.find, rule.survey) if look is not None]
        if len(looks) != 1:
            complaints.append(f"{rule.slug} has {len(looks)} of find and survey")
        elif path and looks[0].__module__ != ".".join(path.with_suffix("").parts):
            complaints.append(f"{rule.slug} takes its find from {looks[0].__module__}")
    stages = [STAGES.index(rule.stage) for rule in listed]
    if stages != sorted(stages):
        complaints.append("the list is not in the order in which a link-up is built")
    return complaints


def wrong_tests(root: Path) -> list[str]:
    """Rules without a test file, without enough innocent tests, or without a recording."""
    complaints = []
    readme = root / "captures" / "README.md"
    table = readme.read_text(encoding="utf-8") if readme.exists() else ""
    for slug, path in rule_files(root).items():
        place = f"tests/{path.parent.as_posix()}/test_{path.name}"
        if not (root / place).exists():
            complaints.append(f"{place} is missing")
            continue
        text = (root / place).read_text(encoding="utf-8")
        names = [n.name for n in ast.walk(ast.parse(text)) if isinstance(n, ast.FunctionDef)]
        found = sum(name.startswith("test_found_") for name in names)
        quiet = sum(name.startswith("test_quiet_") for name in names)
        if not 0 < found <= quiet:
            complaints.append(f"{place} has {found} fault tests and {quiet} innocent ones")
        if not re.search(rf"(?<![\w-]){slug}(?![\w-])", table + "\n" + text):
            complaints.append(f"{slug} is named neither in captures/README.md nor in {place}")
    return complaints


def test_rules_are_listed_once_in_order_under_the_names_of_their_files() -> None:
    files = rule_files(ROOT)
    assert files
    assert wrong_list(files, rules.ALL) == []


def test_every_rule_has_its_tests_and_its_recording() -> None:
    assert wrong_tests(ROOT) == []


SLUG = re.compile("[a-z]+(-[a-z]+)+")


def unknown_slugs(root: Path, known: Iterable[str]) -> list[str]:
    """What looks like the name of a rule in a test of the rules or a scene of the lab, and is none:
    that a rule which does not exist stays quiet proves nothing.
    """
    folders = ("tests/rules", "tests/lab/scenarios")
    return [
        f"{path.relative_to(root).as_posix()}:{node.lineno} {node.value}"
        for path in sorted(path for folder in folders for path in (root / folder).rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        if SLUG.fullmatch(node.value) and node.value not in known
    ]


def test_tests_name_rules_that_exist() -> None:
    assert unknown_slugs(ROOT, {rule.slug for rule in rules.ALL}) == []


def test_unknown_slugs_are_flagged(tmp_path: Path) -> None:
    test = tmp_path / "tests" / "rules" / "link" / "test_cut_cable.py"
    test.parent.mkdir(parents=True)
    test.write_text('assert "bent-pin" not in {"cut-cable", "a cut-off end"}', encoding="utf-8")
    assert unknown_slugs(tmp_path, {"cut-cable"}) == [
        "tests/rules/link/test_cut_cable.py:1 bent-pin"
    ]


def a_rule(
    slug: str = "cut-cable", stage: str = "link", module: str = "rules.link.cut_cable"
) -> SimpleNamespace:
    find = SimpleNamespace(__module__=module)
    return SimpleNamespace(slug=slug, stage=stage, find=find, survey=None)


GOOD_FILES = {"cut-cable": Path("rules/link/cut_cable.py")}
TWO_FILES = {**GOOD_FILES, "bent-pin": Path("rules/address/bent_pin.py")}
BENT_PIN = a_rule("bent-pin", "address", "rules.address.bent_pin")


@pytest.mark.parametrize(
    ("files", "listed", "complaints"),
    [
        (GOOD_FILES, [a_rule()], 0),
        (GOOD_FILES, [], 1),
        (GOOD_FILES, [a_rule(), a_rule()], 1),
        (GOOD_FILES, [a_rule(), a_rule(slug="no-file")], 1),
        (GOOD_FILES, [a_rule(stage="port")], 1),
        (GOOD_FILES, [a_rule(module="rules.link.other")], 1),
        (GOOD_FILES, [SimpleNamespace(slug="cut-cable", stage="link", find=None, survey=None)], 1),
        (TWO_FILES, [a_rule(), BENT_PIN], 0),
        (TWO_FILES, [BENT_PIN, a_rule()], 1),
    ],
)
def test_wrong_list_is_flagged(
    files: dict[str, Path], listed: list[SimpleNamespace], complaints: int
) -> None:
    assert len(wrong_list(files, listed)) == complaints


FOUND, QUIET = "def test_found_it(): ...\n", "def test_quiet_when_fine(): ...\n"


@pytest.mark.parametrize(
    ("test", "table", "complaints"),
    [
        (FOUND + QUIET, "| cut-cable |", 0),
        ('"""cut-cable"""\n' + FOUND + QUIET, "", 0),
        (None, "| cut-cable |", 1),
        (FOUND, "| cut-cable |", 1),
        (QUIET, "| cut-cable |", 1),
        (FOUND + QUIET, "| cut-cable-twice |", 1),
        (FOUND + QUIET, None, 1),
    ],
)
def test_missing_tests_are_flagged(
    tmp_path: Path, test: str | None, table: str | None, complaints: int
) -> None:
    texts = {
        "rules/link/__init__.py": "",
        "rules/link/cut_cable.py": "",
        "tests/rules/link/test_cut_cable.py": test,
        "captures/README.md": table,
    }
    for name, text in texts.items():
        if text is not None:
            (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / name).write_text(text, encoding="utf-8")
    assert len(wrong_tests(tmp_path)) == complaints


def test_rules_explain_rules_that_exist_and_never_each_other() -> None:
    explains = {rule.slug: set(rule.explains) for rule in rules.ALL}
    assert set().union(*explains.values()) <= explains.keys()
    for slug, explained in explains.items():
        assert not [other for other in explained if slug in explains[other]]
        assert slug not in explained
