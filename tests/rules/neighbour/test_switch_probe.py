"""switch-probe: a switch's questions without an address of its own."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from analyzer.words import say
from captures.plant import Plant, Station
from rules.neighbour.switch_probe import OFF, RULE
from tests import raw
from tests.support import (
    TOLD,
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "switch-probe"


def with_switch(plant: Plant, pc: Station, every: float = 20.0, tree: bool = True) -> Plant:
    """Over the whole story a switch sends its frames, and asks for the PC."""
    switch = plant.station("192.0.2.5")
    ended(plant)
    if tree:
        plant.meanwhile(2.0, lambda: plant.bpdu(switch))
    plant.meanwhile(every, lambda: plant.probe(switch, pc, times=1), first=6.0)
    return plant


def told(diagnosis: Diagnosis) -> tuple[Level, Certainty]:
    finding = found(diagnosis, SLUG)
    assert str(finding.values["watcher"]) == "00-00-5E-00-53-05"
    return finding.level, finding.certainty


@told_or_not
def test_found_as_a_note_beside_a_working_controller(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(60)
    diagnosis = diagnosed(with_switch(plant, pc), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert told(diagnosis) == (Level.NOTE, Certainty.SHOWN)
    values = found(diagnosis, SLUG).values
    assert (values["probes"], values["every"]) == (4, pytest.approx(20.0, abs=0.1))
    assert len(found(diagnosis, SLUG).evidence) == 3
    assert diagnosis.status == NO_FAULT


def test_found_as_a_note_that_only_fits_without_frames_of_a_switch() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(60)
    diagnosis = diagnosed(with_switch(plant, pc, tree=False))
    assert told(diagnosis) == (Level.NOTE, Certainty.FITS)


@told_or_not
def test_found_as_a_warning_where_nobody_answers(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    asked = [*plant.ask(pc, unit), *plant.ask(pc, unit, after=2.0)]
    plant.wait(30)
    diagnosis = diagnosed(with_switch(plant, pc), controllers)
    assert slugs(diagnosis) == ["unanswered-arp", SLUG]
    assert told(diagnosis) == (Level.WARNING, Certainty.SHOWN)
    shown = [one.moment.frame for one in found(diagnosis, SLUG).evidence]
    assert {plant.number(asked[0]), plant.number(asked[-1])} < set(shown)
    assert len(found(diagnosis, SLUG).also_fits) == len(RULE.also_fits)


@told_or_not
@pytest.mark.parametrize("had_worked", [True, False])
def test_found_as_the_fault_where_the_controller_checked_its_address_and_fell_silent(
    controllers: tuple[str, ...], had_worked: bool
) -> None:
    plant, pc, unit = begun()
    if had_worked:
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit).open()
        session.poll(4)
        session.close()
    plant.probe(unit, times=1, after=20.0)  # the switch's question meets this check
    plant.ask(pc, unit, after=10.0)
    plant.ask(pc, unit, after=2.0)
    diagnosis = diagnosed(with_switch(plant, pc), controllers)
    assert lead(diagnosis) == SLUG
    assert told(diagnosis) == (Level.FAULT, Certainty.FITS)
    (outcome,) = diagnosis.outcomes
    expected = Verdict.UNSTABLE if had_worked else Verdict.STOPPED
    assert (outcome.verdict, outcome.stopped_at) == (expected, "neighbour")
    assert diagnosis.status == FAULT


def test_found_as_the_fault_where_the_switch_asks_every_few_seconds() -> None:
    """The station that checked the address and still sends other frames is shown with it."""
    plant, pc, unit = begun()
    (checked,) = plant.probe(unit, times=1)
    first, *_, last = plant.ask(pc, unit, after=3.0)
    alive = plant.raw(raw.ethernet(bytes(46), 0x88B5, "00005e005360", "0180c200000e"))
    diagnosis = diagnosed(with_switch(plant, pc, every=4.0, tree=False), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert told(diagnosis) == (Level.FAULT, Certainty.FITS)
    finding = found(diagnosis, SLUG)
    assert (finding.values["probes"], finding.values["every"]) == (4, pytest.approx(4.0, abs=0.1))
    assert str(finding.values["checker"]) == "00-00-5E-00-53-60"
    assert say(RULE.also_fits[OFF], finding.values) not in finding.also_fits
    shown = {one.moment.frame for one in finding.evidence}
    assert shown > {plant.number(one) for one in (checked, first, last, alive)}


def test_it_is_a_warning_where_the_check_was_a_searchs() -> None:
    plant, pc, unit = begun()
    scanner = plant.station("192.0.2.99")
    for number in (59, 60, 61):
        plant.probe(scanner, f"192.0.2.{number}", times=1)
    plant.ask(pc, unit, after=10.0)
    diagnosis = diagnosed(with_switch(plant, pc), TOLD)
    assert slugs(diagnosis) == ["unanswered-arp", SLUG]
    assert found(diagnosis, SLUG).values["checker"] is None


def test_quiet_about_a_station_that_checks_the_pcs_address_as_it_starts() -> None:
    """It meets the PC's defence and goes without."""
    plant, pc, unit = acquainted()
    newcomer = plant.station("192.0.2.15", hw="00:00:5e:00:53:77")
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    plant.probe(newcomer)
    session.poll(3)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


@told_or_not
def test_quiet_about_a_controller_that_checks_and_takes_its_address(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    for _ in range(3):
        plant.probe(unit, after=20.0)
        plant.announce(unit, after=2.0)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_about_a_search() -> None:
    plant, pc, unit = acquainted()
    scanner = plant.station("192.0.2.99")
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(6)
        for number in (15, 16, 17, 18, 60):
            plant.probe(scanner, f"192.0.2.{number}", times=1)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_about_questions_for_others() -> None:
    plant, pc, unit = acquainted()
    switch = plant.station("192.0.2.5")
    plant.tcp(pc, unit).open().poll(60)
    plant.meanwhile(2.0, lambda: plant.bpdu(switch))
    plant.meanwhile(20.0, lambda: plant.probe(switch, "192.0.2.20", times=1))
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_the_pcs_own_check() -> None:
    plant, pc, unit = begun()
    for _ in range(3):
        plant.link_up(pc)
        plant.wait(20)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@pytest.mark.parametrize("checks", [1, 4])
def test_quiet_where_the_controller_fell_silent_and_no_switch_asks(checks: int) -> None:
    """It may check its address again and again: it is no switch."""
    plant, pc, unit = begun()
    plant.probe(unit, times=checks, every=10.0)
    plant.ask(pc, unit, after=10.0)
    plant.ask(pc, unit, after=2.0)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


def test_it_is_no_fault_where_the_controller_takes_its_address_after_all() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.probe(unit, after=20.0)
    plant.announce(unit, after=2.0)
    plant.resolve(pc, unit, after=5.0)
    plant.tcp(pc, unit).open().poll(4)
    diagnosis = diagnosed(with_switch(plant, pc))
    assert lead(diagnosis) is None
    assert told(diagnosis) == (Level.NOTE, Certainty.SHOWN)


def test_quiet_where_the_pc_checks_the_controllers_address_again_and_again() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(60)
    plant.meanwhile(20.0, lambda: plant.probe(pc, "192.0.2.60", times=1))
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))
