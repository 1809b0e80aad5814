"""unlike-label: the device that takes the PC's calls is not the one on the site sheet's label."""

import pytest

from analyzer import cautions
from analyzer.diagnosis import FAULT, NO_FAULT, State, Verdict
from analyzer.findings import Certainty, Level
from analyzer.reports.document import report
from analyzer.reports.letter import letter
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from captures.plant import Plant, Station, modbus_read
from tests.support import (
    a_sheet,
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    labelled,
    slugs,
)

SLUG = "unlike-label"
OTHER = labelled("00-00-5E-00-53-61")


def working() -> Plant:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    return ended(plant)


def test_found_where_the_link_up_works() -> None:
    diagnosis = diagnosed(working(), sheet=OTHER)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.SHOWN)
    assert str(finding.values["device"]) == "00-00-5E-00-53-60"
    assert str(finding.values["label"]) == "00-00-5E-00-53-61"
    assert len(finding.evidence) == 2
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.warning) == (Verdict.COMPLETE, finding)
    assert diagnosis.status == NO_FAULT


def test_found_in_every_report_with_its_caution() -> None:
    diagnosis = diagnosed(working(), sheet=OTHER)
    reports = (
        to_text(report([diagnosis])), to_text(letter([diagnosis])), to_json([diagnosis])
    )  # fmt: skip
    for text in reports:
        told = " ".join(text.split())
        assert str(cautions.WHICH_DEVICE) in told
        assert "00-00-5E-00-53-61" in told
        assert " ," not in told


def test_found_beside_a_request_that_is_never_answered() -> None:
    """The port opens and the request is sent: the mismatch explains neither away."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1))
    session.ack(unit)
    diagnosis = diagnosed(ended(plant), sheet=OTHER)
    assert slugs(diagnosis) == ["request-unanswered", SLUG]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "answer")
    assert outcome.stages[4].state is State.PASSED
    assert diagnosis.status == FAULT


def test_found_beside_a_request_that_is_answered_by_a_reset() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1))
    session.rst(unit)
    diagnosis = diagnosed(ended(plant), sheet=OTHER)
    assert slugs(diagnosis) == ["dropped-on-first-request", SLUG]


def test_found_where_the_neighbour_table_was_full_before() -> None:
    """No ARP is recorded, and by the masks both are in one network."""
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), sheet=OTHER)) == [SLUG]


@pytest.mark.parametrize("sheet", [labelled(), a_sheet(), ""])
def test_quiet_where_the_sheet_agrees_or_tells_no_label(sheet: str) -> None:
    assert_healthy(diagnosed(working(), sheet=sheet))


def test_quiet_behind_a_router() -> None:
    plant, pc, _ = begun()
    router, far = plant.station("192.0.2.1", ttl=255), plant.station("198.51.100.70")
    plant.resolve(pc, router)
    plant.tcp(pc, far, via=router).open().poll(3)
    sheet = OTHER.replace("192.0.2.60", "198.51.100.70")
    assert_healthy(diagnosed(ended(plant), sheet=sheet))


def test_quiet_where_an_entry_of_the_pc_leads_by_a_router_in_one_network() -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1", ttl=255)
    plant.resolve(pc, router)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), sheet=OTHER))


def test_quiet_where_a_router_answers_for_the_controller() -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1", ttl=255)
    for other in ("192.0.2.1", "192.0.2.61", "192.0.2.62", unit.address):
        plant.ask(pc, other, times=1)
        plant.reply(router, pc, for_ip=other)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), ["192.0.2.60:502"], sheet=OTHER))


def test_quiet_where_a_pair_shares_a_virtual_address() -> None:
    """A virtual router's hardware address: RFC 9568 section 7.3."""
    plant, pc, _ = begun()
    shared = plant.station("192.0.2.60", "00:00:5e:00:01:07")
    plant.resolve(pc, shared)
    plant.tcp(pc, shared).open().poll(3)
    assert_healthy(diagnosed(ended(plant), sheet=OTHER))


def test_quiet_where_the_partner_of_a_pair_took_over() -> None:
    """The device on the label had the address before."""
    plant, pc, _ = begun()
    first = plant.station("192.0.2.60", "00:00:5e:00:53:61")
    plant.resolve(pc, first)
    plant.tcp(pc, first).open().poll(2)
    partner = Station("192.0.2.60", "00:00:5e:00:53:60")
    plant.wait(20)
    plant.announce(partner)
    plant.resolve(pc, partner)
    plant.tcp(pc, partner).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), sheet=OTHER))


def test_quiet_where_the_call_is_turned_down() -> None:
    """wrong-device-answers leads there, and says it."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    assert slugs(diagnosed(ended(plant), sheet=OTHER)) == ["wrong-device-answers"]
