"""A renaming keeps what a diagnosis reads off addresses (RFC 1918, 3927, 5737, 6890, 9542)."""

from collections.abc import Iterable
from ipaddress import IPv4Address, IPv6Address

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analyzer.facts import Hardware
from analyzer.trim.renaming import Met, Renaming

MASKS = (0xFFFFFF00, 0xFFFFFFC0, 0xFFFFF000, 0xFF000000, 0xFFFF0000)
keys = st.binary(min_size=16, max_size=16)
known = [
    "10.0.0.1", "172.16.3.4", "172.32.3.4", "192.168.1.20", "169.254.9.9", "192.0.2.15",
    "198.51.100.7", "203.0.113.254", "100.64.1.1", "198.18.0.1", "127.0.0.1", "0.0.0.0",
    "255.255.255.255", "224.0.0.1", "239.255.255.250", "8.8.8.8", "192.0.0.9", "11.0.0.1",
]  # fmt: skip
addresses = st.integers(0, 2**32 - 1) | st.sampled_from([int(IPv4Address(a)) for a in known])
near = st.tuples(addresses, st.integers(0, 2**12 - 1)).map(lambda pair: pair[0] ^ pair[1])


def met(*several: int, hardware: Iterable[int] = ()) -> Met:
    """Those addresses, as they are met in a recording."""
    found = Met()
    found.addresses.update(several)
    found.hardwares.update(hardware)
    return found


@given(key=keys, address=addresses)
@example(bytes(16), int(IPv4Address("192.88.99.1")))
def test_the_character_of_an_address_stays(key: bytes, address: int) -> None:
    old = IPv4Address(address)
    new = IPv4Address(Renaming(MASKS, key).address(address))
    for trait in (
        "is_private", "is_global", "is_link_local", "is_multicast", "is_loopback", "is_reserved",
    ):  # fmt: skip
        assert getattr(old, trait) == getattr(new, trait), (trait, old, new)
    assert (address & 0xFF in (0, 1, 254, 255)) == (int(new) & 0xFF in (0, 1, 254, 255))


@given(key=keys, one=addresses, other=near, bits=st.sampled_from([8, 12, 16, 20, 24, 26]))
def test_networks_stay_together_and_apart(key: bytes, one: int, other: int, bits: int) -> None:
    new = Renaming((*MASKS, 0xFFF00000), key, met(one, other))
    mask = 0xFFFFFFFF << 32 - bits & 0xFFFFFFFF
    together = one & mask == other & mask
    assert (new.address(one) & mask == new.address(other) & mask) is together


@given(key=keys, address=addresses, bits=st.integers(8, 30))
def test_broadcasts_stay_broadcasts(key: bytes, address: int, bits: int) -> None:
    """And tell the same mask: as many ones at the end."""
    mask = 0xFFFFFFFF << 32 - bits & 0xFFFFFFFF
    new = Renaming((mask,), key).address(address | ~mask & 0xFFFFFFFF)
    assert new & ~mask & 0xFFFFFFFF == ~mask & 0xFFFFFFFF
    old = address | ~mask & 0xFFFFFFFF
    assert (new ^ new + 1) == (old ^ old + 1)


@given(key=keys, several=st.sets(addresses, max_size=20))
def test_no_two_addresses_get_the_same_name(key: bytes, several: set[int]) -> None:
    new = Renaming(MASKS, key)
    assert len({new.address(one) for one in several}) == len(several)


def many(text: str, lasts: Iterable[int]) -> set[int]:
    return {int(IPv4Address(text)) + last for last in lasts}


@pytest.mark.parametrize("key", [bytes([n]) * 16 for n in range(4)])
@pytest.mark.parametrize(
    "occurring",
    [
        many("192.168.7.0", range(1, 255)),
        many("192.0.2.0", (1, 15, 20, 31, 60, 99, 254)),
        many("192.0.2.0", range(1, 255)),
        many("203.0.113.0", range(1, 120)),
        many("192.0.2.0", range(1, 90)) | many("198.51.100.0", range(1, 90)),
        many("10.127.127.0", range(2, 120)),
        many("192.168.127.0", (1, 7, 9)),
        many("169.254.3.0", range(2, 250)) | many("100.64.0.0", range(1, 250)),
        {net << 24 | net << 16 | net << 8 | 1 for net in range(1, 60)},
    ],
)
def test_no_new_name_is_an_address_that_occurs(key: bytes, occurring: set[int]) -> None:
    """So no station keeps its own, a usual router's neither, and none takes another's."""
    new = Renaming((0xFFFFFF00, 0xFFFF0000), key, met(*occurring))
    assert not {new.address(one) for one in occurring} & occurring


def test_a_group_that_holds_an_address_is_made_up() -> None:
    """An own one of a site, one of a network (RFC 6034, RFC 3306), a balancer's."""
    new = Renaming((), bytes(range(16)))
    assert new.address(int(IPv4Address("239.192.60.15"))) >> 8 != 0xEFC03C
    assert new.address(int(IPv4Address("224.0.0.251"))) == int(IPv4Address("224.0.0.251"))
    prefixed = IPv6Address("ff3e:30:2001:db8:5::1234").packed
    assert new.ipv6(prefixed)[:2] == prefixed[:2]
    assert b"\x0d\xb8" not in new.ipv6(prefixed)
    mapped, group = new.hardware(0x3333C000020F), IPv6Address("ff05::c000:20f").packed
    assert mapped.to_bytes(6)[2:] == new.ipv6(group)[12:] != group[12:]
    for hidden in (0x03BFC000020F, 0x02BFC000020F, 0x01005E40020F, 0x33334000020F):
        assert "02-0F" not in str(Hardware(new.hardware(hidden)))
        assert Hardware(new.hardware(hidden)).is_group is Hardware(hidden).is_group


def test_made_up_hardware_addresses_are_nobodys() -> None:
    new = Renaming((), bytes(16), met(hardware=range(0x020000000001, 0x020000000009)))
    assert new.hardware(0x020000000003) == 0x020000000009


@given(several=st.lists(st.integers(0, 2**48 - 1), max_size=20))
def test_hardware_addresses_keep_the_group_bit(several: list[int]) -> None:
    new = Renaming((), bytes(16))
    single = {one for one in several if one and not Hardware(one).is_group}
    for one in several:
        assert Hardware(new.hardware(one)).is_group == Hardware(one).is_group
    single = {one for one in single if not Hardware(one).is_virtual_router}
    assert len({new.hardware(one) for one in single}) == len(single)
    assert all(new.hardware(one) >> 40 & 2 for one in single)  # RFC 9542 2.1: local, nobody's


@pytest.mark.parametrize(
    "kept", [0, 0xFFFFFFFFFFFF, 0x0180C2000000, 0x01005E000001, 0x00005E000107, 0x333300000001]
)
def test_hardware_addresses_that_say_something_stay(kept: int) -> None:
    assert Renaming((), bytes(16)).hardware(kept) == kept


@pytest.mark.parametrize(
    ("old", "trait"),
    [
        ("fe80::200:5eff:fe00:5315", "is_link_local"),
        ("::", "is_unspecified"),
        ("::1", "is_loopback"),
        ("ff02::1:ff00:5315", "is_multicast"),
        ("2001:db8:1::5", "is_private"),
    ],
)
def test_ipv6_addresses_keep_their_kind(old: str, trait: str) -> None:
    new = Renaming((), bytes(16))
    name = IPv6Address(new.ipv6(IPv6Address(old).packed))
    assert getattr(name, trait)
    assert new.ipv6(IPv6Address(old).packed) == name.packed
    assert "5315" not in str(name)
