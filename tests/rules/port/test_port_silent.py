"""port-silent: the PC calls, and nothing says yes or no."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty
from analyzer.telling import MOST_EVIDENCE
from captures.plant import Plant, Station
from rules.port.port_silent import NO_GATEWAY, NO_WAY_BACK, OFF, RULE
from tests.support import (
    TOLD,
    assert_healthy,
    assert_no_alarm,
    begun,
    diagnosed,
    ended,
    found,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "port-silent"
KERNEL, DESKTOP, IMPATIENT = (1, 2, 4, 8), (3, 6), ()
"""Seconds between the tries of one call, by system and by program."""


def looked_for(plant: Plant, pc: Station) -> None:
    """Only the PC itself is heard at the end of the recording."""
    plant.datagram(pc, "192.0.2.255", 137, 137, b"who is there", after=8.0)


def pinged(plant: Plant, pc: Station, unit: Station, **more: Station) -> None:
    plant.ping(pc, unit, **more)
    plant.pong(unit, pc, **more)


def assert_leads(diagnosis: Diagnosis, certainty: Certainty, **values: object) -> None:
    assert lead(diagnosis) == SLUG
    finding = found(diagnosis, SLUG)
    assert finding.certainty is certainty
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "port")
    assert diagnosis.status == FAULT


@told_or_not
@pytest.mark.parametrize("repeats", [KERNEL, DESKTOP, IMPATIENT])
def test_found_while_a_ping_is_answered(
    controllers: tuple[str, ...], repeats: tuple[float, ...]
) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    pinged(plant, pc, unit)
    plant.tcp(pc, unit).syn(repeats, after=2.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    sure = Certainty.SHOWN if repeats else Certainty.FITS
    told = {"calls": 1 + len(repeats), "attempts": 1, "repeats": len(repeats)}
    assert_leads(diagnosis, sure, **told, port=502)
    finding = found(diagnosis, SLUG)
    assert finding.values["pings"] > 0
    assert finding.values["span"] == pytest.approx(sum(repeats))
    assert left_out(finding, RULE) == ([NO_WAY_BACK], [OFF, NO_GATEWAY])


def test_found_where_only_arp_is_answered_and_nobody_else_is_there() -> None:
    """A direct cable: after the controller's ARP reply nothing is heard."""
    plant, pc, unit = begun()
    looked_for(plant, pc)
    plant.resolve(pc, unit, after=4.0)
    plant.tcp(pc, unit).syn(KERNEL)
    looked_for(plant, pc)
    diagnosis = diagnosed(plant)
    assert_leads(diagnosis, Certainty.SHOWN)
    assert [line.moment.frame for line in found(diagnosis, SLUG).evidence] == [3, 4, 5, 6, 7, 8]
    assert left_out(found(diagnosis, SLUG), RULE) == ([], [OFF, NO_GATEWAY])


def test_pings_without_an_answer_are_not_told() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.ping(pc, unit)
    plant.tcp(pc, unit).syn(KERNEL)
    assert found(diagnosed(ended(plant)), SLUG).values["pings"] == 0


def test_found_where_the_hardware_address_was_known_before() -> None:
    """Nothing of the controller is heard: it may as well be off."""
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(KERNEL)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS)


def test_found_with_less_certainty_once_nobody_is_heard_any_more() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.wait(20)
    plant.chatter()
    plant.tcp(pc, unit).syn(KERNEL, after=10.0)
    looked_for(plant, pc)
    assert_leads(diagnosed(plant), Certainty.FITS)


def test_found_with_less_certainty_long_after_the_last_sign_of_life() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.wait(300)
    plant.tcp(pc, unit).syn(KERNEL)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS)


def test_found_where_the_program_calls_again_and_again() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    for _ in range(30):
        plant.tcp(pc, unit).syn((1,), after=4.0)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert_leads(diagnosis, Certainty.SHOWN, calls=60)
    assert len(found(diagnosis, SLUG).evidence) == MOST_EVIDENCE


