"""What a recording holds, counted by walking through its frames: slow, simple, a question each."""

from collections import Counter
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from tests.recount.reader import RST, Frame, Recording

End = tuple[str, int]
"""Address and TCP port."""


@dataclass(eq=False)
class Session:
    """The segments of one TCP session. Who called is known where a SYN or its acceptance was
    recorded; else client is the end that sent first.
    """

    client: End
    server: End
    isn: int | None
    frames: list[Frame] = field(default_factory=list)

    @property
    def calls(self) -> list[Frame]:
        """The SYN and its repeats."""
        return [one for one in self.frames if one.tcp and one.tcp.calls]

    @property
    def accepted(self) -> Frame | None:
        """The first SYN with ACK."""
        return next((one for one in self.frames if one.tcp and one.tcp.accepts), None)

    def sent_by(self, end: End) -> list[Frame]:
        """The segments of one end."""
        return [one for one in self.frames if one.tcp and (one.src, one.tcp.sport) == end]

    def data_of(self, *ends: End) -> list[Frame]:
        """Segments with data of one end or of both, repeats included."""
        return [
            one
            for one in self.frames
            if one.tcp and one.tcp.size and (one.src, one.tcp.sport) in ends
        ]

    @property
    def ends(self) -> tuple[End, End]:
        """Both."""
        return self.client, self.server

    def turns(self, server: End, repeats: Container[int]) -> int:
        """How often data of a server followed data of the other end, repeats left out."""
        asked, count = False, 0
        for one in self.data_of(self.client, self.server):
            if one.number not in repeats:
                from_server = one.tcp is not None and (one.src, one.tcp.sport) == server
                count += asked and from_server
                asked = not from_server
        return count

    @property
    def handshake(self) -> float | None:
        """Seconds from the SYN to its acceptance; None where either is missing, or where the SYN
        was sent again, so that nobody knows which one was accepted.
        """
        if self.accepted is None or len(self.calls) != 1:
            return None
        return self.accepted.at - self.calls[0].at


def sessions(recording: Recording) -> list[Session]:
    """All TCP sessions: a SYN with another number than that of the last one begins a new one."""
    open_ones: dict[frozenset[End], Session] = {}
    found = []
    for one in recording.frames:
        if one.tcp is None or one.src is None or one.dst is None:
            continue
        src, dst = (one.src, one.tcp.sport), (one.dst, one.tcp.dport)
        key = frozenset((src, dst))
        known = open_ones.get(key)
        isn = one.tcp.seq if one.tcp.calls else None
        if known is None or (isn is not None and (known.isn, known.client) != (isn, src)):
            ends = (dst, src) if one.tcp.accepts else (src, dst)
            known = open_ones[key] = Session(*ends, isn)
            found.append(known)
        known.frames.append(one)
    return found


def repeats(sessions: Iterable[Session]) -> set[int]:
    """Numbers of the frames with TCP data that were sent before, in the same session."""
    again: set[int] = set()
    for session in sessions:
        sent: dict[End, int] = {}
        for one in session.frames:
            if one.tcp is None or one.src is None or not one.tcp.size:
                continue
            end = (one.src, one.tcp.sport)
            first = sent.get(end, one.tcp.seq)
            if 0 < (first - one.tcp.seq) % 2**32 < 2**31:
                again.add(one.number)
            behind = (one.tcp.seq + one.tcp.size) % 2**32
            if (behind - first) % 2**32 < 2**31:
                sent[end] = behind
    return again


def questions(recording: Recording, askers: Iterable[str | None], wanted: str) -> list[Frame]:
    """ARP questions of stations (by hardware address) for an address; those that come back to their
    sender in a loop are left out.
    """
    askers = set(askers)
    return [
        one
        for one in recording.frames
        if one.arp
        and one.arp.asks
        and one.arp.target == wanted
        and one.arp.sender_hw in askers
        and not one.came_in
    ]


