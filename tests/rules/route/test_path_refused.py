"""path-refused: somebody on the way forbids the PC's packets to the controller."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty
from captures.plant import Plant, Station, modbus_answer, modbus_read
from rules.route.path_refused import IN_CONTROLLER, RULE, SECOND_DEVICE, SWITCHED_OFF
from tests.support import diagnosed, ended, found, lead, left_out, slugs

SLUG = "path-refused"
TOLD = ("198.51.100.60:502",)
told_or_not = pytest.mark.parametrize("controllers", [(), TOLD], ids=["not told", "told"])


def begun() -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, its router, and the controller behind it."""
    plant = Plant()
    pc, router, unit = plant.pc(), plant.station("192.0.2.1"), plant.station("198.51.100.60")
    plant.wait(5)
    plant.resolve(pc, router)
    return plant, pc, router, unit


def near() -> tuple[Plant, Station, Station]:
    """The plant, the PC, and a controller in its own network."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station("192.0.2.60")
    plant.wait(5)
    plant.resolve(pc, unit)
    return plant, pc, unit


@told_or_not
@pytest.mark.parametrize("code", [9, 10, 13])
def test_found_where_the_router_says_prohibited(code: int, controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router)
    said = [plant.unreachable(router, pc, call.syn(), code=code)]
    said.append(plant.unreachable(router, pc, call.again(after=1.0), code=code))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert (str(finding.values["sender"]), finding.values["times"]) == ("192.0.2.1", 2)
    assert (finding.values["elsewhere"], finding.values["pings"]) == (True, 0)
    assert left_out(finding, RULE) == ([IN_CONTROLLER], [SWITCHED_OFF, SECOND_DEVICE])
    asked, *_ = finding.what_to_do
    assert "192.0.2.1 " in asked.text
    assert "192.0.2.15 to 198.51.100.60, TCP port 502" in asked.text
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in said]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "route")
    assert diagnosis.status == FAULT


def test_found_where_pings_pass_and_calls_do_not() -> None:
    plant, pc, router, unit = begun()
    for sequence in range(2):
        plant.ping(pc, unit, sequence, via=router, after=0.5)
        plant.pong(unit, pc, sequence, via=router)
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=13)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["pings"] == 2


def test_found_where_the_controller_itself_says_so() -> None:
    plant, pc, unit = near()
    plant.unreachable(unit, pc, plant.tcp(pc, unit).syn(), code=13)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert str(finding.values["sender"]) == "192.0.2.60"
    assert finding.values["elsewhere"] is False
    assert finding.likely_causes[0] == RULE.likely_causes[IN_CONTROLLER]
    assert left_out(finding, RULE) == ([], [SECOND_DEVICE])


def test_found_by_pings_alone() -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.ping(pc, unit, via=router), code=13)
    finding = found(diagnosed(ended(plant), ("198.51.100.60",)), SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert finding.values["service"] == "pings"


@told_or_not
@pytest.mark.parametrize("answers", [0, 3])
def test_found_where_the_session_opens_and_its_data_is_refused(
    controllers: tuple[str, ...], answers: int
) -> None:
    plant, pc, router, unit = begun()
    said = []
    for _ in range(2):
        session = plant.tcp(pc, unit, via=router).open(after=0.5)
        session.poll(answers)
        sent = session.send(modbus_read(answers + 1), lost=True)
        said.append(plant.unreachable(router, pc, sent, code=13))
        for pause in (0.2, 0.4, 0.8, 1.6):
            again = session.again(lost=True, after=pause)
            said.append(plant.unreachable(router, pc, again, code=13))
        answers = 0
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert (str(finding.values["sender"]), finding.values["times"]) == ("192.0.2.1", 10)
    assert finding.evidence[0].moment.frame == plant.number(said[0])
    (outcome,) = diagnosis.outcomes
    assert outcome.stopped_at == "route"
    assert diagnosis.status == FAULT


@told_or_not
def test_quiet_where_refused_data_is_confirmed_in_the_end(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = begun()
    session = plant.tcp(pc, unit, via=router).open()
    sent = session.send(modbus_read(1), lost=True)
    plant.unreachable(router, pc, sent, code=13)
    session.segment("PA", modbus_read(1), seq=(session.client.next - 12) % 2**32, after=0.3)
    session.send(modbus_answer(1), unit)
    session.ack()
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_one_session_is_refused_and_the_next_answered(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, router, unit = begun()
    session = plant.tcp(pc, unit, via=router).open()
    plant.unreachable(router, pc, session.send(modbus_read(1), lost=True), code=13)
    plant.unreachable(router, pc, session.again(lost=True, after=0.3), code=13)
    plant.tcp(pc, unit, via=router).open(after=1.0).poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


def test_quiet_where_another_sessions_data_is_refused() -> None:
    """The PC's program for something else, in a session with another port."""
    plant, pc, router, unit = begun()
    session = plant.tcp(pc, unit, via=router).open()
    other = plant.tcp(pc, unit, 8080, via=router).open()
    plant.unreachable(router, pc, other.send(b"state?", lost=True), code=13)
    session.send(modbus_read(1), lost=True, after=0.1)
    for pause in (0.2, 0.4, 0.8, 1.6):
        session.again(lost=True, after=pause)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["path-lost"]


