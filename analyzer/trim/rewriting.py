"""One frame -> the same frame with its contents covered and its addresses renamed.

Every header field that facts are read from stays, and so does every length. All else is filled:
with full stops, and outside of TCP first with the number of the frame, so that two packets that
differ still do, and a copy that the recorder made is still one. Checksums stay as right, as wrong
or as unfinished as they were. Nothing here raises on octets: of a header that is cut short or
contradicts itself nothing is kept, of an option with another length than its standard's neither.
"""

from collections.abc import Callable, Sequence

from analyzer.facts.dhcp import CLIENT_PORT, SERVER_PORT
from analyzer.facts.icmp import ECHO, ECHO_REPLY, ERRORS, REDIRECT
from analyzer.facts.starts import ICMPV6, IGMP
from analyzer.facts.switch import CONFIGURATION, EAP_PACKET, ORGANISATION, PORT_ID, PORT_VLAN, SNAP
from analyzer.frames import (
    ETHERNET_IPV4_LENGTHS,
    EXTENSIONS,
    FRAGMENT_OFFSET,
    MAX_EXTENSIONS,
    NEIGHBOURS,
    SOLICITATION,
    Kind,
    Protocol,
)
from analyzer.inputs.records import Link
from analyzer.trim.checksums import WORD, mended, total
from analyzer.trim.renaming import Met, Renaming

FILLER = b"."
"""Readable, and no part of a word: a text stays one, and words that are left in it stay words."""
TAG = 8
"""Octets of the frame's number in the filler: as many of a datagram as a copy is known by."""
IPV4, IPV6, TCP, UDP, ICMP = 20, 40, 20, 8, 8
"""Octets of the shortest headers."""
CHECKSUM: dict[int, int] = {Protocol.ICMP: 2, IGMP: 2, Protocol.TCP: 16, Protocol.UDP: 6, ICMPV6: 2}
"""Where each protocol has its checksum."""
WITHOUT_PSEUDO_HEADER = (Protocol.ICMP, IGMP)
HARDWARE_AT: dict[int, tuple[int, ...]] = {
    Link.ETHERNET: (0, 6),
    Link.COOKED: (6,),
    Link.COOKED2: (12,),
}
"""Where the link header has hardware addresses."""
NETWORK_AT: dict[int, int] = {Link.ETHERNET: 14, Link.COOKED: 16, Link.COOKED2: 20}
TREE, BRIDGES = 36, (7, 19)
"""Octets of a spanning-tree frame that are understood, and where it names root and bridge (IEEE
802.1D-2004 9.3.1)."""
LLC, LLC_SNAP, EAPOL, EAP = 3, 8, 4, 9
"""Octets of headers: IEEE 802.2 alone and with SNAP; EAPOL alone, and with EAP and the type of
request."""
SPARE_AT: dict[int, int] = {Link.COOKED: 12, Link.COOKED2: 18}
"""Two octets behind a hardware address in cooked link headers."""
TCP_OPTIONS = {2: (4,), 3: (3,), 4: (2,), 5: (10, 18, 26, 34), 8: (10,)}
"""TCP options that stay, and how long they are: segment size (RFC 9293 3.2), window scale and
timestamps (RFC 7323), selective acknowledgement (RFC 2018)."""
ECHOES = (ECHO, ECHO_REPLY)
ECHOES6, ERRORS6 = (128, 129), (1, 2, 3, 4)
"""Pings, and messages that quote a packet, of ICMPv6 (RFC 4443 4 and 3)."""
DHCP, DHCP_ADDRESSES, DHCP_HARDWARE, DHCP_TEXTS = 240, (12, 16, 20, 24), 28, (34, 236)
"""A DHCP message: octets before the options, where it has addresses, and what is text (RFC 2131
2; what follows the hardware address is spare)."""
COOKIE = bytes.fromhex("63825363")
"""What stands before the options (RFC 2131 3)."""
KEPT_OPTIONS = {1: 4, 51: 4, 53: 1, 57: 2, 58: 4, 59: 4}
ADDRESS_OPTIONS = {3: (4, 8, 12, 16), 28: (4,), 50: (4,), 54: (4,)}
"""DHCP options that stay, with the octets that they have, and those that are addresses (RFC 2132;
nobody lists more than four routers)."""

Spans = Sequence[tuple[int, int, bool]]
"""See heads.Spans."""


