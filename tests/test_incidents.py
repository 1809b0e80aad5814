"""analyzer.incidents: what stopped, when and for how long; and what is no incident."""

import pytest

from analyzer import incidents as module
from analyzer.incidents import Incident, Incidents, Sign, incidents
from analyzer.silent import Silent
from captures.plant import Plant, modbus_answer, modbus_read
from tests.rules.link.test_link_flapping import connected
from tests.support import acquainted, diagnosed, ended


def of(plant: Plant) -> Incidents:
    (found,) = incidents(diagnosed(plant.pcap()).case)
    return found


def only(plant: Plant) -> Incident:
    found = of(plant)
    assert found.count == len(found.kept) == 1
    return found.kept[0]


def test_a_reset_and_the_way_back() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    opened = plant.now
    session.poll(5)
    plant.wait(1)
    session.send(modbus_read(9, unit=7))
    session.rst(unit, after=0.02)
    broke = plant.now
    plant.tcp(pc, unit).syn(after=3)
    plant.tcp(pc, unit).open(after=7).poll(2, every=0.5)
    one = only(ended(plant))
    assert one.sign is Sign.RESET
    assert one.out == pytest.approx(10.5, abs=0.01)
    assert one.age == pytest.approx(broke - opened, abs=0.01)
    assert (one.requests, one.in_vain, one.at_request) == (6, 1, True)
    assert (one.uncalled, one.without_link) == (pytest.approx(3.0, abs=0.01), None)
    assert one.kind is not None
    assert one.kind.unit == 7
    assert one.rest == pytest.approx(1.04, abs=0.01)
    assert one.last_good < one.began


def test_several_with_the_time_between() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open()
        session.poll(10)
        session.rst(unit, after=0.5)
        plant.wait(2)
    found = of(ended(plant))
    assert found.count == 3
    assert found.outages == pytest.approx([3.0, 3.0], abs=0.01)
    assert len(found.between) == 2
    assert found.kept[-1].out is None


def test_a_request_that_is_repeated_in_vain() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    asked = session.send(modbus_read(9), after=1)
    for pause in (0.3, 0.6, 1.2):
        session.again(after=pause)
    one = only(ended(plant))
    assert (one.sign, one.began.frame, one.out) == (Sign.HUNG, plant.number(asked), None)


def test_calls_refused_after_others_were_taken_are_one_incident() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.close(after=0.2)
    for _ in range(3):
        again = plant.tcp(pc, unit)
        again.syn(after=2)
        again.refuse()
    plant.tcp(pc, unit).open(after=2).poll(3)
    one = only(ended(plant))
    assert (one.sign, one.in_vain) == (Sign.REFUSED, 3)
    assert one.out == pytest.approx(7.0, abs=0.1)
    assert one.uncalled == 0


def test_sessions_that_end_together_are_one_incident() -> None:
    plant, pc, unit = acquainted()
    both = [plant.tcp(pc, unit).open(), plant.tcp(pc, unit).open()]
    for turn in range(5):
        for session in both:
            session.exchange(modbus_read(turn), modbus_answer(turn), after=0.3)
    for session in both:
        session.rst(unit, after=0.1)
    assert only(ended(plant)).sign is Sign.RESET


def test_incidents_are_counted_beyond_those_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST", 2)
    plant, pc, unit = acquainted()
    for _ in range(4):
        session = plant.tcp(pc, unit).open()
        session.poll(4)
        session.rst(unit, after=0.5)
    found = of(ended(plant))
    assert (found.count, len(found.kept)) == (4, 2)


def test_the_pc_calls_as_soon_as_it_asks_in_vain_for_the_hardware_address() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.rst(unit, after=0.5)
    plant.ask(pc, unit, times=3, after=2.0)
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open(after=0.1).poll(5)
    one = only(ended(plant))
    assert one.uncalled == pytest.approx(2.0, abs=0.01)
    assert one.out is not None
    assert one.out > 7.0


