"""port-refused: the controller turns the PC's calls down."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from analyzer.telling import MOST_EVIDENCE
from captures.plant import Plant, Session, Station
from tests.support import (
    TOLD,
    acquainted,
    assert_healthy,
    assert_no_alarm,
    diagnosed,
    ended,
    found,
    lead,
    slugs,
    told_or_not,
)

SLUG = "port-refused"


def refused(session: Session, repeats: int = 0, after: float | None = None) -> None:
    """A call turned down; the PC's system calls `repeats` times more, from the same socket."""
    session.syn(after=after)
    session.refuse(after=0.002)
    for _ in range(repeats):
        session.again(after=0.5)
        session.refuse(after=0.002)


def assert_leads(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "port")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_system_repeats_one_call(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    refused(plant.tcp(pc, unit), repeats=3)
    diagnosis = diagnosed(ended(plant), controllers)
    hardware = diagnosis.case.linkups[0].hardware
    assert_leads(diagnosis, controller=0xC000023C, port=502, attempts=1, calls=4, hardware=hardware)
    assert hardware is not None
    assert str(hardware) in found(diagnosis, SLUG).what_to_do[1].text
    assert [line.moment.frame for line in found(diagnosis, SLUG).evidence] == [6, 7]


def test_found_where_repeats_take_new_sequence_numbers() -> None:
    plant, pc, unit = acquainted()
    for seq in (100, 7_000_000, 2**32 - 1):
        refused(plant.tcp(pc, unit, sport=50_000, client_seq=seq), after=0.5)
    assert_leads(diagnosed(ended(plant)), attempts=1, calls=3, several=True, repeated=True)


def test_found_where_the_program_calls_for_minutes() -> None:
    plant, pc, unit = acquainted()
    for _ in range(90):
        refused(plant.tcp(pc, unit), repeats=1, after=1.5)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert_leads(diagnosis, attempts=90, calls=180)
    assert len(found(diagnosis, SLUG).evidence) == MOST_EVIDENCE


def test_found_on_the_told_port_while_another_works() -> None:
    plant, pc, unit = acquainted()
    page = plant.tcp(pc, unit, 8080).open()
    page.exchange(b"state?", b"ready")
    refused(plant.tcp(pc, unit), repeats=2, after=2.0)
    page.exchange(b"state?", b"ready", after=1.0)
    page.close()
    assert_leads(diagnosed(ended(plant), TOLD), port=502, attempts=1)


def test_found_on_another_port_than_the_told_one() -> None:
    plant, pc, unit = acquainted()
    refused(plant.tcp(pc, unit, 503), repeats=2)
    assert_leads(diagnosed(ended(plant), TOLD), port=503)


def test_found_through_a_router() -> None:
    plant = Plant()
    pc, router = plant.pc(), plant.station("192.0.2.1", ttl=255)
    far = plant.station("198.51.100.60")
    plant.wait(5)
    plant.resolve(pc, router)
    refused(plant.tcp(pc, far, via=router))
    assert_leads(diagnosed(ended(plant)), port=502, hardware=None)


def test_found_without_arp_and_with_packet_ids_of_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Station, "next_packet_id", lambda station: 0)
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    refused(plant.tcp(pc, unit), repeats=2)
    assert_leads(diagnosed(ended(plant)), attempts=1, calls=3)


def test_found_though_the_recording_ends_at_once() -> None:
    """A refusal is seen, not concluded from silence."""
    plant, pc, unit = acquainted()
    refused(plant.tcp(pc, unit))
    plant.chatter()
    assert_leads(diagnosed(plant), attempts=1, several=False, repeated=False)


def test_found_in_frames_recorded_twice() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    for tell, by in ((session.syn, pc), (session.refuse, unit), (session.again, pc)):
        plant.raw(tell(after=0.5).data, by, after=0.0001)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["calls"] == 2


def test_found_with_a_lossy_recorder() -> None:
    plant, pc, unit = acquainted()
    refused(plant.tcp(pc, unit), repeats=2)
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24", drops=40)
    diagnosis = diagnosed(octets)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.SHOWN


def test_found_long_after_the_port_worked() -> None:
    """The service stopped taking sessions, and did not come back within 2 min."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    for _ in range(15):
        refused(plant.tcp(pc, unit), after=10.0)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["attempts"] == 15
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "port")


@told_or_not
def test_quiet_where_the_controller_was_starting(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(8):
        refused(plant.tcp(pc, unit), repeats=1, after=3.0)
    plant.tcp(pc, unit).open(after=3.0).poll(6)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_no_alarm(diagnosis)
    assert slugs(diagnosis) == ["late-start"]


@told_or_not
def test_quiet_where_the_repeat_of_the_same_call_is_accepted(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    refused(session, repeats=1)
    session.again(after=0.5)
    session.syn_ack()
    session.ack()
    session.poll(4)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_program_falls_back_to_another_port() -> None:
    plant, pc, unit = acquainted()
    refused(plant.tcp(pc, unit, 4840), repeats=2)
    session = plant.tcp(pc, unit, 4841).open(after=0.5)
    session.exchange(b"hello", b"welcome")
    session.close()
    assert_healthy(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_a_second_session_is_too_many(controllers: tuple[str, ...]) -> None:
    """The link-up works all the while: that one more session is refused is a note."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    refused(plant.tcp(pc, unit), repeats=2)
    session.poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_no_alarm(diagnosis)
    assert slugs(diagnosis) == ["session-limit"]


