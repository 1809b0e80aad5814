"""Frames -> what happened, nothing judged."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from analyzer.facts.arp import Arp, Claims, Question, Run
from analyzer.facts.boots import Boot, BootSign, boots, requests
from analyzer.facts.coverage import Coverage
from analyzer.facts.dhcp import Dhcp, DhcpMessage
from analyzer.facts.dialogue import Dialogue, No
from analyzer.facts.flood import Flood
from analyzer.facts.icmp import Echo, Icmp, IcmpError
from analyzer.facts.paths import Path, Paths
from analyzer.facts.session import CLIENT, NOBODY, SERVER, End, Hole, Resent, Session, Side, Socket
from analyzer.facts.starts import Starts
from analyzer.facts.stations import Station, stations
from analyzer.facts.switch import Switch
from analyzer.facts.tcp import TcpSessions
from analyzer.facts.udp import Exchange, Udp
from analyzer.facts.values import Address, Hardware, Moment, Series, Spread
from analyzer.frames import Decoder, Kind
from analyzer.inputs.records import LINK_NAMES, Damage, Interface, Piece, Recording

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


@dataclass(slots=True, eq=False)
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
    icmp: Icmp
    sessions: list[Session]
    exchanges: list[Exchange]
    dhcp: list[DhcpMessage]
    switch: Switch
    starts: Starts
    flood: Flood

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

    @property
    def has_hardware_addresses(self) -> bool:
        """Whether any frame carries a hardware address."""
        return any(station.hardware is not None for station in self.stations)

    @property
    def addresses(self) -> set[Address]:
        """Every IPv4 address that occurs: used, sent to, asked for, or the recorder's own."""
        occurring = {one for path in self.paths for one in (path.src_ip, path.dst_ip) if one}
        occurring.update(question.wanted for question in self.arp.questions.values())
        occurring.update(self.arp.claims, (address for _, address in self.arp.probes))
        own = (address for one in self.interfaces for address, _ in one.addresses)
        return occurring | {Address(address) for address in own}

    @property
    def looks_filtered(self) -> bool:
        """Whether all frames of FILTERED seconds or more are IPv4 from one station to one other:
        no ARP, no broadcast, nothing that stations send by themselves.
        """
        plain = (
            path.kind == Kind.IPV4 and path.dst is not None and not path.dst.is_group
            for path in self.paths
        )
        return bool(self.paths) and self.coverage.listened >= FILTERED and all(plain)

    def station(self, hardware: Hardware | None) -> Station | None:
        """The station with a hardware address."""
        found = (one for one in self.stations if one.hardware == hardware)
        return next(found, None) if hardware is not None else None

    def is_a_device(self, hardware: Hardware) -> bool:
        """Whether a hardware address sends frames itself, and for itself only."""
        station = self.station(hardware)
        return station is not None and not station.is_router and not hardware.is_virtual_router

    def boots(self, hardware: Hardware | None) -> list[Boot]:
        """The frames that a station sends when it comes up, in order."""
        return [] if hardware is None else boots(self.arp, self.dhcp, hardware)

    def address_requests(self, hardware: Hardware) -> list[DhcpMessage]:
        """A station's requests for an address while it had none, in order."""
        return list(requests(self.dhcp, hardware))

    def heard_after(self, moment: Moment) -> float:
        """Seconds that the recording went on after a moment, jumps of its clock left out."""
        return self.coverage.listened_after(moment)


def gather(recording: Recording, progress: Callable[[int], None] = lambda octets: None) -> Facts:
    """Read a recording to its end and say what happened in it.

    progress is told the octets read so far after each chunk.
    """
    decoder = Decoder(recording.interfaces)
    coverage, paths, arp, icmp = Coverage(), Paths(), Arp(), Icmp()
    sessions, udp, dhcp = TcpSessions(), Udp(), Dhcp([])
    switch, starts, flood = Switch(), Starts(), Flood()
    subjects = (coverage, paths, arp, icmp, sessions, udp, dhcp, switch, starts, flood)
    for chunk in recording.chunks:
        frames = decoder.decode(chunk)
        for subject in subjects:
            subject.add(frames)
        progress(recording.consumed)
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
        coverage=coverage,
        paths=list(paths.paths.values()),
        turns=paths.turns,
        stations=stations(paths, arp),
        arp=arp,
        icmp=icmp,
        sessions=sessions.sessions,
        exchanges=list(udp.exchanges.values()),
        dhcp=dhcp.messages,
        switch=switch,
        starts=starts,
        flood=flood,
    )
