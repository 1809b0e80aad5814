"""What the PC tried, and how each try ended."""

from collections.abc import Callable

import pytest

from analyzer.linkup import How, Try
from captures.plant import Plant, Session
from tests.support import acquainted, diagnosed, ended


def tries(plant: Plant) -> list[Try]:
    (outcome,) = diagnosed(ended(plant), ["192.0.2.60:502"]).outcomes
    return outcome.tries


def refused(session: Session) -> None:
    session.syn()
    session.refuse()


def unfinished(session: Session) -> None:
    session.syn()
    session.syn_ack(after=3.0)
    session.rst(bare=True)


def mute(session: Session) -> None:
    session.open()
    session.send(b"ask")
    session.ack(session.server_station)


def broken(session: Session) -> None:
    session.open().poll(2)
    session.rst(session.server_station, after=1.0)


def closed(session: Session) -> None:
    session.open().poll(2)
    session.close()


@pytest.mark.parametrize(
    ("act", "ending", "answers"),
    [
        (lambda session: session.syn(repeats=(1.0, 2.0)), How.IGNORED, 0),
        (refused, How.REFUSED, 0),
        (unfinished, How.TURNED_DOWN, 0),
        (mute, How.MUTE, 0),
        (broken, How.RESET, 2),
        (closed, How.CLOSED, 2),
        (lambda session: session.open().poll(2), How.OPEN, 2),
    ],
)
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