class Rewriter:
    """Rewrites the frames of one recording. renaming: None where names stay; covered: octets that
    were filled so far.
    """

    def __init__(self, renaming: Renaming | Met | None, keep_payload: bool) -> None:
        self.renaming = renaming
        self.keep_payload = keep_payload
        self.covered = 0
        self.numbers: dict[bytes, int] = {}

    def frame(
        self, octets: bytes, link: int, kind: int, network: int, tag: int, heads: Spans = ()
    ) -> bytes:
        """The rewritten frame. kind: a Kind; network: where its header begins; tag: the number to
        tell its contents by; heads: octets of TCP payload that stay.
        """
        frame = bytearray(octets)
        if network >= NETWORK_AT.get(link, 0):
            for at in HARDWARE_AT.get(link, ()):
                self._hardware(frame, at)
            if link in SPARE_AT:
                self._cover(frame, SPARE_AT[link], SPARE_AT[link] + 2, filler=b"\0")
        match kind:
            case Kind.IPV4:
                self._ipv4(frame, network, tag, heads)
            case Kind.ARP:
                self._arp(frame, network, tag)
            case Kind.IPV6:
                self._ipv6(frame, network, tag, heads)
            case Kind.SPANNING_TREE:
                self._tree(frame, network)
            case Kind.LLDP:
                self._neighbour(frame, network)
            case Kind.EAPOL:
                is_eap = frame[network + 1 : network + 2] == bytes([EAP_PACKET])
                self._cover(frame, network + (EAP if is_eap else EAPOL), len(frame), tag)
            case Kind.OTHER_LLC:
                snap = frame[network : network + 1] == bytes([SNAP])
                self._cover(frame, network + (LLC_SNAP if snap else LLC), len(frame), tag)
            case Kind.UNREADABLE:
                self._cover(frame, 0, len(frame), tag)
            case _:
                self._cover(frame, network, len(frame), tag)
        return bytes(frame)

    # --- filling and renaming -------------------------------------------------------------------

    def _cover(
        self, frame: bytearray, begin: int, end: int, tag: int | None = None, filler: bytes = FILLER
    ) -> None:
        end = min(end, len(frame))
        if self.keep_payload or begin >= end:
            return
        size = end - begin
        number = b"" if tag is None else tag.to_bytes(TAG)[-size:]
        frame[begin:end] = number + filler * (size - len(number))
        self.covered += size

    def _pad(self, frame: bytearray, begin: int) -> None:
        """Padding behind a packet may hold anything."""
        if not self.keep_payload and begin < len(frame):
            frame[begin:] = bytes(len(frame) - begin)

    def _hardware(self, frame: bytearray, at: int) -> None:
        if self.renaming is not None and at + 6 <= len(frame):
            new = self.renaming.hardware(int.from_bytes(frame[at : at + 6]))
            frame[at : at + 6] = new.to_bytes(6)

    def _address(self, frame: bytearray, at: int) -> None:
        if self.renaming is not None and at + 4 <= len(frame):
            new = self.renaming.address(int.from_bytes(frame[at : at + 4]))
            frame[at : at + 4] = new.to_bytes(4)

    def _address6(self, frame: bytearray, at: int) -> None:
        if self.renaming is not None and at + 16 <= len(frame):
            frame[at : at + 16] = self.renaming.ipv6(bytes(frame[at : at + 16]))

    # --- the network layer ----------------------------------------------------------------------

    def _arp(self, frame: bytearray, at: int, tag: int) -> None:
        lengths = int.from_bytes(frame[at + 4 : at + 6])
        if len(frame) < at + 28 or lengths != ETHERNET_IPV4_LENGTHS:
            self._cover(frame, at, len(frame), tag)
            return
        for place in (8, 18):
            self._hardware(frame, at + place)
        for place in (14, 24):
            self._address(frame, at + place)
        self._pad(frame, at + 28)

    def _ipv4(
        self, frame: bytearray, at: int, tag: int, heads: Spans, quoted: bool = False
    ) -> None:
        room = len(frame) - at
        header = (frame[at] & 15) * 4 if room >= IPV4 else 0
        length = int.from_bytes(frame[at + 2 : at + 4]) or room
        if header < IPV4 or frame[at] >> 4 != 4 or length < header:
            self._cover(frame, at, len(frame), tag)
            return
        body, end = at + header, min(at + length, len(frame))
        protocol, piece = frame[at + 9], int.from_bytes(frame[at + 6 : at + 8])
        before = bytes(frame[:end])
        self._address(frame, at + 12)
        self._address(frame, at + 16)
        if not self.keep_payload or self.renaming is not None:
            options = range(at + IPV4, min(body, len(frame)))
            frame[options.start : options.stop] = b"\x01" * len(options)
        if piece & FRAGMENT_OFFSET:
            self._later_piece(frame, body, end, tag)
        else:
            self._body(frame, protocol, body, end, tag, heads, quoted)
        self._mend(frame, before, at + 10, slice(at, body))
        if not piece & FRAGMENT_OFFSET:
            pseudo = bytes([0, protocol]) + (length - header).to_bytes(2)
            self._mend_body(frame, before, protocol, body, slice(at + 12, at + 20), pseudo)
        self._pad(frame, end)

    def _ipv6(
        self, frame: bytearray, at: int, tag: int, heads: Spans, quoted: bool = False
    ) -> None:
        if len(frame) < at + IPV6 or frame[at] >> 4 != 6:
            self._cover(frame, at, len(frame), tag)
            return
        length, protocol, body = int.from_bytes(frame[at + 4 : at + 6]), frame[at + 6], at + IPV6
        end = min(body + length, len(frame)) if length else len(frame)
        before = bytes(frame[:end])
        self._address6(frame, at + 8)
        self._address6(frame, at + 24)
        for _ in range(MAX_EXTENSIONS):
            if protocol not in EXTENSIONS or end < body + 8:
                break
            size = 8 * (1 + frame[body + 1])
            self._cover(frame, body + 2, min(body + size, end), filler=b"\0")
            protocol, body, length = frame[body], body + size, length - size
        self._body(frame, protocol, body, end, tag, heads, quoted)
        pseudo = max(length, 0).to_bytes(4) + bytes([0, protocol])
        self._mend_body(frame, before, protocol, body, slice(at + 8, at + 40), pseudo)
        self._pad(frame, end)

    # --- what packets carry ---------------------------------------------------------------------

    def _body(
        self, frame: bytearray, protocol: int, body: int, end: int, tag: int, heads: Spans,
        quoted: bool,
    ) -> None:  # fmt: skip
        match protocol:
            case Protocol.TCP:
                self._tcp(frame, body, end, heads)
            case Protocol.UDP:
                ports = {int.from_bytes(frame[body + at : body + at + 2]) for at in (0, 2)}
                if ports <= {CLIENT_PORT, SERVER_PORT} and end >= body + UDP + DHCP:
                    self._dhcp(frame, body + UDP, end)
                else:
                    self._cover(frame, body + UDP, end, tag)
            case Protocol.ICMP:
                self._icmp(frame, body, end, tag, quoted)
            case _ if protocol == IGMP:
                self._cover(frame, body + ICMP // 2, end, tag)
            case _ if protocol == ICMPV6:
                self._icmpv6(frame, body, end, tag, quoted)
            case _:
                self._cover(frame, body, end, tag)

    def _tcp(self, frame: bytearray, body: int, end: int, heads: Spans) -> None:
        header = (frame[body + 12] >> 4) * 4 if end > body + 12 else TCP
        if header < TCP:
            self._cover(frame, body, end)
            return
        self._tcp_options(frame, body + TCP, min(body + header, end))
        at = body + header
        for begin, stop, is_number in heads:
            self._cover(frame, at, min(begin, end))
            if is_number:
                self._number(frame, begin, stop)
            at = max(at, stop)
        self._cover(frame, at, end)

    def _tcp_options(self, frame: bytearray, at: int, end: int) -> None:
        """Fill all but those that are understood with the option that says nothing, 1."""
        while at < end and frame[at]:
            size = 1
            if frame[at] != 1:
                size = max(2, frame[at + 1]) if at + 1 < end else 1
                if at + size > end or size not in TCP_OPTIONS.get(frame[at], ()):
                    self._cover(frame, at, min(at + size, end), filler=b"\1")
            at += size
        self._cover(frame, at, end, filler=b"\0")

    def _number(self, frame: bytearray, begin: int, end: int) -> None:
        """Give a number that tells messages apart another value; 0 says that there is none."""
        number = bytes(frame[begin:end])
        if any(number) and not self.keep_payload:
            new = self.numbers.setdefault(number, len(self.numbers) + 1)
            frame[begin:end] = new.to_bytes(len(number), "little")

    def _icmp(self, frame: bytearray, body: int, end: int, tag: int, quoted: bool) -> None:
        kind = frame[body] if end >= body + ICMP else None
        if kind not in ERRORS or quoted:
            known = quoted or kind in ECHOES
            self._cover(frame, body + (ICMP if known else ICMP // 2), end, tag)
            return
        if kind == REDIRECT:
            self._address(frame, body + 4)
        else:
            self._cover(frame, body + 4, body + 6, filler=b"\0")
        self._quote(self._ipv4, frame, body + ICMP, end, tag)

    def _icmpv6(self, frame: bytearray, body: int, end: int, tag: int, quoted: bool) -> None:
        kind = frame[body] if end >= body + ICMP else None
        if kind in NEIGHBOURS and end >= body + SOLICITATION.itemsize:
            self._address6(frame, body + ICMP)
            self._cover(frame, body + 5, body + ICMP, filler=b"\0")
            self._cover(frame, body + SOLICITATION.itemsize, end, tag)
        elif kind in ERRORS6 and not quoted:
            self._cover(frame, body + 4, body + 6, filler=b"\0")
            self._quote(self._ipv6, frame, body + ICMP, end, tag)
        else:
            known = quoted or kind in ECHOES6
            self._cover(frame, body + (ICMP if known else ICMP // 2), end, tag)

    def _quote(
        self, rewrite: Callable[..., None], frame: bytearray, at: int, end: int, tag: int
    ) -> None:
        """Rewrite the packet that an error message quotes, and what stands behind it."""
        packet = frame[:end]
        rewrite(packet, at, tag, (), quoted=True)
        frame[:end] = packet

    def _dhcp(self, frame: bytearray, at: int, end: int) -> None:
        for place in DHCP_ADDRESSES:
            self._address(frame, at + place)
        self._hardware(frame, at + DHCP_HARDWARE)
        texts = slice(at + DHCP_TEXTS[0], at + DHCP_TEXTS[1])
        if any(frame[texts]):
            self._cover(frame, texts.start, texts.stop)
        at += DHCP
        if frame[at - len(COOKIE) : at] != COOKIE:
            self._cover(frame, at - len(COOKIE), end, filler=b"\0")
            return
        while at + 2 <= end and frame[at] != 0xFF:
            if not frame[at]:
                at += 1
                continue
            code, size, value = frame[at], frame[at + 1], at + 2
            at = value + size
            if size in ADDRESS_OPTIONS.get(code, ()) and at <= end:
                for place in range(value, at, 4):
                    self._address(frame, place)
            elif KEPT_OPTIONS.get(code) != size or at > end:
                self._cover(frame, value, min(at, end))
        at += frame[at : at + 1] == b"\xff"
        self._cover(frame, at, end, filler=b"\0")

    # --- the switch -----------------------------------------------------------------------------

    def _tree(self, frame: bytearray, at: int) -> None:
        at += LLC_SNAP if frame[at] == SNAP else LLC
        if len(frame) < at + CONFIGURATION or any(frame[at : at + 2]):
            self._cover(frame, at, len(frame))
            return
        for place in BRIDGES:
            self._hardware(frame, at + place)
        self._cover(frame, at + TREE, len(frame), filler=b"\0")

    def _neighbour(self, frame: bytearray, at: int) -> None:
        """Parts of 7 bits type, 9 bits length, value (IEEE 802.1AB 8.4); a VLAN number stays."""
        while at + 2 <= len(frame):
            head = int.from_bytes(frame[at : at + 2])
            kind, size, value = head >> 9, head & 0x1FF, at + 2
            at = value + size
            if kind == 0:
                at = value
                break
            if kind <= PORT_ID:
                value += 1
            is_vlan = kind == ORGANISATION and frame[value : value + 4] == PORT_VLAN
            if (kind == LIVES and size == 2) or (is_vlan and size == 6):
                continue
            self._cover(frame, value, at)
        self._pad(frame, at)

    # --- checksums ------------------------------------------------------------------------------

    def _later_piece(self, frame: bytearray, begin: int, end: int, tag: int) -> None:
        """Of a packet that was cut up: the checksum is in the first piece, so that the sum of each
        later one has to stay.
        """
        before = total(frame[begin:end])
        self._cover(frame, begin, end, tag)
        at = begin + TAG
        if not self.keep_payload and at + 2 <= end:
            word = int.from_bytes(frame[at : at + 2])
            changed = (word + before - total(frame[begin:end])) % WORD
            frame[at : at + 2] = changed.to_bytes(2)

    def _mend(self, frame: bytearray, before: bytes, at: int, covers: slice) -> None:
        """Mend the checksum at a place, which is among the octets that it covers."""
        field = int.from_bytes(before[at : at + 2])
        sums = total(before[covers]) - field, total(frame[covers]) - field
        frame[at : at + 2] = mended(field, *sums).to_bytes(2)

    def _mend_body(
        self, frame: bytearray, before: bytes, protocol: int, body: int, ends: slice, rest: bytes
    ) -> None:
        """Mend the checksum of what a packet carries. ends: its addresses; rest: what else belongs
        into the pseudo-header.
        """
        at, end = body + CHECKSUM.get(protocol, len(before)), len(before)
        field = int.from_bytes(before[at : at + 2])
        if at + 2 > end or (protocol == Protocol.UDP and not field):
            return
        pseudo = [0, 0]
        if protocol not in WITHOUT_PSEUDO_HEADER:
            pseudo = [total(octets[ends] + rest) for octets in (before, bytes(frame))]
        sums = [total(octets[body:end]) - field for octets in (before, bytes(frame))]
        new = mended(field, sums[0] + pseudo[0], sums[1] + pseudo[1], *pseudo)
        if protocol == Protocol.UDP:
            new = new or WORD
        frame[at : at + 2] = new.to_bytes(2)


LIVES = 3
"""For how many seconds an announcement holds: its part number (IEEE 802.1AB 8.5.4)."""
