"""Which addresses are neighbours, and where the mask is known from."""

from ipaddress import IPv4Address, IPv4Interface

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.facts import Address
from analyzer.linkup import KnownFrom, Network, presumed
from captures.plant import Plant
from tests.support import TOLD, a_sheet, acquainted, diagnosed, ended


@given(st.integers(0, 2**32 - 1), st.integers(1, 32), st.integers(0, 2**32 - 1))
def test_a_network_holds_what_the_standard_library_says(own: int, bits: int, other: int) -> None:
    interface = IPv4Interface((own, bits))
    network = Network(Address(own), Address(int(interface.netmask)))
    assert network.holds(other) == (IPv4Address(other) in interface.network)
    assert str(network) == str(interface.network)


@pytest.mark.parametrize(
    ("address", "mask"), [("192.0.2.15", "255.255.255.0"), ("169.254.7.7", "255.255.0.0")]
)
def test_a_mask_that_nothing_names_is_presumed(address: str, mask: str) -> None:
    network = presumed(Address.parse(address))
    assert (str(network.mask), network.is_presumed) == (mask, True)


def known_from(plant: Plant, sheet: str = "") -> tuple[KnownFrom, KnownFrom]:
    """Where the masks of the PC and of the controller are known from."""
    (outcome,) = diagnosed(ended(plant), TOLD, sheet=sheet).outcomes
    network = outcome.linkup.network
    assert network is not None
    return network.known_from, outcome.linkup.controller_network.known_from


def works(broadcasts: bool, lease: bool) -> Plant:
    plant, pc, unit = acquainted()
    server = plant.station("192.0.2.2")
    if lease:
        plant.lease(pc, server)
        plant.lease(unit, server)
    if broadcasts:
        for one in (pc, unit):
            plant.datagram(one, "192.0.2.255", 50_000, 50_000, b"here")
    plant.tcp(pc, unit).open().poll(2)
    return plant


MASKS = a_sheet('mask = "255.255.255.0"')


@pytest.mark.parametrize(
    ("broadcasts", "lease", "sheet", "known"),
    [
        (False, False, "", KnownFrom.PRESUMED),
        (False, False, MASKS, KnownFrom.SHEET),
        (True, False, MASKS, KnownFrom.BROADCAST),
        (True, True, MASKS, KnownFrom.SERVER),
    ],
)
def test_both_ends_take_what_was_recorded_before_what_was_written(
    broadcasts: bool, lease: bool, sheet: str, known: KnownFrom
) -> None:
    assert known_from(works(broadcasts, lease), sheet) == (known, known)
