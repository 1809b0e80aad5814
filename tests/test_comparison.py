"""What differs first between a recording that works and one that does not."""

import io
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings, strategies

import analyzer
from analyzer.comparison import (
    BEFORE,
    Aspect,
    Comparison,
    Remark,
    Weight,
    _pair,
    beside_a_break,
    compare,
    says_more,
    wanted,
)
from analyzer.diagnosis import Diagnosis, Outcome, Verdict
from analyzer.facts import Address, gather
from analyzer.inputs import open_recording
from analyzer.inputs.records import cut_out
from analyzer.linkup import Stage, Told
from captures.plant import Plant, Station, modbus_answer, modbus_read, modbus_refusal
from tests.reports.many import few, kinds
from tests.support import acquainted, diagnosed, ended
from tests.test_common import breaks

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


def compared(failing: Plant, working: Plant | None = None, **layout: Any) -> Comparison:
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
    assert aspect(comparison, "answer time").weight is Weight.COULD_MATTER
    assert aspect(compared(told(polls)), "answer time").weight is Weight.SAME


# --- on real stacks -----------------------------------------------------------------------------

KEPT = Path(__file__).parent / "lab" / "kept"


@cache
def kept(name: str, controller: str | None = None) -> Diagnosis:
    told = Told(((Address.parse(controller), None),)) if controller else None
    return analyzer.diagnose(KEPT / f"{name}.pcapng.gz", told)


@pytest.mark.parametrize(
    ("failing", "differs", "parts_at"),
    [
        ("switch-port-closed", "heard", Stage.LINK),
        ("no-address-server", "pc address", Stage.ADDRESS),
        ("controller-off", "arp", Stage.NEIGHBOUR),
        ("router-answers-for-everybody", "controller hardware", Stage.NEIGHBOUR),
        ("pc-mask-too-narrow-and-router-refuses", "way", Stage.ROUTE),
        ("filter-drops-calls", "packet back", Stage.PORT),
        ("nobody-listens", "opening", Stage.PORT),
        ("session-reset-in-use", "ended", Stage.SESSION),
        ("request-never-answered", "answers", Stage.ANSWER),
        ("request-rejected", None, Stage.ANSWER),
        ("ghost-holds-the-only-session", None, Stage.PORT),
        ("two-units-with-one-address", None, Stage.NEIGHBOUR),
        ("spanning-tree-delay-is-longer-than-patience", None, Stage.LINK),
    ],
)
def test_lab_recordings_differ_first_where_they_were_made_to(
    failing: str, differs: str | None, parts_at: Stage
) -> None:
    """Where no single value tells it, what the failing one shows stands in its place."""
    comparison = compare(kept("plain-polling"), kept(failing))
    assert comparison.remarks == []
    assert (comparison.first.name if comparison.first else None) == differs
    assert comparison.parts_at is parts_at
    assert comparison.fault is not None


def test_packets_that_go_to_another_station_are_no_way_to_the_controller() -> None:
    """A fixed entry of the PC's neighbour table names the old unit."""
    comparison = compare(kept("plain-polling"), kept("fixed-entry-of-the-old-unit"))
    way = aspect(comparison, "way")
    assert (way.working, way.failing) == ("direct", "00-00-5E-00-53-61")
    assert way.weight is Weight.MATTERS
    assert comparison.first is way


def test_a_pc_that_asks_for_its_router_in_place_of_the_controller() -> None:
    """Nothing is presumed of its mask then, and no port is called."""
    comparison = compare(kept("plain-polling"), kept("pc-mask-too-narrow", "192.0.2.60"))
    asked = aspect(comparison, "asked for")
    assert comparison.first is asked
    assert (asked.working, asked.failing) == (["192.0.2.60"], ["192.0.2.1"])
    assert aspect(comparison, "same network").failing is None
    assert aspect(comparison, "port").failing is None


def test_healthy_ones_differ_in_nothing_that_matters() -> None:
    for name in ("controller-announces-itself", "priority-tags", "asset-scanner"):
        comparison = compare(kept("plain-polling"), kept(name))
        assert comparison.remarks == [Remark.BOTH_WORK]
        assert {one.weight for one in comparison.aspects} <= {
            Weight.SAME, Weight.UNKNOWN, Weight.BESIDE,
        }  # fmt: skip


def test_a_presumed_mask_is_said_and_makes_no_difference() -> None:
    """One recording names the PC's mask, the other does not."""
    known = diagnosed(told(polls).pcapng(address="192.0.2.15/24", hw="00:00:5e:00:53:15"))
    network = aspect(compare(known, diagnosed(told(asks))), "same network")
    assert (network.working, network.failing) == ("yes", "presumed yes")
    assert network.weight is Weight.SAME


def test_how_many_answers_came_is_no_difference() -> None:
    def twice(plant: Plant, pc: Station, unit: Station) -> None:
        plant.resolve(pc, unit)
        plant.tcp(pc, unit).open().poll(9)

    assert aspect(compared(told(twice)), "answers").weight is Weight.SAME


