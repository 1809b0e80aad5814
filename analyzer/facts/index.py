"""Facts by whom and what they are about: one place that finds them without looking through all.

Each grouping is built when it is first asked for, and once. What is in none of it gives an empty
list.
"""

from collections.abc import Callable, Hashable, Iterable
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

from analyzer.facts.arp import MANY, SWEEP, Question
from analyzer.facts.dhcp import DhcpMessage
from analyzer.facts.icmp import Echo, IcmpError
from analyzer.facts.paths import FRESH, Path
from analyzer.facts.session import Session
from analyzer.facts.stations import Station
from analyzer.facts.switch import Tagged
from analyzer.facts.udp import Exchange, Socket
from analyzer.facts.values import Address, Hardware, Moment, Series

if TYPE_CHECKING:
    from analyzer.facts import Facts

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Groups(dict[Key, list[Value]]):
    """Values by a key, in their order; nothing for a key that none has."""

    def __missing__(self, key: Key) -> list[Value]:
        return []


def grouped(pairs: Iterable[tuple[Key, Value]]) -> Groups[Key, Value]:
    """Pairs of key and value as lists of values."""
    groups: Groups[Key, Value] = Groups()
    for key, value in pairs:
        groups.setdefault(key, []).append(value)
    return groups


def by(values: Iterable[Value], key: Callable[[Value], Key]) -> Groups[Key, Value]:
    """Values by what a function says of each."""
    return grouped((key(value), value) for value in values)


