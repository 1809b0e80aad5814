"""The text report: fits a terminal, says first what happened, keeps foreign text harmless."""

from itertools import takewhile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tabulate import tabulate

import analyzer
from analyzer.cautions import MAKE_SAFE, RESTART, UNPLUG, notice
from analyzer.findings import Step
from analyzer.reports.blocks import Heading, Listing, Paragraph, Table, safely
from analyzer.reports.document import report
from analyzer.reports.explain import explanation, rule_list
from analyzer.reports.to_text import to_text
from captures.plant import Plant
from rules import ALL
from rules.examples import examples
from tests.support import diagnosed

CAPTURES = sorted(
    path for path in (Path(__file__).parents[2] / "captures").iterdir() if ".pcap" in path.name
)


def fits(text: str) -> bool:
    """80 columns and plain printable ASCII."""
    lines = text.split("\n")
    return all(len(line) <= 80 for line in lines) and text.isascii() and "\x1b" not in text


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
@pytest.mark.parametrize("everything", [False, True])
def test_every_report_fits_a_terminal(path: Path, everything: bool) -> None:
    """No line of any report is wider than a terminal, in full or in short."""
    assert fits(to_text(report([analyzer.diagnose(path)], everything)))


WORDS = st.lists(st.sampled_from(["a", "of", "192.0.2.60", "controller"]), min_size=1, max_size=12)
CELLS = WORDS.map(" ".join)


@given(st.integers(1, 3).flatmap(lambda n: st.lists(st.tuples(*[CELLS] * n), min_size=1)))
def test_tables_are_those_of_a_library_for_tables(table: list[tuple[str, ...]]) -> None:
    """The same text as tabulate makes of cells whose lines are as long as they came out here."""
    header, *rows = [[cell[:20].strip() for cell in line] for line in table]
    short = [[cell[:15].strip() for cell in row] for row in rows]
    lines = tabulate(short, header, tablefmt="simple", disable_numparse=True).split("\n")
    assert to_text([Table(header, short)]) == "".join(f"{line.rstrip()}\n" for line in lines)


def test_rule_texts_fit_a_terminal() -> None:
    """The list of rules and every explanation."""
    known = examples()
    assert fits(to_text(rule_list(ALL, known)))
    assert all(fits(to_text(explanation(rule, known.get(rule.slug, {})))) for rule in ALL)


def test_the_verdict_comes_first() -> None:
    """Sentence, stages, finding, evidence, steps: in this order."""
    path = next(path for path in CAPTURES if path.name.startswith("nobody"))
    text = to_text(report([analyzer.diagnose(path)]))
    parts = (
        "Connecting stopped at the hardware address",
        "FAILED",
        "Why we think so",
        "What to do",
        "Stations",
    )
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_a_caution_stands_below_its_step() -> None:
    """The action comes first, beside its number; what to be careful of comes right below."""
    listing = Listing([Step("first"), Step("second", notice("take care"))], numbered=True)
    lines = to_text([listing]).split("\n")
    assert lines.index("     NOTICE: take care") == lines.index("  2. second") + 1


def test_how_to_make_a_machine_safe_is_said_once_above_the_first_that_needs_it() -> None:
    risky = Listing([Step("pull", UNPLUG)])
    blocks = [Listing([Step("look"), Step("note", notice("it stays"))]), risky, risky, RESTART]
    assert list(safely(blocks)) == [blocks[0], MAKE_SAFE, risky, risky, RESTART]
    assert list(safely(blocks[:1])) == blocks[:1]
    assert list(safely([RESTART, risky])) == [MAKE_SAFE, RESTART, risky]


def test_a_caution_about_all_steps_stands_right_above_the_first() -> None:
    path = next(path for path in CAPTURES if path.name.startswith("late-answer"))
    lines = to_text(report([analyzer.diagnose(path)])).split("\n")
    at = lines.index("What to do")
    assert lines[at + 1].startswith("WARNING: ")
    above = list(takewhile(lambda line: not line.startswith("  1. "), lines[at + 1 :]))
    assert "" not in above


