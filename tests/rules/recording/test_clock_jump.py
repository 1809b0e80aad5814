"""clock-jump: the recorder's clock was set, or never had been."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from analyzer.diagnosis import CANNOT_TELL, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.plant import Plant, Station
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

SLUG = "clock-jump"
DAY = 86400.0


def works(plant: Plant, pc: Station, unit: Station) -> None:
    plant.tcp(pc, unit).open().poll(3)


def calls_in_vain(plant: Plant, pc: Station, unit: Station) -> None:
    plant.tcp(pc, unit).syn()


@told_or_not
@pytest.mark.parametrize("step", [-1.1, -3600.0, 400 * DAY])
def test_found_as_a_note_where_the_link_up_works(step: float, controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    works(plant, pc, unit)
    plant.step_clock(step)
    works(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert (finding.values["back"], finding.values["ahead"]) == ((1, 0) if step < 0 else (0, 1))
    assert finding.values["by"] == pytest.approx(max(0, -step), abs=0.1)
    assert finding.values["frame"] == finding.evidence[0].moment.frame
    assert finding.certainty is (Certainty.SHOWN if step < 0 else Certainty.FITS)
    assert diagnosis.status == NO_FAULT


def test_found_at_the_frame_behind_each_jump() -> None:
    plant, pc, unit = acquainted()
    jumps = []
    for step in (-60.0, 400 * DAY, -30.0):
        works(plant, pc, unit)
        plant.step_clock(step)
        jumps.append(plant.tcp(pc, unit).syn(after=0.5))
    works(plant, pc, unit)
    finding = found(diagnosed(plant), SLUG)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in jumps]
    assert (finding.values["back"], finding.values["ahead"]) == (2, 1)
    assert finding.certainty is Certainty.SHOWN


@told_or_not
@pytest.mark.parametrize("step", [-7200.0, 400 * DAY])
def test_found_as_a_warning_and_the_jump_counts_as_no_silence(
    step: float, controllers: tuple[str, ...]
) -> None:
    """The call comes 3 s before the end: the jump must not make hours of silence of it."""
    plant, pc, unit = acquainted()
    calls_in_vain(plant, pc, unit)
    plant.wait(1)
    plant.step_clock(step)
    diagnosis = diagnosed(ended(plant, 2), controllers)
    assert slugs(diagnosis) == ["stopped-early", SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.CANNOT_TELL]
    assert diagnosis.status == CANNOT_TELL


def test_found_beside_a_silence_that_goes_on_long_enough_behind_the_jump() -> None:
    plant, pc, unit = acquainted()
    calls_in_vain(plant, pc, unit)
    plant.step_clock(-7200.0)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == "port-silent"
    assert found(diagnosis, SLUG).level is Level.WARNING


@pytest.mark.parametrize("start", [0.0, 315_532_800.0])
def test_found_where_the_clock_was_never_set(start: float) -> None:
    plant = Plant(start=start)
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    plant.resolve(pc, unit)
    works(plant, pc, unit)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.SHOWN)
    assert finding.values["date"] == ("1970-01-01" if start == 0 else "1980-01-01")


@pytest.mark.parametrize("later", [0.0, 4.5], ids=["at the jump", "later"])
@pytest.mark.parametrize("tries", [works, calls_in_vain])
def test_found_as_a_note_where_the_jump_comes_before_the_attempt(
    tries: Callable[[Plant, Station, Station], None], later: float
) -> None:
    plant, pc, unit = begun()
    plant.step_clock(-30.0)
    plant.resolve(pc, unit, after=later + 0.001)
    tries(plant, pc, unit)
    assert found(diagnosed(ended(plant)), SLUG).level is Level.NOTE


def test_quiet_about_the_warning_where_nothing_is_tried() -> None:
    plant, pc, _ = begun()
    plant.announce(pc)
    plant.step_clock(-30.0)
    assert found(diagnosed(ended(plant), TOLD), SLUG).level is Level.NOTE


def test_quiet_about_the_warning_where_the_clock_was_never_set_and_runs_evenly() -> None:
    plant = Plant(start=0.0)
    calls_in_vain(plant, plant.pc(), plant.station())
    assert found(diagnosed(ended(plant), TOLD), SLUG).level is Level.NOTE


@told_or_not
@pytest.mark.parametrize("pause", [3600.0, 20 * DAY])
def test_quiet_for_a_long_idle_recording(pause: float, controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    works(plant, pc, unit)
    plant.wait(pause)
    works(plant, pc, unit)
    assert_healthy(diagnosed(plant, controllers))


def test_quiet_where_the_pc_slept_and_the_session_died() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close(after=0.5)
    plant.wait(8 * 3600)
    plant.link_up(pc)
    plant.resolve(pc, unit)
    works(plant, pc, unit)
    assert SLUG not in slugs(diagnosed(plant))


@pytest.mark.parametrize("step", [-0.9, 25 * DAY])
def test_quiet_for_what_an_adapter_or_a_pause_can_do(step: float) -> None:
    plant, pc, unit = acquainted()
    works(plant, pc, unit)
    plant.step_clock(step)
    works(plant, pc, unit)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_for_an_ordinary_clock() -> None:
    plant, pc, unit = acquainted()
    works(plant, pc, unit)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_about_the_date_where_frames_carry_no_time() -> None:
    plant, pc, unit = acquainted()
    works(plant, pc, unit)
    blocks = b"".join(raw.simple(record.data) for record in ended(plant).records)
    octets = raw.section() + raw.interface() + blocks
    diagnosis = diagnosed(octets)
    assert diagnosis.facts.untimed == len(plant.records)
    assert SLUG not in slugs(diagnosis)


def test_quiet_about_the_date_where_every_time_is_zero() -> None:
    """A file made by hand: nobody's clock has said so."""
    plant, pc, unit = acquainted()
    works(plant, pc, unit)
    records = [replace(one, time=0) for one in plant.records]
    assert SLUG not in slugs(diagnosed(layouts.pcap(records)))


def test_quiet_without_frames() -> None:
    assert SLUG not in slugs(diagnosed(Plant()))
