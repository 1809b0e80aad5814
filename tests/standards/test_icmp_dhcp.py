"""Published values of ICMP and DHCP: codes, quotes, options, ports."""

import struct

import pytest

from analyzer.facts import Address, DhcpMessage
from analyzer.facts import dhcp as dhcp_facts
from analyzer.facts import icmp as icmp_facts
from analyzer.facts.icmp import CODES
from analyzer.facts.tcp.checksum import internet_checksum
from tests import raw


def test_types() -> None:
    """RFC 792: summary of message types."""
    assert icmp_facts.ECHO_REPLY == 0
    assert icmp_facts.UNREACHABLE == 3
    assert icmp_facts.REDIRECT == 5
    assert icmp_facts.ECHO == 8
    assert icmp_facts.TIME_EXCEEDED == 11
    assert icmp_facts.PARAMETER_PROBLEM == 12


@pytest.mark.parametrize(
    ("type", "code", "word"),
    [
        (3, 0, "network unreachable"),  # RFC 792, codes 0 to 5
        (3, 1, "host unreachable"),
        (3, 2, "protocol"),
        (3, 3, "port"),
        (3, 4, "too large"),  # fragmentation needed and not allowed
        (3, 5, "source route"),
        (3, 6, "network unknown"),  # RFC 1122 3.2.2.1, codes 6 to 12
        (3, 7, "host unknown"),
        (3, 8, "isolated"),
        (3, 9, "network prohibited"),
        (3, 10, "host prohibited"),
        (3, 11, "network unreachable for this service"),
        (3, 12, "host unreachable for this service"),
        (3, 13, "prohibited"),  # RFC 1812 5.2.7.1, codes 13 to 15
        (3, 14, "precedence"),
        (3, 15, "cut-off"),
        (5, 0, "network"),  # RFC 792, redirect
        (5, 1, "host"),
        (5, 2, "network and service"),
        (5, 3, "host and service"),
        (11, 0, "routers"),  # RFC 792: time to live exceeded in transit
        (11, 1, "fragments"),  # RFC 792: reassembly time exceeded
    ],
)
def test_codes(type: int, code: int, word: str) -> None:
    assert word in CODES[type, code]


def test_no_code_too_many() -> None:
    assert {(3, code) for code in range(16)} | {(5, code) for code in range(4)} | {
        (11, 0),
        (11, 1),
    } == CODES.keys()


def test_worked_echo() -> None:
    """RFC 792, echo: identifier 1, sequence 1, data "abcdefgh"; checksum by RFC 1071."""
    echo = bytes.fromhex("0800 6668 0001 0001 6162636465666768")
    assert internet_checksum(echo) == 0
    icmp = raw.table(raw.ethernet(raw.ipv4(echo, 1))).icmp
    assert (icmp.type.tolist(), icmp.id.tolist(), icmp.seq.tolist()) == ([8], [1], [1])


def test_an_error_quotes_the_header_and_eight_octets() -> None:
    """RFC 792: enough for both ports; a redirect names the better router in octets 4 to 7."""
    quote = raw.ipv4(raw.tcp(flags=2), 6)[:28]
    router = int.from_bytes(raw.ip("192.0.2.1"))
    frame = raw.ethernet(raw.ipv4(raw.icmp(5, 1, router, quote), 1, "192.0.2.254", raw.PC))
    (error,) = raw.facts(frame).icmp.errors
    assert (error.type, error.code, error.protocol) == (5, 1, 6)
    assert (str(error.about_src), str(error.about_dst)) == (raw.PC, raw.UNIT)
    assert (error.sport, error.dport) == (49152, 502)
    assert str(error.router) == "192.0.2.1"
    assert str(error.sender) == "192.0.2.254"


COOKIE = bytes([99, 130, 83, 99])  # RFC 2131 section 3


def message(options: bytes, operation: int = 1) -> DhcpMessage:
    """RFC 2131 section 2: the fixed part has 236 octets."""
    fixed = struct.pack(">BBBBIHH", operation, 1, 6, 0, 0x3903F326, 0, 0x8000)
    fixed += raw.ip("0.0.0.0") + raw.ip("192.0.2.15") + bytes(8)
    fixed += bytes.fromhex(raw.PC_HW).ljust(16, b"\0") + bytes(64 + 128)
    assert len(fixed) == 236
    frame = raw.ethernet(raw.ipv4(raw.udp(fixed + COOKIE + options + b"\xff", 68, 67)))
    (found,) = raw.facts(frame).dhcp
    return found


def option(code: int, *parts: str) -> bytes:
    value = b"".join(raw.ip(part) for part in parts)
    return bytes([code, len(value)]) + value


def test_dhcp_ports() -> None:
    """RFC 2131 4.1."""
    assert (dhcp_facts.SERVER_PORT, dhcp_facts.CLIENT_PORT) == (67, 68)


@pytest.mark.parametrize(
    ("number", "name"),
    [
        (1, "discover"),
        (2, "offer"),
        (3, "request"),
        (4, "decline"),
        (5, "acknowledge"),
        (6, "refuse"),
        (7, "release"),
        (8, "inform"),
    ],
)
def test_dhcp_message_types(number: int, name: str) -> None:
    """RFC 2132 9.6: option 53."""
    assert dhcp_facts.NAMES[number] == name
    assert message(bytes([53, 1, number])).type == number


def test_dhcp_options() -> None:
    """RFC 2132: mask 3.3, routers 3.5, host name 3.14, requested address 9.1, server 9.7."""
    found = message(
        option(1, "255.255.255.0")
        + option(3, "192.0.2.1", "192.0.2.2")
        + bytes([12, 5])
        + b"pc-15"
        + option(50, "192.0.2.15")
        + bytes([51, 4, 0, 1, 0x51, 0x80])
        + bytes([53, 1, 5])
        + option(54, "192.0.2.1"),
        operation=2,
    )
    assert not found.from_client
    assert found.mask == Address.parse("255.255.255.0")
    assert [str(router) for router in found.routers] == ["192.0.2.1", "192.0.2.2"]
    assert found.name == "pc-15"
    assert str(found.requested) == str(found.offered) == "192.0.2.15"
    assert str(found.server) == "192.0.2.1"
    assert found.transaction == 0x3903F326
    assert str(found.client) == "00-00-5E-00-53-15"
