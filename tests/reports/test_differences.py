"""Where a recording and a site sheet differ."""

import pytest

from analyzer.diagnosis import Diagnosis
from analyzer.reports.differences import differences
from analyzer.reports.document import report
from analyzer.reports.letter import QUESTIONS, letter
from analyzer.reports.to_text import to_text
from captures.plant import Plant
from tests.support import a_sheet, acquainted, diagnosed, ended, labelled


def healthy() -> Plant:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    plant.tcp(plant.station("192.0.2.30"), unit).open().poll(1)
    return ended(plant)


def told(diagnosis: Diagnosis) -> list[str]:
    (outcome,) = diagnosis.outcomes
    return differences(outcome.linkup)


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (a_sheet().replace("192.0.2.15", "192.0.2.16"), "in the site sheet it has 192.0.2.16"),
        (labelled("00-00-5E-00-53-61"), "has 00-00-5E-00-53-61"),
        (a_sheet('others = ["panel"]'), "192.0.2.30 talked to 192.0.2.60 too"),
    ],
)
def test_what_differs_is_told(sheet: str, words: str) -> None:
    diagnosis = diagnosed(healthy(), sheet=sheet)
    (sentence,) = told(diagnosis)
    assert words in sentence
    assert words in " ".join(to_text(report([diagnosis])).split())


def test_a_recorded_mask_counts_before_the_sheet_and_is_told() -> None:
    octets = healthy().pcapng(hw="00:00:5e:00:53:15", address="192.0.2.15/25")
    diagnosis = diagnosed(octets, sheet=a_sheet())
    assert str(diagnosis.outcomes[0].linkup.mask) == "255.255.255.128"
    (sentence,) = told(diagnosis)
    assert "255.255.255.128; in the site sheet it is 255.255.255.0" in sentence


@pytest.mark.parametrize("sheet", ["", labelled(), a_sheet('others = ["192.0.2.30"]'), a_sheet()])
def test_nothing_is_told_where_both_agree(sheet: str) -> None:
    diagnosis = diagnosed(healthy(), sheet=sheet)
    assert told(diagnosis) == []
    assert "Unlike" not in to_text(report([diagnosis]))


def test_a_letter_does_not_ask_what_the_sheet_says() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    ended(plant)
    known = 'mask = "255.255.255.0"\nhardware_address = "00-00-5E-00-53-60"\ntransport = "tcp"'
    without = " ".join(to_text(letter([diagnosed(plant)])).split())
    with_sheet = " ".join(to_text(letter([diagnosed(plant, sheet=a_sheet(known))])).split())
    for key in ("adapters", "label", "port"):
        texts = (QUESTIONS[key].text, QUESTIONS[key].short)
        assert any(text in without for text in texts)
        assert not any(text in with_sheet for text in texts)
