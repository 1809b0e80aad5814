"""A connection planned: whether the numbers hold, which address the PC could take, which cable, and
what has to be entered by hand. Plain data and keys; the words are the report's.

Networks after RFC 950 and RFC 4632, two hosts on a /31 after RFC 3021.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import NamedTuple

from analyzer.facts import Address
from analyzer.facts.index import grouped
from analyzer.linkup import Network, is_loopback, is_self_assigned, presumed
from analyzer.site import Adapter, Controller, Site

ALL_ONES = 0xFFFFFFFF
LONGEST = 31
"""Bits of the longest mask that leaves room for two: RFC 3021."""
LAST_RESORT = (0, 1, 254, 255)
"""Last numbers that are proposed last: routers often have 1 or 254, and some devices take 0 and 255
for a network's own numbers whatever the mask (common practice, no source)."""


PC_NUMBERS = ("pc", "pc gateway", "network")
"""Checks that another address of the PC mends."""


class Result(StrEnum):
    """What a check came to. open: it may hold, and somebody has to look."""

    HOLDS = "holds"
    OPEN = "to check"
    BROKEN = "does not hold"


@dataclass(frozen=True, slots=True)
class Check:
    """One check: what was looked at, the key of what was found, and the values for its words.

    A value "mask" is the mask that it rests on.
    """

    about: str
    found: str
    result: Result
    values: dict[str, object] = field(default_factory=dict)


class Way(StrEnum):
    """How packets get from the PC to the controller."""

    SAME_NETWORK = "same network"
    ROUTER = "router"
    NONE = "none"


class Entry(StrEnum):
    """Whether the controller has to be entered in the PC's neighbour table by hand."""

    NEEDED = "needed"
    LABEL_MISSING = "label missing"
    NOT_NEEDED = "not needed"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Plan:
    """The connection of the PC with one controller.

    adapter: the PC's, None where the sheet has none that fits; pc: the address to connect with, the
    adapter's own or one that is free as far as the sheet knows, None where there is none; mask: the
    PC's; presumed: whether that mask is only presumed.
    """

    controller: Controller
    adapter: Adapter | None
    pc: Address | None
    mask: Address
    presumed: bool
    way: Way
    entry: Entry
    checks: list[Check]

    @property
    def holds(self) -> bool:
        """Whether nothing has to be changed."""
        leaves = self.adapter is not None and self.changes_address
        return not leaves and all(check.result is not Result.BROKEN for check in self.checks)

    @property
    def can_go_on(self) -> bool:
        """Whether what does not hold is mended by the plan's own steps: another address for the PC,
        or its other adapters switched off.
        """
        broken = {check.about for check in self.checks if check.result is Result.BROKEN}
        mended = {"adapters", *(PC_NUMBERS if self.changes_address else ())}
        return self.pc is not None and broken <= mended

    @property
    def gateway(self) -> Address | None:
        """The PC's gateway, where it is a device in the network of the address to connect with."""
        gateway = self.adapter.gateway if self.adapter is not None else None
        if gateway is None or self.pc is None or gateway == self.pc:
            return None
        fits = in_network(gateway, self.pc, self.mask) and not not_for_hosts(gateway, self.mask)
        return gateway if fits else None

    @property
    def far(self) -> str:
        """The controller's network, such as 192.0.2.0/24."""
        return str(Network(self.controller.address, self.controller.mask or self.mask))

    @property
    def router(self) -> Address | None:
        """The router that leads from the PC to the controller's network, None where there is none
        between.
        """
        return self.adapter.gateway if self.adapter and self.way is Way.ROUTER else None

    @property
    def changes_address(self) -> bool:
        """Whether the PC is to take another address than it has."""
        return self.adapter is None or self.pc != self.adapter.address


def plan(site: Site, controllers: Sequence[Controller]) -> list[Plan]:
    """The connections with some controllers of a sheet."""
    named = _Named(site)
    return [_plan(site, controller, named) for controller in controllers]


def _plan(site: Site, controller: Controller, named: "_Named") -> Plan:
    adapter = _adapter(site, controller)
    mask, presumed = _mask(adapter, controller)
    checks = [
        *_controller_checks(controller, mask),
        *(_adapter_checks(named, adapter, controller, mask) if adapter is not None else []),
        *_overlaps(site, adapter, mask),
    ]
    if presumed:
        checks = [_by_presumed(one) for one in checks]
    way = _way(adapter, controller, mask)
    keeps = adapter is not None and way is not Way.NONE and _is_right(checks, "pc")
    pc = adapter.address if adapter is not None else None
    if not keeps:
        mask = controller.mask or mask
        pc = named.free(controller.address, mask)
        way = Way.SAME_NETWORK if pc is not None else Way.NONE
    entry = _entry(controller, way)
    return Plan(controller, adapter, pc, mask, presumed, way, entry, checks)


