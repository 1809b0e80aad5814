"""The letter: what to do first, with its caution, and only the questions that are open."""

from pathlib import Path

import pytest

import analyzer
from analyzer.diagnosis import Diagnosis
from analyzer.reports.blocks import Listing
from analyzer.reports.letter import FAREWELL, GREETING, MOST_STEPS, QUESTIONS, letter
from analyzer.reports.to_text import to_text
from captures.plant import Plant
from tests.support import acquainted, diagnosed, ended

CAPTURES = Path(__file__).parents[2] / "captures"
NAMES = sorted(path.name for path in CAPTURES.iterdir() if ".pcap" in path.name)


def written(name: str) -> str:
    return to_text(letter([analyzer.diagnose(CAPTURES / name)]))


@pytest.mark.parametrize("name", NAMES)
def test_every_letter_fits_a_mail(name: str) -> None:
    text = written(name)
    assert text.isascii()
    assert all(len(line) <= 80 for line in text.split("\n"))
    assert "(text=" not in text
    assert text.startswith(GREETING)
    assert text.rstrip().endswith(FAREWELL)


def test_first_what_happened_then_steps_then_questions() -> None:
    text = written("two-units-one-address.pcap")
    parts = ("Link up" in text, text.index("broke at stage 3"), text.index("Please do this"))
    assert parts[1] < parts[2] < text.index("cannot answer these questions")


def test_few_steps_each_below_its_caution() -> None:
    diagnosis = analyzer.diagnose(CAPTURES / "two-units-one-address.pcap")
    steps = next(one for one in letter([diagnosis]) if isinstance(one, Listing))
    assert 0 < len(steps.items) <= MOST_STEPS
    text = to_text([steps])
    for step in steps.items:
        if step.caution:
            assert text.index("CAUTION") < text.index(step.text.split()[0])


def asked(diagnosis: Diagnosis) -> set[str]:
    listings = [one for one in letter([diagnosis]) if isinstance(one, Listing)]
    texts = {question.text for question in QUESTIONS}
    return {step.text for one in listings for step in one.items} & texts


def working() -> Plant:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(5)
    return ended(plant)


def question(words: str) -> str:
    (found,) = [one.text for one in QUESTIONS if words in one.text]
    return found


def test_a_working_link_up_leaves_few_questions_open() -> None:
    few, all_of_them = asked(diagnosed(working())), {one.text for one in QUESTIONS}
    assert few < all_of_them
    assert question("Does it always fail") not in few


def test_what_the_recording_answers_is_not_asked() -> None:
    plant, pc, unit = acquainted()
    plant.ping(pc, unit.address)
    plant.bpdu(plant.station("192.0.2.5"))
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    open_ones = asked(diagnosed(octets))
    for answered in ("ten pings", "What lies between", "every adapter", "On which adapter"):
        assert question(answered) not in open_ones
    assert question("Which port") in open_ones


def test_without_an_attempt_a_better_recording_is_asked_for() -> None:
    assert "a new recording" in written("no-attempt.pcap")
