"""The lab's kept recordings, made on real network stacks: every one is diagnosed everywhere."""

import pytest

from rules import ALL
from tests.lab.judging import frames, judge, outcome, without_directions
from tests.lab.keep import KEPT
from tests.lab.lab import Scenario
from tests.lab.scenarios.every import EVERY

MOST_OCTETS = 60_000
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
