"""Frames -> what happened, nothing judged."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property

from analyzer.facts.arp import Arp, Claims, Neighbours, Question, Run
from analyzer.facts.boots import Boot, BootSign, addressless, boots, given, requests
from analyzer.facts.coverage import Coverage
from analyzer.facts.dhcp import Dhcp, DhcpMessage
from analyzer.facts.dialogue import Dialogue, No, Request
from analyzer.facts.flood import Flood
from analyzer.facts.icmp import Echo, Icmp, IcmpError
from analyzer.facts.index import Index
from analyzer.facts.paths import Path, Paths
from analyzer.facts.session import CLIENT, NOBODY, SERVER, End, Hole, Resent, Session, Side, Socket
from analyzer.facts.starts import Starts
from analyzer.facts.stations import Station, stations
from analyzer.facts.switch import Switch
from analyzer.facts.tcp import TcpSessions
from analyzer.facts.udp import Exchange, Udp
from analyzer.facts.values import Address, Hardware, Moment, Series, Spread
from analyzer.frames import Decoder, Kind
from analyzer.inputs.records import LINK_NAMES, Chunk, Damage, Interface, Piece, Recording

__all__ = [
    "CLIENT",
    "NOBODY",
    "SERVER",
    "Address",
    "Arp",
    "Boot",
    "BootSign",
    "Claims",
    "Coverage",
    "Damage",
    "DhcpMessage",
    "Dialogue",
    "Echo",
    "End",
    "Exchange",
    "Facts",
    "Gatherer",
    "Hardware",
    "Hole",
    "IcmpError",
    "Interface",
    "Kind",
    "Moment",
    "No",
    "Path",
    "Piece",
    "Question",
    "Request",
    "Resent",
    "Run",
    "Series",
    "Session",
    "Side",
    "Socket",
    "Spread",
    "Station",
    "gather",
]

FILTERED = 30.0
"""Seconds within which any PC sends an ARP request or a broadcast (common practice, no source)."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(eq=False)
class Facts:
    """What one recording shows.

    pieces: the files that were joined, none for a single one; damage: where reading had to stop;
    drops: frames that the recorder says it lost, None where it does not say; untimed: frames
    without a time; turns: see Paths.
    """

    file: str
    format: str
    compressed: bool
    sha256: str
    interfaces: list[Interface]
    comments: list[str]
    pieces: list[Piece]
    damage: Damage | None
    untimed: int
    coverage: Coverage
    paths: list[Path]
    turns: dict[tuple[Address, Address], list[Run]]
    stations: list[Station]
    arp: Arp
    neighbours: Arp
    icmp: Icmp
    sessions: list[Session]
    exchanges: list[Exchange]
    dhcp: list[DhcpMessage]
    switch: Switch
    starts: Starts
    flood: Flood

    @cached_property
    def index(self) -> Index:
        """The same by whom and what it is about."""
        return Index(self)

    @property
    def drops(self) -> int | None:
        """Frames lost by the recorder over all interfaces."""
        told = [one.lost for one in self.interfaces if one.lost is not None]
        return sum(told) if told else None

    @property
    def first_seen(self) -> datetime | None:
        """UTC time of the first frame."""
        if self.coverage.began is None:
            return None
        return EPOCH + timedelta(microseconds=self.coverage.began // 1000)

    @property
    def link_type(self) -> str:
        """The link types of the interfaces, in words."""
        names = [LINK_NAMES.get(one.link, f"link type {one.link}") for one in self.interfaces]
        return ", ".join(dict.fromkeys(names)) or "none"

    @cached_property
    def has_hardware_addresses(self) -> bool:
        """Whether any frame carries a hardware address."""
        return any(station.hardware is not None for station in self.stations)

    @cached_property
    def addresses(self) -> set[Address]:
        """Every IP address that occurs: used, sent to, asked for, or the recorder's own."""
        occurring = {one for path in self.paths for one in (path.src_ip, path.dst_ip) if one}
        occurring.update(question.wanted for question in self.index.questions)
        occurring.update(self.neighbours.claims)
        occurring.update(self.arp.claims, (address for _, address in self.arp.probes))
        own = (address for one in self.interfaces for address, _ in one.addresses)
        return occurring | {Address(address) for address in own}

    @cached_property
    def looks_filtered(self) -> bool:
        """Whether all frames of FILTERED seconds or more are of one version of IP, from one station
        to one other: no ARP, no broadcast, nothing that stations send by themselves.
        """
        kinds = {path.kind for path in self.paths}
        one_version = len(kinds) == 1 and kinds <= {Kind.IPV4, Kind.IPV6}
        plain = all(path.dst is not None and not path.dst.is_group for path in self.paths)
        return one_version and plain and self.coverage.listened >= FILTERED

    def station(self, hardware: Hardware | None) -> Station | None:
        """The station with a hardware address."""
        return None if hardware is None else self.index.stations.get(hardware)

    def claims(self, address: Address) -> Claims:
        """Who claims an address in ARP, or of IPv6 in neighbour discovery."""
        said = self.neighbours if address.is_ipv6 else self.arp
        return said.claims.get(address) or Claims()

    def is_a_device(self, hardware: Hardware) -> bool:
        """Whether a hardware address sends frames itself, and for itself only."""
        station = self.station(hardware)
        return station is not None and not station.is_router and not hardware.is_virtual_router

    def addresses_of(self, hardware: Hardware | None) -> set[Address]:
        """The addresses that a station uses; none where it is not known."""
        station = self.station(hardware)
        return set() if station is None else set(station.addresses)

    def is_a_switch(self, hardware: Hardware) -> bool:
        """Whether a hardware address is a switch's, as its own frames show."""
        station = self.station(hardware)
        return station is not None and station.is_switch

    def has_only(self, hardware: Hardware, address: Address) -> bool:
        """Whether a hardware address is a device's that uses one address and no other."""
        return self.is_a_device(hardware) and self.addresses_of(hardware) == {address}

    def boots(self, hardware: Hardware | None) -> list[Boot]:
        """The frames that a station sends when it comes up, in order."""
        return [] if hardware is None else boots(self, hardware)

    @cached_property
    def addressless(self) -> list[list[DhcpMessage]]:
        """The requests of each station that has no address, asks for one again and gets none."""
        return list(addressless(self))

    def was_given(self, hardware: Hardware, since: Moment) -> bool:
        """Whether a server offered or gave a station an address, later than a moment."""
        return given(self, hardware, since)

    def address_requests(self, hardware: Hardware) -> list[DhcpMessage]:
        """A station's requests for an address while it had none, in order."""
        return requests(self, hardware)

    def heard_before(self, moment: Moment) -> float:
        """Seconds for which the recorder had listened before a moment."""
        return self.coverage.lead + moment.seconds

    def heard_after(self, moment: Moment) -> float:
        """Seconds that the recording went on after a moment, jumps of its clock left out."""
        return self.coverage.listened_after(moment)


class Gatherer:
    """Takes in a recording chunk by chunk; what it shows so far can be asked for at any moment."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._decoder = Decoder(recording.interfaces)
        self._coverage, self._paths, self._arp, self._icmp = Coverage(), Paths(), Arp(), Icmp()
        self._sessions, self._udp, self._dhcp = TcpSessions(), Udp(), Dhcp([])
        self._switch, self._starts, self._flood = Switch(), Starts(), Flood()
        self._neighbours = Neighbours()
        self._subjects = (
            self._coverage, self._paths, self._arp, self._icmp, self._sessions, self._udp,
            self._dhcp, self._switch, self._starts, self._flood, self._neighbours,
        )  # fmt: skip

    def take(self, chunk: Chunk) -> None:
        """Take in the next frames."""
        frames = self._decoder.decode(chunk)
        for subject in self._subjects:
            subject.add(frames)

    def facts(self) -> Facts:
        """What the frames taken in so far show. It may go on changing with the next ones."""
        recording = self._recording
        began = [one.began for one in recording.interfaces if one.began is not None]
        ended = [one.ended for one in recording.interfaces if one.ended is not None]
        return Facts(
            file=recording.name,
            format=recording.format,
            compressed=recording.compressed,
            sha256=recording.sha256,
            interfaces=recording.interfaces,
            comments=recording.comments,
            pieces=recording.pieces,
            damage=recording.damage,
            untimed=recording.untimed,
            coverage=self._coverage.listening(min(began, default=None), max(ended, default=None)),
            paths=list(self._paths.paths.values()),
            turns=self._paths.turns,
            stations=stations(self._paths, self._arp, self._neighbours),
            arp=self._arp,
            neighbours=self._neighbours,
            icmp=self._icmp,
            sessions=self._sessions.sessions,
            exchanges=list(self._udp.exchanges.values()),
            dhcp=self._dhcp.messages,
            switch=self._switch,
            starts=self._starts,
            flood=self._flood,
        )


def gather(recording: Recording, progress: Callable[[int], None] = lambda octets: None) -> Facts:
    """Read a recording to its end and say what happened in it.

    progress is told the octets read so far after each chunk.
    """
    gatherer = Gatherer(recording)
    for chunk in recording.chunks:
        gatherer.take(chunk)
        progress(recording.consumed)
    return gatherer.facts()
