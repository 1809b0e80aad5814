"""Addresses that no single device can have."""

from ipaddress import IPv4Address, IPv4Network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.facts import Address
from analyzer.facts.reserved import reserved_for


@pytest.mark.parametrize(
    ("address", "mask", "part"),
    [
        ("0.0.0.0", None, "no address yet"),
        ("0.1.2.3", None, "no address yet"),
        ("127.0.0.1", None, "inside one device"),
        ("224.0.0.1", None, "groups"),
        ("239.255.255.255", None, "groups"),
        ("240.0.0.1", None, "future"),
        ("255.255.255.255", None, "all devices on the cable"),
        ("192.0.2.128", "255.255.255.192", "network itself"),  # RFC 950 2.2: 192.0.2.128/26
        ("192.0.2.191", "255.255.255.192", "all devices of its network"),
        ("192.0.2.0", "255.255.255.252", "network itself"),
    ],
)
def test_kept_for_something_else(address: str, mask: str | None, part: str) -> None:
    purpose = reserved_for(Address.parse(address), None if mask is None else Address.parse(mask))
    assert purpose is not None
    assert part in purpose


@pytest.mark.parametrize(
    ("address", "mask"),
    [
        ("192.0.2.0", None),
        ("192.0.2.255", None),
        ("10.1.2.0", "255.255.0.0"),
        ("10.1.2.255", "255.255.0.0"),
        ("192.0.2.0", "255.255.255.254"),  # RFC 3021
        ("192.0.2.1", "255.255.255.254"),
        ("192.0.2.1", "255.255.255.255"),
        ("223.255.255.254", None),
        ("1.0.0.1", None),
        ("126.255.255.255", None),
        ("128.0.0.1", None),
    ],
)
def test_for_devices(address: str, mask: str | None) -> None:
    assert (
        reserved_for(Address.parse(address), None if mask is None else Address.parse(mask)) is None
    )


@given(st.integers(1 << 24, 223 << 24), st.integers(1, 32))
def test_first_and_last_of_a_network_are_those_of_ipaddress(number: int, prefix: int) -> None:
    network = IPv4Network((number, prefix), strict=False)
    address, mask = Address(number), Address(int(network.netmask))
    ends = {network.network_address, network.broadcast_address} if prefix < 31 else set()
    kept = reserved_for(address, mask) is not None
    assert kept == (IPv4Address(number) in ends or number >> 24 == 127)