def test_what_was_not_reached_explains_nothing() -> None:
    comparison = compared(told(asks))
    weights = {one.name: one.weight for one in comparison.aspects}
    assert weights["arp"] is Weight.MATTERS
    assert weights["request"] is weights["protocol"] is Weight.NOT_REACHED
    assert weights["order"] is weights["answers"] is Weight.FOLLOWS


CAPTURES = Path(__file__).parents[1] / "captures"


@pytest.mark.parametrize("failing", ["stopped-early.pcap", "filtered-recording.pcap"])
def test_what_a_recording_that_cannot_tell_does_not_hold_proves_nothing(failing: str) -> None:
    """It ended too early, or holds only the PC's own frames: nobody knows what came back."""
    working = analyzer.diagnose(CAPTURES / "healthy-first-contact.pcapng")
    comparison = compare(working, analyzer.diagnose(CAPTURES / failing))
    assert comparison.remarks == [Remark.UNCLEAR]
    assert first(comparison) is None


def test_what_the_recorder_left_out_is_no_difference() -> None:
    """Hardware addresses, and the ends of frames."""
    working = analyzer.diagnose(CAPTURES / "healthy-first-contact.pcapng")
    comparison = compare(working, analyzer.diagnose(CAPTURES / "no-hardware-addresses.pcap"))
    weights = {one.weight for one in comparison.aspects}
    assert not {Weight.MATTERS, Weight.COULD_MATTER} & weights
    cut = aspect(compared(told(polls), snaplen=60), "request")
    assert cut.weight is Weight.SAME
    assert isinstance(cut.failing, bytes)
    assert len(cut.failing) == 6
    shorter = compared(told(asking(999)), told(asking(108)), snaplen=65)
    assert aspect(shorter, "request").weight is Weight.COULD_MATTER


def test_the_unit_asked_comes_before_the_octets_that_name_it() -> None:
    working, failing = (
        analyzer.diagnose(CAPTURES / name)
        for name in ("healthy-first-contact.pcapng", "request-unanswered.pcap")
    )
    comparison = compare(working, failing)
    assert first(comparison) == (Stage.ANSWER, "unit")
    assert (aspect(comparison, "unit").working, aspect(comparison, "unit").failing) == (1, 255)


# --- a second look ------------------------------------------------------------------------------


def test_whom_the_working_one_calls_is_looked_for_in_the_failing_one() -> None:
    """The PC was given the controller's address, and seems to call somebody else."""
    working, failing = kept("plain-polling"), kept("pc-was-given-the-controllers-address")
    called = wanted(working, failing)
    assert called is not None
    assert called.controllers == ((Address.parse("192.0.2.60"), 502),)
    again = kept("pc-was-given-the-controllers-address", "192.0.2.60")
    assert says_more(again, failing)
    assert first(compare(working, again)) == (Stage.ADDRESS, "pc address")


def test_where_others_are_called_the_second_look_says_no_more() -> None:
    failing = kept("controller-off-behind-router")
    assert wanted(kept("plain-polling"), failing) is not None
    assert not says_more(kept("controller-off-behind-router", "192.0.2.60"), failing)


def test_no_second_look_where_the_same_one_is_called() -> None:
    assert wanted(kept("plain-polling"), kept("controller-off")) is None
    assert wanted(kept("controller-off"), kept("plain-polling")) is None


def test_a_pc_that_does_not_try_is_told() -> None:
    working, failing = kept("plain-polling"), kept("pc-cable-dead")
    assert compare(working, failing).remarks == [Remark.NOBODY]
    again = kept("pc-cable-dead", "192.0.2.60")
    assert says_more(again, failing)
    assert compare(working, again).remarks == [Remark.NOT_TRIED]


# --- not comparable -----------------------------------------------------------------------------


def asks(plant: Plant, pc: Station, unit: Station) -> None:
    plant.ask(pc, unit, times=6)


@pytest.mark.parametrize(
    ("working", "failing", "remark"),
    [
        (polls, polls, Remark.BOTH_WORK),
        (asks, asks, Remark.FAIL_ALIKE),
        (asking(1, refused=True), asks, Remark.BOTH_FAIL),
        (polls, lambda plant, pc, unit: plant.announce(pc), Remark.NOBODY),
    ],
)
def test_what_cannot_be_compared_is_said(working: Tale, failing: Tale, remark: Remark) -> None:
    comparison = compared(told(failing), told(working, pc="192.0.2.16"))
    assert remark in comparison.remarks
    assert comparison.first is None
    assert comparison.fault is None
    assert not comparison.is_comparable


def test_the_order_in_which_they_are_given_does_not_matter() -> None:
    working, failing = (diagnosed(told(tale)) for tale in (polls, asks))
    for one, other in ((working, failing), (failing, working)):
        comparison = compare(one, other)
        assert (comparison.working, comparison.failing) == (working, failing)
        assert comparison.explains