def test_where_it_waits_only_a_call_is_one() -> None:
    """Its system asks for the hardware address, for the session of before."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.send(modbus_read(9), after=1)
    for pause in (0.3, 0.6, 1.2):
        session.again(after=pause)
    plant.ask(pc, unit, times=3, after=2.0)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open(after=5.0).poll(5)
    one = only(ended(plant))
    assert one.sign is Sign.HUNG
    assert one.uncalled is not None
    assert one.uncalled > 9.0


# --- no incidents ---------------------------------------------------------------------------------


def test_none_where_the_pc_closes_or_nothing_had_worked() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open()
        session.poll(4)
        session.close(after=0.2)
    assert of(ended(plant)).count == 0
    plant, pc, unit = acquainted()
    for _ in range(3):
        again = plant.tcp(pc, unit)
        again.syn(after=2)
        again.refuse()
    assert of(ended(plant)).count == 0


def test_none_where_a_second_call_finds_no_place_and_the_first_session_goes_on() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(4)
        second = plant.tcp(pc, unit)
        second.syn(after=0.5)
        second.refuse()
    session.poll(3)
    assert of(ended(plant)).count == 0


def test_none_where_a_call_has_had_no_time_for_an_answer() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.close(after=0.2)
    plant.tcp(pc, unit).syn(after=5)
    assert of(plant).count == 0


def slept(others: bool) -> Plant:
    """A session that is reset behind ten minutes without a single frame."""
    plant, pc, unit = acquainted()
    neighbours = [plant.station(f"192.0.2.{n}") for n in (20, 31)] if others else []
    session = plant.tcp(pc, unit).open()
    for turn in range(10):
        session.poll(1)
        if neighbours:
            plant.ask(neighbours[turn % 2], neighbours[1 - turn % 2], times=1)
    plant.wait(600)
    for turn in range(2 if neighbours else 0):
        plant.ask(neighbours[turn % 2], neighbours[1 - turn % 2], times=1)
    session.send(modbus_read(99))
    session.rst(unit, after=0.01)
    plant.tcp(pc, unit).open(after=1).poll(3)
    return plant


def test_none_where_the_pc_slept() -> None:
    found = of(slept(others=True))
    assert (found.count, [round(one.silent) for one in found.asleep]) == (0, [600])


def test_a_long_rest_between_two_stations_alone_is_no_sleep() -> None:
    found = of(slept(others=False))
    assert (found.count, found.asleep) == (1, [])


def test_none_where_the_clock_was_set() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(10)
    plant.step_clock(-3600)
    session.send(modbus_read(99), after=1)
    session.rst(unit, after=0.02)
    plant.tcp(pc, unit).open(after=1).poll(3)
    found = of(ended(plant))
    assert (found.count, found.clock_set) == (0, 1)


# --- late answers, and who was silent -------------------------------------------------------------


def stalled(wait: float, answers: int = 60, stalls: int = 2) -> Plant:
    """A session in which now and then an answer is waited for."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for one in range(stalls):
        session.poll(answers)
        plant.wait(0.5)
        session.exchange(modbus_read(900 + one), modbus_answer(900 + one), think=wait)
    session.poll(answers)
    return ended(plant)


def test_answers_far_later_than_usual() -> None:
    found = of(stalled(4.0))
    assert [one.sign for one in found.kept] == [Sign.LATE, Sign.LATE]
    assert found.outages == pytest.approx([4.0, 4.0], abs=0.01)
    assert [one.rest for one in found.kept] == pytest.approx([0.54, 0.54], abs=0.05)
    one = found.kept[0]
    assert one.last_good < one.began
    assert (one.requests, one.kind, one.at_request, one.called) == (None, None, False, None)


def test_none_where_answers_take_a_little_longer() -> None:
    assert of(stalled(0.9)).count == 0


def test_none_where_late_answers_are_usual() -> None:
    assert of(stalled(4.0, answers=5, stalls=5)).count == 0


def test_none_where_the_controller_is_always_slow() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for turn in range(40):
        think = 3.0 if turn % 30 == 20 else 1.5
        session.exchange(modbus_read(turn), modbus_answer(turn), think=think)
    assert of(ended(plant)).count == 0