def _by_presumed(check: Check) -> Check:
    """A check whose mask nothing names: two that it puts apart may be in one network after all."""
    if check.found == "other network":
        return replace(check, found="presumed apart", result=Result.OPEN)
    rests_on_it = check.result is Result.HOLDS and "mask" in check.values
    return replace(check, result=Result.OPEN) if rests_on_it else check


def _is_right(checks: Sequence[Check], about: str) -> bool:
    return all(one.result is not Result.BROKEN for one in checks if one.about == about)


def _adapter(site: Site, controller: Controller) -> Adapter | None:
    """The adapter in the controller's network, else the first one."""
    near = (
        one
        for one in site.adapters
        if in_network(controller.address, one.address, _mask(one, controller)[0])
    )
    return next(near, site.adapters[0] if site.adapters else None)


def _mask(adapter: Adapter | None, controller: Controller) -> tuple[Address, bool]:
    """The PC's mask, and whether it is presumed: its own, else the controller's."""
    known = (adapter.mask if adapter is not None else None) or controller.mask
    return known or presumed(controller.address).mask, known is None


def in_network(address: Address, own: Address, mask: Address) -> bool:
    """Whether two addresses share a network (RFC 950 section 2.2)."""
    return address & mask == own & mask


def first(address: Address, mask: Address) -> Address:
    """The number of the network itself (RFC 950 section 2.1)."""
    return Address(address & mask)


def last(address: Address, mask: Address) -> Address:
    """The network's broadcast number: all ones behind the mask (RFC 922 section 7)."""
    return Address(address | (mask ^ ALL_ONES))


def length(mask: Address) -> int:
    """The bits of a mask (RFC 4632 section 3.1)."""
    return int(mask).bit_count()


def hosts(address: Address, mask: Address) -> tuple[Address, Address]:
    """The first and the last number that a host can have."""
    if length(mask) >= LONGEST:
        return first(address, mask), last(address, mask)
    return Address(first(address, mask) + 1), Address(last(address, mask) - 1)


def is_reserved(address: Address) -> bool:
    """Whether no host has a number, in whatever network (RFC 1122 section 3.2.1.3)."""
    return address >> 24 == 0 or is_loopback(address) or address >> 24 >= 224


def not_for_hosts(address: Address, mask: Address) -> str | None:
    """Why no host can have a number (a key), None where one can."""
    if is_reserved(address):
        return "reserved"
    begin, end = hosts(address, mask)
    if address < begin:
        return "network number"
    return "broadcast number" if address > end else None


def _controller_checks(controller: Controller, mask: Address) -> Iterator[Check]:
    own = controller.mask or mask
    yield _host_check("controller", controller.address, own)
    if controller.gateway is not None:
        yield _gateway_check("controller", controller.gateway, controller.address, own)


def _adapter_checks(
    named: "_Named", adapter: Adapter, controller: Controller, mask: Address
) -> Iterator[Check]:
    yield _host_check("pc", adapter.address, mask)
    if is_self_assigned(adapter.address) and not is_self_assigned(controller.address):
        yield Check("pc", "self-assigned", Result.BROKEN, {"address": adapter.address})
    owner = named.owner(adapter.address, adapter)
    if owner is not None:
        values = {"address": adapter.address, "owner": owner.kind, "name": owner.name}
        yield Check("pc", "taken", Result.BROKEN, values)
    else:
        yield Check("pc", "own address", Result.HOLDS, {"address": adapter.address})
    yield _network_check(adapter, controller, mask)
    if controller.mask is not None and adapter.mask not in (None, controller.mask):
        values = {"pc": adapter.mask, "controller": controller.mask}
        yield Check("masks", "masks differ", Result.OPEN, values)
    if adapter.gateway is not None:
        yield _gateway_check("pc", adapter.gateway, adapter.address, mask)


def _host_check(about: str, address: Address, mask: Address) -> Check:
    why = not_for_hosts(address, mask)
    begin, end = hosts(address, mask)
    values: dict[str, object] = {"address": address, "first": begin, "last": end, "mask": mask}
    return Check(about, why or "host number", Result.BROKEN if why else Result.HOLDS, values)


def _gateway_check(about: str, gateway: Address, own: Address, mask: Address) -> Check:
    values: dict[str, object] = {"gateway": gateway, "own": own, "mask": mask}
    if gateway == own:
        return Check(f"{about} gateway", "gateway is itself", Result.BROKEN, values)
    if not in_network(gateway, own, mask) or not_for_hosts(gateway, mask):
        return Check(f"{about} gateway", "gateway outside", Result.BROKEN, values)
    return Check(f"{about} gateway", "gateway inside", Result.HOLDS, values)


