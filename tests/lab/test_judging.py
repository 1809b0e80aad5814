"""What counts as right in the lab and in the accuracy table, and what does not."""

import pytest

from analyzer.diagnosis import Diagnosis
from rules.neighbour.unanswered_arp import GATEWAY, LOST, RULE, VLAN
from tests.lab.judging import Lead, lead_of
from tests.lab.lab import cause
from tests.support import TOLD, acquainted, begun, diagnosed, ended

FOUND = RULE.slug


def asked_in_vain(times: int = 3) -> Diagnosis:
    """unanswered-arp leads: shown, or for a single question it fits."""
    plant, pc, unit = begun()
    plant.ask(pc, unit, times)
    return diagnosed(ended(plant), TOLD)


@pytest.mark.parametrize(("times", "lead"), [(3, Lead.SHOWN), (1, Lead.FITS)])
def test_the_rule_itself_leads(times: int, lead: Lead) -> None:
    assert lead_of(asked_in_vain(times), FOUND, {}) is lead


def test_what_only_fits_has_to_say_what_else_would() -> None:
    diagnosis = asked_in_vain(times=1)
    diagnosis.findings[0].also_fits.clear()
    assert lead_of(diagnosis, FOUND, {}) is Lead.ASTRAY


def test_another_rule_names_it() -> None:
    also = dict([cause(RULE, VLAN)])
    assert lead_of(asked_in_vain(), "vlan-mismatch", also) is Lead.NAMED


@pytest.mark.parametrize("place", [LOST, GATEWAY])
def test_a_cause_that_is_left_out_names_nothing(place: int) -> None:
    assert lead_of(asked_in_vain(), "address-lost", dict([cause(RULE, place)])) is Lead.ASTRAY


def test_another_rule_that_was_not_expected_is_wrong() -> None:
    """However many causes it has."""
    words = RULE.likely_causes[VLAN]
    assert lead_of(asked_in_vain(), "vlan-mismatch", {}) is Lead.ASTRAY
    assert lead_of(asked_in_vain(), "vlan-mismatch", {"port-silent": words}) is Lead.ASTRAY


def test_nothing_said_is_wrong() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    assert lead_of(diagnosed(ended(plant), TOLD), FOUND, {}) is Lead.ASTRAY
