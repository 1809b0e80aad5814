"""late-start: the PC tried in vain for seconds, and then it worked."""

import pytest

from analyzer.diagnosis import NO_FAULT
from analyzer.findings import Level
from captures.plant import Plant, Station
from tests.support import (
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    slugs,
    told_or_not,
)

SLUG = "late-start"


def questions(plant: Plant, pc: Station, unit: Station) -> None:
    plant.ask(pc, unit, times=8)
    plant.resolve(pc, unit, after=1.0)
    plant.tcp(pc, unit).open().poll(5)


def calls(plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit)
    session.syn(repeats=(1, 2, 4))
    session.syn_ack(after=1.0)
    session.ack()
    session.poll(5)


def refusals(plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, unit)
    for _ in range(8):
        call = plant.tcp(pc, unit)
        call.syn(after=1.0)
        call.refuse()
    plant.tcp(pc, unit).open(after=1.0).poll(5)


@told_or_not
@pytest.mark.parametrize("tries", [questions, calls, refusals])
def test_found_where_it_took_eight_seconds(controllers: tuple[str, ...], tries: object) -> None:
    plant, pc, unit = begun()
    assert callable(tries)
    tries(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert finding.values["waited"] == pytest.approx(8.0, abs=0.1)
    assert diagnosis.status == NO_FAULT


@pytest.mark.parametrize(("times", "told"), [(5, False), (6, True)])
def test_quiet_where_it_took_less_than_five_seconds(times: int, told: bool) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=times, every=0.9)
    plant.resolve(pc, unit, after=0.9)
    plant.tcp(pc, unit).open().poll(5)
    assert (SLUG in slugs(diagnosed(ended(plant)))) is told


def test_quiet_where_a_single_call_had_to_be_repeated() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn(repeats=(3,))
    session.syn_ack(after=3.0)
    session.ack()
    session.poll(5)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_where_the_controller_is_seen_starting() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=8)
    plant.probe(unit, after=1.0)
    plant.announce(unit, after=2.0)
    plant.resolve(pc, unit, after=1.0)
    plant.tcp(pc, unit).open().poll(5)
    assert slugs(diagnosed(ended(plant))) == ["controller-starting"]


def test_quiet_where_it_never_works() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=8)
    assert SLUG not in slugs(diagnosed(ended(plant), ["192.0.2.60:502"]))