def claims(recording: Recording, address: str, since: int = 0) -> dict[str, int]:
    """How often each hardware address said that an address is its own, from a frame on."""
    counts: dict[str, int] = {}
    for one in recording.frames:
        if one.number >= since and one.arp and one.arp.sender == address:
            counts[one.arp.sender_hw] = counts.get(one.arp.sender_hw, 0) + 1
    return counts


def answered_for(recording: Recording, hardware: str) -> set[str]:
    """Addresses that a hardware address answers ARP questions for."""
    return {
        one.arp.sender
        for one in recording.frames
        if one.arp and one.arp.operation == 2 and one.arp.sender_hw == hardware
    }


def pings(recording: Recording, srcs: Iterable[str], dst: str) -> tuple[int, int]:
    """Pings of stations for an address, and the answers to them."""
    own, count, answered = set(srcs), 0, 0
    waiting: Counter[tuple[int, ...]] = Counter()
    for one in recording.frames:
        if one.echo is None:
            continue
        kind, *which = one.echo
        if kind == 8 and one.src in own and one.dst == dst:
            count += 1
            waiting[tuple(which)] += 1
        elif kind == 0 and one.src == dst and waiting[tuple(which)]:
            waiting[tuple(which)] -= 1
            answered += 1
    return count, answered


def packets(recording: Recording, src: str, dst: str) -> int:
    """IPv4 packets from one address to another, fragments one by one."""
    return sum(one.between(src, dst) for one in recording.frames)


def addresses_of(recording: Recording, hardware: str) -> set[str]:
    """IPv4 addresses that a hardware address sent as or claimed."""
    used = {one.src for one in recording.frames if one.src_hw == hardware and one.src}
    used |= {one.arp.sender for one in recording.frames if one.arp and one.src_hw == hardware}
    return {one for one in used if one is not None and one != "0.0.0.0"}


def heard_of(frames: Sequence[Frame], address: str) -> list[Frame]:
    """Frames that an address sent, ARP included."""
    return [
        one
        for one in frames
        if one.src == address or (one.arp is not None and one.arp.sender == address)
    ]


class Counted:
    """A recording with what is counted more than once."""

    def __init__(self, recording: Recording) -> None:
        self.recording = recording

    @cached_property
    def sessions(self) -> list[Session]:
        """All TCP sessions."""
        return sessions(self.recording)

    @cached_property
    def repeats(self) -> set[int]:
        """Frames with TCP data that were sent before."""
        return repeats(self.sessions)


def with_port(
    counted: Counted, pcs: Iterable[str], hardware: Iterable[str], controller: str, port: int
) -> list[Session]:
    """The sessions of a PC, by its addresses and hardware addresses, with a port of a controller,
    those without a SYN included; not those of another device that uses the PC's address.
    """
    own, known, found = set(pcs), set(hardware), []
    rivals = {hw for one in own for hw in claims(counted.recording, one)} - known
    for one in counted.sessions:
        ends = set(one.ends) if one.isn is None else {one.server}
        other = one.client if one.server == (controller, port) else one.server
        if (controller, port) not in ends or other[0] not in own:
            continue
        senders = {frame.src_hw for frame in one.sent_by(other)} - {None}
        is_its_own = not senders or not known or senders & known
        if is_its_own and (one.isn is not None or not rivals or _takes_part(one, other)):
            found.append(one)
    return found


def _takes_part(session: Session, end: End) -> bool:
    """Whether an end does anything but turn the session down as unknown, if it is heard at all."""
    sent = session.sent_by(end)
    return not sent or not all(one.tcp and one.tcp.has(RST) for one in sent)


def messages(session: Session, end: End) -> int:
    """Modbus/TCP messages of one end: 6 octets whose last two tell how many follow."""
    pieces = {one.tcp.seq: one.tcp.payload for one in session.data_of(end) if one.tcp}
    stream = b"".join(pieces[seq] for seq in sorted(pieces))
    count = place = 0
    while place + 6 <= len(stream):
        place += 6 + int.from_bytes(stream[place + 4 : place + 6])
        count += 1
    return count
