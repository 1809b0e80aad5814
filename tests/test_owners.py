"""Who uses an address, whom the PC hears, and what it sent in vain."""

import pytest

from analyzer.linkup import LinkUp
from captures.layouts import Record
from captures.plant import Plant, Station, modbus_read
from tests.support import TOLD, acquainted, begun, diagnosed, ended


def linkup_of(plant: Plant) -> LinkUp:
    (outcome,) = diagnosed(plant, TOLD).outcomes
    return outcome.linkup


def assert_in_vain(plant: Plant, sent: list[Record]) -> None:
    in_vain = linkup_of(ended(plant)).in_vain
    assert [one.frame for one in in_vain] == [plant.number(one) for one in sent]


def test_questions_since_the_last_reply_are_in_vain() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.reply(unit, pc)
    asked = plant.ask(pc, unit, after=5.0)
    assert_in_vain(plant, asked)


def test_calls_are_in_vain_with_their_repeats() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn(repeats=(1, 2))
    vain = linkup_of(ended(plant)).in_vain
    assert len(vain) == 3


def test_a_call_that_is_refused_or_taken_is_not_in_vain() -> None:
    plant, pc, unit = acquainted()
    refused = plant.tcp(pc, unit)
    refused.syn()
    refused.refuse()
    plant.tcp(pc, unit).open().poll(2)
    assert_in_vain(plant, [])


@pytest.mark.parametrize("confirmed", [False, True])
def test_a_request_is_in_vain_that_nobody_confirms(confirmed: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    sent = [session.send(modbus_read(9), lost=not confirmed, after=1.0)]
    if confirmed:
        session.ack(unit)
    else:
        sent += [session.again(lost=True, after=pause) for pause in (0.3, 0.6)]
    assert_in_vain(plant, [] if confirmed else sent)


def test_pings_are_in_vain_after_the_last_reply() -> None:
    plant, pc, unit = acquainted()
    plant.ping(pc, unit, 1, after=1.0)
    plant.pong(unit, pc, 1, after=0.01)
    sent = plant.ping(pc, unit, 2, after=1.0)
    assert_in_vain(plant, [sent])


def test_others_are_heard_in_spans() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    panel, began = plant.station("192.0.2.20"), 10.0
    for pause in (began, 1.0, 9.0):
        plant.announce(panel, times=1, after=pause)
    plant.ask(pc, unit, times=1, after=15.0)
    heard = linkup_of(plant).pc.hears
    spans = [(began - 1, began + 0.1), (began + 0.5, began + 0.6), (began + 1, began + 2)]
    gaps = [(0.0, began - 1), (began + 2, began + 9), (began + 40, began + 99)]
    assert [heard(*one) for one in spans] == [True] * len(spans)
    assert [heard(*one) for one in gaps] == [False] * len(gaps)
    assert heard(began + 2, began + 11)


def test_an_address_is_used_by_who_claims_it_or_sends_with_it() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    claimed = plant.announce(unit, times=1)[0]
    other = Station(unit.address, "00:00:5e:00:53:61")
    sent = plant.ping(other, pc, 1, after=1.0)
    linkup = linkup_of(ended(plant))
    users = [(at.frame, str(who)) for at, who in linkup.facts.index.users[linkup.controller]]
    first = (plant.number(claimed), "00-00-5E-00-53-60")
    then = (plant.number(sent), "00-00-5E-00-53-61")
    assert users == [first, first, then, then]
    assert linkup.owners == [linkup.hardware]
