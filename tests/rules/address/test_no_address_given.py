"""no-address-given: the PC asks an address server, and gets no address that it can use."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT
from analyzer.findings import Certainty, Finding, Level
from captures.plant import Plant, Station
from rules.address.no_address_given import (
    DEAD_CABLE,
    FILTER,
    NO_SERVER,
    NONE_LEFT,
    OBSERVED,
    REFUSES,
    RULE,
    TAKEN,
    UNCONFIRMED,
)
from tests.support import TOLD, diagnosed, ended, found, lead, slugs, told_or_not

SLUG = "no-address-given"
WAITS = (0, 4, 8)
"""Seconds before each request (RFC 2131 4.1)."""


def begun(offload: bool = True) -> tuple[Plant, Station, Station]:
    """The PC, and the server 192.0.2.10."""
    plant = Plant(offload=offload)
    pc, server = plant.pc(), plant.station("192.0.2.10")
    plant.wait(3)
    return plant, pc, server


def asks(plant: Plant, pc: Station) -> None:
    for pause in WAITS:
        plant.dhcp("discover", pc, after=pause)


def told_by(plant: Plant, controllers: tuple[str, ...] = ()) -> Finding:
    """The finding where the recording tells which frames the PC sent."""
    diagnosis = diagnosed(ended(plant).pcapng(), controllers)
    assert lead(diagnosis) == SLUG
    assert diagnosis.status == FAULT
    return found(diagnosis, SLUG)


def first(finding: Finding) -> str:
    """Name of the cause that comes first."""
    return next(n for n, text in RULE.likely_causes.items() if text == finding.likely_causes[0])


@told_or_not
def test_found_where_no_server_answers(controllers: tuple[str, ...]) -> None:
    plant, pc, _ = begun()
    asks(plant, pc)
    finding = told_by(plant, controllers)
    assert finding.certainty is Certainty.SHOWN
    assert (str(finding.values["client"]), finding.values["asks"]) == ("00-00-5E-00-53-15", 3)
    assert finding.values["span"] == pytest.approx(12, abs=0.1)
    assert (finding.values["servers"], finding.values["low"]) == ([], None)
    assert first(finding) == NO_SERVER
    assert [line.moment.frame for line in finding.evidence if "asks" in line.text] == [3, 6, 12]
    assert RULE.also_fits[DEAD_CABLE] not in finding.also_fits


def test_found_where_the_controller_was_named_and_never_tried() -> None:
    plant, pc, _ = begun()
    asks(plant, pc)
    diagnosis = diagnosed(ended(plant).pcapng(), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert diagnosis.outcomes[0].stopped_at == "address"


def test_found_where_only_requests_tell_who_the_pc_is() -> None:
    """Nobody else is heard, and nothing tells who recorded."""
    plant, pc, _ = begun(offload=False)
    asks(plant, pc)
    plant.wait(8)
    plant.dhcp("discover", pc)
    diagnosis = diagnosed(plant)
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert RULE.also_fits[OBSERVED] in finding.also_fits
    assert RULE.also_fits[DEAD_CABLE] in finding.also_fits


def test_found_as_a_note_where_it_stays_open_who_the_pc_is() -> None:
    """Frames without direction among others' traffic."""
    plant, pc, _ = begun(offload=False)
    asks(plant, pc)
    asks(plant, plant.station("192.0.2.71"))
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.FITS)
    assert (finding.values["devices"], finding.values["is_pc"]) == (2, False)


def test_found_where_others_are_served() -> None:
    plant, pc, server = begun()
    asks(plant, pc)
    for address in ("192.0.2.31", "192.0.2.47"):
        plant.lease(plant.station(address), server)
    finding = told_by(plant)
    assert first(finding) == NONE_LEFT
    values = finding.values
    assert (values["others"], str(values["low"]), str(values["high"])) == (
        2,
        "192.0.2.31",
        "192.0.2.47",
    )
    assert [str(one) for one in values["servers"]] == ["192.0.2.10"]
    assert "192.0.2.10" in finding.what_to_do[0].text


def test_found_where_the_server_refuses_again_and_again() -> None:
    plant, pc, server = begun()
    for _ in range(3):
        plant.dhcp("request", pc, "198.51.100.33", after=2)
        plant.dhcp("nak", pc, server=server)
    finding = told_by(plant)
    assert finding.certainty is Certainty.SHOWN
    assert (finding.values["refusals"], first(finding)) == (3, REFUSES)
    assert "192.0.2.10" in finding.what_to_do[0].text


def test_found_where_offers_are_not_taken() -> None:
    """The PC asks again as if no offer had come."""
    plant, pc, server = begun()
    for pause in WAITS:
        plant.dhcp("discover", pc, after=pause)
        plant.dhcp("offer", pc, "192.0.2.33", server=server)
    finding = told_by(plant)
    assert (finding.values["offers"], first(finding)) == (3, FILTER)


