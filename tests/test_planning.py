"""Planning: the arithmetic of networks, the checks, the address and the entry to use."""

from ipaddress import IPv4Address, IPv4Network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.facts import Address
from analyzer.planning import (
    Entry,
    Plan,
    Result,
    Way,
    first,
    hosts,
    in_network,
    last,
    length,
    not_for_hosts,
    plan,
)
from analyzer.site import read


def at(text: str) -> Address:
    return Address.parse(text)


def planned(text: str) -> Plan:
    """The plan for the first controller of a sheet."""
    site = read(text.encode(), "site.toml")
    return plan(site, site.controllers)[0]


def joined(adapter: str, controller: str) -> Plan:
    """The plan for one adapter and one controller, each as lines of TOML."""
    return planned(f"[[adapter]]\n{adapter}\n[[controller]]\n{controller}\n")


def found(one: Plan, result: Result = Result.BROKEN) -> list[tuple[str, str]]:
    return [(check.about, check.found) for check in one.checks if check.result is result]


# --- arithmetic, against the standards and ipaddress ---------------------------------------------

BLOCKS = [
    # RFC 4632 section 5.1 (from memory): the six clients of one provider with 10.24.0.0/13
    ("10.24.0.0", "10.24.7.255", 21),
    ("10.24.16.0", "10.24.31.255", 20),
    ("10.24.8.0", "10.24.11.255", 22),
    ("10.24.12.0", "10.24.15.255", 22),
    ("10.24.32.0", "10.24.33.255", 23),
    ("10.24.34.0", "10.24.35.255", 23),
    ("10.24.0.0", "10.31.255.255", 13),
    # RFC 4632 section 3.1: the prefix 172.16.0.0/16 has the mask 255.255.0.0
    ("172.16.0.0", "172.16.255.255", 16),
    # RFC 1918 section 3
    ("10.0.0.0", "10.255.255.255", 8),
    ("172.16.0.0", "172.31.255.255", 12),
    ("192.168.0.0", "192.168.255.255", 16),
    # RFC 3927 section 2.1 and RFC 5737 section 3
    ("169.254.0.0", "169.254.255.255", 16),
    ("192.0.2.0", "192.0.2.255", 24),
]


def mask_of(bits: int) -> Address:
    return Address((0xFFFFFFFF << (32 - bits)) & 0xFFFFFFFF)


@pytest.mark.parametrize(("begin", "end", "bits"), BLOCKS)
def test_blocks_of_the_standards(begin: str, end: str, bits: int) -> None:
    for address in (at(begin), at(end), Address(at(begin) + 5)):
        assert (first(address, mask_of(bits)), last(address, mask_of(bits))) == (at(begin), at(end))
    assert length(mask_of(bits)) == bits
    assert not_for_hosts(at(begin), mask_of(bits)) in ("network number", "reserved")
    assert not_for_hosts(at(end), mask_of(bits)) == "broadcast number"


@pytest.mark.parametrize(
    ("address", "mask", "begin", "end"),
    [
        # RFC 950 appendix III (from memory): one host each in nets of the old classes A, B and C
        ("36.40.0.123", "255.255.0.0", "36.40.0.0", "36.40.255.255"),
        ("128.99.4.123", "255.255.255.0", "128.99.4.0", "128.99.4.255"),
        ("192.1.127.19", "255.255.255.224", "192.1.127.0", "192.1.127.31"),
        # RFC 950 section 2.1 (from memory): a 6-bit wide subnet field in a class B network
        ("128.99.5.1", "255.255.252.0", "128.99.4.0", "128.99.7.255"),
        ("192.0.2.130", "255.255.255.192", "192.0.2.128", "192.0.2.191"),
    ],
)
def test_subnets_of_the_standard(address: str, mask: str, begin: str, end: str) -> None:
    assert (first(at(address), at(mask)), last(at(address), at(mask))) == (at(begin), at(end))


def test_two_hosts_on_31_bits() -> None:
    """RFC 3021 section 2.1: both numbers of a /31 are hosts."""
    mask = mask_of(31)
    assert hosts(at("192.0.2.2"), mask) == (at("192.0.2.2"), at("192.0.2.3"))
    assert not_for_hosts(at("192.0.2.2"), mask) is not_for_hosts(at("192.0.2.3"), mask) is None
    assert in_network(at("192.0.2.2"), at("192.0.2.3"), mask)
    assert not in_network(at("192.0.2.3"), at("192.0.2.4"), mask)


unicast = st.integers(1 << 24, (127 << 24) - 1) | st.integers(128 << 24, (224 << 24) - 1)


