"""What was tried, and how each try ended: every line of the table beside its nearest neighbour."""

from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.facts import Moment
from analyzer.linkup import ENDINGS, Call, How, Tries, Try, What, between
from captures.plant import Plant, Session, modbus_answer, modbus_read
from tests.support import acquainted, diagnosed, ended


def tries(plant: Plant) -> list[Try]:
    (outcome,) = diagnosed(ended(plant), ["192.0.2.60:502"]).outcomes
    return outcome.tries


def refused(session: Session) -> None:
    session.syn()
    session.refuse()


def turned_down(session: Session) -> None:
    session.syn()
    session.syn_ack(after=3.0)
    session.rst(bare=True)


def taken_late(session: Session) -> None:
    session.syn()
    session.syn_ack(after=3.0)
    session.ack()


def held_over(session: Session) -> None:
    """RFC 9293 3.5.1, figure 9: the server still holds an older session."""
    session.syn()
    session.ack(session.server_station, seq=99_000, ack=88_000)


def held_over_and_cleared(session: Session) -> None:
    """The same figure to its end: the client resets the old one, and its next SYN is taken."""
    held_over(session)
    session.rst(bare=True, seq=88_000)
    session.again(after=1.0)
    session.open().poll(1)


def unheard(session: Session) -> None:
    session.syn()
    for _ in range(3):
        session.syn_ack(seq=session.server_seq, after=1.0)


def reset_by_another(session: Session) -> None:
    """A filter on the client resets each acceptance, and the client calls on."""
    session.syn()
    for pause in (1.0, 2.0):
        session.syn_ack(seq=session.server_seq)
        session.rst(bare=True)
        session.again(after=pause)
    session.syn_ack(seq=session.server_seq)


def turned_down_twice(session: Session) -> None:
    """The client gave up, and resets the acceptance each time that it comes."""
    session.syn(repeats=(1.0,))
    for _ in range(2):
        session.syn_ack(seq=session.server_seq, after=3.0)
        session.rst(bare=True)


def accepted_last(session: Session) -> None:
    session.syn()
    session.syn_ack()


def mute(session: Session) -> None:
    session.open()
    session.send(b"ask")
    session.ack(session.server_station)


def hung(session: Session) -> None:
    session.open().poll(2)
    session.send(modbus_read(9))
    for pause in (0.3, 0.6, 1.2):
        session.again(after=pause)


def still_asking(session: Session) -> None:
    session.open().poll(2)
    session.send(modbus_read(9))


def dropped(session: Session) -> None:
    session.open()
    session.send(modbus_read(1))
    session.fin(session.server_station)


def dropped_unasked(session: Session) -> None:
    session.open()
    session.rst(session.server_station)


def ended_later(session: Session) -> None:
    session.open()
    session.fin(session.server_station, after=2.0)


def turned_away(session: Session) -> None:
    session.open()
    session.send(b"busy, try later\r\n", session.server_station)
    session.fin(session.server_station)


def greeted(session: Session) -> None:
    session.open()
    session.send(b"ready\r\n", session.server_station)
    session.fin(session.server_station, after=3.0)


def broken(session: Session) -> None:
    session.open().poll(2)
    session.rst(session.server_station, after=1.0)


def reset_after_close(session: Session) -> None:
    session.open().poll(2)
    session.fin()
    session.rst(session.server_station)


def reset_by_client(session: Session) -> None:
    session.open().poll(2)
    session.rst()


def closed(session: Session) -> None:
    session.open().poll(2)
    session.close()


ENDS = [
    (lambda session: session.syn(repeats=(1.0, 2.0)), How.IGNORED, 0),
    (refused, How.REFUSED, 0),
    (held_over, How.HELD_OVER, 0),
    (turned_down, How.TURNED_DOWN, 0),
    (taken_late, How.OPEN, 0),
    (turned_down_twice, How.TURNED_DOWN, 0),
    (unheard, How.UNHEARD, 0),
    (reset_by_another, How.UNHEARD, 0),
    (accepted_last, How.NOT_SEEN, 0),
    (turned_away, How.TURNED_AWAY, 0),
    (greeted, How.CLOSED, 0),
    (dropped, How.DROPPED, 0),
    (dropped_unasked, How.DROPPED, 0),
    (ended_later, How.CLOSED, 0),
    (broken, How.RESET, 2),
    (reset_after_close, How.CLOSED, 2),
    (reset_by_client, How.CLOSED, 2),
    (mute, How.MUTE, 0),
    (hung, How.HUNG, 2),
    (still_asking, How.OPEN, 2),
    (closed, How.CLOSED, 2),
    (lambda session: session.open().poll(2), How.OPEN, 2),
]


def test_every_line_of_the_table_has_a_story() -> None:
    told = {how for _, how, _ in ENDS}
    assert {how for how, _ in ENDINGS} | {How.OPEN} == told