def test_narrow_tables_keep_their_width() -> None:
    """Only a table that is too wide is wrapped, and digits with commas stay text."""
    table = Table(("Name", "Number"), [("a", "217,462"), ("b", "7")])
    assert "217,462" in to_text([table])
    wide = Table(("A", "B"), [("word " * 30, "word " * 30)])
    assert fits(to_text([wide]))


def test_blocks_are_parted_by_one_empty_line() -> None:
    """A heading belongs to what follows it."""
    text = to_text([Heading("Title", 1), Paragraph("One."), Paragraph("Two.")])
    assert text == "Title\n=====\nOne.\n\nTwo.\n"


def ten_controllers() -> Plant:
    """Two do not answer ARP, two refuse the port, six work."""
    plant = Plant()
    pc = plant.pc()
    plant.wait(3)
    for number in range(60, 70):
        unit = plant.station(f"192.0.2.{number}")
        if number in (62, 66):
            for _ in range(3):
                plant.ask(pc, unit.address, after=1.0)
            continue
        plant.resolve(pc, unit)
        if number in (64, 67):
            session = plant.tcp(pc, unit)
            session.syn(after=1.0)
            session.refuse()
            continue
        plant.tcp(pc, unit).open(after=1.0).poll(3)
    plant.wait(8)
    plant.chatter()
    return plant


ALL_TEN = tuple(f"192.0.2.{number}" for number in range(60, 70))


def test_several_link_ups_stay_readable() -> None:
    """Ten controllers: one table of all, worst first, and the first of each trouble in full."""
    diagnosis = diagnosed(ten_controllers(), ALL_TEN)
    text = to_text(report([diagnosis]))
    assert fits(text)
    lines = text.split("\n")
    assert "10 controllers: 6 complete and 4 stopped" in lines
    assert text.count("Connecting stopped at the") == 2
    assert len(lines) < 214
    begin = lines.index("10 controllers: 6 complete and 4 stopped") + 4
    table = lines[begin : lines.index("", begin)]
    stopped = [f"192.0.2.{number}" for number in (62, 64, 66, 67)]
    works = [one for one in ALL_TEN if one not in stopped]
    assert [line.split()[0] for line in table if line[0] != " "] == stopped + works


def test_with_all_every_link_up_is_told_and_a_trouble_explained_once() -> None:
    diagnosis = diagnosed(ten_controllers(), ALL_TEN)
    text = to_text(report([diagnosis], everything=True))
    assert fits(text)
    assert text.count("Connecting stopped at the") == 4
    assert text.count("The connection works") == 6
    assert text.count("What to do") == 2


def test_what_the_pc_tried_is_told_with_its_end() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(3)
    plant.resolve(pc, unit)
    for _ in range(4):
        session = plant.tcp(pc, unit)
        session.syn(after=1.0)
        session.refuse()
    plant.ping(pc, unit.address)
    plant.wait(8)
    plant.chatter()
    text = to_text(report([diagnosed(plant)]))
    rows = [line for line in text.split("\n") if "Calls TCP port 502 4 times" in line]
    assert len(rows) == 1
    assert rows[0].endswith("turned down")
    assert any("Pings once" in line and line.endswith("no answer") for line in text.split("\n"))


def test_names_from_outside_are_harmless() -> None:
    """Escape sequences, right-to-left marks and line feeds in a file name are written out."""
    plant = Plant()
    plant.probe(plant.pc())
    diagnosis = diagnosed(plant)
    diagnosis.facts.file = "x\x1b[31m\u202ey\nz.pcap"
    text = to_text(report([diagnosis]))
    assert fits(text)
    assert text.startswith('"x\\x1b[31m\\u202ey z.pcap"\n')


def test_comments_from_outside_are_harmless() -> None:
    """A comment in the file is shown, and cannot steer the terminal."""
    plant = Plant()
    plant.probe(plant.pc())
    diagnosis = diagnosed(plant)
    diagnosis.facts.comments = ["look\x1b[2J here\n=====\u202e"]
    text = to_text(report([diagnosis]))
    assert fits(text)
    assert (
        "1 comment in the file, by whoever made it:\n\n> look\\x1b[2J here =====\\u202e\n" in text
    )
