"""The text report: fits a terminal, says first what happened, keeps foreign text harmless."""

from pathlib import Path

import pytest

import analyzer
from analyzer.findings import Step
from analyzer.reports.document import Heading, Listing, Paragraph, Table, report
from analyzer.reports.explain import explanation, rule_list
from analyzer.reports.to_text import to_text
from captures.plant import Plant, modbus_answer, modbus_read
from rules import ALL
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


def test_rule_texts_fit_a_terminal() -> None:
    """The list of rules and every explanation."""
    assert fits(to_text(rule_list(ALL)))
    assert all(fits(to_text(explanation(rule))) for rule in ALL)


def test_the_verdict_comes_first() -> None:
    """Sentence, stages, finding, evidence, steps: in this order."""
    path = next(path for path in CAPTURES if path.name.startswith("nobody"))
    text = to_text(report([analyzer.diagnose(path)]))
    parts = ("Link-up stopped at stage 3", "FAILED", "Why we think so", "What to do", "Stations")
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_a_caution_stands_above_its_step() -> None:
    """The reader meets the caution before the step that needs it."""
    listing = Listing([Step("first"), Step("second", "take care")], numbered=True)
    lines = to_text([listing]).split("\n")
    assert lines.index("  2. CAUTION: take care") == lines.index("     second") - 1


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


def test_several_link_ups_stay_readable() -> None:
    """Ten controllers: ten stage tables, one after the other, and each in the list once."""
    plant = Plant()
    pc = plant.pc()
    for number in range(60, 70):
        unit = plant.station(f"192.0.2.{number}")
        plant.resolve(pc, unit)
        plant.wait(1)
        session = plant.tcp(pc, unit).open()
        session.exchange(modbus_read(1), modbus_answer(1))
    plant.wait(8)
    text = to_text(report([diagnosed(plant)]))
    assert fits(text)
    assert text.count("The link-up works") == 10


def test_names_from_outside_are_harmless() -> None:
    """Escape sequences, right-to-left marks and line feeds in a file name are written out."""
    plant = Plant()
    plant.probe(plant.pc())
    diagnosis = diagnosed(plant)
    diagnosis.facts.file = "x\x1b[31m\u202ey\nz.pcap"
    text = to_text(report([diagnosis]))
    assert fits(text)
    assert text.startswith("x\\x1b[31m\\u202ey\\nz.pcap\n")


def test_comments_from_outside_are_harmless() -> None:
    """A comment in the file is shown, and cannot steer the terminal."""
    plant = Plant()
    plant.probe(plant.pc())
    diagnosis = diagnosed(plant)
    diagnosis.facts.comments = ["look\x1b[2J here\n=====\u202e"]
    text = to_text(report([diagnosis]))
    assert fits(text)
    assert "A comment in the file says: look\\x1b[2J" in text
