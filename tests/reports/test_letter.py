"""The letter: what to do first, with its caution, and only the questions that are open."""

from pathlib import Path

import pytest

import analyzer
from analyzer.cautions import MAKE_SAFE
from analyzer.diagnosis import Diagnosis
from analyzer.findings import RECORDING
from analyzer.linkup import Stage
from analyzer.reports.blocks import Listing
from analyzer.reports.document.another import GOOD_RECORDING, TROUBLES
from analyzer.reports.document.finding import general_cautions, main_findings
from analyzer.reports.house import House
from analyzer.reports.letter import (
    DECIDES,
    MOST_QUESTIONS,
    MOST_STEPS,
    QUESTIONS,
    STEPS,
    STEPS_FOR_ANOTHER,
    letter,
)
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
    assert text.startswith(House().greeting)
    assert text.rstrip().endswith(House().signature)


def test_first_what_happened_then_steps_then_questions() -> None:
    text = " ".join(written("two-units-one-address.pcap").split())
    parts = ("at the hardware address", "Please do this", "cannot answer these questions")
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


@pytest.mark.parametrize("name", NAMES)
def test_no_step_stands_before_its_caution_and_few_questions_are_numbered(name: str) -> None:
    """What to be careful of in all steps stands between the lead-in and the steps."""
    diagnosis = analyzer.diagnose(CAPTURES / name)
    blocks = letter([diagnosis])
    for finding in main_findings(diagnosis)[:1]:
        wanted = {*general_cautions(finding)}
        lead_in = STEPS_FOR_ANOTHER if finding.rule in TROUBLES else STEPS
        at = blocks.index(next(one for one in blocks if getattr(one, "text", "") == lead_in))
        steps = next(one for one in blocks[at:] if isinstance(one, Listing))
        above = {*blocks[at + 1 : blocks.index(steps)]}
        assert above - {MAKE_SAFE} == wanted
        steps_told = [step for one in blocks if isinstance(one, Listing) for step in one.items]
        told = (*wanted, *(one.caution for one in steps_told))
        assert blocks.count(MAKE_SAFE) == any(one.make_safe for one in told if one)
        assert list(steps.items) == finding.what_to_do[:MOST_STEPS]
    numbered = [one.items for one in blocks if isinstance(one, Listing) and one.numbered]
    texts = {question.text for question in QUESTIONS.values()}
    assert sum(step.text in texts for items in numbered for step in items) <= MOST_QUESTIONS


def test_the_machine_comes_first_then_what_parts_the_causes() -> None:
    """Of a session that breaks, the pattern in time is asked for before the lamps or the mask."""
    blocks = letter([analyzer.diagnose(CAPTURES / "idle-limit.pcap")])
    (listing,) = [
        one
        for one in blocks
        if isinstance(one, Listing) and one.items[0].text == QUESTIONS["machine"].text
    ]
    wanted = ("machine", *DECIDES["session"])
    assert [step.text for step in listing.items] == [QUESTIONS[key].text for key in wanted]


def test_the_stages_that_decide_and_their_questions_are_all_known() -> None:
    assert set(DECIDES) == {RECORDING, *Stage}
    assert all(key in QUESTIONS for keys in DECIDES.values() for key in keys)


def test_each_kind_of_proof_is_shown_before_a_repetition() -> None:
    """The silent call is among the few frames, not only three signs that the controller lives."""
    assert "the PC calls port 502." in written("port-silent.pcap.gz")


def test_a_trouble_of_several_controllers_is_explained_once() -> None:
    plant = Plant()
    pc = plant.pc()
    plant.wait(5)
    for number in range(60, 65):
        unit = plant.station(f"192.0.2.{number}")
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit)
        if number < 63:
            session.open().poll(3)
        else:
            session.syn()
            session.refuse()
    text = to_text(letter([diagnosed(ended(plant))]))
    assert text.count(STEPS) == 1
    assert "works with 192.0.2.60, 192.0.2.61 and 192.0.2.62" in text
    assert text.count(", connecting stopped") == 2


def test_few_steps_each_above_its_caution() -> None:
    diagnosis = analyzer.diagnose(CAPTURES / "sessions-taken.pcap")
    numbered = (one for one in letter([diagnosis]) if isinstance(one, Listing) and one.numbered)
    steps = next(numbered)
    assert 0 < len(steps.items) <= MOST_STEPS
    text = " ".join(to_text([steps]).split())
    risky = [step for step in steps.items if step.caution]
    assert risky
    for step in risky:
        assert f"{step.text} {step.caution}" in text


def test_no_step_is_forbidden_below_it() -> None:
    """A step may close a session; what is not to be done is what the steps do not say."""
    text = " ".join(written("sessions-taken.pcap").split())
    assert "Beyond the steps above, do not restart the controller" in text
    assert text.index("Have a session closed that nobody needs") < text.index(
        "Beyond the steps above"
    )


def asked(diagnosis: Diagnosis) -> set[str]:
    """The questions that a letter asks, by number or in passing."""
    text = " ".join(to_text(letter([diagnosis])).split())
    return {key for key, one in QUESTIONS.items() if one.text in text or one.short in text}


def working() -> Plant:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(5)
    return ended(plant)


def test_a_working_link_up_leaves_no_question_open() -> None:
    assert asked(diagnosed(working())) == set()


def test_what_the_recording_answers_is_not_asked() -> None:
    plant, pc, unit = acquainted()
    plant.ping(pc, unit.address)
    plant.bpdu(plant.station("192.0.2.5"))
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    open_ones = asked(diagnosed(octets))
    assert not open_ones & {"pings", "way", "adapters", "adapter"}
    assert {"port", "machine", "attempt"} <= open_ones


def test_the_card_for_a_good_recording_is_short_and_safe() -> None:
    """Connecting has its caution, and so has sending: a recording holds what it heard."""
    assert [step.text for step in GOOD_RECORDING if "connect once" in step.text] == [
        step.text for step in GOOD_RECORDING if step.caution
    ]
    assert sum(len(step.text.split()) for step in GOOD_RECORDING) < 120
    letter = " ".join(written("stopped-early.pcap").split())
    assert "WARNING: A program that connects" in letter
    assert "ask before it leaves the site" in letter


def test_of_a_recording_that_cannot_tell_nothing_is_sure() -> None:
    """What it lacks stands there by its name, and another one is asked for once."""
    text = " ".join(written("stopped-early.pcap").split())
    assert "What happened is sure" not in text
    assert "the recording cannot tell more: - Frame 9," in text
    assert "after the PC first asked 192.0.2.60. An answer may take" in text
    assert text.count("a new recording") == 1
    assert "To be sure" not in text
    assert text.count("does not help") == 1


@pytest.mark.parametrize("name", ["port-refused.pcap", "stopped-early.pcap"])
def test_no_colon_stands_behind_whom_it_is_about(name: str) -> None:
    assert "With the controller 192.0.2.60, " in " ".join(written(name).split())


def test_without_an_attempt_a_better_recording_is_asked_for() -> None:
    assert "a new recording" in written("no-attempt.pcap")
