"""Published address ranges and subnet arithmetic, also against Python's ipaddress."""

from ipaddress import IPv4Address, IPv4Network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.facts import Address
from analyzer.facts.ports import INDUSTRIAL_PORTS
from analyzer.linkup import Network, is_self_assigned

SUBNETS = [
    # own, other, prefix, mask, network, broadcast, usable, on the same network
    ("192.168.1.50", "192.168.1.10", 24, "255.255.255.0", "192.168.1.0",
     "192.168.1.255", 254, True),
    ("192.168.1.50", "192.168.2.10", 24, "255.255.255.0", "192.168.1.0",
     "192.168.1.255", 254, False),
    ("192.168.1.50", "192.168.2.10", 16, "255.255.0.0", "192.168.0.0",
     "192.168.255.255", 65534, True),
    ("10.0.4.10", "10.0.7.254", 22, "255.255.252.0", "10.0.4.0",
     "10.0.7.255", 1022, True),
    ("10.0.4.10", "10.0.8.1", 22, "255.255.252.0", "10.0.4.0",
     "10.0.7.255", 1022, False),
    ("192.0.2.10", "192.0.2.130", 25, "255.255.255.128", "192.0.2.0",
     "192.0.2.127", 126, False),
    ("169.254.10.5", "192.168.0.10", 16, "255.255.0.0", "169.254.0.0",
     "169.254.255.255", 65534, False),
    ("192.0.2.130", "192.0.2.190", 26, "255.255.255.192", "192.0.2.128",
     "192.0.2.191", 62, True),
]  # fmt: skip


@pytest.mark.parametrize("row", SUBNETS, ids=lambda row: f"{row[0]}/{row[2]} {row[1]}")
def test_subnet_table(row: tuple[str, str, int, str, str, str, int, bool]) -> None:
    """RFC 950 2.1 (address AND mask = network), RFC 4632 3.1 (prefixes)."""
    own, other, prefix, mask, base, broadcast, usable, same = row
    address, bits = Address.parse(own), Address.parse(mask)
    assert str(Network(address, bits)) == f"{base}/{prefix}"
    assert (Address.parse(other) & bits == address & bits) is same
    ours = IPv4Network(str(Network(address, bits)))
    assert str(ours.broadcast_address) == broadcast
    assert ours.num_addresses - 2 == usable


@given(st.integers(0, 2**32 - 1), st.integers(0, 32))
def test_network_is_that_of_ipaddress(address: int, prefix: int) -> None:
    mask = Address(0xFFFFFFFF << (32 - prefix) & 0xFFFFFFFF)
    assert str(Network(Address(address), mask)) == str(IPv4Network((address, prefix), strict=False))


@given(st.integers(0, 2**32 - 1))
def test_addresses_are_written_as_ipaddress_writes_them(address: int) -> None:
    assert f"{Address(address)}" == str(IPv4Address(address))
    assert Address.parse(str(IPv4Address(address))) == address


@pytest.mark.parametrize("text", ["", "192.0.2", "192.0.2.256", "192.0.2.1/24", "plc", "1.2.3.4.5"])
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        Address.parse(text)


def test_self_assigned_range() -> None:
    """RFC 3927 2.1: 169.254.0.0/16; its first and last 256 addresses are reserved, in it still."""
    for text in ("169.254.0.0", "169.254.1.0", "169.254.254.255", "169.254.255.255"):
        assert is_self_assigned(Address.parse(text))
    for text in ("169.253.255.255", "169.255.0.0", "192.0.2.1", "0.0.0.0"):
        assert not is_self_assigned(Address.parse(text))


def test_registered_ports() -> None:
    """IANA service names and port numbers (from memory, and as protocol libraries have them);
    102: RFC 1006 section 6."""
    assert INDUSTRIAL_PORTS == {
        102: "ISO on TCP",
        502: "Modbus/TCP",
        802: "Modbus/TCP over TLS",
        2222: "EtherNet/IP I/O",
        2404: "IEC 60870-5-104",
        4840: "OPC UA",
        20000: "DNP3",
        44818: "EtherNet/IP",
        0xBAC0: "BACnet/IP",
    }
