"""pc-has-controllers-address: the PC itself has the controller's address."""

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.plant import Plant, Station
from tests.support import TOLD, diagnosed, ended, found, lead, slugs, told_or_not

SLUG = "pc-has-controllers-address"
UNIT_HW = "00:00:5e:00:53:61"


def begun(address: str = "192.0.2.60") -> tuple[Plant, Station, Station]:
    """The plant, a PC with the controller's address, and the controller."""
    plant = Plant()
    pc = plant.pc(address, hw="00:00:5e:00:53:15")
    unit = plant.station("192.0.2.60", hw=UNIT_HW)
    plant.wait(5)
    return plant, pc, unit


def moved(pc: Station, address: str) -> Station:
    """The same PC with another address."""
    return Station(address, pc.hw, pc.ttl, is_pc=True)


def panel_calls(plant: Plant, pc: Station) -> None:
    """The panel wants the controller and reaches the PC, which turns it down."""
    panel = plant.station("192.0.2.20")
    plant.ask(panel, pc, times=1)
    plant.reply(pc, panel)
    call = plant.tcp(panel, pc)
    call.syn()
    call.refuse()


def test_found_where_the_controller_objects() -> None:
    plant, pc, unit = begun()
    plant.link_up(pc)
    objection = plant.announce(unit, times=1)
    last = plant.announce(pc, times=9)[-1]
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert str(finding.values["controller"]) == "192.0.2.60"
    assert str(finding.values["pc"]) == "00-00-5E-00-53-15"
    assert finding.values["claims"] == 1
    assert [str(one) for one in finding.values["owners"]] == ["00-00-5E-00-53-61"]
    assert finding.values["used"]
    frames = [one.moment.frame for one in finding.evidence]
    assert frames[1:] == [plant.number(objection[0]), plant.number(last)]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "address")
    assert diagnosis.status == FAULT


def test_found_where_the_controller_stays_silent() -> None:
    plant, pc, _ = begun()
    plant.link_up(pc)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["claims"] == 0


def test_found_where_the_site_sheet_names_it() -> None:
    plant, pc, _ = begun()
    plant.link_up(pc)
    sheet = '[[controller]]\nname = "press 3"\naddress = "192.0.2.60"\nport = 502\n'
    diagnosis = diagnosed(ended(plant), pc="192.0.2.60", sheet=sheet)
    assert lead(diagnosis) == SLUG
    assert lead(diagnosed(plant, pc="192.0.2.60")) is None


def test_found_where_the_pc_had_the_address_before_the_recording() -> None:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1")
    plant.resolve(pc, router)
    plant.datagram(pc, "192.0.2.255", 50000, 50000, b"here I am", after=1.0)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).certainty is Certainty.SHOWN


def test_found_where_it_came_from_an_address_server() -> None:
    plant, pc, unit = begun()
    plant.lease(pc, plant.station("192.0.2.1"))
    plant.announce(pc)
    plant.announce(unit, times=1)
    assert slugs(diagnosed(ended(plant), TOLD)) == [SLUG]


