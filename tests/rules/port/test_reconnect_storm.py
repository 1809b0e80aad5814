"""reconnect-storm: the PC opens session after session for one request each."""

from dataclasses import replace

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.plant import Plant, Station
from tests.support import acquainted, assert_healthy, diagnosed, ended, found, slugs, told_or_not

SLUG = "reconnect-storm"


def storm(
    plant: Plant,
    pc: Station,
    unit: Station,
    times: int = 80,
    pause: float = 0.02,
    polls: int = 1,
    port: int = 502,
) -> None:
    for _ in range(times):
        session = plant.tcp(pc, unit, port).open(after=pause)
        session.poll(polls, every=0.001)
        session.close()


@told_or_not
def test_found_as_a_warning_while_it_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.SHOWN)
    assert (finding.values["sessions"], finding.values["denied"]) == (80, 0)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


@told_or_not
@pytest.mark.parametrize("refused", [True, False])
def test_found_where_calls_get_no_acceptance_in_the_end(
    refused: bool, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit)
    for _ in range(3):
        call = plant.tcp(pc, unit)
        call.syn(() if refused else (1, 2), after=0.1)
        if refused:
            call.refuse()
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.values["denied"]) == (Level.FAULT, 3)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "port")
    assert diagnosis.status == FAULT


def test_found_without_any_request() -> None:
    """A program that only opens and closes."""
    plant, pc, unit = acquainted()
    for _ in range(120):
        plant.tcp(pc, unit).open(after=0.05).close()
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.level, finding.values["sessions"]) == (Level.WARNING, 120)
    assert 15 <= int(str(finding.values["rate"])) <= 20


@told_or_not
def test_quiet_in_a_recording_without_times(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit)
    records = [replace(one, time=plant.records[0].time) for one in plant.records]
    assert SLUG not in slugs(diagnosed(layouts.pcap(records), controllers))


@told_or_not
def test_quiet_with_one_session_a_second(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit, times=70, pause=0.95)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_with_a_burst_at_the_start(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit, times=30, pause=0.001)
    plant.tcp(pc, unit).open(after=1.0).poll(5)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_each_session_carries_several_requests(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit, polls=2, pause=0.001)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_a_web_page_is_fetched() -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit, port=80)
    assert_healthy(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_others_storm(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    storm(plant, panel, unit)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_calls_are_refused_from_the_beginning() -> None:
    plant, pc, unit = acquainted()
    for _ in range(100):
        call = plant.tcp(pc, unit)
        call.syn(after=0.03)
        call.refuse()
    assert slugs(diagnosed(ended(plant))) == ["port-refused"]


@pytest.mark.parametrize(("polls", "told"), [(1, True), (2, False)])
def test_quiet_where_each_session_carries_two_requests(polls: int, told: bool) -> None:
    plant, pc, unit = acquainted()
    storm(plant, pc, unit, polls=polls)
    assert (SLUG in slugs(diagnosed(ended(plant)))) == told