@told_or_not
def test_found_on_the_told_port_while_another_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    page = plant.tcp(pc, unit, 80).open()
    page.exchange(b"GET /", b"200")
    plant.tcp(pc, unit).syn(KERNEL)
    page.exchange(b"GET /", b"200")
    assert_leads(diagnosed(ended(plant), TOLD), Certainty.SHOWN, port=502)


def test_found_on_another_port_than_the_told_one() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit, 5020).syn(KERNEL)
    assert_leads(diagnosed(ended(plant), TOLD), Certainty.SHOWN, port=5020)


def test_found_through_a_router_that_reaches_the_controller() -> None:
    plant, pc, _ = begun()
    router, far = plant.station("192.0.2.1", ttl=255), plant.station("198.51.100.61")
    plant.resolve(pc, router)
    pinged(plant, pc, far, via=router)
    plant.tcp(pc, far, via=router).syn(KERNEL)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN)


def test_found_without_hardware_addresses() -> None:
    plant, pc, unit = begun()
    pinged(plant, pc, unit)
    plant.tcp(pc, unit).syn(KERNEL)
    diagnosis = diagnosed(ended(plant), link_type=101)
    assert_leads(diagnosis, Certainty.SHOWN)


def test_found_with_less_certainty_where_the_recorder_lost_frames() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(KERNEL)
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24", drops=3)
    assert_leads(diagnosed(octets), Certainty.FITS)


def test_found_with_less_certainty_where_the_recording_began_with_the_call() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(KERNEL)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS)


def test_found_in_frames_recorded_twice() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit)
    for pause in (0.1, 1.0, 2.0):
        record = session.again(after=pause) if session.client.last[0] else session.syn(after=pause)
        plant.raw(record.data, by=pc, after=0.0001)
    assert_leads(diagnosed(ended(plant)), Certainty.SHOWN, calls=3)


def test_found_long_after_the_port_worked() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    for _ in range(15):
        plant.tcp(pc, unit).syn((1, 2), after=10.0)
        pinged(plant, pc, unit)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_found_right_after_the_port_worked() -> None:
    """The session was closed in good order; the next call gets nothing."""
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    calls = plant.tcp(pc, unit).syn((1, 2), after=0.5)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert plant.number(calls) in {one.moment.frame for one in found(diagnosis, SLUG).evidence}
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_quiet_where_the_call_after_the_work_is_taken_later() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    plant.tcp(pc, unit).syn((1,), after=0.5)
    plant.tcp(pc, unit).open(after=2.0).poll(2)
    assert_healthy(diagnosed(ended(plant)))


@told_or_not
def test_found_where_four_calls_in_seven_seconds_are_all_there_is(
    controllers: tuple[str, ...],
) -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn((1, 2, 4))
    assert_leads(diagnosed(plant, controllers), Certainty.FITS, calls=4)


def test_found_where_the_recording_ends_with_the_second_repeat() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn((1, 2))
    assert_leads(diagnosed(plant), Certainty.FITS, calls=3)