def _network_check(adapter: Adapter, controller: Controller, mask: Address) -> Check:
    way = _way(adapter, controller, mask)
    values: dict[str, object] = {
        "mask": mask,
        "pc": str(Network(adapter.address, mask)),
        "controller": str(Network(controller.address, controller.mask or mask)),
        "gateway": adapter.gateway,
    }
    result = Result.BROKEN if way is Way.NONE else Result.HOLDS
    return Check("network", way.value if way is not Way.NONE else "other network", result, values)


def _way(adapter: Adapter | None, controller: Controller, mask: Address) -> Way:
    """By a router only where both ends have a gateway, and no direct cable joins them."""
    if adapter is None:
        return Way.NONE
    masks = (mask, controller.mask or mask)
    alike = [in_network(controller.address, adapter.address, one) for one in masks]
    if all(alike):
        return Way.SAME_NETWORK
    gateways = None not in (adapter.gateway, controller.gateway)
    routed = gateways and not any(alike) and controller.cable != "direct"
    return Way.ROUTER if routed else Way.NONE


def _overlaps(site: Site, adapter: Adapter | None, mask: Address) -> Iterator[Check]:
    """Two adapters in one network: the PC then sends through either (RFC 1122 section 3.3.4)."""
    for other in site.adapters:
        if adapter is None or other is adapter:
            continue
        theirs = other.mask or presumed(other.address).mask
        wider = Address(mask & theirs)
        overlap = in_network(other.address, adapter.address, wider)
        values: dict[str, object] = {
            "mask": mask,
            "pc": str(Network(adapter.address, mask)),
            "other": str(Network(other.address, theirs)),
        }
        found = "adapters overlap" if overlap else "adapters apart"
        yield Check("adapters", found, Result.BROKEN if overlap else Result.HOLDS, values)


class Owner(NamedTuple):
    """Whose an address is: a controller's, another's, a gateway's or an adapter's of the PC."""

    kind: str
    name: str
    adapter: Adapter | None = None


class _Named:
    """The addresses that a sheet names, and those that it leaves free. Each network is looked
    through once.
    """

    def __init__(self, site: Site) -> None:
        self._owners = grouped((at, owner) for at, owner in _owners(site) if at is not None)
        self._free: dict[tuple[Address, Address], Address | None] = {}

    def owner(self, address: Address, but: Adapter) -> Owner | None:
        """Whose an address is, other than one adapter's own."""
        return next((one for one in self._owners[address] if one.adapter is not but), None)

    def free(self, address: Address, mask: Address) -> Address | None:
        """A host number in a network that the sheet gives to nobody, from the upper end down;
        LAST_RESORT comes last.
        """
        network = (first(address, mask), mask)
        if network not in self._free:
            self._free[network] = self._look_for_free(*network)
        return self._free[network]

    def _look_for_free(self, network: Address, mask: Address) -> Address | None:
        late: list[Address] = []
        begin, end = hosts(network, mask)
        if is_reserved(end):
            return None
        for address in map(Address, range(end, begin - 1, -1)):
            if address in self._owners or not _may_propose(address):
                continue
            if address & 0xFF not in LAST_RESORT:
                return address
            late.append(address)
        return next(iter(late), None)


def _owners(site: Site) -> Iterator[tuple[Address | None, Owner]]:
    """Every address that the sheet names, the gravest owner first."""
    yield from ((one.address, Owner("controller", one.name)) for one in site.controllers)
    stations: tuple[Adapter | Controller, ...] = (*site.adapters, *site.controllers)
    yield from ((one.gateway, Owner("gateway", "")) for one in stations)
    others = (text for one in site.controllers for text in one.others)
    yield from ((as_address(text), Owner("other", "")) for text in others)
    yield from ((one.address, Owner("adapter", one.name, one)) for one in site.adapters)


def as_address(text: str) -> Address | None:
    """An address that stands in a text by itself."""
    try:
        return Address.parse(text)
    except ValueError:
        return None


def _may_propose(address: Address) -> bool:
    """Not 169.254.0.x and 169.254.255.x, which are reserved (RFC 3927 section 2.1)."""
    return not is_self_assigned(address) or 0 < (address >> 8 & 0xFF) < 255


def _entry(controller: Controller, way: Way) -> Entry:
    if way is not Way.SAME_NETWORK or controller.answers_arp:
        return Entry.NOT_NEEDED
    if controller.answers_arp is None:
        return Entry.NOT_KNOWN
    return Entry.NEEDED if controller.hardware_address is not None else Entry.LABEL_MISSING
