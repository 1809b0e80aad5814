"""rival-address-servers: address servers give out addresses that do not fit."""

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Finding, Level
from captures.plant import Plant, Station
from rules.address.rival_address_servers import RULE
from tests.support import TOLD, diagnosed, ended, found, lead, slugs, told_or_not, with_rules

SLUG = "rival-address-servers"
PC_HW = "00:00:5e:00:53:15"
MASK = [("subnet_mask", "255.255.255.0")]
WIDE = [("subnet_mask", "255.255.0.0")]


def begun(pc: str = "192.0.2.15") -> tuple[Plant, Station, Station, Station, Station]:
    """The plant, the PC, the controller, the plant's address server and another one."""
    plant = Plant()
    station, unit = plant.pc(pc, hw=PC_HW), plant.station()
    server = plant.station("192.0.2.1")
    rival = plant.station("198.51.100.1", hw="00:00:5e:00:53:0a")
    plant.wait(5)
    return plant, station, unit, server, rival


def both_offer(plant: Plant, pc: Station, chosen: Station, other: Station, also: str) -> None:
    """One request, two offers; the PC takes its own address from the chosen one."""
    plant.dhcp("discover", pc)
    plant.dhcp("offer", pc, also, server=other, options=MASK)
    plant.dhcp("offer", pc, pc.address, server=chosen, options=MASK)
    plant.dhcp("request", pc, pc.address, server=chosen)
    plant.dhcp("ack", pc, pc.address, server=chosen, options=MASK)
    plant.announce(pc, after=1.0)


def pairs(finding: Finding) -> tuple[str, str]:
    """Who gives what, of the two that are told apart."""
    values = finding.values
    return (
        f"{values['server']} gives {values['address']}",
        f"{values['rival']} gives {values['rival_address']}",
    )


def fit(finding: Finding) -> tuple[list[str], list[str]]:
    """Servers whose address is in the controllers' networks, and those whose is not."""
    return [str(one) for one in finding.values["fitting"]], [
        str(one) for one in finding.values["unfit"]
    ]


