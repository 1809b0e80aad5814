"""How sure a silence is: repeats, time, and what weakens it."""

import pytest

from analyzer.diagnosis import FAULT, Diagnosis
from analyzer.facts import Moment
from analyzer.linkup import Silence, silence_of
from captures.plant import Plant
from tests.support import TOLD, begun, diagnosed, ended, lead, slugs


@pytest.mark.parametrize(
    ("tries", "listened", "is_evidence", "is_sure"),
    [
        (1, 4.9, False, False),
        (1, 5.0, True, False),
        (2, 4.9, False, False),
        (2, 60.0, True, False),
        (3, 2.0, True, False),
        (3, 5.0, True, True),
    ],
)
def test_repeats_and_time_are_evidence_and_both_are_proof(
    tries: int, listened: float, is_evidence: bool, is_sure: bool
) -> None:
    silence = Silence(Moment(1, 0.0), Moment(2, 1.0), tries, listened)
    assert (silence.is_evidence, silence.is_sure) == (is_evidence, is_sure)


@pytest.mark.parametrize(("span", "repeated"), [(0.0, False), (0.49, False), (0.5, True)])
def test_several_tries_at_once_are_one(span: float, repeated: bool) -> None:
    """Nobody has waited for an answer in between."""
    short, long = (Silence(Moment(1, 0.0), Moment(9, span), 9, end) for end in (2.0, 60.0))
    assert (short.is_evidence, long.is_evidence) == (repeated, True)
    assert (short.is_sure, long.is_sure) == (False, repeated)


def test_what_is_known_to_have_arrived_needs_no_repeat() -> None:
    silence = Silence(Moment(1, 0.0), Moment(1, 0.0), 1, 5.0, arrived=True)
    assert silence.is_sure


def test_doubts_take_the_proof_and_not_the_evidence() -> None:
    silence = Silence(Moment(1, 0.0), Moment(2, 1.0), 3, 60.0, doubts=("lost",))
    assert silence.is_evidence
    assert not silence.is_sure


def test_who_cannot_hear_has_no_evidence() -> None:
    assert not Silence(Moment(1, 0.0), Moment(2, 1.0), 9, 60.0, deaf=True).is_evidence


def test_no_try_is_no_silence() -> None:
    assert silence_of(diagnosed(begun()[0]).facts, []) is None


def asked(times: int, every: float, behind: float) -> Diagnosis:
    """The PC asks for the controller and nothing else is in the file."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    for _ in range(times):
        plant.ask(pc, unit, times=1)
        plant.wait(every)
    plant.wait(behind - every)
    return diagnosed(plant, TOLD)


def test_nine_questions_in_eight_seconds_are_told() -> None:
    diagnosis = asked(9, 1.0, 0.0)
    assert lead(diagnosis) in ("unanswered-arp", "nothing-heard")
    assert diagnosis.status == FAULT


def test_one_question_at_the_end_cannot_be_told() -> None:
    diagnosis = asked(1, 2.0, 2.0)
    assert lead(diagnosis) is None
    assert diagnosis.status != FAULT


def test_four_calls_in_seven_seconds_are_told() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1.0, 2.0, 4.0))
    diagnosis = diagnosed(plant, TOLD)
    assert lead(diagnosis) == "port-silent"
    assert diagnosis.status == FAULT


def test_one_call_at_the_end_cannot_be_told() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn()
    assert lead(diagnosed(ended(plant, 2.0), TOLD)) is None


def test_the_advice_to_record_longer_stands_beneath_the_fault() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1.0, 2.0))
    found = slugs(diagnosed(plant, TOLD))
    assert found[0] == "port-silent"
    assert "stopped-early" in found[1:]