@told_or_not
def test_quiet_where_a_quick_new_call_comes_too_soon(controllers: tuple[str, ...]) -> None:
    """Small stacks need a moment to free the only session; the recording ends meanwhile."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    refused(plant.tcp(pc, unit))
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_others_are_refused(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel, scanner = plant.station("192.0.2.20"), plant.station("192.0.2.99")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    refused(plant.tcp(panel, unit), repeats=2)
    for port in (22, 80, 502, 8080):
        refused(plant.tcp(scanner, pc, port), after=0.05)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_office_printer_refuses_the_pc(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    printer = plant.station("192.0.2.90")
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    refused(plant.tcp(pc, printer, 9100), repeats=2)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_a_filter_turns_the_call_down() -> None:
    """The reset comes from another hardware address than the controller's."""
    plant, pc, unit = acquainted()
    wall = Station(unit.address, "00:00:5e:00:53:f0", ttl=255)
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse(by=wall)
    diagnosis = diagnosed(ended(plant))
    assert SLUG not in slugs(diagnosis)
    assert lead(diagnosis) == "path-refused"


@told_or_not
def test_quiet_where_only_the_acceptance_is_missing(controllers: tuple[str, ...]) -> None:
    """A reset behind data ends a session; it refuses none."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    plant.lose(session.syn_ack())
    session.ack()
    session.send(b"goodbye")
    session.rst(unit, after=0.4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert SLUG not in slugs(diagnosis)


def test_quiet_where_the_pc_sends_the_reset() -> None:
    """A program that only looks whether the port is open breaks off itself."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack()
    session.rst()
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == []
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_quiet_where_a_filter_says_so_in_a_message(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    wall = plant.station("192.0.2.2", ttl=255)
    plant.unreachable(wall, pc, plant.tcp(pc, unit).syn(), code=13)
    diagnosis = diagnosed(ended(plant), controllers)
    assert SLUG not in slugs(diagnosis)
    assert lead(diagnosis) == "path-refused"


@told_or_not
def test_quiet_where_the_refused_call_is_repeated_until_it_works(
    controllers: tuple[str, ...],
) -> None:
    """A server that closes its old session first: refused for a moment, after each session."""
    plant, pc, unit = acquainted()
    for _ in range(4):
        refused(plant.tcp(pc, unit), after=0.01)
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(3)
        session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


def worked_and_then_refused(attempts: int) -> Diagnosis:
    """The service ended: one session in good order, and every later call is turned down."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    for _ in range(attempts):
        call = plant.tcp(pc, unit)
        call.syn(after=4.0)
        call.refuse()
    return diagnosed(ended(plant))


def test_found_right_after_the_port_worked_where_it_goes_on() -> None:
    diagnosis = worked_and_then_refused(attempts=3)
    assert slugs(diagnosis) == [SLUG]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_quiet_where_two_attempts_right_after_the_work_are_turned_down() -> None:
    assert SLUG not in slugs(worked_and_then_refused(attempts=2))


@told_or_not
@pytest.mark.parametrize("stranger", [True, False])
def test_quiet_where_a_station_refuses_that_never_claimed_the_address(
    controllers: tuple[str, ...], stranger: bool
) -> None:
    """The controller took calls before: the reset is somebody else's."""
    plant, pc, unit = acquainted()
    other = Station(unit.address, "00:00:5e:00:53:90", ttl=unit.ttl)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    session.close()
    for _ in range(3):
        call = plant.tcp(pc, unit)
        call.syn(after=4.0)
        call.refuse(by=other if stranger else unit)
    assert (SLUG in slugs(diagnosed(ended(plant), controllers))) == (not stranger)


def beside_work(*ports: int, times: int = 4, then: int | None = None) -> Diagnosis:
    """Other ports are called again and again while one works; then: called after each refusal."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(times):
        session.poll(2)
        for port in ports:
            refused(plant.tcp(pc, unit, port), after=4.0)
        if then is not None:
            plant.tcp(pc, unit, then).open(after=0.5).close()
    session.poll(2)
    return diagnosed(ended(plant), TOLD)


@pytest.mark.parametrize("ports", [(503,), (503, 504)])
def test_found_as_a_warning_where_a_port_is_refused_beside_one_that_works(
    ports: tuple[int, ...],
) -> None:
    diagnosis = beside_work(*ports)
    told = [one for one in diagnosis.findings if one.rule == SLUG]
    assert [one.level for one in told] == [Level.WARNING] * len(ports)
    assert [one.values["port"] for one in told] == list(ports)
    assert {one.values["works"] for one in told} == {502}
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]


@pytest.mark.parametrize(("times", "told"), [(2, False), (3, True)])
def test_two_refusals_beside_a_port_that_works_are_no_habit(times: int, told: bool) -> None:
    assert (SLUG in slugs(beside_work(503, times=times))) is told


def test_quiet_where_each_refused_call_is_replaced_at_once() -> None:
    assert_healthy(beside_work(4840, then=502))


@pytest.mark.parametrize("ports", [(80,), (503, 504, 505, 506)])
def test_quiet_about_office_services_and_searches_beside_a_port_that_works(
    ports: tuple[int, ...],
) -> None:
    assert_healthy(beside_work(*ports))


def test_quiet_where_the_other_port_is_taken_in_the_end() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        session.poll(2)
        refused(plant.tcp(pc, unit, 503), after=4.0)
    plant.tcp(pc, unit, 503).open(after=4.0).poll(2)
    assert_healthy(diagnosed(ended(plant), TOLD))
