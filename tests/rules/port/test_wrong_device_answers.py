"""wrong-device-answers: a station that is not the controller answers at its address."""

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.facts import Hardware
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from rules.port.wrong_device_answers import RULE, SHEET
from tests.support import (
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    labelled,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "wrong-device-answers"
PRINTER = "00:00:5e:00:53:90"


def with_printer() -> tuple[Plant, Station, Station, Station, Station]:
    """The plant, PC, controller and printer, and the printer as it answers for the controller."""
    plant, pc, unit = acquainted()
    printer = plant.station("192.0.2.90", PRINTER)
    plant.resolve(printer, pc)
    return plant, pc, unit, printer, Station(unit.address, PRINTER)


def refused_by(session: Session, by: Station) -> None:
    session.syn()
    session.refuse(by=by)


def through_router(plant: Plant, pc: Station, router: Station) -> None:
    """The router brings packets of three stations in other networks to the PC."""
    for address in ("198.51.100.7", "198.51.100.8", "203.0.113.9"):
        far = Station(address, router.hw)
        plant.ping(pc, far, via=router)
        plant.pong(far, pc, via=router)


def assert_leads(diagnosis: Diagnosis, device: str, claimant: str) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert finding.values["device"] == Hardware(int(device.replace(":", ""), 16))
    assert finding.values["claimant"] == Hardware(int(claimant.replace(":", ""), 16))
    one = device == claimant
    assert (finding.values["same"], finding.values["another"]) == (one, not one)
    compared = finding.what_to_do[0].text
    assert compared.count(str(finding.values["device"])) == 1
    assert compared.count(str(finding.values["claimant"])) == 1
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "port")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_a_printer_refuses_the_call(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, printer, impostor = with_printer()
    refused_by(plant.tcp(pc, unit), impostor)
    assert_leads(diagnosed(ended(plant), controllers), printer.hw, unit.hw)


@told_or_not
def test_found_where_a_printer_accepts_and_does_not_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, printer, impostor = with_printer()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack(by=impostor)
    session.ack()
    session.send(modbus_read(1))
    session.ack(impostor)
    assert_leads(diagnosed(ended(plant), controllers), printer.hw, unit.hw)


def test_found_where_the_address_is_that_of_the_router_that_forwards() -> None:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1", ttl=255)
    plant.resolve(pc, router)
    through_router(plant, pc, router)
    refused_by(plant.tcp(pc, router), router)
    diagnosis = diagnosed(ended(plant), ["192.0.2.1:502"])
    assert_leads(diagnosis, router.hw, router.hw)
    assert found(diagnosis, SLUG).values["others"] == 3


def test_found_where_the_address_server_names_it_as_the_router() -> None:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1", ttl=255)
    plant.lease(pc, router, router="192.0.2.1")
    plant.resolve(pc, router)
    refused_by(plant.tcp(pc, router), router)
    assert_leads(diagnosed(ended(plant), ["192.0.2.1:502"]), router.hw, router.hw)


@told_or_not
def test_quiet_where_the_controller_itself_refuses(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _, _ = with_printer()
    refused_by(plant.tcp(pc, unit), unit)
    assert slugs(diagnosed(ended(plant), controllers)) == ["port-refused"]


def test_quiet_where_a_filter_without_an_address_of_its_own_refuses() -> None:
    plant, pc, unit = acquainted()
    refused_by(plant.tcp(pc, unit), Station(unit.address, "00:00:5e:00:53:f0", ttl=255))
    assert slugs(diagnosed(ended(plant))) == ["path-refused"]


@told_or_not
def test_quiet_where_a_second_adapter_answers(controllers: tuple[str, ...]) -> None:
    """One device with two adapters and two addresses: what counts is that it answers."""
    plant, pc, unit, _, second = with_printer()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack(by=second)
    session.ack()
    for turn in range(3):
        session.send(modbus_read(turn), after=1.0)
        session.send(modbus_answer(turn), second)
    session.ack()
    diagnosis = diagnosed(ended(plant), controllers)
    assert {one.level for one in diagnosis.findings} <= {Level.NOTE}
    assert diagnosis.status == NO_FAULT


def test_quiet_where_a_router_is_in_between() -> None:
    plant, pc, _ = begun()
    router, far = plant.station("192.0.2.1", ttl=255), plant.station("198.51.100.70")
    plant.resolve(pc, router)
    through_router(plant, pc, router)
    session = plant.tcp(pc, far, via=router)
    session.syn()
    session.refuse()
    assert slugs(diagnosed(ended(plant))) == ["port-refused"]


def test_quiet_where_a_router_answers_for_the_controller() -> None:
    """Proxy ARP: the router claims the controller's address, too, and refuses nothing itself."""
    plant, pc, _ = begun()
    router, far = plant.station("192.0.2.1", ttl=255), plant.station("198.51.100.70")
    plant.resolve(pc, router)
    plant.ask(pc, far, times=1)
    plant.reply(router, pc, for_ip=far.address)
    session = plant.tcp(pc, far, via=router)
    session.syn()
    session.refuse()
    assert SLUG not in slugs(diagnosed(ended(plant), ["198.51.100.70:502"]))


def test_quiet_where_the_router_itself_serves_the_port() -> None:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1", ttl=255)
    plant.lease(pc, router, router="192.0.2.1")
    plant.resolve(pc, router)
    plant.tcp(pc, router).open().poll(4)
    assert_healthy(diagnosed(ended(plant), ["192.0.2.1:502"]))


@told_or_not
def test_quiet_where_a_redundant_pair_shares_a_hardware_address(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    shared = Station(unit.address, "00:00:5e:00:01:07")
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse(by=shared)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


def test_quiet_where_nobody_claimed_the_address() -> None:
    plant, pc, unit = begun()
    printer = plant.station("192.0.2.90", PRINTER)
    plant.resolve(printer, pc)
    refused_by(plant.tcp(pc, unit), Station(unit.address, PRINTER))
    assert lead(diagnosed(ended(plant))) == "port-refused"


def test_quiet_where_the_answer_to_the_stranger_is_still_open() -> None:
    """The recording ends right after the request."""
    plant, pc, unit, _, impostor = with_printer()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack(by=impostor)
    session.ack()
    session.send(modbus_read(1))
    assert SLUG not in slugs(diagnosed(ended(plant, 1.0)))


# --- with a site sheet --------------------------------------------------------------------------

OTHER_LABEL = labelled("00-00-5E-00-53-61")


def test_found_where_the_label_is_anothers_than_the_one_that_refuses() -> None:
    plant, pc, unit = acquainted()
    refused_by(plant.tcp(pc, unit), unit)
    diagnosis = diagnosed(ended(plant), sheet=OTHER_LABEL)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert str(finding.values["device"]) == "00-00-5E-00-53-60"
    assert str(finding.values["label"]) == "00-00-5E-00-53-61"


def test_quiet_where_the_one_on_the_label_refuses() -> None:
    plant, pc, unit = acquainted()
    refused_by(plant.tcp(pc, unit), unit)
    assert slugs(diagnosed(ended(plant), sheet=labelled())) == ["port-refused"]


def test_quiet_where_another_than_the_label_answers_requests() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), sheet=OTHER_LABEL)) == ["unlike-label"]


def test_what_would_look_the_same_names_the_sheet_only_where_there_is_one() -> None:
    told = []
    for sheet in (OTHER_LABEL, ""):
        plant, pc, unit, _, impostor = with_printer()
        refused_by(plant.tcp(pc, unit), unit if sheet else impostor)
        finding = found(diagnosed(ended(plant), sheet=sheet), SLUG)
        told.append(left_out(finding, RULE)[1])
    assert told == [[], [SHEET]]


def test_quiet_where_nobody_answers_the_call() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant), sheet=OTHER_LABEL)) == ["port-silent"]


def test_quiet_where_a_virtual_router_refuses_the_call() -> None:
    """It is no device of its own (RFC 5798 7.3)."""
    plant, pc, unit = acquainted()
    virtual = plant.station("192.0.2.1", "00:00:5e:00:01:05")
    plant.resolve(virtual, pc)
    refused_by(plant.tcp(pc, unit), Station(unit.address, virtual.hw))
    assert SLUG not in slugs(diagnosed(ended(plant)))
