"""acceptance-unheard: the controller accepts, and the PC never takes that up."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, State
from analyzer.findings import Certainty
from captures.plant import Plant, Session, Station, modbus_read
from rules.session.acceptance_unheard import (
    DAMAGED,
    FILTER,
    GAVE_UP,
    LOST,
    ONE_SIDED,
    OTHER_WAY,
    OWN_NETWORK,
    RULE,
    SEARCH,
)
from tests.support import (
    TOLD,
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "acceptance-unheard"


def accept(session: Session, **more: object) -> None:
    session.syn_ack(**{"seq": session.server_seq, **more})


def unheard(session: Session, calls_on: bool = True) -> Session:
    """Accepted four times, each a while after the one before; the PC may call again meanwhile."""
    session.syn()
    accept(session)
    for pause in (1.0, 2.0, 4.0):
        if calls_on:
            session.again(after=pause)
        accept(session, after=0.01 if calls_on else pause)
    return session


def at_a_mirror() -> tuple[Plant, Station, Station]:
    """Nothing tells that the PC recorded: its checksums are finished, as on a cable."""
    plant = Plant(offload=False)
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    plant.resolve(pc, unit)
    return plant, pc, unit


@told_or_not
@pytest.mark.parametrize("calls_on", [True, False])
def test_found_where_the_pc_never_confirms(controllers: tuple[str, ...], calls_on: bool) -> None:
    plant, pc, unit = acquainted()
    unheard(plant.tcp(pc, unit), calls_on)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert finding.values["calls"] == (4 if calls_on else 1)
    assert (finding.values["accepted"], finding.values["port"]) == (4, 502)
    assert finding.values["span"] == pytest.approx(7, abs=0.1)
    alike = [ONE_SIDED, *([GAVE_UP] if calls_on else []), SEARCH]
    assert left_out(finding, RULE) == ([OWN_NETWORK, OTHER_WAY, LOST], alike)
    (outcome,) = diagnosis.outcomes
    assert outcome.stopped_at == "session"
    assert [one.state for one in outcome.stages[:5]] == [State.PASSED] * 5
    assert diagnosis.status == FAULT


def test_found_once_for_a_program_that_calls_again_and_again() -> None:
    plant, pc, unit = acquainted()
    for _ in range(5):
        unheard(plant.tcp(pc, unit))
        plant.wait(3)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.values["calls"], finding.values["accepted"]) == (20, 20)


def test_found_where_the_pc_is_not_the_recorder() -> None:
    """That it calls again shows that it heard nothing; why is open."""
    plant, pc, unit = at_a_mirror()
    unheard(plant.tcp(pc, unit))
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert finding.likely_causes[0] == RULE.likely_causes[LOST]
    assert left_out(finding, RULE) == ([OWN_NETWORK, OTHER_WAY], [ONE_SIDED, GAVE_UP, SEARCH])


def test_found_where_another_station_is_marked_as_the_pc_is() -> None:
    """Recorded at a switch port, say: the PC may not have got the acceptance."""
    plant, pc, unit = acquainted()
    panel = plant.pc("192.0.2.21")
    plant.datagram(panel, "192.0.2.255", 50000, 50000, b"running")
    unheard(plant.tcp(pc, unit))
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    finding = found(diagnosed(octets, TOLD), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[LOST]
    assert RULE.what_to_do[0].about == LOST
    assert finding.what_to_do[0].text == RULE.what_to_do[0].text


def test_found_with_less_certainty_where_the_pcs_frames_may_be_missing() -> None:
    plant, pc, unit = at_a_mirror()
    unheard(plant.tcp(pc, unit), calls_on=False)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.certainty is Certainty.FITS
    assert left_out(finding, RULE) == ([OWN_NETWORK, OTHER_WAY], [SEARCH])


def test_found_where_the_pc_says_that_it_takes_no_such_packet() -> None:
    plant, pc, unit = at_a_mirror()
    session = plant.tcp(pc, unit)
    session.syn()
    for pause in (0.01, 1.0, 2.0):
        accepted = session.syn_ack(seq=session.server_seq, after=pause)
        plant.unreachable(pc, unit, accepted, code=13)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.values["said"] == 3
    assert finding.likely_causes[0] == RULE.likely_causes[FILTER]
    assert left_out(finding, RULE) == ([OWN_NETWORK, OTHER_WAY, LOST], [ONE_SIDED, GAVE_UP, SEARCH])


def test_found_where_the_acceptance_comes_from_elsewhere() -> None:
    """Two routers: the call goes by one, the acceptance comes by the other."""
    plant, pc, _ = begun()
    there, back = plant.station("192.0.2.1"), plant.station("192.0.2.2")
    far = plant.station("198.51.100.61")
    plant.resolve(pc, there)
    session = plant.tcp(pc, far)
    session.via = there
    session.syn()
    session.via = back
    for pause in (0.01, 1.0, 2.0):
        accept(session, after=pause)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert [str(one) for one in finding.values["other"]] == ["00-00-5E-00-53-02"]
    assert [str(one) for one in finding.values["sent_to"]] == ["00-00-5E-00-53-01"]
    assert finding.likely_causes[0] == RULE.likely_causes[OTHER_WAY]


def test_found_with_less_certainty_where_the_recorder_lost_frames() -> None:
    plant, pc, unit = acquainted()
    unheard(plant.tcp(pc, unit), calls_on=False)
    octets = ended(plant).pcapng(drops=3)
    assert found(diagnosed(octets), SLUG).certainty is Certainty.FITS


def test_found_on_a_call_after_a_session_that_worked() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    unheard(plant.tcp(pc, unit))
    assert lead(diagnosed(ended(plant))) == SLUG


def reset_and_called_on(session: Session, pauses: tuple[float, ...] = (1.0, 2.0)) -> Session:
    """The PC's system resets each acceptance at once, and the program's socket calls on."""
    session.syn()
    accept(session)
    session.rst(bare=True)
    for pause in pauses:
        session.again(after=pause)
        accept(session)
        session.rst(bare=True)
    return session


@told_or_not
def test_found_where_the_pcs_system_resets_each_acceptance(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        reset_and_called_on(plant.tcp(pc, unit))
        plant.wait(1)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert [finding.values[one] for one in ("calls", "accepted", "resets")] == [6, 6, 6]
    assert finding.likely_causes[0] == RULE.likely_causes[FILTER]
    assert left_out(finding, RULE) == ([OTHER_WAY, LOST, DAMAGED], [ONE_SIDED, GAVE_UP])


def test_found_where_a_single_call_is_reset_and_made_again_right_before_the_end() -> None:
    """Two acceptances in 1 s are too few to tell; the fault fits once the recording goes on."""
    plant, pc, unit = acquainted()
    reset_and_called_on(plant.tcp(pc, unit), pauses=(1.0,))
    assert SLUG not in slugs(diagnosed(plant))
    assert lead(diagnosed(ended(plant))) == SLUG


def test_quiet_where_the_pc_turns_a_late_acceptance_down() -> None:
    """It called again meanwhile, and gave up before the acceptance came."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn(repeats=(1.0, 2.0))
    accept(session, after=2.0)
    session.rst(bare=True)
    accept(session, after=0.01)
    session.rst(bare=True)
    assert lead(diagnosed(ended(plant))) == "pc-gave-up"


