"""Which adapter is recorded on, and what stands in the way of the plan."""

import socket
from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Interface
from types import SimpleNamespace

import psutil
import pytest

from analyzer.errors import Unusable
from analyzer.recorder.adapters import (
    Adapter,
    Reason,
    Trouble,
    adapters,
    choose,
    has_link,
    reason,
    warnings,
)

CONTROLLER = IPv4Address("192.0.2.60")


def adapter(name: str, *addresses: str, link: bool = True) -> Adapter:
    return Adapter(name, tuple(map(IPv4Interface, addresses)), has_link=link)


LOOP = adapter("loop", "127.0.0.1/8")
CABLE = adapter("cable", "192.0.2.15/24")
OFFICE = adapter("office", "198.51.100.7/24")
UNPLUGGED = adapter("spare", "203.0.113.4/24", link=False)


def troubles(
    chosen: Adapter, *others: Adapter, controllers: Sequence[IPv4Address] = (CONTROLLER,)
) -> list[Trouble]:
    return [one.trouble for one in warnings(chosen, [LOOP, chosen, *others], controllers)]


# --- what the system lists ------------------------------------------------------------------------


def test_adapters_as_the_system_lists_them(monkeypatch: pytest.MonkeyPatch) -> None:
    def entry(family: int, address: str, netmask: str | None = None) -> SimpleNamespace:
        return SimpleNamespace(family=family, address=address, netmask=netmask)

    listed = {
        "cable": [
            entry(socket.AF_INET, "192.0.2.15", "255.255.255.0"),
            entry(socket.AF_INET6, "fe80::1", "ffff:ffff:ffff:ffff::"),
            entry(psutil.AF_LINK, "00-00-5E-00-53-15"),
        ],
        "tunnel": [entry(socket.AF_INET, "198.51.100.7")],
        "odd": [entry(psutil.AF_LINK, "00:00:00:00:00:00")],
        "strange": [entry(psutil.AF_LINK, "a name instead")],
    }
    states = {
        "cable": SimpleNamespace(isup=True, speed=100),
        "tunnel": SimpleNamespace(isup=False, speed=0),
    }
    monkeypatch.setattr(psutil, "net_if_addrs", lambda: listed)
    monkeypatch.setattr(psutil, "net_if_stats", lambda: states)
    cable, tunnel, odd, strange = adapters()
    address = (IPv4Interface("192.0.2.15/24"),)
    assert cable == Adapter("cable", address, 0x00005E005315, True, 100_000_000)
    assert tunnel == Adapter("tunnel", (IPv4Interface("198.51.100.7/32"),), None, False, None)
    assert (odd.hardware, odd.has_link, strange.hardware) == (None, False, None)
    assert has_link("cable")
    assert not has_link("tunnel")
    assert not has_link("pulled out")


def test_adapters_of_this_very_machine() -> None:
    assert any(one.is_loopback for one in adapters())


# --- which one ------------------------------------------------------------------------------------


def test_the_adapter_named_by_name_or_address() -> None:
    known = [LOOP, CABLE, OFFICE]
    assert choose(known, "OFFICE", [CONTROLLER]) is OFFICE
    assert choose(known, "192.0.2.15", []) is CABLE
    with pytest.raises(Unusable, match="nowhere: is no adapter") as refused:
        choose(known, "nowhere", [])
    assert '"cable"' in str(refused.value)


def test_the_adapter_in_whose_network_the_controller_is() -> None:
    assert choose([LOOP, OFFICE, CABLE], None, [CONTROLLER]) is CABLE
    assert choose([OFFICE, CABLE], None, [IPv4Address("198.51.100.9")]) is OFFICE


def test_the_only_adapter_with_a_link() -> None:
    assert choose([LOOP, OFFICE, UNPLUGGED], None, [CONTROLLER]) is OFFICE
    assert choose([LOOP, OFFICE, UNPLUGGED], None, []) is OFFICE


def test_why_it_is_that_one() -> None:
    assert reason(CABLE, "cable", [CONTROLLER]) is Reason.NAMED
    assert reason(CABLE, None, [CONTROLLER]) is Reason.NETWORK
    assert reason(OFFICE, None, [CONTROLLER]) is reason(OFFICE, None, []) is Reason.ONLY_LINK


def test_several_that_could_be_meant_are_named() -> None:
    with pytest.raises(Unusable, match='"office", "cable"'):
        choose([LOOP, OFFICE, CABLE, UNPLUGGED], None, [])
    twin = adapter("twin", "192.0.2.16/24")
    with pytest.raises(Unusable, match='"cable", "twin"'):
        choose([OFFICE, CABLE, twin], None, [CONTROLLER])


def test_no_link_anywhere() -> None:
    with pytest.raises(Unusable, match="no adapter has a link"):
        choose([LOOP, UNPLUGGED], None, [CONTROLLER])


# --- what stands in the way -----------------------------------------------------------------------


def test_a_good_plan_raises_no_warning() -> None:
    assert troubles(CABLE, OFFICE, UNPLUGGED) == []
    assert troubles(CABLE, controllers=()) == []


@pytest.mark.parametrize(
    ("chosen", "trouble"),
    [
        (adapter("cable", "192.0.2.15/24", link=False), Trouble.NO_LINK),
        (adapter("cable"), Trouble.NO_ADDRESS),
        (OFFICE, Trouble.OTHER_NETWORK),
        (adapter("cable", "192.0.2.15/27"), Trouble.OTHER_NETWORK),
        (adapter("cable", "192.0.2.60/24"), Trouble.OWN_ADDRESS),
        (adapter("cable", "192.0.2.15/24", "192.0.2.60/24"), Trouble.OWN_ADDRESS),
        (adapter("cable", "192.0.2.61/30"), Trouble.NO_HOST),
    ],
)
def test_what_stands_in_the_way(chosen: Adapter, trouble: Trouble) -> None:
    assert troubles(chosen) == [trouble]


def test_an_address_that_the_adapter_gave_itself() -> None:
    alone = adapter("cable", "169.254.7.9/16")
    assert troubles(alone) == [Trouble.SELF_ASSIGNED, Trouble.OTHER_NETWORK]
    assert troubles(alone, controllers=[]) == [Trouble.SELF_ASSIGNED]
    assert troubles(alone, controllers=[IPv4Address("169.254.1.1")]) == []


def test_the_adapter_that_would_fit_is_named() -> None:
    (warned,) = warnings(OFFICE, [OFFICE, CABLE], [CONTROLLER])
    assert warned.values["elsewhere"] == ["cable"]


def test_two_adapters_in_one_network() -> None:
    assert troubles(CABLE, adapter("wireless", "192.0.2.200/25")) == [Trouble.TWO_WAYS]
    assert troubles(CABLE, adapter("wireless", "192.0.2.200/25", link=False)) == []
    assert troubles(adapter("cable", "127.0.0.5/8"), controllers=[]) == []


def test_both_ends_of_a_line_between_two_are_hosts() -> None:
    """RFC 3021: a network of two addresses has neither a network nor a broadcast address."""
    assert troubles(adapter("cable", "192.0.2.61/31")) == []