def test_found_where_what_was_offered_is_never_confirmed() -> None:
    plant, pc, server = begun()
    for pause in WAITS:
        plant.dhcp("discover", pc, after=pause)
        plant.dhcp("offer", pc, "192.0.2.33", server=server)
        plant.dhcp("request", pc, "192.0.2.33", server=server)
    assert first(told_by(plant)) == UNCONFIRMED


def test_found_where_the_pc_declines_what_it_is_given() -> None:
    """Another device has that address; the server gives the same one again."""
    plant, pc, server = begun()
    for _ in range(2):
        given = Station("192.0.2.33", pc.hw, is_pc=True)
        plant.lease(given, server)
        plant.probe(given, times=1)
        plant.dhcp("decline", pc, "192.0.2.33", server=server)
        plant.wait(10)
    finding = told_by(plant)
    assert (finding.values["declines"], first(finding)) == (2, TAKEN)


def test_found_before_the_address_that_the_pc_gives_itself() -> None:
    """A server is there, and refuses: that says more than that the PC helps itself."""
    plant, pc, server = begun()
    for _ in range(3):
        plant.dhcp("request", pc, "198.51.100.33", after=2)
        plant.dhcp("nak", pc, server=server)
    own = Station("169.254.23.15", pc.hw, is_pc=True)
    plant.announce(own)
    plant.ask(own, "192.0.2.60")
    diagnosis = diagnosed(ended(plant).pcapng(), TOLD)
    assert slugs(diagnosis) == [SLUG]


def test_quiet_where_the_pc_gives_itself_an_address_as_no_server_is_there() -> None:
    plant, pc, _ = begun()
    asks(plant, pc)
    own = Station("169.254.23.15", pc.hw, is_pc=True)
    plant.announce(own)
    plant.ask(own, "192.0.2.60")
    assert slugs(diagnosed(ended(plant).pcapng(), TOLD)) == ["self-assigned-address"]


def test_quiet_where_the_server_is_only_slow() -> None:
    plant, pc, server = begun()
    asks(plant, pc)
    plant.lease(pc, server)
    plant.announce(pc)
    assert SLUG not in slugs(diagnosed(ended(plant).pcapng()))


def test_quiet_after_one_refusal_and_an_offer() -> None:
    plant, pc, server = begun()
    for _ in range(2):
        plant.dhcp("request", pc, "198.51.100.33", after=1)
        plant.dhcp("nak", pc, server=server)
    plant.lease(pc, server)
    assert SLUG not in slugs(diagnosed(ended(plant).pcapng()))


def test_quiet_where_only_a_renewal_goes_unanswered() -> None:
    plant, pc, server = begun()
    unit = plant.station()
    plant.lease(pc, server)
    for _ in range(3):
        plant.dhcp("request", pc, pc.address, server=server, renew=True, after=5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant).pcapng())
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


def test_quiet_where_a_renewal_fails_once_and_works() -> None:
    plant, pc, server = begun()
    plant.dhcp("request", pc, pc.address, server=server, renew=True)
    plant.dhcp("request", pc, pc.address, server=server, renew=True, after=8)
    plant.dhcp("ack", pc, pc.address, server=server)
    assert SLUG not in slugs(diagnosed(ended(plant).pcapng()))


def test_quiet_where_the_pc_has_a_fixed_address() -> None:
    plant, pc, _ = begun()
    unit = plant.station()
    asks(plant, pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant).pcapng()))


def test_quiet_about_other_devices() -> None:
    plant, pc, _ = begun()
    unit, other = plant.station(), plant.station("192.0.2.71")
    asks(plant, other)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant).pcapng()))


def test_quiet_in_a_recording_made_elsewhere() -> None:
    """The recorder's own frames are marked; the server answers the device alone."""
    plant, pc, _ = begun()
    other = plant.station("192.0.2.71")
    plant.datagram(pc, "192.0.2.255", 137, 137, b"who is there")
    asks(plant, other)
    assert SLUG not in slugs(diagnosed(ended(plant).pcapng()))


def test_quiet_where_one_question_is_all() -> None:
    plant, pc, _ = begun()
    plant.dhcp("discover", pc)
    plant.wait(3)
    plant.chatter()
    assert SLUG not in slugs(diagnosed(plant.pcapng()))


def test_quiet_where_it_is_still_under_way() -> None:
    plant, pc, server = begun()
    plant.dhcp("discover", pc)
    plant.dhcp("offer", pc, pc.address, server=server)
    plant.dhcp("request", pc, pc.address, server=server)
    assert SLUG not in slugs(diagnosed(plant.pcapng()))