@told_or_not
def test_found_where_a_panel_calls_the_controller_and_reaches_the_pc(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    plant.link_up(pc)
    plant.announce(unit, times=1)
    panel_calls(plant, pc)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_pc_called_it_before_it_took_the_address(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun("192.0.2.15")
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    changed = moved(pc, unit.address)
    plant.link_up(changed)
    plant.announce(unit, times=1)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == SLUG
    assert diagnosis.outcomes[0].stopped_at == "address"


def test_it_fits_where_the_pc_only_checked_and_fell_back_to_an_address_of_its_own() -> None:
    plant, pc, unit = begun()
    plant.probe(pc, times=1)
    plant.arp(unit, 2, unit.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    fallen = moved(pc, "169.254.23.15")
    plant.probe(fallen, after=1)
    plant.announce(fallen, after=1)
    plant.ask(fallen, unit, after=2)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_it_fits_where_the_pc_only_checked_and_calls_nobody() -> None:
    plant, pc, unit = begun()
    plant.probe(pc, times=1)
    plant.arp(unit, 2, unit.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_found_as_a_note_where_the_pc_has_left_the_address_and_works() -> None:
    plant, pc, unit = begun()
    plant.link_up(pc)
    plant.announce(unit, times=1)
    better = moved(pc, "192.0.2.15")
    plant.link_up(better)
    plant.resolve(better, unit)
    plant.tcp(better, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == ["link-flapping", SLUG]
    assert {one.level for one in diagnosis.findings} == {Level.NOTE}
    assert diagnosis.outcomes[0].verdict is Verdict.COMPLETE
    assert diagnosis.status == NO_FAULT


def test_found_and_stands_for_the_dispute_in_other_link_ups_too() -> None:
    plant, pc, unit = begun()
    plant.link_up(pc)
    plant.announce(unit, times=1)
    plant.ask(pc, "192.0.2.61")
    diagnosis = diagnosed(ended(plant), (*TOLD, "192.0.2.61:502"))
    assert set(slugs(diagnosis)) == {SLUG}
    assert [outcome.stopped_at for outcome in diagnosis.outcomes] == ["address", "address"]


def test_quiet_where_another_device_has_the_pcs_address_and_is_nobodys_controller() -> None:
    plant, pc, _ = begun("192.0.2.15")
    plant.link_up(pc)
    plant.announce(plant.station("192.0.2.15", hw="00:00:5e:00:53:77"))
    assert lead(diagnosed(ended(plant), TOLD)) == "address-in-use"


def test_quiet_where_the_dispute_is_about_an_address_that_nobody_calls() -> None:
    plant, pc, unit = begun()
    plant.link_up(pc)
    plant.announce(unit)
    assert lead(diagnosed(ended(plant))) == "address-in-use"


def test_quiet_where_nobody_says_that_the_address_met_is_the_controllers() -> None:
    plant, pc, unit = begun()
    plant.probe(pc, times=1)
    plant.arp(unit, 2, unit.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    plant.ask(moved(pc, "169.254.23.15"), unit, after=2)
    assert lead(diagnosed(ended(plant))) == "address-in-use"


def test_quiet_where_nothing_is_tried_and_the_pc_has_its_own_address() -> None:
    plant, pc, _ = begun("192.0.2.15")
    plant.link_up(pc)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["no-attempt"]


@told_or_not
def test_quiet_where_the_pc_checks_the_controllers_address_and_calls_it(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun("192.0.2.15")
    plant.link_up(pc)
    plant.probe(pc, unit, times=1)
    plant.arp(unit, 2, unit.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    plant.resolve(pc, unit)
    call = plant.tcp(pc, unit)
    call.syn()
    call.refuse()
    assert slugs(diagnosed(ended(plant), controllers)) == ["port-refused"]


def test_quiet_where_a_starting_pc_asks_before_it_has_an_address() -> None:
    plant, pc, unit = begun("192.0.2.15")
    plant.probe(pc, unit, times=2)
    plant.link_up(pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_where_the_controller_itself_is_taken_for_the_pc() -> None:
    plant = Plant()
    unit = plant.pc("192.0.2.60")  # the recorder sits on the controller, or on a mirror port
    client = plant.station("192.0.2.15")
    plant.wait(5)
    plant.resolve(client, unit)
    plant.tcp(client, unit).open().poll(5)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_controller_is_the_busiest_station() -> None:
    plant = Plant()
    unit, drive = plant.station("192.0.2.60"), plant.station("192.0.2.31")
    plant.wait(5)
    plant.resolve(unit, drive)  # no frame shows who recorded
    plant.tcp(unit, drive).open().poll(5)
    diagnosis = diagnosed(plant, TOLD)
    assert diagnosis.case.pc is not None
    assert [str(one) for one in diagnosis.case.pc.addresses] == ["192.0.2.31"]
    assert slugs(diagnosis) == ["third-party-recording"]


def test_quiet_where_no_frame_is_padded_whoever_sent_it() -> None:
    plant = Plant()
    unit, drive = plant.pc("192.0.2.60"), plant.pc("192.0.2.31")  # a recording between guests
    plant.wait(5)
    plant.resolve(unit, drive)
    plant.tcp(unit, drive).open().poll(5)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert diagnosis.case.pc is not None
    assert slugs(diagnosis) == ["no-attempt"]


def test_quiet_where_a_shared_router_address_is_taken_for_the_pc() -> None:
    plant = Plant()
    shared, drive = plant.pc("192.0.2.60", hw="00:00:5e:00:01:07"), plant.station("192.0.2.31")
    plant.wait(5)
    plant.resolve(shared, drive)
    plant.tcp(shared, drive).open().poll(5)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert diagnosis.case.pc is not None
    assert slugs(diagnosis) == ["no-attempt"]


def test_quiet_on_loopback() -> None:
    plant = Plant()
    here = Station("192.0.2.60", "00:00:00:00:00:00", is_pc=True)
    there = Station("192.0.2.61", here.hw, is_pc=True)
    plant.tcp(here, there).open().poll(5)
    diagnosis = diagnosed(plant, TOLD, link_type=layouts.COOKED)
    assert diagnosis.case.pc is not None
    assert SLUG not in slugs(diagnosis)


def test_quiet_where_the_pc_stands_in_for_many_stations() -> None:
    plant, pc, _ = begun("192.0.2.15")
    panel = plant.station("192.0.2.20")
    for wanted in ("192.0.2.60", "192.0.2.61", "192.0.2.62"):
        plant.ask(panel, wanted, times=1)
        plant.reply(pc, panel, for_ip=wanted)
    diagnosis = diagnosed(ended(plant).pcapng(hw=pc.hw), TOLD)
    assert diagnosis.case.pc is not None
    assert slugs(diagnosis) == ["no-attempt"]


def test_quiet_where_the_pc_takes_an_address_that_nobody_has_any_more() -> None:
    plant, pc, unit = begun("192.0.2.15")
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    plant.link_up(moved(pc, unit.address))
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_check_of_the_controllers_address_met_nobody() -> None:
    plant, pc, unit = begun("192.0.2.15")
    plant.probe(pc, unit, times=1)
    plant.link_up(pc)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["no-attempt"]


def test_quiet_where_a_colleague_looks_for_shared_files_at_the_disputed_address() -> None:
    plant, pc, unit = begun()
    plant.link_up(pc)
    plant.announce(unit)
    call = plant.tcp(plant.station("192.0.2.77"), pc, 445)
    call.syn()
    call.refuse()
    assert lead(diagnosed(ended(plant))) == "address-in-use"


def test_quiet_where_the_pc_looked_for_shared_files_at_the_disputed_address() -> None:
    plant, pc, unit = begun("192.0.2.15")
    plant.tcp(pc, unit, 445).syn()
    plant.link_up(moved(pc, unit.address))
    plant.announce(unit)
    assert lead(diagnosed(ended(plant))) == "address-in-use"


def test_quiet_about_another_controller_that_works_from_that_address() -> None:
    plant, pc, _ = begun()
    other = plant.station("192.0.2.61", hw="00:00:5e:00:53:62")
    plant.link_up(pc)
    plant.resolve(pc, other)
    plant.tcp(pc, other).open().poll(3)
    diagnosis = diagnosed(ended(plant), (*TOLD, "192.0.2.61:502"))
    assert slugs(diagnosis) == [SLUG]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.STOPPED, Verdict.COMPLETE]


def test_quiet_where_a_panel_calls_a_service_that_the_pc_offers() -> None:
    plant, pc, _ = begun("192.0.2.15")
    panel = plant.station("192.0.2.20")
    plant.link_up(pc)
    plant.resolve(panel, pc)
    plant.tcp(panel, pc).open().poll(3)
    plant.announce(plant.station("192.0.2.15", hw="00:00:5e:00:53:77"))
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_without_hardware_addresses() -> None:
    plant, pc, _ = begun()
    plant.datagram(pc, "192.0.2.255", 50000, 50000, b"here I am", after=1.0)
    diagnosis = diagnosed(ended(plant), TOLD, link_type=layouts.RAW)
    assert SLUG in [slug for slug, _ in diagnosis.unable]


def test_quiet_where_the_controller_recorded_itself() -> None:
    plant = Plant()
    unit, caller = plant.pc("192.0.2.60"), plant.station("192.0.2.15")
    plant.link_up(unit)
    plant.resolve(caller, unit, after=5.0)
    plant.tcp(caller, unit).open().poll(3)
    octets = ended(plant).pcapng(hw=unit.hw, address="192.0.2.60/24")
    assert SLUG not in slugs(diagnosed(octets, TOLD))


def test_quiet_about_another_controller_that_is_called_from_another_address() -> None:
    plant, pc, _ = begun()
    plant.link_up(pc)
    plant.ask(moved(pc, "192.0.2.15"), "192.0.2.61", after=2.0)
    diagnosis = diagnosed(ended(plant), (*TOLD, "192.0.2.61"))
    told = [str(one.controller) for one in diagnosis.findings if one.rule == SLUG]
    assert told == ["192.0.2.60"]