def cut_off(others: str, times: int = 1) -> Plant:
    """The controller falls silent for 20 s in a session. others: who of two stations goes on."""
    plant, pc, unit = acquainted()
    first, second = plant.station("192.0.2.21"), plant.station("192.0.2.32")

    def chatter(spoken: str) -> None:
        for name, one in (("first", first), ("second", second)):
            if name in spoken:
                plant.ask(one, pc, times=1)

    for _ in range(times):
        session = plant.tcp(pc, unit).open()
        for _ in range(80):
            session.poll(1)
            chatter("first second")
        session.send(modbus_read(999), after=1.0)
        for _ in range(20):
            session.again(after=1.0)
            chatter(others)
    plant.tcp(pc, unit).open().poll(9)
    chatter("first second")
    return plant


@pytest.mark.parametrize(
    ("others", "who"),
    [
        ("first second", Silent.CONTROLLER),
        ("second", Silent.SOME),
        ("", Silent.ALL),
    ],
)
def test_who_was_silent(others: str, who: Silent) -> None:
    one = only(cut_off(others))
    assert (one.sign, one.silent) == (Sign.HUNG, who)


# --- the PC's link goes down ----------------------------------------------------------------------


def unplugged(down: float, said: bool = True, goes_on: bool = False) -> Plant:
    """The PC's link goes down twice. said: whether the PC's system checks its address afterwards;
    goes_on: its program goes on in its session, where it calls anew else.
    """
    plant, pc, unit = connected()
    session = plant.tcp(pc, unit).open()
    for _ in range(2):
        session.poll(15, every=0.5)
        if said:
            plant.goes_down(pc, down)
        else:
            plant.goes_down_unsaid(down)
        if not goes_on:
            session = plant.tcp(pc, unit).open(after=1.0)
    session.poll(15, every=0.5)
    plant.wait(8)
    plant.others_speak()
    return plant


@pytest.mark.parametrize("said", [True, False])
def test_sessions_that_the_link_cut_off(said: bool) -> None:
    found = of(unplugged(6.0, said))
    assert [(one.sign, one.silent) for one in found.kept] == [(Sign.CUT, Silent.PC_TOO)] * 2
    assert all(7.0 < one < 14.0 for one in found.outages)  # checks take 6 s
    for one in found.kept:
        assert one.without_link == pytest.approx(6.0, abs=1.0)
        assert one.uncalled is not None
        assert one.out == pytest.approx(one.uncalled + 0.5, abs=0.1)
    assert all(one.last_good <= one.began for one in found.kept)


@pytest.mark.parametrize("said", [True, False])
def test_none_where_the_session_outlived_the_link(said: bool) -> None:
    assert of(unplugged(6.0, said, goes_on=True)).count == 0


def test_none_where_a_program_ends_its_session_and_calls_anew() -> None:
    """The link was down before, while it had nothing to ask."""
    plant, pc, unit = connected()
    for _ in range(3):
        session = plant.tcp(pc, unit).open()
        session.poll(15, every=0.5)
        plant.goes_down(pc, 6.0)
        session.poll(3, every=0.5)
        session.close()
    plant.wait(8)
    plant.others_speak()
    assert of(plant).count == 0


def test_an_answer_that_came_when_the_pc_had_given_up() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked = session.send(modbus_read(99), after=1.0)
    session.fin(after=2.0)
    session.send(modbus_answer(99), unit, after=0.5)
    session.fin(unit)
    plant.tcp(pc, unit).open(after=1).poll(9)
    one = only(ended(plant))
    assert (one.sign, one.began.frame) == (Sign.GIVEN_UP, plant.number(asked))
    assert one.last_good < one.began


def test_none_where_the_pc_closes_while_an_answer_is_on_its_way() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.send(modbus_read(99), after=1.0)
    session.fin(after=0.01)
    session.send(modbus_answer(99), unit, after=0.1)
    session.fin(unit)
    plant.tcp(pc, unit).open(after=1).poll(9)
    assert of(ended(plant)).count == 0
