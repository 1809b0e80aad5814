"""What differs first between a recording that works and one that does not."""

from collections.abc import Callable

import pytest

from analyzer.comparison import Aspect, Comparison, Remark, Weight, compare
from analyzer.linkup import Stage
from captures.plant import Plant, Station, modbus_answer, modbus_read, modbus_refusal
from tests.support import diagnosed, ended

Tale = Callable[[Plant, Station, Station], None]


def told(
    tale: Tale, pc: str = "192.0.2.15", unit: str = "192.0.2.60", unit_hw: str | None = None
) -> Plant:
    plant = Plant()
    one, other = plant.pc(pc), plant.station(unit, hw=unit_hw)
    plant.wait(5)
    tale(plant, one, other)
    return ended(plant, 20)


def polls(plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(4)


def compared(failing: Plant, working: Plant | None = None, **layout: str) -> Comparison:
    mine, theirs = diagnosed(working or told(polls)), diagnosed(failing, **layout)
    return compare(mine, theirs)


def first(comparison: Comparison) -> tuple[Stage | None, str] | None:
    return (comparison.first.stage, comparison.first.name) if comparison.first else None


def aspect(comparison: Comparison, name: str) -> Aspect:
    (found,) = [one for one in comparison.aspects if one.name == name]
    return found


# --- stage by stage -----------------------------------------------------------------------------


def alone(plant: Plant, pc: Station, unit: Station) -> None:
    plant.ask(pc, unit, times=3)
    plant.wait(40)
    plant.ask(pc, unit, times=3)


def test_nothing_is_heard() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    alone(plant, pc, unit)
    plant.wait(40)
    plant.ask(pc, unit)
    comparison = compare(diagnosed(told(polls)), diagnosed(plant))
    assert first(comparison) == (Stage.LINK, "heard")


def test_the_pc_gave_itself_an_address() -> None:
    failing = told(lambda plant, pc, unit: plant.ask(pc, unit, times=6), pc="169.254.7.7")
    assert first(compared(failing)) == (Stage.ADDRESS, "pc address")


def test_nobody_answers_for_the_hardware_address() -> None:
    comparison = compared(told(lambda plant, pc, unit: plant.ask(pc, unit, times=6)))
    assert first(comparison) == (Stage.NEIGHBOUR, "arp")
    assert comparison.parts_at is Stage.NEIGHBOUR
    assert comparison.is_comparable


def test_another_device_answers() -> None:
    def refused(plant: Plant, pc: Station, unit: Station) -> None:
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit)
        session.syn()
        session.refuse()

    comparison = compared(told(refused, unit_hw="00:00:5e:00:53:61"))
    assert first(comparison) == (Stage.NEIGHBOUR, "controller hardware")
    assert aspect(comparison, "opening").weight is Weight.MATTERS
    assert aspect(comparison, "answers").weight is Weight.FOLLOWS


def test_the_port_is_refused() -> None:
    def refused(plant: Plant, pc: Station, unit: Station) -> None:
        plant.resolve(pc, unit)
        for _ in range(3):
            session = plant.tcp(pc, unit)
            session.syn(after=2)
            session.refuse()

    comparison = compared(told(refused))
    assert first(comparison) == (Stage.PORT, "opening")
    assert aspect(comparison, "opening").working == "open"
    assert aspect(comparison, "opening").failing == "refused"


def test_the_controller_breaks_the_session() -> None:
    def broken(plant: Plant, pc: Station, unit: Station) -> None:
        plant.resolve(pc, unit)
        for _ in range(3):
            session = plant.tcp(pc, unit).open(after=1)
            session.poll(2)
            session.send(modbus_read(9), after=0.5)
            session.rst(unit)

    assert first(compared(told(broken))) == (Stage.SESSION, "ended")


def asking(register: int, unit_number: int = 1, refused: bool = False) -> Tale:
    def tale(plant: Plant, pc: Station, unit: Station) -> None:
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit).open()
        for number in range(1, 6):
            answer = modbus_refusal(number) if refused else modbus_answer(number)
            session.exchange(modbus_read(number, unit_number, register), answer)

    return tale


def test_the_pc_asks_for_something_else() -> None:
    comparison = compared(told(asking(999, refused=True)), told(asking(108)))
    assert first(comparison) == (Stage.ANSWER, "request")
    values = aspect(comparison, "request")
    assert isinstance(values.working, bytes)
    assert values.working[:2] == bytes(2)  # the number that counts up