@given(unicast, st.integers(8, 32))
def test_hosts_are_those_of_ipaddress(number: int, bits: int) -> None:
    mask, net = mask_of(bits), IPv4Network((number, bits), strict=False)
    begin, end = hosts(Address(number), mask)
    assert first(Address(number), mask) == int(net.network_address)
    assert last(Address(number), mask) == int(net.broadcast_address)
    few = IPv4Network((number, max(bits, 28)), strict=False)
    real = list(few.hosts())
    assert hosts(Address(number), mask_of(max(bits, 28))) == (int(real[0]), int(real[-1]))
    assert (end - begin + 1) == (net.num_addresses - 2 if bits < 31 else net.num_addresses)
    ends = {net.network_address, net.broadcast_address} if bits < 31 else set()
    assert (not_for_hosts(Address(number), mask) is None) is (IPv4Address(number) not in ends)


@given(unicast, unicast, st.integers(1, 32))
def test_sharing_a_network_is_that_of_ipaddress(one: int, other: int, bits: int) -> None:
    same = IPv4Address(one) in IPv4Network((other, bits), strict=False)
    assert in_network(Address(one), Address(other), mask_of(bits)) is same


@pytest.mark.parametrize("text", ["0.1.2.3", "127.0.0.1", "224.0.0.1", "240.1.2.3", "255.1.1.1"])
def test_reserved_numbers(text: str) -> None:
    """RFC 1122 section 3.2.1.3, RFC 1112 section 4."""
    assert not_for_hosts(at(text), mask_of(24)) == "reserved"


# --- checks --------------------------------------------------------------------------------------

PC = 'address = "192.0.2.15"\nmask = "255.255.255.0"'
UNIT = 'address = "192.0.2.60"\nmask = "255.255.255.0"'


def test_good_numbers_hold() -> None:
    one = joined(PC + '\ngateway = "192.0.2.1"', UNIT + '\ngateway = "192.0.2.1"')
    assert one.holds
    assert {check.result for check in one.checks} == {Result.HOLDS}
    assert (one.pc, one.mask, one.way) == (at("192.0.2.15"), mask_of(24), Way.SAME_NETWORK)
    assert (one.presumed, one.changes_address) == (False, False)


BROKEN = [
    ('address = "198.51.100.15"\nmask = "255.255.255.0"', UNIT, ("network", "other network")),
    ('address = "192.0.2.0"\nmask = "255.255.255.0"', UNIT, ("pc", "network number")),
    ('address = "192.0.2.255"\nmask = "255.255.255.0"', UNIT, ("pc", "broadcast number")),
    ('address = "224.0.2.15"', UNIT, ("pc", "reserved")),
    ('address = "192.0.2.60"\nmask = "255.255.255.0"', UNIT, ("pc", "taken")),
    (PC, UNIT + '\nothers = ["panel", "192.0.2.15"]', ("pc", "taken")),
    (PC, UNIT + '\ngateway = "192.0.2.15"', ("pc", "taken")),
    (PC + '\ngateway = "198.51.100.1"', UNIT, ("pc gateway", "gateway outside")),
    (PC + '\ngateway = "192.0.2.255"', UNIT, ("pc gateway", "gateway outside")),
    (PC + '\ngateway = "192.0.2.15"', UNIT, ("pc gateway", "gateway is itself")),
    (PC, UNIT + '\ngateway = "192.0.3.1"', ("controller gateway", "gateway outside")),
    (PC, UNIT + '\ngateway = "192.0.2.60"', ("controller gateway", "gateway is itself")),
    (PC, UNIT.replace("2.60", "2.255"), ("controller", "broadcast number")),
    (PC, UNIT.replace("2.60", "2.0"), ("controller", "network number")),
    ('address = "169.254.7.7"', UNIT, ("pc", "self-assigned")),
    (PC, UNIT.replace("2.60", "2.200").replace("255.0", "255.128"), ("network", "other network")),
    (PC + f"\n[[adapter]]\n{PC.replace('2.15', '2.16')}", UNIT, ("adapters", "adapters overlap")),
    (
        PC + '\n[[adapter]]\naddress = "192.0.9.9"\nmask = "255.255.0.0"',
        UNIT,
        ("adapters", "adapters overlap"),
    ),
]


@pytest.mark.parametrize(("adapter", "controller", "what"), BROKEN)
def test_broken_numbers_are_seen(adapter: str, controller: str, what: tuple[str, str]) -> None:
    one = joined(adapter, controller)
    assert what in found(one)
    assert not one.holds


def test_a_different_mask_that_still_covers_both_is_to_be_checked() -> None:
    one = joined(PC, UNIT.replace("255.255.255.0", "255.255.255.128"))
    assert one.holds
    assert found(one, Result.OPEN) == [("masks", "masks differ")]


def test_an_adapter_of_another_network_is_left_in_peace() -> None:
    office = '[[adapter]]\naddress = "198.51.100.7"\nmask = "255.255.255.0"\n'
    one = planned(f"{office}[[adapter]]\n{PC}\n[[controller]]\n{UNIT}\n")
    assert one.holds
    assert one.adapter is not None
    assert one.adapter.address == at("192.0.2.15")
    assert ("adapters", "adapters apart") in found(one, Result.HOLDS)