def test_quiet_where_ports_are_probed_from_one_socket_again_and_again() -> None:
    """Each probe has a number of its own, and ends with its reset."""
    plant, pc, unit = acquainted()
    for number in range(4):
        probe = plant.tcp(pc, unit, sport=50_123, client_seq=9000 + 1000 * number)
        probe.syn()
        probe.syn_ack()
        probe.rst(bare=True)
        plant.wait(1)
    diagnosis = diagnosed(ended(plant))
    assert (slugs(diagnosis), diagnosis.status) == ([], CANNOT_TELL)


def test_quiet_where_a_port_is_probed_with_one_number_beside_a_session() -> None:
    """Crafted calls are alike to the octet; the session shows that acceptances are heard."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    probe = plant.tcp(pc, unit)
    reset_and_called_on(probe, pauses=(3.0, 3.0))
    session.poll(3)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_where_the_confirmation_is_late() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    for pause in (0.01, 1.0, 2.0, 4.0):
        accept(session, after=pause)
    session.ack(after=0.5)
    session.poll(3)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_where_the_pc_turns_it_down() -> None:
    """As a search for open ports does, and a program that gave up."""
    plant, pc, unit = acquainted()
    for _ in range(4):
        session = plant.tcp(pc, unit)
        session.syn()
        session.syn_ack()
        session.rst(bare=True)
        plant.wait(1)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_one_acceptance_is_all() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack()
    diagnosis = diagnosed(ended(plant))
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.status == CANNOT_TELL


def test_quiet_where_the_recording_ends_at_once() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    accept(session)
    accept(session, after=1.0)
    assert SLUG not in slugs(diagnosed(plant))


def one_sided(plant: Plant, session: Session) -> None:
    """The PC's confirmation and its requests are missing; the controller confirms those."""
    session.syn()
    accept(session)
    plant.lose(session.ack())
    for _ in range(4):
        plant.lose(session.send(modbus_read(1), after=1.0))
        session.ack(session.server_station, after=0.01)


def test_quiet_where_the_pcs_frames_are_not_recorded() -> None:
    plant, pc, unit = acquainted()
    one_sided(plant, plant.tcp(pc, unit))
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_controller_only_resets_what_it_accepted() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack()
    session.rst(session.server_station, after=1.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_about_a_session_from_before_the_recording() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    plant.lose(session.syn())
    accept(session)
    accept(session, after=1.0)
    session.ack()
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_a_later_call_opens() -> None:
    plant, pc, unit = acquainted()
    unheard(plant.tcp(pc, unit))
    plant.tcp(pc, unit).open(after=3.0).poll(3)
    diagnosis = diagnosed(ended(plant))
    assert SLUG not in slugs(diagnosis)
