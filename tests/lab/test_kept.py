"""The lab's kept recordings, made on real network stacks: every one is diagnosed everywhere."""

import pytest

from analyzer.common import FEWEST, Factor
from analyzer.silent import Silent
from rules import ALL
from tests.lab.judging import frames, judge, outcome, without_directions
from tests.lab.keep import KEPT
from tests.lab.lab import Scenario
from tests.lab.scenarios.every import EVERY
from tests.lab.scenarios.repeated import COMMON
from tests.support import diagnosed

MOST_OCTETS = 60_000
SLEPT = {"pc-sleeps": (0, 1), "pc-rests-and-others-are-heard": (1, 0)}
"""Breaks counted, and those not counted as the PC slept."""
FOR_DOCUMENTATION = bytes.fromhex("00005e0053")
"""Hardware addresses 00-00-5E-00-53-00 to -FF (RFC 9542 section 2.1.4)."""
NONE = bytes(5)
"""Those of the loopback interface are zero."""


@pytest.mark.parametrize("told", [False, True], ids=["not told", "told"])
@pytest.mark.parametrize("scenario", EVERY.values(), ids=EVERY)
def test_kept_recording_gives_what_was_done(scenario: Scenario, told: bool) -> None:
    judge((KEPT / scenario.file).read_bytes(), scenario, told)


@pytest.mark.parametrize("scenario", EVERY.values(), ids=EVERY)
def test_marks_of_direction_are_not_needed(scenario: Scenario) -> None:
    """The PC is found by what it sends, and the same fault leads."""
    kept = (KEPT / scenario.file).read_bytes()
    assert outcome(without_directions(kept), scenario)[0] == outcome(kept, scenario)[0]


@pytest.mark.parametrize("told", [False, True], ids=["not told", "told"])
@pytest.mark.parametrize("name", COMMON)
def test_breaks_have_in_common_what_was_done(name: str, told: bool) -> None:
    """What leads is what was done; beside it nothing else is claimed."""
    one = EVERY[name]
    diagnosis = diagnosed((KEPT / one.file).read_bytes(), [one.told] if told else [])
    (found,) = diagnosis.outcomes
    if name in SLEPT:
        assert (found.incidents.count, len(found.incidents.asleep)) == SLEPT[name]
        return
    assert found.incidents.count >= FEWEST
    assert found.common is not None
    wanted = [COMMON[name]] if COMMON[name] else []
    assert [pattern.factor for pattern in found.common.patterns] == wanted
    silent = {incident.silent for incident in found.incidents.kept}
    assert (silent == {Silent.CONTROLLER}) == (name == "controller-alone-is-silent-each-time")


@pytest.mark.parametrize("name", ["loose-plug-cuts-each-session", "cable-with-a-bent-contact"])
def test_a_loose_plug_silences_the_pc_too(name: str) -> None:
    diagnosis = diagnosed((KEPT / EVERY[name].file).read_bytes(), [EVERY[name].told])
    found = diagnosis.outcomes[0].incidents
    assert [one.silent for one in found.kept] == [Silent.PC_TOO] * 3


def test_random_loss_and_an_idle_limit() -> None:
    """Of one nothing is claimed, and of the other the time without data."""
    for name, wanted in (("one-frame-in-three-lost", []), ("idle-session-closed", [Factor.REST])):
        diagnosis = diagnosed((KEPT / EVERY[name].file).read_bytes(), [EVERY[name].told])
        shared = diagnosis.outcomes[0].common
        assert shared is not None
        assert [pattern.factor for pattern in shared.patterns] == wanted


def test_scenes_name_rules_that_exist() -> None:
    named = {slug for one in EVERY.values() for slug in (one.fault, *one.also)}
    assert named - {rule.slug for rule in ALL} == {None}


def test_every_sender_has_a_documentation_address() -> None:
    senders = {
        data[6:11] for one in EVERY.values() for _, data in frames((KEPT / one.file).read_bytes())
    }
    assert senders == {FOR_DOCUMENTATION, NONE}


def test_kept_recordings_are_those_of_the_scenarios_and_small() -> None:
    sizes = {path.name: path.stat().st_size for path in KEPT.iterdir()}
    assert sizes.keys() == {one.file for one in EVERY.values()}
    assert max(sizes.values()) < MOST_OCTETS


def test_many_faults_and_many_alarming_but_healthy_scenes() -> None:
    healthy = [one for one in EVERY.values() if one.fault is None]
    assert len(healthy) >= 15
    assert len(EVERY) - len(healthy) >= 40