class Index:
    """The groupings of one recording's facts. Addresses are IP addresses unless called hardware."""

    def __init__(self, facts: "Facts") -> None:
        self._facts = facts

    @cached_property
    def addresses(self) -> list[Address]:
        """Every IP address that occurs, in order: those of IPv4 first."""
        return sorted(self._facts.addresses)

    @cached_property
    def stations(self) -> dict[Hardware, Station]:
        """The station of a hardware address."""
        return {one.hardware: one for one in self._facts.stations if one.hardware is not None}

    @cached_property
    def stations_at(self) -> Groups[Address, Station]:
        """Stations that used an address."""
        return grouped((at, one) for one in self._facts.stations for at in one.all_addresses)

    @cached_property
    def sessions_to(self) -> Groups[Address, Session]:
        """Sessions by the server's address."""
        return by(self._facts.sessions, lambda one: one.server.address)

    @cached_property
    def sessions_from(self) -> Groups[Address, Session]:
        """Sessions by the client's address."""
        return by(self._facts.sessions, lambda one: one.client.address)

    @cached_property
    def sessions_by(self) -> Groups[Hardware, Session]:
        """Sessions by each hardware address that the client's frames came from."""
        return grouped((hw, one) for one in self._facts.sessions for hw in one.from_client.hardware)

    @cached_property
    def paths_from(self) -> Groups[Hardware | None, Path]:
        """Paths by the sender's hardware address, None where the link has none."""
        return by(self._facts.paths, lambda one: one.src)

    @cached_property
    def paths_to(self) -> Groups[Hardware | None, Path]:
        """Paths by the receiver's hardware address, None where the link has none."""
        return by(self._facts.paths, lambda one: one.dst)

    @cached_property
    def packets_from(self) -> Groups[Address, Path]:
        """Paths of IP packets by the sender's address."""
        return grouped((one.src_ip, one) for one in self._facts.paths if one.src_ip is not None)

    @cached_property
    def packets_to(self) -> Groups[Address, Path]:
        """Paths of IP packets by the receiver's address."""
        return grouped((one.dst_ip, one) for one in self._facts.paths if one.dst_ip is not None)

    @cached_property
    def questions(self) -> list[Question]:
        """ARP questions, and the same of IPv6."""
        facts = self._facts
        return [*facts.arp.questions.values(), *facts.neighbours.questions.values()]

    @cached_property
    def questions_for(self) -> Groups[Address, Question]:
        """Questions by the address that they ask for."""
        return by(self.questions, lambda one: one.wanted)

    @cached_property
    def questions_by(self) -> Groups[Hardware, Question]:
        """Questions by who asks."""
        return by(self.questions, lambda one: one.asker)

    @cached_property
    def searchers(self) -> set[Hardware]:
        """Who searched the network: asked for many addresses, most without an answer."""
        asked = self.questions_by.items()
        return {who for who, them in asked if sum(not one.answered for one in them) >= SWEEP}

    @cached_property
    def questions_as(self) -> Groups[Address, Question]:
        """Questions by the address that the asker gives as its own."""
        return by(self.questions, lambda one: one.asker_ip)

    @cached_property
    def claimed_by(self) -> Groups[Hardware, Address]:
        """Addresses that a hardware address claims in ARP."""
        claims = self._facts.arp.claims.items()
        return grouped((hardware, address) for address, one in claims for hardware in one.counts)

    @cached_property
    def users(self) -> Groups[Address, tuple[Moment, Hardware]]:
        """First and last frames in which a station claims an address in ARP or sends with it, in
        order, by the address: when, and who.
        """
        return grouped((address, (at, who)) for at, who, address in self._uses)

    @cached_property
    def used_by(self) -> Groups[Hardware | None, tuple[Moment, Address]]:
        """The same by the station: when, and which IPv4 address."""
        uses = (one for one in self._uses if not one[2].is_ipv6)
        return grouped((who, (at, address)) for at, who, address in uses)

    @cached_property
    def uses(self) -> Groups[tuple[Hardware, Address], Moment]:
        """The same by station and address."""
        return grouped(((who, address), at) for at, who, address in self._uses)

    @cached_property
    def _uses(self) -> list[tuple[Moment, Hardware, Address]]:
        facts = self._facts
        claims = (*facts.arp.claims.items(), *facts.neighbours.claims.items())
        found = [
            (at, run.hardware, address)
            for address, one in claims
            for run in one.runs
            for at in (run.first, run.last)
        ]
        found += [
            (at, one.src, one.src_ip)
            for one in self._facts.paths
            if one.src is not None and one.src_ip
            for at in (one.first, one.last)
        ]
        return sorted(found)

    @cached_property
    def stands_in_for(self) -> dict[Hardware, set[Address]]:
        """Addresses that a station with MANY answers for and does not use itself: it neither asks
        nor announces nor sends with them. What it only hands on has no fresh time to live.
        """
        return {
            who: answered - self.own_addresses(who)
            for who, answered in self._facts.arp.replied.items()
            if len(answered) >= MANY
        }

    def own_addresses(self, who: Hardware) -> set[Address]:
        """Addresses of IPv4 that a station asks, announces or sends with: more than that it answers
        for them.
        """
        own = {one.asker_ip for one in self.questions_by[who]}
        own.update(address for address, _ in self.announcements_by[who])
        sent = (one for one in self.paths_from[who] if one.ttls[1] in FRESH)
        own.update(one.src_ip for one in sent if one.src_ip)
        return {one for one in own if not one.is_ipv6}

    @cached_property
    def unasked_by(self) -> Groups[Hardware, Address]:
        """Addresses that a station says unasked to be its own."""
        return grouped(self._facts.arp.unasked)

    @cached_property
    def own_beside_unasked(self) -> dict[Hardware, set[Address]]:
        """Addresses that stations which say such things use themselves, and do not say so of."""
        said = self.unasked_by.items()
        return {who: self.own_addresses(who).difference(claimed) for who, claimed in said}

    @cached_property
    def unasked_for(self) -> Groups[Address, tuple[Hardware, Series]]:
        """Who says unasked that an address is its own, and each time."""
        return grouped((at, (who, one)) for (who, at), one in self._facts.arp.unasked.items())

    @cached_property
    def answers_for(self) -> dict[Hardware, list[Address]]:
        """Addresses that a station answers for, sorted."""
        return {who: sorted(answered) for who, answered in self._facts.arp.replied.items()}

    @cached_property
    def probes_by(self) -> Groups[Hardware, tuple[Address, Series]]:
        """ARP probes by who sends them: the address, and each time."""
        return grouped((who, (at, one)) for (who, at), one in self._facts.arp.probes.items())

    @cached_property
    def probes_for(self) -> Groups[Address, tuple[Hardware, Series]]:
        """ARP probes by the address that they check: who sends them, and each time."""
        return grouped((at, (who, one)) for (who, at), one in self._facts.arp.probes.items())

    @cached_property
    def announcements_by(self) -> Groups[Hardware, tuple[Address, Series]]:
        """ARP announcements by who sends them: the address, and each time."""
        return grouped((who, (at, one)) for (who, at), one in self._facts.arp.announcements.items())

    @cached_property
    def errors_by(self) -> Groups[Address, IcmpError]:
        """ICMP errors by who sent them."""
        return by(self._facts.icmp.errors, lambda one: one.sender)

    @cached_property
    def errors_about(self) -> Groups[Address, IcmpError]:
        """ICMP errors by whom the quoted packet was meant for."""
        return by(self._facts.icmp.errors, lambda one: one.about_dst)

    @cached_property
    def errors_to(self) -> Groups[Address, IcmpError]:
        """ICMP errors by whom the quoted packet came from."""
        return by(self._facts.icmp.errors, lambda one: one.about_src)

    @cached_property
    def refused_datagrams(self) -> Groups[tuple[Socket, Socket], IcmpError]:
        """Messages of a receiver that nobody is on its UDP port, by the sender's and the
        receiver's socket.
        """
        errors = self._facts.icmp.errors
        return grouped((ends, one) for one in errors if (ends := one.refused_datagram))

    @cached_property
    def groups(self) -> set[Address]:
        """Addresses that any station's Ethernet broadcasts went to."""
        return {at for one in self._facts.stations for at in one.broadcast_to}

    @cached_property
    def pings_from(self) -> Groups[Address, Echo]:
        """Pings by who sends them."""
        return by(self._facts.icmp.echoes.values(), lambda one: one.src)

    @cached_property
    def pings_to(self) -> Groups[Address, Echo]:
        """Pings by whom they are for."""
        return by(self._facts.icmp.echoes.values(), lambda one: one.dst)

    @cached_property
    def exchanges_to(self) -> Groups[Address, Exchange]:
        """UDP exchanges by the address that was asked."""
        return by(self._facts.exchanges, lambda one: one.server[0])

    @cached_property
    def exchanges_from(self) -> Groups[Address, Exchange]:
        """UDP exchanges by the address that asked."""
        return by(self._facts.exchanges, lambda one: one.client[0])

    @cached_property
    def exchanges_by(self) -> Groups[Socket, Exchange]:
        """UDP exchanges by the socket that asked."""
        return by(self._facts.exchanges, lambda one: one.client)

    @cached_property
    def exchanges_with(self) -> Groups[Socket, Exchange]:
        """UDP exchanges by the socket that was asked."""
        return by(self._facts.exchanges, lambda one: one.server)

    @cached_property
    def dhcp_of(self) -> Groups[Hardware | None, DhcpMessage]:
        """DHCP messages by the client that they are from or about."""
        return by(self._facts.dhcp, lambda one: one.client)

    @cached_property
    def given_to(self) -> Groups[Hardware | None, DhcpMessage]:
        """What servers offer or give, by the client."""
        given = (one for one in self._facts.dhcp if one.offered and not one.from_client)
        return by(given, lambda one: one.client)

    @cached_property
    def routers(self) -> set[Address]:
        """Addresses that an address server names as routers."""
        return {address for one in self._facts.dhcp for address in one.routers}

    @cached_property
    def offers_of(self) -> Groups[Address, DhcpMessage]:
        """DHCP messages by the address that they offer."""
        return grouped((one.offered, one) for one in self._facts.dhcp if one.offered)

    @cached_property
    def tags_from(self) -> Groups[Hardware, Tagged]:
        """Tagged frames by their sender."""
        return by(self._facts.switch.tags.values(), lambda one: one.sender)

    @cached_property
    def tags_to(self) -> Groups[Hardware, Tagged]:
        """Tagged frames by their receiver."""
        return by(self._facts.switch.tags.values(), lambda one: one.receiver)