def test_numbers_that_count_up_are_no_difference() -> None:
    comparison = compared(told(asking(108)), told(asking(108)))
    assert aspect(comparison, "request").weight is Weight.SAME


def test_every_difference_has_its_weight() -> None:
    comparison = compared(told(polls, pc="192.0.2.16"))
    assert aspect(comparison, "pc address").weight is Weight.BESIDE
    assert aspect(comparison, "controller").weight is Weight.SAME
    assert aspect(comparison, "mask").weight is Weight.SAME
    failing = diagnosed(told(polls).pcapng(address="192.0.2.15/24", hw="00:00:5e:00:53:15"))
    assert aspect(compare(diagnosed(told(polls)), failing), "mask").weight is Weight.UNKNOWN


@pytest.mark.parametrize("mask", [16, 24, 28])
def test_a_mask_matters_where_it_parts_the_two(mask: int) -> None:
    working = diagnosed(told(polls).pcapng(address="192.0.2.15/24", hw="00:00:5e:00:53:15"))
    plant = told(lambda plant, pc, unit: plant.ask(pc, unit, times=6))
    failing = diagnosed(plant.pcapng(address=f"192.0.2.15/{mask}", hw="00:00:5e:00:53:15"))
    expected = {16: Weight.BESIDE, 24: Weight.SAME, 28: Weight.MATTERS}[mask]
    assert aspect(compare(working, failing), "mask").weight is expected


def test_slow_answers_are_a_difference_of_time() -> None:
    def slowly(plant: Plant, pc: Station, unit: Station) -> None:
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit).open()
        for number in range(1, 5):
            session.send(modbus_read(number), after=0.5)
            session.send(modbus_answer(number), unit, after=2.5)

    comparison = compared(told(slowly))
    assert aspect(comparison, "answer time").weight is Weight.MATTERS
    assert aspect(compared(told(polls)), "answer time").weight is Weight.SAME


# --- not comparable -----------------------------------------------------------------------------


def asks(plant: Plant, pc: Station, unit: Station) -> None:
    plant.ask(pc, unit, times=6)


@pytest.mark.parametrize(
    ("working", "failing", "remark"),
    [
        (polls, polls, Remark.BOTH_WORK),
        (asks, asks, Remark.FAIL_ALIKE),
        (asks, polls, Remark.SWAPPED),
        (asking(1, refused=True), asks, Remark.BOTH_FAIL),
        (polls, lambda plant, pc, unit: plant.chatter(), Remark.NOBODY),
    ],
)
def test_what_cannot_be_compared_is_said(working: Tale, failing: Tale, remark: Remark) -> None:
    comparison = compared(told(failing), told(working))
    assert remark in comparison.remarks
    assert comparison.first is None
    assert comparison.fault is None
    assert not comparison.is_comparable


def test_another_controller_is_the_first_difference_and_said_to_be_one() -> None:
    comparison = compared(told(asks, unit="192.0.2.61"))
    assert Remark.OTHER_CONTROLLER in comparison.remarks
    assert first(comparison) == (None, "controller")
    assert not comparison.is_comparable
    assert aspect(comparison, "controller hardware").weight is not Weight.MATTERS


def test_another_port_is_said() -> None:
    def elsewhere(plant: Plant, pc: Station, unit: Station) -> None:
        plant.resolve(pc, unit)
        for _ in range(3):
            session = plant.tcp(pc, unit, 503)
            session.syn(after=1)
            session.refuse()

    comparison = compared(told(elsewhere))
    assert comparison.remarks == [Remark.OTHER_PORT]
    assert first(comparison) == (Stage.PORT, "port")


def test_of_several_controllers_those_that_fit_are_compared() -> None:
    def both(plant: Plant, pc: Station, unit: Station) -> None:
        other = plant.station("192.0.2.61")
        plant.resolve(pc, other)
        plant.tcp(pc, other).open().poll(4)
        polls(plant, pc, unit)

    comparison = compared(told(asks), told(both))
    assert comparison.outcomes is not None
    assert [str(one.linkup.controller) for one in comparison.outcomes] == ["192.0.2.60"] * 2
    assert comparison.is_comparable
