"""What comes over the PC's cable: from whom, and whether a switch let it through."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from analyzer.facts import Address, Hardware, Kind, Moment, Path, Station
from analyzer.facts.paths import QUIET
from analyzer.facts.starts import Start
from analyzer.facts.switch import Neighbour, Tagged
from analyzer.linkup.networks import Network, is_self_assigned

if TYPE_CHECKING:
    from analyzer.linkup.model import LinkUp, Pc

PAUSE, SLOW_PROTOCOLS, LOOP_TEST = 0x8808, 0x8809, 0x9000
CONTROL = frozenset(
    (Kind.SPANNING_TREE, Kind.LLDP, Kind.EAPOL, Kind.OTHER_LLC, PAUSE, SLOW_PROTOCOLS, LOOP_TEST)
)
"""Kinds of frame that a switch sends on a port by itself, even where it forwards nothing there
(IEEE 802.1Q 8.6.3: never forwarded; makers' own ones are LLC frames, common practice)."""
SEVERAL = 3
"""Stations of other networks that make it unlikely that one of them is only set wrongly."""


class Heard(NamedTuple):
    """Other stations that are heard inside a network of the PC, and those outside; only_tagged:
    those inside of which all frames have a tag.
    """

    inside: set[Hardware]
    outside: set[Hardware]
    only_tagged: set[Hardware]


class Cable:
    """What comes in over the PC's cable; each answer is worked out when it is first asked for."""

    def __init__(self, pc: "Pc") -> None:
        self._pc, self._facts = pc, pc.facts
        self._heard: dict[Network | None, Heard] = {}

    @cached_property
    def forwarded(self) -> list[Path]:
        """Paths of frames from other stations that a switch does not send by itself."""
        paths = self._facts.index.paths_from
        heard = dict.fromkeys(one.hardware for one in self._pc.others)
        return [path for one in heard for path in paths[one] if path.kind not in CONTROL]

    @cached_property
    def untagged(self) -> set[Hardware | None]:
        """Stations of which frames without a tag were forwarded."""
        return {path.src for path in self.forwarded if path.tagged < path.frames}

    @cached_property
    def own_tags(self) -> set[int]:
        """The VLANs whose tags the PC sends with."""
        tags, own = self._facts.switch.tags.values(), self._pc.hardware
        return {one.id for one in tags if one.sender == own}

    @cached_property
    def strange_tags(self) -> list[Tagged]:
        """Tagged frames of others for the PC or for all, in VLANs that the PC does not use."""
        tags, own = self._facts.switch.tags.values(), self._pc.hardware
        meant = (one for one in tags if one.receiver == own or one.receiver.is_group)
        return [one for one in meant if one.sender != own and one.id not in self.own_tags]

    @cached_property
    def takes_strange_tags(self) -> bool:
        """Whether frames go both ways between the PC and a station that sends them."""
        index, own = self._facts.index, self._pc.hardware
        asked = {one.dst for one in index.paths_from[own]}
        partners = asked.intersection(one.src for one in index.paths_to[own])
        return any(one.sender in partners for one in self.strange_tags)

    @cached_property
    def told_vlans(self) -> list[Neighbour]:
        """What others announce of the VLAN of the port that the cable leads to."""
        neighbours = self._facts.switch.neighbours.values()
        others = (one for one in neighbours if one.sender != self._pc.hardware)
        return [one for one in others if one.vlan is not None]

    def heard_of(self, network: Network | None) -> Heard:
        """Who is heard inside a network of the PC, and outside."""
        if network not in self._heard:
            self._heard[network] = self._heard_of(network)
        return self._heard[network]

    def _heard_of(self, network: Network | None) -> Heard:
        inside: set[Hardware] = set()
        outside: set[Hardware] = set()

        def note(address: Address, who: Iterable[Hardware]) -> None:
            if network is not None and network.address.is_ipv6 != address.is_ipv6:
                return
            (inside if network is None or network.holds(address) else outside).update(who)

        heard = {path.src for path in self.forwarded if path.src is not None}
        for address, claims in self._facts.arp.claims.items():
            if not is_self_assigned(address):
                note(address, heard.intersection(claims.counts))
        for path in self.forwarded:
            if path.src is not None and path.src_ip and not is_self_assigned(path.src_ip):
                note(path.src_ip, {path.src})
        return Heard(inside, outside - inside, inside - self.untagged)

    def let_through(self, since: float) -> float | None:
        """When the first frame came that a switch forwarded to the PC, from a time on; seconds."""
        place = bisect_right(self._spans, since, key=lambda span: span[1])
        return max(self._spans[place][0], since) if place < len(self._spans) else None

    def newly_heard(self, since: float) -> list[Moment]:
        """The first frame from a time on, if any, that shows another station for the first time."""
        place = bisect_left(self._newcomers, since, key=lambda at: at.seconds)
        return self._newcomers[place : place + 1]

    @cached_property
    def fell_silent(self) -> list[Start]:
        """The times in which the PC is not heard either, nor a station that otherwise speaks to all
        without a pause: a link that is down stops them together.
        """
        silences = self._facts.starts.silences
        missed = {at for one in self._pc.others for at in _missing(one, silences)}
        return [
            Start(behind, [], before, behind.seconds - before.seconds)
            for before, behind in map(silences.__getitem__, sorted(missed))
        ]

    @cached_property
    def _newcomers(self) -> list[Moment]:
        return sorted((one.first for one in self.forwarded), key=lambda at: at.seconds)

    @cached_property
    def _spans(self) -> list[tuple[float, float]]:
        """From when to when forwarded frames came, without a gap."""
        merged: list[tuple[float, float]] = []
        for begin, end in sorted(span for one in self._pc.others for span in self._spans_of(one)):
            if merged and begin <= merged[-1][1]:
                merged[-1] = merged[-1][0], max(end, merged[-1][1])
            else:
                merged.append((begin, end))
        return merged

    def _spans_of(self, station: Station) -> list[tuple[float, float]]:
        if CONTROL.isdisjoint(station.kinds):
            return station.presence.spans
        paths = self._facts.index.paths_from[station.hardware]
        let = (path for path in paths if path.kind not in CONTROL)
        return [(path.first.seconds, path.last.seconds) for path in let]


def _missing(station: Station, silences: Sequence[tuple[Moment, Moment]]) -> set[int]:
    """The places of the silences of all in which a station is missing that talks with nobody in
    particular; none where it is missing at other times too, or for most of the time.
    """
    spans = station.presence.spans
    gaps = [(end, begin) for (_, end), (begin, _) in pairwise(spans)]
    heard = sum(end - begin for begin, end in spans)
    if station.unicast or heard <= sum(begin - end for end, begin in gaps):
        return set()
    found = set()
    for end, begin in gaps:
        place = bisect_left(silences, end, key=lambda one: one[0].seconds)
        if place == len(silences):
            return set()
        before, behind = silences[place]
        if before.seconds - end > QUIET or not 0 <= begin - behind.seconds <= QUIET:
            return set()
        found.add(place)
    return found


def heard_of(linkup: "LinkUp") -> Heard:
    """Other stations that are heard inside the PC's network, and those outside."""
    return linkup.pc.cable.heard_of(linkup.network)


def hears_others_only(linkup: "LinkUp") -> bool:
    """Whether several stations of other networks are heard, and none of the PC's own."""
    heard = heard_of(linkup)
    return len(heard.outside) >= SEVERAL and not heard.inside