@told_or_not
def test_quiet_where_the_recording_ends_too_soon(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn((1,))
    diagnosis = diagnosed(ended(plant, 3), controllers)
    assert slugs(diagnosis) == ["stopped-early"]
    assert diagnosis.status == CANNOT_TELL


def test_quiet_where_one_call_is_sent_right_before_the_end() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn()
    assert slugs(diagnosed(ended(plant, 4))) == ["stopped-early"]


def test_quiet_where_the_port_is_refused_once_the_controller_has_started() -> None:
    """It is silent at first, and then its network is up and the service is not."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn((1, 2))
    for _ in range(3):
        call = plant.tcp(pc, unit)
        call.syn(after=4.0)
        call.refuse()
    assert slugs(diagnosed(ended(plant))) == ["port-refused"]


@told_or_not
def test_quiet_where_a_repeated_call_is_accepted(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit)
    session.syn((1, 2, 4))
    session.syn_ack()
    session.ack()
    session.poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_no_alarm(diagnosis)
    assert slugs(diagnosis) == ["late-start"]


@told_or_not
def test_quiet_where_the_controller_was_starting(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    for _ in range(3):
        plant.tcp(pc, unit).syn((1, 2), after=5.0)
    refusal = plant.tcp(pc, unit)
    refusal.syn(after=5.0)
    refusal.refuse()
    plant.tcp(pc, unit).open(after=5.0).poll(5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_no_alarm(diagnosis)
    assert slugs(diagnosis) == ["late-start"]


@told_or_not
def test_quiet_where_the_acceptance_comes_too_late(controllers: tuple[str, ...]) -> None:
    """Slow, not silent: the PC had given up and turns the acceptance down."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn((1, 2))
    for _ in range(3):
        session = plant.tcp(pc, unit)
        session.syn((1,), after=3.0)
        session.syn_ack(after=3.0)
        session.rst(bare=True)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["pc-gave-up"]


@told_or_not
def test_quiet_where_an_older_session_is_still_held(controllers: tuple[str, ...]) -> None:
    """The controller answers with an odd acknowledgement; the PC clears it and calls again."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit)
    session.syn()
    session.ack(unit, seq=4_000_000_000, ack=77)
    session.rst(bare=True, seq=77)
    session.again(after=1.0)
    session.syn_ack()
    session.ack()
    session.poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["half-open-session"]
    assert diagnosis.status == NO_FAULT


@pytest.mark.parametrize(
    ("code", "leads"), [(1, "router-cannot-deliver"), (13, "path-refused")], ids=["lost", "barred"]
)
def test_quiet_where_a_message_says_why(code: int, leads: str) -> None:
    plant, pc, _ = begun()
    router, far = plant.station("192.0.2.1", ttl=255), plant.station("198.51.100.61")
    plant.resolve(pc, router)
    plant.unreachable(router, pc, plant.tcp(pc, far, via=router).syn(), code=code)
    diagnosis = diagnosed(ended(plant))
    assert SLUG not in slugs(diagnosis)
    assert lead(diagnosis) == leads


def test_quiet_where_the_controller_is_in_another_network() -> None:
    plant, pc, _ = begun()
    router, far = plant.station("192.0.2.1", ttl=255), plant.station("198.51.100.61")
    plant.resolve(pc, router)
    plant.tcp(pc, far, via=router).syn(KERNEL)
    diagnosis = diagnosed(ended(plant))
    assert SLUG not in slugs(diagnosis)
    assert lead(diagnosis) == "subnet-mismatch"


def test_quiet_where_nothing_at_all_is_heard() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(KERNEL)
    looked_for(plant, pc)
    diagnosis = diagnosed(plant)
    assert SLUG not in slugs(diagnosis)
    assert lead(diagnosis) == "nothing-heard"


def test_quiet_where_nobody_has_the_hardware_address_any_more() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn((1, 2))
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant))
    assert SLUG not in slugs(diagnosis)
    assert lead(diagnosis) == "unanswered-arp"


def test_quiet_where_an_optional_port_is_tried_first() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit, 802).syn((1,))
    session = plant.tcp(pc, unit).open(after=2.0)
    session.poll(4)
    assert_healthy(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_a_second_session_gets_no_answer(controllers: tuple[str, ...]) -> None:
    """The link-up works all the while."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    with plant.at(6.0):
        plant.tcp(pc, unit).syn((1, 2))
    session.poll(9)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_no_alarm(diagnosis)
    assert slugs(diagnosis) == ["session-limit"]


@told_or_not
def test_quiet_where_only_the_pcs_own_frames_were_recorded(controllers: tuple[str, ...]) -> None:
    """The PC goes on to confirm and to ask: it was answered, and the file lacks that direction."""
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit)
    session.syn()
    plant.lose(session.syn_ack())
    session.ack()
    for _ in range(5):
        session.send(b"ask", after=1.0)
        plant.lose(session.send(b"answer", unit))
        session.ack()
    diagnosis = diagnosed(ended(plant), controllers)
    assert [one for one in slugs(diagnosis) if found(diagnosis, one).level == "fault"] == []
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_where_other_stations_get_no_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.tcp(panel, drive).syn((1, 2, 4))
    plant.tcp(panel, unit).syn((1, 2, 4))
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_an_office_server_is_silent(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    server = plant.station("192.0.2.8")
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.tcp(pc, server, 445).syn((1, 2, 4))
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))
