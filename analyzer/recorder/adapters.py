"""What the PC can record on, and what stands in the way of the plan."""

import socket
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from ipaddress import IPv4Address, IPv4Interface

from analyzer.errors import BadOption, CannotRecord

MEGABIT = 10**6
SELF_ASSIGNED = IPv4Interface("169.254.0.0/16").network
"""RFC 3927 2.1."""


@dataclass(frozen=True, slots=True)
class Adapter:
    """A network adapter of the PC. hardware: its 48-bit address; speed: bits/s; None where the
    system does not say.
    """

    name: str
    addresses: tuple[IPv4Interface, ...] = ()
    hardware: int | None = None
    has_link: bool = True
    speed: int | None = None

    @property
    def is_loopback(self) -> bool:
        """Whether it leads nowhere but to the PC itself."""
        return bool(self.addresses) and all(one.ip.is_loopback for one in self.addresses)

    def reaches(self, address: IPv4Address) -> IPv4Interface | None:
        """Its own address whose network an address is in, the narrowest network first."""
        near = (one for one in self.addresses if address in one.network)
        return max(near, key=lambda one: one.network.prefixlen, default=None)


class Trouble(StrEnum):
    """What stands in the way of a link-up or of its recording."""

    NO_LINK = "no link"
    NO_ADDRESS = "no address"
    SELF_ASSIGNED = "self-assigned"
    OTHER_NETWORK = "other network"
    OWN_ADDRESS = "own address"
    NO_HOST = "no host"
    TWO_WAYS = "two ways"


@dataclass(frozen=True, slots=True)
class Warned:
    """One trouble, with the values that its words need."""

    trouble: Trouble
    values: Mapping[str, object] = field(default_factory=dict)


def adapters() -> list[Adapter]:
    """All adapters of this PC, as its system lists them."""
    import psutil  # takes long to import

    states = psutil.net_if_stats()
    found = []
    for name, entries in psutil.net_if_addrs().items():
        state = states.get(name)
        found.append(
            Adapter(
                name=name,
                addresses=tuple(
                    IPv4Interface(f"{one.address}/{one.netmask or 32}")
                    for one in entries
                    if one.family == socket.AF_INET
                ),
                hardware=next(
                    (_hardware(one.address) for one in entries if one.family == psutil.AF_LINK),
                    None,
                ),
                has_link=state is not None and state.isup,
                speed=state.speed * MEGABIT if state is not None and state.speed else None,
            )
        )
    return found


def has_link(name: str) -> bool:
    """Whether an adapter has a link now; one that is gone has none."""
    import psutil

    state = psutil.net_if_stats().get(name)
    return state is not None and bool(state.isup)


def _hardware(text: str) -> int | None:
    digits = text.replace(":", "").replace("-", "")
    try:
        return int(digits, 16) if len(digits) == 12 and int(digits, 16) else None
    except ValueError:
        return None


class Reason(StrEnum):
    """Why an adapter is recorded on."""

    NAMED = "named"
    NETWORK = "network"
    ONLY_LINK = "only link"


def choose(
    known: Sequence[Adapter], name: str | None, controllers: Sequence[IPv4Address]
) -> Adapter:
    """The adapter named; else the one whose network a controller is in; else the only one with a
    link. Raises BadOption or CannotRecord where that leaves none or several.
    """
    if name is not None:
        return _named(known, name)
    linked = [one for one in known if one.has_link and not one.is_loopback]
    near = [one for one in linked if any(one.reaches(address) for address in controllers)]
    fitting = near or linked
    if len(fitting) == 1:
        return fitting[0]
    if not fitting:
        raise CannotRecord(
            "no adapter has a link.",
            "record",
            "Look at the cable and the lamps, or name the adapter to wait for its link.",
        )
    names = ", ".join(f'"{one.name}"' for one in fitting)
    raise BadOption(
        f"several adapters could be meant: {names}.",
        "record",
        "Name the one that the cable to the controller is in.",
    )


def reason(chosen: Adapter, name: str | None, controllers: Sequence[IPv4Address]) -> Reason:
    """Why `choose` took this one."""
    if name is not None:
        return Reason.NAMED
    near = any(chosen.reaches(address) for address in controllers)
    return Reason.NETWORK if near else Reason.ONLY_LINK


def _named(known: Sequence[Adapter], name: str) -> Adapter:
    for one in known:
        if name.lower() == one.name.lower() or name in (str(own.ip) for own in one.addresses):
            return one
    names = ", ".join(f'"{one.name}"' for one in known)
    raise BadOption("is no adapter of this PC.", name, f"There are: {names}.")


def warnings(
    chosen: Adapter, known: Sequence[Adapter], controllers: Sequence[IPv4Address]
) -> Iterator[Warned]:
    """What stands in the way of the plan: to reach controllers over the chosen adapter."""
    if not chosen.has_link:
        yield Warned(Trouble.NO_LINK, {"adapter": chosen.name})
    if not chosen.addresses:
        yield Warned(Trouble.NO_ADDRESS, {"adapter": chosen.name})
    for own in chosen.addresses:
        if own.ip in SELF_ASSIGNED and not any(one in SELF_ASSIGNED for one in controllers):
            yield Warned(Trouble.SELF_ASSIGNED, {"adapter": chosen.name, "address": own.ip})
    for controller in controllers:
        yield from _about(controller, chosen, known)
    yield from _two_ways(chosen, known)


def _about(controller: IPv4Address, chosen: Adapter, known: Sequence[Adapter]) -> Iterator[Warned]:
    for one in known:
        if any(own.ip == controller for own in one.addresses):
            yield Warned(Trouble.OWN_ADDRESS, {"controller": controller, "adapter": one.name})
            return
    near = chosen.reaches(controller)
    if near is not None and near.network.prefixlen < 31:
        ends = (near.network.network_address, near.network.broadcast_address)
        if controller in ends:
            values = {"controller": controller, "network": near.network}
            yield Warned(Trouble.NO_HOST, values)
    if near is None and chosen.addresses:
        elsewhere = [one.name for one in known if one.reaches(controller)]
        yield Warned(
            Trouble.OTHER_NETWORK,
            {
                "controller": controller,
                "adapter": chosen.name,
                "networks": [own.network for own in chosen.addresses],
                "elsewhere": elsewhere,
            },
        )


def _two_ways(chosen: Adapter, known: Sequence[Adapter]) -> Iterator[Warned]:
    """Other adapters with a link in a network of the chosen one."""
    for other in known:
        if other is chosen or not other.has_link or other.is_loopback:
            continue
        for own in chosen.addresses:
            if any(own.network.overlaps(one.network) for one in other.addresses):
                values = {"adapter": chosen.name, "other": other.name, "network": own.network}
                yield Warned(Trouble.TWO_WAYS, values)
                break