def test_an_unknown_mask_is_presumed_and_told() -> None:
    one = joined('address = "192.0.2.15"', 'address = "192.0.2.60"')
    assert one.presumed
    assert one.mask == at("255.255.255.0")
    assert found(one, Result.HOLDS) == [("pc", "own address")]
    assert ("network", "same network") in found(one, Result.OPEN)
    assert joined('address = "169.254.7.7"', 'address = "169.254.9.9"').mask == at("255.255.0.0")


def test_a_presumed_mask_does_not_prove_two_networks() -> None:
    """By a wider one the two may be neighbours; until it is read, the PC takes a free address."""
    one = joined('address = "192.168.1.15"', 'address = "192.0.2.60"')
    assert found(one, Result.OPEN)[-1] == ("network", "presumed apart")
    assert found(one, Result.BROKEN) == []
    assert (one.holds, one.changes_address, one.can_go_on) == (False, True, True)


def test_the_controllers_mask_serves_where_the_pcs_is_not_known() -> None:
    one = joined('address = "192.0.2.15"', UNIT)
    assert (one.presumed, one.mask) == (False, at("255.255.255.0"))


def test_a_router_needs_a_gateway_on_both_ends_and_no_direct_cable() -> None:
    pc = PC + '\ngateway = "192.0.2.1"'
    unit = 'address = "198.51.100.60"\nmask = "255.255.255.0"'
    gateway = '\ngateway = "198.51.100.1"'
    routed = joined(pc, unit + gateway)
    assert (routed.way, routed.holds, routed.pc) == (Way.ROUTER, True, at("192.0.2.15"))
    assert routed.far == "198.51.100.0/24"
    assert not joined(pc, unit).holds
    assert not joined(PC, unit + gateway).holds
    assert not joined(pc, unit + gateway + '\ncable = "direct"').holds


# --- the address to take -------------------------------------------------------------------------


def test_without_an_adapter_a_free_address_is_proposed() -> None:
    one = planned(f"[[controller]]\n{UNIT}\n")
    assert (one.pc, one.way, one.changes_address) == (at("192.0.2.253"), Way.SAME_NETWORK, True)


def test_a_free_address_is_nobodys_in_the_sheet() -> None:
    others = ", ".join(f'"192.0.2.{last}"' for last in range(130, 254))
    one = planned(f"[[controller]]\n{UNIT}\nothers = [{others}]\n")
    assert one.pc == at("192.0.2.129")


@pytest.mark.parametrize(
    ("controller", "mask", "proposed"),
    [
        ("192.0.2.2", "255.255.255.254", "192.0.2.3"),  # RFC 3021
        ("192.0.2.1", "255.255.255.252", "192.0.2.2"),
        ("192.0.2.2", "255.255.255.252", "192.0.2.1"),  # only a router's usual number is left
        ("192.0.2.2", "255.255.255.255", None),
        ("169.254.7.7", "255.255.0.0", "169.254.254.253"),  # RFC 3927 section 2.1
        ("224.0.0.5", "255.255.255.0", None),
        ("10.1.2.3", "128.0.0.0", None),
    ],
)
def test_proposed_addresses(controller: str, mask: str, proposed: str | None) -> None:
    one = planned(f'[[controller]]\naddress = "{controller}"\nmask = "{mask}"\n')
    assert one.pc == (None if proposed is None else at(proposed))


@given(unicast, st.integers(16, 30), st.lists(st.integers(0, 255), max_size=20))
def test_a_proposed_address_is_a_free_host_of_the_network(
    number: int, bits: int, near: list[int]
) -> None:
    own = IPv4Address(number)
    taken = sorted({str(IPv4Address(number & ~0xFF | one)) for one in near})
    names = ", ".join(f'"{one}"' for one in taken)
    site = read(
        f'[[controller]]\naddress = "{own}"\nmask = "{mask_of(bits)}"\nothers = [{names}]'.encode(),
        "site.toml",
    )
    proposed = plan(site, site.controllers)[0].pc
    net = IPv4Network((number, bits), strict=False)
    ends = (net.network_address, net.broadcast_address)
    if proposed is None:
        assert all(str(one) in taken or one == own for one in net.hosts())
    else:
        assert IPv4Address(proposed) in net
        assert IPv4Address(proposed) not in (own, *ends)
        assert str(proposed) not in taken


# --- the neighbour table -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "entry"),
    [
        ("", Entry.NOT_KNOWN),
        ("answers_arp = true", Entry.NOT_NEEDED),
        ("answers_arp = false", Entry.LABEL_MISSING),
        ('answers_arp = false\nhardware_address = "00-00-5E-00-53-60"', Entry.NEEDED),
    ],
)
def test_when_an_entry_by_hand_is_needed(more: str, entry: Entry) -> None:
    assert joined(PC, f"{UNIT}\n{more}").entry is entry


def test_behind_a_router_no_entry_is_needed() -> None:
    one = joined(
        PC + '\ngateway = "192.0.2.1"',
        'address = "198.51.100.60"\nmask = "255.255.255.0"\ngateway = "198.51.100.1"\n'
        "answers_arp = false",
    )
    assert one.entry is Entry.NOT_NEEDED