@told_or_not
def test_found_where_the_pc_took_the_wrong_one(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, server, rival = begun("198.51.100.15")
    both_offer(plant, pc, rival, server, "192.0.2.77")
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert str(finding.values["offered"]) == "[192.0.2.77, 198.51.100.15]"
    assert str(finding.values["servers"]) == "[192.0.2.1, 198.51.100.1]"
    assert str(finding.values["senders"]) == "[00-00-5E-00-53-01, 00-00-5E-00-53-0A]"
    assert str(finding.values["strangers"]) == "[00-00-5E-00-53-0A]"
    assert "198.51.100.1 " in finding.title
    assert finding.values["to_pc"]
    assert str(finding.values["taken"]) == "[198.51.100.15]"
    assert [one.moment.frame for one in finding.evidence] == [5, 6, 8]
    assert fit(finding) == (["192.0.2.1"], ["198.51.100.1"])
    assert pairs(finding) == ("192.0.2.1 gives 192.0.2.77", "198.51.100.1 gives 198.51.100.15")
    told = [one.text.split() for one in finding.evidence]
    assert ["192.0.2.1" in one and "192.0.2.77" in one for one in told] == [True, False, False]
    assert ["198.51.100.1" in one and "198.51.100.15" in one for one in told] == [False, True, True]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "address")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_as_a_warning_where_the_pc_took_the_right_one(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, server, rival = begun()
    both_offer(plant, pc, server, rival, "198.51.100.77")
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert fit(found(diagnosis, SLUG)) == (["192.0.2.1"], ["198.51.100.1"])
    assert diagnosis.outcomes[0].verdict is Verdict.COMPLETE
    assert diagnosis.status == NO_FAULT


def test_found_as_a_warning_beside_another_fault() -> None:
    plant, pc, unit, server, rival = begun()
    both_offer(plant, pc, server, rival, "198.51.100.77")
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp", SLUG]


def test_found_as_a_warning_where_neither_range_is_the_controllers() -> None:
    plant, pc, unit, server, rival = begun("198.51.100.15")
    server.address = "203.0.113.1"
    both_offer(plant, pc, rival, server, "203.0.113.77")
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == ["subnet-mismatch", SLUG]
    assert fit(found(diagnosis, SLUG)) == ([], ["203.0.113.1", "198.51.100.1"])


def test_found_as_a_warning_where_the_pc_took_neither() -> None:
    plant, pc, unit, server, rival = begun("203.0.113.15")
    plant.dhcp("discover", pc)
    plant.dhcp("offer", pc, "192.0.2.77", server=server, options=MASK)
    plant.dhcp("offer", pc, "198.51.100.77", server=rival, options=MASK)
    plant.ask(pc, unit, after=5)
    assert slugs(diagnosed(ended(plant))) == ["subnet-mismatch", SLUG]


def test_found_as_a_warning_where_a_router_leads_from_one_range_to_the_other() -> None:
    plant, pc, unit, server, rival = begun("198.51.100.15")
    both_offer(plant, pc, rival, server, "192.0.2.77")
    plant.resolve(pc, rival)
    plant.tcp(pc, unit, via=rival).open().poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_found_as_a_warning_where_nothing_is_tried() -> None:
    plant, pc, _, server, rival = begun("198.51.100.15")
    both_offer(plant, pc, rival, server, "192.0.2.77")
    assert found(diagnosed(ended(plant), TOLD), SLUG).level is Level.WARNING


def test_found_as_a_note_where_one_server_put_the_pc_into_another_network() -> None:
    plant, pc, unit, _, rival = begun("198.51.100.15")
    plant.lease(pc, rival)
    plant.announce(pc)
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == ["subnet-mismatch", SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.FITS)
    assert str(finding.values["servers"]) == "[198.51.100.1]"
    assert len(finding.evidence) == 2
    assert pairs(finding) == ("198.51.100.1 gives 198.51.100.15",) * 2


@told_or_not
def test_found_where_the_controller_takes_another_address(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _, rival = begun()
    plant.resolve(pc, unit)
    plant.lease(Station("198.51.100.60", unit.hw), rival)
    plant.ask(pc, unit, after=4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert str(finding.values["client"]) == "00-00-5E-00-53-60"
    assert finding.values["to_another"]
    assert str(finding.values["offered"]) == "[198.51.100.60]"


def test_found_where_it_takes_one_of_the_same_network() -> None:
    plant, pc, unit, server, _ = begun()
    plant.resolve(pc, unit)
    plant.lease(Station("192.0.2.161", unit.hw), server)
    plant.ask(pc, unit, after=4)
    assert lead(diagnosed(ended(plant), TOLD)) == SLUG


def test_found_as_a_warning_where_the_controller_leaves_at_the_end() -> None:
    plant, pc, unit, server, _ = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    plant.lease(Station("192.0.2.161", unit.hw), server)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_found_as_a_warning_where_the_trouble_came_before_the_controller_left() -> None:
    plant, pc, unit, server, _ = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    plant.lease(Station("192.0.2.161", unit.hw), server)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == ["port-silent", SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_found_as_a_warning_where_two_servers_offer_the_controller_an_address() -> None:
    plant, pc, unit, server, rival = begun()
    plant.dhcp("discover", unit)
    plant.dhcp("offer", unit, "198.51.100.60", server=rival, options=MASK)
    plant.dhcp("offer", unit, unit.address, server=server, options=MASK)
    plant.dhcp("request", unit, unit.address, server=server)
    plant.dhcp("ack", unit, unit.address, server=server, options=MASK)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


def works(plant: Plant, pc: Station, unit: Station, controllers: tuple[str, ...] = ()) -> list[str]:
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    return slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_about_redundant_servers_with_one_range(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, server, _ = begun()
    twin = plant.station("192.0.2.2")
    both_offer(plant, pc, server, twin, "192.0.2.77")
    assert works(plant, pc, unit, controllers) == []


def test_quiet_about_one_range_with_two_masks() -> None:
    plant, pc, unit, server, _ = begun("192.0.2.15")
    twin = plant.station("192.0.2.2")
    plant.dhcp("discover", pc)
    plant.dhcp("offer", pc, "192.0.3.15", server=twin, options=WIDE)
    plant.dhcp("offer", pc, pc.address, server=server, options=MASK)
    assert works(plant, pc, unit) == []


def test_quiet_about_one_server_behind_two_relays() -> None:
    plant, pc, unit, server, _ = begun()
    plant.dhcp("discover", pc)
    for relay_hw, address in (
        ("00:00:5e:00:53:02", "192.0.2.15"),
        ("00:00:5e:00:53:03", "198.51.100.15"),
    ):
        by = Station(server.address, relay_hw)
        plant.dhcp("offer", pc, address, server=by, options=MASK)
    assert works(plant, pc, unit) == []


def test_quiet_about_a_pc_that_was_moved_from_one_network_to_the_other() -> None:
    plant, pc, unit, server, rival = begun()
    plant.lease(Station("198.51.100.15", pc.hw, is_pc=True), rival)
    plant.wait(60)
    plant.dhcp("discover", pc, xid=0x77)
    plant.dhcp("offer", pc, pc.address, server=server, xid=0x77, options=MASK)
    plant.dhcp("request", pc, pc.address, server=server, xid=0x77)
    plant.dhcp("ack", pc, pc.address, server=server, xid=0x77, options=MASK)
    assert works(plant, pc, unit) == []


def test_quiet_about_offers_to_another_device() -> None:
    plant, pc, unit, server, rival = begun()
    both_offer(plant, plant.station("192.0.2.33"), server, rival, "198.51.100.77")
    assert works(plant, pc, unit) == []


def test_quiet_where_the_pc_reaches_the_controller_through_a_router() -> None:
    plant, pc, unit, _, rival = begun("198.51.100.15")
    plant.lease(pc, rival, router=rival.address)
    plant.announce(pc)
    plant.resolve(pc, rival)
    plant.tcp(pc, unit, via=rival).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_where_the_lease_fits_and_the_controller_is_off() -> None:
    plant, pc, unit, server, _ = begun()
    plant.lease(pc, server)
    plant.announce(pc)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["unanswered-arp"]


def test_quiet_where_the_pc_leaves_the_controllers_address() -> None:
    plant, pc, unit, server, _ = begun()
    plant.announce(Station(unit.address, pc.hw, is_pc=True))
    plant.lease(pc, server)
    plant.announce(pc)
    plant.ask(pc, unit)
    assert slugs(with_rules(ended(plant), [RULE])) == []


def test_quiet_about_the_only_offer_among_several_requests() -> None:
    plant, pc, unit, server, _ = begun()
    for pause in (4, 8):
        plant.dhcp("discover", pc, after=pause)
    plant.lease(pc, server)
    assert works(plant, pc, unit) == []


def test_quiet_about_a_lease_of_another_device_that_has_a_rival_too() -> None:
    plant, pc, unit, server, rival = begun()
    plant.resolve(pc, unit)
    plant.lease(Station("192.0.2.33", "00:00:5e:00:53:33"), server)
    plant.lease(Station("198.51.100.33", "00:00:5e:00:53:33"), rival)
    assert works(plant, pc, unit, TOLD) == []


def test_quiet_about_a_healthy_lease_and_its_renewal() -> None:
    plant, pc, unit, server, _ = begun()
    plant.lease(pc, server)
    plant.announce(pc)
    plant.dhcp("request", pc, pc.address, server=server, renew=True, xid=0x78, after=9)
    plant.dhcp("ack", pc, pc.address, server=server, options=MASK, xid=0x78)
    assert works(plant, pc, unit) == []


def test_quiet_where_the_controller_leases_its_own_address() -> None:
    plant, pc, unit, server, _ = begun()
    plant.resolve(pc, unit)
    plant.lease(unit, server)
    plant.ask(pc, unit, after=4)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_controller_comes_back_from_another_address() -> None:
    plant, pc, unit, _, rival = begun()
    plant.resolve(pc, unit)
    plant.lease(Station("198.51.100.60", unit.hw), rival)
    plant.announce(unit, after=20)
    assert works(plant, pc, unit) == []


def test_quiet_where_the_controller_goes_on_with_its_own_address() -> None:
    plant, pc, unit, _, rival = begun()
    plant.resolve(pc, unit)
    plant.lease(Station("198.51.100.60", unit.hw), rival)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_it_is_a_warning_where_the_controller_took_its_own_address_and_went_off() -> None:
    """Another server offered it one as well: that alone moves nobody."""
    plant, pc, unit, server, rival = begun()
    plant.resolve(pc, unit)
    both_offer(plant, unit, server, rival, "198.51.100.60")
    plant.ask(pc, unit, after=20.0)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert lead(diagnosis) != SLUG
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_a_server_that_names_no_mask_offers_in_the_usual_network() -> None:
    plant, pc, unit, server, rival = begun("198.51.100.15")
    plant.dhcp("discover", pc)
    plant.dhcp("offer", pc, "192.0.2.77", server=server)
    plant.dhcp("offer", pc, pc.address, server=rival)
    plant.announce(pc, after=1.0)
    plant.ask(pc, unit)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert fit(finding) == (["192.0.2.1"], ["198.51.100.1"])
    assert str(finding.values["controllers"]) == "[192.0.2.60]"


def test_it_is_not_held_against_any_network_where_the_controller_is_offered_two() -> None:
    plant, pc, unit, server, rival = begun()
    plant.resolve(pc, unit)
    both_offer(plant, unit, server, rival, "198.51.100.60")
    plant.tcp(pc, unit).open().poll(3)
    assert fit(found(diagnosed(ended(plant), TOLD), SLUG)) == ([], [])