@pytest.mark.parametrize(("act", "ending", "answers"), ENDS)
def test_each_end_of_a_call_has_its_name(
    act: Callable[[Session], object], ending: How, answers: int
) -> None:
    plant, pc, unit = acquainted()
    act(plant.tcp(pc, unit))
    arp, call = tries(plant)
    assert (arp.what, arp.how) == ("arp", How.ANSWERED)
    assert (call.what, call.port, call.how) == ("tcp", 502, ending)
    assert (call.times, call.answers) == (1, answers)


def test_alike_tries_in_a_row_are_one() -> None:
    plant, pc, unit = acquainted()
    for act in (refused, refused, closed, refused, closed, closed):
        act(plant.tcp(pc, unit))
        plant.wait(2)
    calls = [one for one in tries(plant) if one.what == "tcp"]
    assert [(one.how, one.times) for one in calls] == [
        (How.REFUSED, 2),
        (How.CLOSED, 1),
        (How.REFUSED, 1),
        (How.CLOSED, 2),
    ]
    assert calls[0].last.seconds - calls[0].first.seconds > 2
    assert calls[3].answers == 4


def test_other_ports_and_pings_are_tries_too() -> None:
    plant, pc, unit = acquainted()
    plant.ping(pc, unit.address)
    refused(plant.tcp(pc, unit, 80))
    closed(plant.tcp(pc, unit))
    told = [(one.what, one.port, one.how) for one in tries(plant)]
    assert told == [
        ("arp", None, How.ANSWERED),
        ("ping", None, How.IGNORED),
        ("tcp", 80, How.REFUSED),
        ("tcp", 502, How.CLOSED),
    ]


def test_datagrams_are_one_try_with_their_answers() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        plant.datagram(pc, unit.address, 50_000, 47_808, b"ask")
    (outcome,) = diagnosed(ended(plant), ["192.0.2.60"]).outcomes
    (sent,) = [one for one in outcome.tries if one.what == "udp"]
    assert (sent.port, sent.how, sent.times) == (47_808, How.IGNORED, 3)


def test_an_old_session_that_is_cleared_is_answered_in_the_end() -> None:
    plant, pc, unit = acquainted()
    held_over_and_cleared(plant.tcp(pc, unit))
    assert [one.how for one in tries(plant) if one.what == "tcp"][-1] is not How.HELD_OVER


def test_a_message_on_the_way_refuses_a_call_that_nobody_took() -> None:
    plant, pc, unit = acquainted()
    router = plant.station("192.0.2.1")
    call = plant.tcp(pc, unit)
    quoted = call.syn()
    plant.unreachable(router, pc, quoted, code=13)
    other = plant.tcp(pc, unit)
    other.syn(repeats=(1.0, 2.0))
    assert [one.how for one in tries(plant) if one.what == "tcp"] == [How.REFUSED, How.IGNORED]


def test_a_message_about_a_call_that_is_taken_after_all_refuses_nothing() -> None:
    plant, pc, unit = acquainted()
    router = plant.station("192.0.2.1")
    call = plant.tcp(pc, unit)
    plant.unreachable(router, pc, call.syn(), code=1)
    call.again(after=1.0)
    call.syn_ack()
    call.ack()
    call.poll(2)
    assert [one.how for one in tries(plant) if one.what == "tcp"] == [How.OPEN]


def test_a_message_about_a_datagram_refuses_no_call_between_the_same_ports() -> None:
    plant, pc, unit = acquainted()
    router = plant.station("192.0.2.1")
    call = plant.tcp(pc, unit)
    sent = plant.datagram(pc, unit.address, call.client.port, 502, b"ask")
    call.syn(repeats=(1.0, 2.0))
    plant.unreachable(router, pc, sent, code=13)
    (found,) = calls(plant)
    assert (found.how, list(found.errors)) == (How.IGNORED, [])


def test_messages_about_packets_of_others_are_not_about_the_link_up() -> None:
    plant, pc, unit = acquainted()
    router, other = plant.station("192.0.2.1"), plant.station("192.0.2.20")
    for caller in (pc, other):
        quoted = plant.tcp(caller, unit).syn()
        plant.unreachable(router, caller, quoted, code=13)
    (outcome,) = diagnosed(ended(plant), ["192.0.2.60:502"], pc="192.0.2.15").outcomes
    assert [str(one.about_src) for one in outcome.linkup.errors] == ["192.0.2.15"]


@pytest.mark.parametrize(("times", "is_lost"), [(2, False), (3, True)])
def test_data_is_undelivered_from_the_third_repeat_on(times: int, is_lost: bool) -> None:
    plant, pc, unit = acquainted()
    call = plant.tcp(pc, unit).open()
    call.poll(2)
    call.send(modbus_read(9))
    for _ in range(times):
        call.again(after=1.0)
    (found,) = calls(plant)
    assert (found.undelivered is not None) == is_lost


def calls(plant: Plant) -> list[Call]:
    (outcome,) = diagnosed(ended(plant), ["192.0.2.60:502"]).outcomes
    return list(outcome.linkup.calls)


WANTED = {
    "reset on an open request": (still_asking, True),
    "reset long after an answer, no call after it": (lambda one: one.open().poll(2), False),
    "reset before anything was answered": (mute, True),
}