def test_port_unreachable_for_a_tcp_call_only_fits() -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=3)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_a_reset_from_another_hardware_address_only_fits() -> None:
    plant, pc, unit = near()
    filters = Station(unit.address, "00:00:5e:00:53:71", ttl=254)
    for pause in (1.0, 4.0):
        call = plant.tcp(pc, unit)
        call.syn(after=pause)
        call.refuse(by=filters)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert (str(finding.values["sender"]), finding.values["times"]) == ("00-00-5E-00-53-71", 2)
    assert left_out(finding, RULE) == ([], [SWITCHED_OFF])


def test_it_fits_where_another_port_is_prohibited_and_nothing_comes_back() -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, 80, via=router).syn(), code=13)
    plant.tcp(pc, unit, via=router).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(ended(plant), TOLD)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_messages_recorded_twice_count_once() -> None:
    plant, pc, router, unit = begun()
    said = plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=13)
    plant.raw(said.data, after=0.0002)
    assert found(diagnosed(ended(plant)), SLUG).values["times"] == 1


@told_or_not
def test_quiet_where_the_port_opens_all_the_same(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=13)
    plant.tcp(pc, unit, via=router).open(after=2.0).poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert (lead(diagnosis), diagnosis.status) == (None, NO_FAULT)


@told_or_not
def test_quiet_about_another_programs_packets(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = begun()
    server = plant.station("203.0.113.9")
    plant.unreachable(router, pc, plant.tcp(pc, server, 443, via=router).syn(), code=13)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_quiet_about_another_stations_packets() -> None:
    plant, pc, router, unit = begun()
    panel = plant.station("192.0.2.20")
    plant.unreachable(router, panel, plant.tcp(panel, unit, via=router).syn(), code=13)
    plant.tcp(pc, unit, via=router).syn(repeats=(1, 2))
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


@pytest.mark.parametrize("what", ["another port", "a ping", "another protocol"])
def test_quiet_about_other_packets_where_the_controller_refuses_itself(what: str) -> None:
    plant, pc, router, unit = begun()
    other = {
        "another port": lambda: plant.tcp(pc, unit, 80, via=router).syn(),
        "a ping": lambda: plant.ping(pc, unit, via=router),
        "another protocol": lambda: plant.datagram(pc, unit, 50001, 502, b"hello", via=router),
    }[what]()
    plant.unreachable(router, pc, other, code=13)
    call = plant.tcp(pc, unit, via=router)
    call.syn(after=1.0)
    call.refuse()
    assert lead(diagnosed(ended(plant), TOLD)) == "port-refused"


def test_quiet_about_a_closed_udp_port() -> None:
    plant, pc, unit = near()
    plant.unreachable(unit, pc, plant.datagram(pc, unit, 50001, 47808, b"hello"), code=3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_controllers_own_reset_has_another_time_to_live() -> None:
    plant, pc, unit = near()
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    call = plant.tcp(pc, unit)
    call.syn(after=1.0)
    call.refuse(by=Station(unit.address, unit.hw, ttl=255))
    assert lead(diagnosed(ended(plant))) == "port-refused"


def test_quiet_about_a_reset_by_way_of_the_router() -> None:
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router)
    call.syn()
    call.refuse()
    assert lead(diagnosed(ended(plant))) == "port-refused"


@pytest.mark.parametrize(
    ("kind", "code"), [(5, 3), (3, 4)], ids=["a better way", "packet too large"]
)
def test_quiet_about_other_messages(kind: int, code: int) -> None:
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router).syn()
    plant.unreachable(router, pc, call, type=kind, code=code)
    assert lead(diagnosed(ended(plant))) == "subnet-mismatch"


def test_quiet_about_a_router_without_a_way() -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=1)
    assert slugs(diagnosed(ended(plant))) == ["router-cannot-deliver"]


def test_quiet_where_nothing_comes_back() -> None:
    plant, pc, unit = near()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant))) == ["port-silent"]


@pytest.mark.parametrize(("code", "told"), [(2, True), (3, True), (0, False), (4, False)])
def test_codes_of_hosts_about_a_tcp_call_only_fit(code: int, told: bool) -> None:
    """No such protocol, no such port: stacks leave that to filters where a TCP port is called."""
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=code)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert (SLUG in slugs(diagnosis)) == told
    if told:
        assert found(diagnosis, SLUG).certainty is Certainty.FITS