def test_where_neither_works_the_later_one_is_held_against_the_earlier() -> None:
    demos = KEPT.parents[2] / "captures"
    names = "nobody-has-the-address.pcap", "port-refused.pcap"
    earlier, later = (analyzer.diagnose(demos / name) for name in names)
    for one, other in ((earlier, later), (later, earlier)):
        comparison = compare(one, other)
        assert (comparison.working, comparison.failing) == (earlier, later)
        assert comparison.came_up == [Stage.NEIGHBOUR, Stage.ROUTE]
        assert comparison.went_down == []


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


def test_one_recording_given_twice_is_said() -> None:
    both = diagnosed(told(polls))
    assert compare(both, both).remarks == [Remark.SAME]
    failing = diagnosed(told(polls), controllers=["192.0.2.77"])
    assert Remark.SAME not in compare(both, failing).remarks


def test_other_controllers_that_fail_too_are_named() -> None:
    def two(tale: Tale) -> Tale:
        def both(plant: Plant, pc: Station, unit: Station) -> None:
            tale(plant, pc, unit)
            tale(plant, pc, plant.station("192.0.2.61"))

        return both

    comparison = compared(told(two(asks)), told(two(polls)))
    assert first(comparison) == (Stage.NEIGHBOUR, "arp")
    assert [str(one) for one in comparison.more] == ["192.0.2.61"]


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


def a_pair(address: int, port: int | None, verdict: Verdict) -> Outcome:
    """One link-up of some recording, with this end and verdict."""
    base = kinds()[0]
    target = replace(base.linkup.target, address=Address(address), port=port)
    return replace(base, linkup=replace(base.linkup, target=target), verdict=verdict)


ENDS = strategies.builds(
    a_pair,
    strategies.integers(1, 3),
    strategies.sampled_from([None, 502, 503]),
    strategies.sampled_from(Verdict),
)
SIDES = strategies.lists(ENDS, max_size=5)


@given(SIDES, SIDES)
@settings(deadline=None)
def test_the_pair_is_the_one_that_trying_all_would_find(
    working: list[Outcome], failing: list[Outcome]
) -> None:
    def fit(pair: tuple[Outcome, Outcome]) -> tuple[bool, ...]:
        good, bad = (one.linkup.target for one in pair)
        works, does_not = (one.verdict is Verdict.COMPLETE for one in pair)
        return good.address == bad.address, good.port == bad.port, works, not does_not

    best = max(product(working, failing), key=fit, default=None)
    sides = (replace(few(), outcomes=one) for one in (working, failing))
    found = _pair(*sides)
    assert (found is None) == (best is None)
    if found is not None and best is not None:
        assert all(one is other for one, other in zip(found, best, strict=True))


# --- a break beside a calm stretch ----------------------------------------------------------------


def test_both_stretches_begin_with_a_session_and_neither_holds_another_break() -> None:
    outcome = diagnosed(breaks(5, 7).pcap()).outcomes[0]
    opened = {call.first.seconds for call in outcome.linkup.on_port}
    broke = [one.began.seconds for one in outcome.incidents.kept]
    for number, at in enumerate(broke, 1):
        parts = beside_a_break(outcome, number)
        assert parts is not None
        calm, around = parts
        assert {calm.begin, around.begin} <= opened
        assert [one for one in broke if around.begin <= one <= around.end] == [at]
        assert not [one for one in broke if calm.begin <= one <= calm.end]
        assert calm.end - calm.begin <= around.end - around.begin + 1e-9


def test_of_long_sessions_the_last_minute_is_compared() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open()
        session.poll(400)
        session.rst(unit, after=0.02)
        plant.wait(2)
    plant.tcp(pc, unit).open().poll(900)
    outcome = diagnosed(plant.pcap()).outcomes[0]
    parts = beside_a_break(outcome, 2)
    assert parts is not None
    calm, around = parts
    began = outcome.incidents.kept[1].began.seconds
    assert around.begin == began - BEFORE
    assert calm.begin > outcome.incidents.kept[1].began.seconds + 100


def test_no_calm_stretch_where_it_works_for_moments_only() -> None:
    plant, pc, unit = acquainted()
    for _ in range(4):
        session = plant.tcp(pc, unit).open()
        session.poll(2, every=0.2)
        session.send(modbus_read(9), after=0.2)
        session.rst(unit, after=0.01)
        plant.wait(1)
    outcome = diagnosed(ended(plant).pcap()).outcomes[0]
    assert beside_a_break(outcome, 1) is None


def test_frames_that_are_cut_out_keep_their_numbers_and_times() -> None:
    octets = breaks(2, 7).pcap()
    whole = gather(open_recording(io.BytesIO(octets), "test"))
    assert whole.coverage.began is not None
    begin, end = (whole.coverage.began + round(at * 1e9) for at in (10.0, 20.0))
    recording = open_recording(io.BytesIO(octets), "test")
    cut_out(recording, begin, end)
    chunks = list(recording.chunks)
    times = [int(at) for chunk in chunks for at in chunk.time]
    assert begin <= min(times) <= max(times) <= end
    every = [
        int(at) for one in open_recording(io.BytesIO(octets), "test").chunks for at in one.time
    ]
    assert every[chunks[0].first - 1 : chunks[0].first - 1 + len(times)] == times
    assert recording.sha256 == whole.sha256
