"""call-back-refused: the controller calls the PC, and the PC does not take the call."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station
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

SLUG = "call-back-refused"
PORT = 50_002
"""Of the PC's program in these stories."""


def asked_to_call_back() -> tuple[Plant, Station, Station, Session]:
    """The PC hands a program to the controller, which only confirms it, and will call back."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 30_002).open()
    session.send(b"call 192.0.2.15 port 50002")
    session.ack(unit)
    return plant, pc, unit, session


def assert_leads(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "port")
    assert diagnosis.status == FAULT


@pytest.mark.parametrize("controllers", [(), ("192.0.2.60:30002",)], ids=["not told", "told"])
def test_found_where_no_program_listens(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _ = asked_to_call_back()
    for _ in range(3):
        call = plant.tcp(unit, pc, PORT)
        call.syn(after=1.0)
        call.refuse()
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, port=PORT, calls=3, refused=3, forbidden=0, silent=False)
    assert len(found(diagnosis, SLUG).evidence) == 6


@pytest.mark.parametrize("controllers", [(), ("192.0.2.60:30002",)], ids=["not told", "told"])
def test_found_where_a_firewall_on_the_pc_keeps_silent(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _ = asked_to_call_back()
    plant.tcp(unit, pc, PORT).syn(repeats=(1, 2, 4))
    assert_leads(diagnosed(ended(plant), controllers), calls=4, refused=0, forbidden=0, silent=True)


def test_found_with_a_lossy_recorder_only_as_fitting() -> None:
    plant, pc, unit, _ = asked_to_call_back()
    plant.tcp(unit, pc, PORT).syn(repeats=(1, 2, 4))
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24", drops=9)
    assert found(diagnosed(octets), SLUG).certainty is Certainty.FITS


def test_found_where_a_firewall_on_the_pc_says_so() -> None:
    plant, pc, unit, _ = asked_to_call_back()
    call = plant.tcp(unit, pc, PORT).syn()
    plant.unreachable(pc, unit, call, code=10)
    assert_leads(diagnosed(ended(plant)), calls=1, refused=0, forbidden=1)


def test_found_where_only_the_controller_calls() -> None:
    plant, pc, unit = begun()
    plant.resolve(unit, pc)
    call = plant.tcp(unit, pc, PORT, client_seq=2**32 - 1)
    call.syn()
    call.refuse()
    assert_leads(diagnosed(ended(plant), ["192.0.2.60"]), calls=1, refused=1)


def test_found_behind_a_vlan_tag_and_recorded_twice() -> None:
    plant, pc, unit, _ = asked_to_call_back()
    call = plant.tcp(unit, pc, PORT)
    with plant.tagged(0, priority=5):
        plant.raw(call.syn().data, unit, after=0.0001)
        call.refuse()
    assert_leads(diagnosed(ended(plant)), calls=1, refused=1)


def test_found_as_a_warning_where_the_link_up_works() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.tcp(unit, pc, PORT).syn(repeats=(1, 2))
    session.poll(2)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == NO_FAULT


@told_or_not
@pytest.mark.parametrize("port", [80, 123, 135, 139, 445, 3389])
def test_quiet_where_an_office_service_of_the_pc_is_called(
    port: int, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for repeats in ((), (1, 2)):
        call = plant.tcp(unit, pc, port)
        call.syn(repeats)
        if not repeats:
            call.refuse()
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_program_starts_a_moment_later(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for _ in range(3):
        call = plant.tcp(unit, pc, PORT)
        call.syn(after=1.0)
        call.refuse()
    plant.tcp(unit, pc, PORT).open(after=1.0).exchange(b"ready?", b"ready")
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_one_call_is_lost(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.tcp(unit, pc, PORT).syn()
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_others_call_the_pc(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for port in (22, PORT, 50_003):
        call = plant.tcp(panel, pc, port)
        call.syn()
        call.refuse()
    plant.tcp(panel, pc, PORT).syn(repeats=(1, 2, 4))
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_calls_another_station(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.tcp(unit, panel, PORT).syn(repeats=(1, 2, 4))
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_call_is_taken(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    back = plant.tcp(unit, pc, PORT)
    back.syn(repeats=(1,))
    back.syn_ack()
    back.ack()
    back.exchange(b"ready?", b"ready")
    back.rst(pc)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_found_as_soon_as_the_controller_has_repeated_its_call_twice() -> None:
    plant, pc, unit, _ = asked_to_call_back()
    plant.tcp(unit, pc, PORT).syn(repeats=(1, 2))
    assert SLUG in slugs(diagnosed(ended(plant, 1.0)))


def test_quiet_where_the_recording_ends_after_the_first_repeat() -> None:
    plant, pc, unit, _ = asked_to_call_back()
    plant.tcp(unit, pc, PORT).syn(repeats=(1,))
    assert SLUG not in slugs(diagnosed(ended(plant, 1.0)))


def test_quiet_where_the_call_is_taken_on_its_repeat_after_a_refusal() -> None:
    """The PC's program opens its port between two calls."""
    plant, pc, unit, _ = asked_to_call_back()
    call = plant.tcp(unit, pc, PORT)
    call.syn()
    call.refuse()
    call.again(after=1.0)
    call.syn_ack()
    call.ack()
    call.exchange(b"ready?", b"ready")
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_pcs_message_is_about_another_port() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.unreachable(pc, unit, plant.tcp(unit, pc, 139).syn(), code=10)
    plant.tcp(unit, pc, PORT).syn()
    session.poll(2)
    assert_healthy(diagnosed(ended(plant)))