@pytest.mark.parametrize("story", WANTED)
def test_what_a_server_resets_is_wanted_where_the_client_waits(story: str) -> None:
    act, wanted = WANTED[story]
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    act(session)
    session.rst(session.server_station, after=3.0)
    (call,) = calls(plant)
    assert (call.ended_by_server, call.wanted, call.came_back) == (True, wanted, False)


@pytest.mark.parametrize(("pause", "again", "wanted"), [(0.5, True, True), (30.0, True, False)])
def test_a_close_is_missed_where_the_client_calls_again_right_away(
    pause: float, again: bool, wanted: bool
) -> None:
    """From the second on the client comes back for its next piece of work."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.open().poll(2)
    session.close(session.server_station, after=4.0)
    plant.wait(pause)
    plant.tcp(pc, unit).open().poll(1)
    first, second = calls(plant)
    assert (first.came_back, first.wanted) == (again, wanted)
    assert (second.how, second.wanted) == (How.OPEN, False)
    assert first.idle == pytest.approx(4.0, abs=0.1)


def test_a_second_answer_is_not_missed_where_data_follows_the_close() -> None:
    """Nobody sends data behind a close: it was none."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.open()
    session.fin(session.server_station, after=2.0)
    session.send(modbus_answer(1), session.server_station)
    plant.tcp(pc, unit).open()
    assert not calls(plant)[0].wanted


def ignored(session: Session) -> None:
    session.syn(repeats=(1.0, 2.0))


def repeated(session: Session) -> None:
    session.open().poll(1)
    session.send(modbus_read(9), after=1.0)
    session.again(after=0.3)


def closed_in_order(session: Session) -> None:
    repeated(session)
    session.fin(session.server_station, after=1.0)


def reset(session: Session) -> None:
    repeated(session)
    session.rst(session.server_station, after=1.0)


@pytest.mark.parametrize(
    ("act", "count"),
    [(ignored, 3), (repeated, 2), (reset, 2), (closed_in_order, 0), (closed, 0), (refused, 0)],
)
def test_what_nothing_answers_is_the_call_or_the_request_that_waits(
    act: Callable[[Session], object], count: int
) -> None:
    plant, pc, unit = acquainted()
    act(plant.tcp(pc, unit))
    (call,) = calls(plant)
    assert len(call.unanswered) == count


@given(
    st.lists(st.floats(0, 100), min_size=1, max_size=20),
    st.floats(-1, 101),
    st.floats(0.1, 50),
)
def test_questions_about_time_are_answered_as_by_looking_through_all(
    begins: list[float], at: float, seconds: float
) -> None:
    every = [
        Try(What.ARP, None, How.IGNORED, Moment(n, t), Moment(n, t), last_answer=Moment(n, t + 1))
        for n, t in enumerate(sorted(begins), 1)
    ]
    tries, moment = Tries(reversed(every)), Moment(0, at)
    assert list(tries) == every
    assert list(tries.after(moment)) == [one for one in every if one.first > moment]
    assert tries.within(moment, seconds) == any(
        0 < one.first.seconds - at < seconds for one in every
    )
    assert tries.answered_after(moment) == any(
        one.last_answer is not None and one.last_answer > moment for one in every
    )
    assert all(a.first <= b.first for a, b in pairwise(tries))


@given(st.lists(st.integers(0, 20)), st.integers(0, 20), st.integers(0, 20), st.integers(0, 4))
def test_moments_between_two_times_are_found_as_by_looking_at_all(
    seconds: list[int], begin: int, end: int, most: int
) -> None:
    moments = [Moment(number, float(at)) for number, at in enumerate(sorted(seconds), 1)]
    after = Moment(sum(at <= begin for at in seconds), float(begin))
    expected = [one for one in moments if begin < one.seconds <= end][:most]
    assert between(moments, after, float(end), most) == expected


@pytest.mark.parametrize(("polls", "seconds"), [(1, float("inf")), (2, 1.04), (5, 1.04)])
def test_the_interval_of_requests_is_known_from_two_on(polls: int, seconds: float) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(polls)
    (call,) = calls(plant)
    assert call.interval == pytest.approx(seconds, abs=0.01)


@pytest.mark.parametrize("waits", [True, False])
def test_an_answer_is_late_where_the_client_ended_with_its_request_open(waits: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    if waits:
        session.send(modbus_read(3), after=0.5)
    session.fin(after=1.0)
    answer = session.send(modbus_answer(3), unit, after=0.5)
    (call,) = calls(plant)
    assert (call.answered_late is not None) is waits
    assert call.answered_late is None or call.answered_late.frame == plant.number(answer)


@pytest.mark.parametrize("confirms", [True, False])
def test_a_close_may_confirm_all_that_was_sent(confirms: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    before = session.server.expects
    session.send(modbus_read(1), after=0.5)
    session.fin(unit, after=1.0, ack=None if confirms else before)
    (call,) = calls(plant)
    assert call.is_confirmed is confirms
