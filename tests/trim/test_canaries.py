"""Nothing of a site is in its trimmed copy: made-up texts, names and addresses stand in every place
of every protocol that is read, and none of them is found in the copy's octets again.

Each frame is recorded whole and cut at a place chosen at random, as a snap length does.
"""

import io
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ipaddress import IPv4Address
from pathlib import Path
from random import Random

import dpkt
import pytest

from analyzer.facts.protocols import FRAMINGS
from analyzer.inputs import open_recording
from analyzer.inputs.records import Recording
from analyzer.linkup import Told
from analyzer.trim import Order, trim
from rules import ALL
from tests import raw

WINDOW = 4
"""Octets in a row that give a text or an address away."""
LETTERS = b"ABCDFGHJKLMNPQRSTVWXYZ"
TLV = struct.Struct(">H")


class Site:
    """Makes up what must not be found again."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.texts: list[bytes] = []
        self.addresses: list[bytes] = []

    def text(self, size: int = 12) -> bytes:
        self.texts.append(bytes(self.random.choices(LETTERS, k=size)))
        return self.texts[-1]

    def _address(self, octets: bytes) -> bytes:
        self.addresses.append(octets)
        return octets

    def ip(self) -> bytes:
        first = self.random.choice((10, 23, 45, 172, 192, 203))
        rest = self.random.sample(range(16, 240), 3)
        rest[0] = {172: 20, 192: 168}.get(first, rest[0])
        return self._address(bytes([first, *rest]))

    def hw(self, first: int = 0) -> bytes:
        return self._address(bytes([first, *self.random.sample(range(16, 240), 5)]))

    def ip6(self, front: bytes = b"") -> bytes:
        half = front or bytes([0x2A, *self.random.sample(range(16, 240), 7)])
        if not front:
            self._address(half)
        return half + self._address(bytes(self.random.sample(range(16, 240), 8)))

    # --- frames ---------------------------------------------------------------------------------

    def ethernet(self, kind: int, body: bytes, dst: bytes | None = None) -> bytes:
        return (dst or self.hw()) + self.hw() + struct.pack(">H", kind) + body

    def ipv4(self, protocol: int, body: bytes, options: bytes = b"", **other: int) -> bytes:
        ends = {name: str(IPv4Address(self.ip())) for name in ("src", "dst")}
        return raw.ipv4(body, protocol, options=options, **ends, **other)

    def packet(self, protocol: int, body: bytes, options: bytes = b"", **other: int) -> bytes:
        return self.ethernet(0x0800, self.ipv4(protocol, body, options, **other))

    def ipv6(self, protocol: int, body: bytes, dst: bytes = b"", hw: bytes | None = None) -> bytes:
        head = struct.pack(">IHBB", 6 << 28, len(body), protocol, 255)
        return self.ethernet(0x86DD, head + self.ip6() + (dst or self.ip6()) + body, hw)


def others(site: Site) -> Iterator[bytes]:
    """Frames that are no IP."""
    yield site.ethernet(0x88B5, site.text(40))
    yield site.ethernet(0x8100, b"\0\7\x88\xb5" + site.text())
    yield site.ethernet(0x8100, b"\0\7\x08\6" + arp(site) + site.text(18))
    yield site.ethernet(0x0806, arp(site) + site.text(18))
    yield site.ethernet(0x0806, b"\0\1\x08\0\x08\4\0\1" + site.text(24))
    yield site.ethernet(30, b"\xe0\xe0\3" + site.text(27))
    yield site.ethernet(30, b"\xaa\xaa\3\0\0\0\6\6" + site.text(22))
    yield site.ethernet(30, b"\xff\xff" + site.text(28))
    tree = b"\0\0\2\2\0\x80\0" + site.hw() + bytes(4) + b"\x80\0" + site.hw() + bytes(10)
    yield site.ethernet(39, b"\x42\x42\3" + tree + site.text(8), bytes.fromhex("0180c2000000"))
    yield site.ethernet(15, b"\x42\x42\3" + b"\0\0\0\x80" + site.text(20))
    yield site.ethernet(15, b"\x42\x42\3" + site.text(40))
    yield site.ethernet(0x888E, b"\1\3\0\x10" + site.text(16))
    yield site.ethernet(0x888E, b"\1\0\0\x11\2\1\0\x11\1" + site.text(12) + site.text(20))
    for end in (b"\0\0", b"\0\x0c" + site.text(), b""):
        yield site.ethernet(0x88CC, announcement(site) + end + site.text(20))
    for hidden in (0x03, 0x01, 0x33):
        yield site.ethernet(0x88B5, bytes(46), site.hw(hidden))
    yield site.ethernet(0x88B5, bytes(46), b"\x33\x33" + site.ip())
    yield site.ethernet(0x88B5, bytes(46), b"\3\xbf" + site.ip())
    yield site.text(13)


def arp(site: Site) -> bytes:
    return b"\0\1\x08\0\6\4\0\1" + site.hw() + site.ip() + site.hw() + site.ip()


def announcement(site: Site) -> bytes:
    parts = [
        (1, b"\4" + site.hw()), (1, b"\7" + site.text()), (2, b"\5" + site.text()), (3, b"\0\x78"),
        (3, site.text()), (4, site.text()), (5, site.text()), (6, site.text()),
        (8, b"\5\1" + site.ip() + site.text()), (9, site.text()), (127, site.text()),
        (127, b"\0\x80\xc2\1\0\7"), (127, b"\0\x80\xc2\1" + site.text()),
        (127, b"\0\x80\xc2\3\0\1" + site.text()),
    ]  # fmt: skip
    return b"".join(TLV.pack(kind << 9 | len(value)) + value for kind, value in parts)


def packets(site: Site) -> Iterator[bytes]:
    """IPv4, ICMP, IGMP and UDP."""
    yield site.packet(17, raw.udp(site.text()), b"\x07\x0b\x0c" + site.ip() + site.ip() + b"\0")
    yield site.packet(17, raw.udp(site.text()), b"\x9e\x0c" + site.text(10))
    yield site.packet(17, raw.udp(site.text())) + site.text(20)
    yield site.packet(17, site.text(20), fragment=0x00B9)
    yield site.packet(89, site.text(30))
    yield site.packet(47, b"\0\0\x08\0" + site.ipv4(17, raw.udp(site.text())))
    yield site.ethernet(0x0800, b"\x42" + site.text(40))
    yield site.packet(1, raw.icmp(8, payload=site.text(30)))
    for kind in (9, 13, 17, 40):
        yield site.packet(1, bytes([kind, 0, 0, 0]) + site.text(24))
    extension = b"\x20\0\0\0\0\x14\2\x0f" + site.ip() + site.text() + b"\0\x10\2\4" + site.text()
    for kind, rest in ((3, bytes(4)), (11, b"\0\x20\0\0"), (12, bytes(4)), (5, site.ip())):
        for quoted in quotes(site):
            yield site.packet(1, bytes([kind, 1, 0, 0]) + rest + quoted + extension)
            long = quoted.ljust(128, b"\0") + extension
            yield site.packet(1, bytes([kind, 1, 0, 0]) + rest + long)
    yield site.packet(2, b"\x16\0\0\0" + bytes([239, *site.random.sample(range(16, 240), 3)]))
    yield site.packet(2, b"\x22\0\0\0\0\0\0\1\4\0\0\1\xef\1\1\1" + site.ip() + site.text())
    yield site.packet(2, b"\x11\0\0\0" + site.ip() + site.text())
    for port in (53, 137, 161, 2222, 5353, 34964, 44818, 47808):
        yield site.packet(17, raw.udp(site.text(40), 50000, port))
    for ports in ((68, 67), (67, 68), (67, 67)):
        yield from (site.packet(17, raw.udp(one, *ports)) for one in leases(site))


def quotes(site: Site) -> Iterator[bytes]:
    yield site.ipv4(17, raw.udp(site.text(20)))
    yield site.ipv4(6, raw.tcp(site.text(20), options=b"\xfd\x0c" + site.text(10)))
    yield site.ipv4(6, raw.tcp())[:28]
    yield site.ipv4(1, raw.icmp(8, payload=site.text(20)))
    yield site.ipv4(99, site.text(20))
    yield site.ipv4(17, raw.udp(site.text(20)), b"\x94\x04\0\0" + b"\x44\x0c\5\1" + site.ip() * 2)


def leases(site: Site) -> Iterator[bytes]:
    """DHCP messages: every option, too long and too short for what it is."""
    head = b"\1\1\6\0" + bytes(8) + b"".join(site.ip() for _ in range(4)) + site.hw()
    names = site.text(10) + site.text(64) + site.text(128)
    plain, cookie = head + bytes(202), b"\x63\x82\x53\x63"
    for size in (5, 8, 12, 21):
        codes = [*range(1, 62), 66, 67, 77, 81, 82, 119, 121, 125, 224, 254]
        told = [code for code in codes if code != 3 or size % 4]  # else they are addresses
        said = b"".join(bytes([code, size]) + site.text(size) for code in told)
        yield plain + cookie + b"\x35\1\1" + said + b"\xff" + site.text(20)
    usual = [(53, b"\3"), (12, site.text()), (50, site.ip()), (54, site.ip()), (28, site.ip())]
    usual += [(3, site.ip() + site.ip()), (61, b"\1" + site.hw()), (3, site.text(18) * 2)]
    said = b"".join(bytes([code, len(value)]) + value for code, value in usual)
    yield head + names + cookie + said + b"\xff"
    yield head + names + cookie + said + b"\x0c\xff" + site.text(30)
    yield head + names + site.text(64)


def over_ipv6(site: Site) -> Iterator[bytes]:
    link_local = b"\xfe\x80" + bytes(6)
    low = site.random.sample(range(16, 240), 3)
    site.addresses.append(bytes(low) + b"\0")  # windows of four; the last three stand alone below
    solicited = bytes.fromhex("ff0200000000000000000001ff") + bytes(low)
    asks = b"\x87\0\0\0\0\0\0\0" + site.ip6(link_local) + b"\1\1" + site.hw()
    yield site.ipv6(58, asks, solicited, b"\x33\x33\xff" + bytes(low))
    yield site.ipv6(58, b"\x88\0\0\0\x60\0\0\0" + site.ip6() + b"\2\1" + site.hw())
    yield site.ipv6(
        58, b"\x86\0\0\0\x40\0\7\x08" + bytes(8) + b"\3\4\x40\xc0" + bytes(12) + site.ip6()
    )
    yield site.ipv6(58, b"\x89\0\0\0" + bytes(4) + site.ip6() + site.ip6() + site.text(20))
    yield site.ipv6(58, b"\x80\0\0\0\0\1\0\1" + site.text(30))
    yield site.ipv6(58, b"\1\0\0\0\0\0\0\0" + raw.udp(site.text(40)))
    for quoted in (raw.udp(site.text(40)), raw.tcp(site.text(20)), asks, site.text(30)):
        whole = site.ipv6(17 if quoted[:2] == b"\xc3\x50" else 6, quoted)[14:]
        yield site.ipv6(58, b"\1\4\0\0\0\0\0\0" + whole + site.text(20))
        yield site.ipv6(58, b"\2\0\0\0\0\0\5\0" + whole.ljust(128, b"\0") + site.text(20))
    joins = b"\x3a\0\5\2\0\0\1\0" + b"\x8f\0\0\0\0\0\0\1" + b"\4\0\0\0" + site.ip6() + site.text()
    yield site.ipv6(0, joins, bytes.fromhex("ff02") + bytes(13) + b"\x16")
    yield site.ipv6(0, b"\x11\1\x1e\x0c" + site.text() + raw.udp(site.text()))
    yield site.ipv6(43, b"\x06\2\0\1" + bytes(4) + site.ip6() + raw.tcp(site.text()))
    yield site.ipv6(60, b"\x11\0\x1e\4" + site.text(4) + raw.udp(site.text()))
    yield site.ipv6(44, b"\x11\0\0\1\0\0\0\1" + site.text(30))
    yield site.ipv6(17, raw.udp(site.text(40), 546, 547))
    yield site.ipv6(6, raw.tcp(site.text(30), options=b"\x1e\x0c\x30\1" + site.ip() + site.ip()))
    prefix = site.ip6()[:8]
    yield site.ipv6(17, raw.udp(site.text()), b"\xff\x3e\0\x40" + prefix + site.ip())
    yield site.ipv6(17, raw.udp(site.text()), b"\xff\x05" + bytes(10) + site.ip())
    yield site.ipv6(17, raw.udp(site.text()), bytes.fromhex("ff0200000000000000000002ff") + b"aaa")


def options(site: Site) -> Iterator[bytes]:
    """Of TCP (RFC 9293 3.1, RFC 8684 3.4.1, RFC 6994): known ones, spoilt ones, anybody's."""
    yield b"\x1e\x08\x30\1" + site.ip()
    yield b"\xfd\x0e" + site.text(12) + b"\1\1"
    yield b"\xfe\x06\xf9\x89" + site.text(2) + b"\x1f\x0a" + site.text(8)
    yield b"\1\1\x08\x0a" + bytes(8) + b"\x22\x0c" + site.text(10)
    yield b"\2\x0c" + site.text(10)
    yield b"\5\x0c" + site.text(10)
    yield b"\0" + site.text(11)
    yield b"\x13\x12" + site.text(16) + b"\1\1"
    yield b"\4\xff" + site.text(14)


def said(site: Site) -> Iterator[tuple[int, list[tuple[bytes, bytes]]]]:
    """Port, and what client and server say in turn, in every protocol that is known."""
    line = b"\r\n"
    yield (
        23,
        [
            (b"", b"Welcome to " + site.text() + line),
            (b"USER " + site.text() + line, b"331 " + site.text() + line),
            (b"PASS " + site.text() + line, b"Login of " + site.text() + b" failed" + line),
            (site.text() + line, b"ERR " + site.text() + b" is busy with " + site.text(40) + line),
        ],
    )
    yield 10001, [(b"", b"in use by " + site.text() + b", sorry " + site.text() + line)]
    yield 9999, [(site.text(40), site.text(40)), (site.text(600), site.text(600))]

    def modbus(function: int, body: bytes) -> bytes:
        return struct.pack(">HHHBB", 7, 0, len(body) + 2, 1, function) + body

    yield (
        502,
        [
            (modbus(16, site.text(16)), modbus(3, site.text(16))),
            (
                modbus(43, site.text(16)) + modbus(3, site.text(8)),
                modbus(0x83, b"\2" + site.text(6)),
            ),
        ],
    )

    def iso(code: int, body: bytes) -> bytes:
        return struct.pack(">BBHBB", 3, 0, len(body) + 6, len(body) + 1, code) + body

    names = b"\0\0\0\1\0\xc1\x0c" + site.text() + b"\xc2\x0c" + site.text()
    yield (
        102,
        [
            (iso(0xE0, names), iso(0xD0, names)),
            (iso(0xF0, site.text(20)), iso(0xF0, site.text(20))),
            (iso(0xF0, site.text(20)), iso(0x80, b"\0\0\0\0\2\xe0\x0c" + site.text())),
            (iso(0x70, b"\0\0\1\xc1\x0c" + site.text()), iso(0x70, b"\0\0\1" + site.text())),
        ],
    )

    def tls(kind: int, body: bytes) -> bytes:
        return struct.pack(">BHH", kind, 0x0303, len(body)) + body

    yield (
        802,
        [
            (tls(22, site.text(60)), tls(22, site.text(60))),
            (tls(20, site.text(6)) + tls(22, site.text(40)), tls(21, b"\2\x30")),
            (tls(23, site.text(40)), tls(21, site.text(20))),
        ],
    )

    def opc(letters: bytes, body: bytes) -> bytes:
        return letters + b"F" + struct.pack("<I", len(body) + 8) + body

    yield (
        4840,
        [
            (opc(b"HEL", site.text(40)), opc(b"ACK", site.text(20))),
            (opc(b"OPN", site.text(60)), opc(b"ERR", b"\0\0\x13\x80" + site.text(20))),
            (opc(b"MSG", site.text(60)), opc(b"MSG", site.text(60))),
        ],
    )

    def cip(command: int, body: bytes, context: bytes, status: int = 0) -> bytes:
        return (
            struct.pack("<HH", command, len(body))
            + site.text(4)
            + struct.pack("<I", status)
            + context
            + bytes(4)
            + body
        )

    def inner(service: int, body: bytes) -> bytes:
        return site.text(6) + struct.pack("<HHHHHB", 2, 0, 0, 0xB2, len(body) + 1, service) + body

    one, two = site.text(8), site.text(8)
    yield (
        44818,
        [
            (cip(0x63, b"", site.text(8)), cip(0x63, site.text(60), site.text(8))),
            (cip(0x65, site.text(4), one), cip(0x65, site.text(4), one, 1)),
            (
                cip(0x6F, inner(0x4C, site.text(30)), two),
                cip(0x6F, inner(0xCC, b"\0\0\0" + site.text(30)), two),
            ),
            (
                cip(0x6F, inner(0x52, site.text(30)), one),
                cip(0x6F, inner(0xD4, b"\0\1\1\0\1" + site.text(30)), one),
            ),
            (cip(0x6F, site.text(60), two), cip(0x6F, site.text(60), two)),
            (cip(0x70, site.text(40), site.text(8)), cip(0x70, site.text(40), site.text(8))),
        ],
    )


def sessions(site: Site) -> Iterator[bytes]:
    for choice in options(site):
        choice += bytes(-len(choice) % 4)
        yield site.packet(6, raw.tcp(site.text(20), options=choice))
        yield site.packet(6, raw.tcp(b"", 2, options=choice))
    yield site.packet(6, raw.tcp()[:12] + b"\x10" + site.text(40))
    for port, turns in said(site):
        yield from session(site, port, turns)


def session(site: Site, port: int, turns: list[tuple[bytes, bytes]]) -> Iterator[bytes]:
    """A whole session; the client speaks first in each turn, where it says anything."""
    ends = [str(IPv4Address(site.ip())) for _ in range(2)]
    numbers = [100, 300]

    def segment(by: int, flags: int, payload: bytes = b"") -> bytes:
        ports = {"sport": port, "dport": 49152} if by else {"sport": 49152, "dport": port}
        one = raw.tcp(payload, flags, seq=numbers[by], ack=numbers[1 - by], **ports)
        numbers[by] += len(payload) + (flags & 2 > 0)
        return site.ethernet(0x0800, raw.ipv4(one, 6, ends[by], ends[1 - by], id=numbers[by]))

    yield from (segment(0, 2), segment(1, 0x12), segment(0, 0x10))
    for turn in turns:
        yield from (segment(by, 0x18, one) for by, one in enumerate(turn) if one)


PLACES: dict[str, Callable[[Site], Iterator[bytes]]] = {
    "others": others, "packets": packets, "ipv6": over_ipv6, "sessions": sessions,
}  # fmt: skip


def recorded(site: Site, frames: list[bytes]) -> bytes:
    """A recording with names in each of its own places, too."""
    told = raw.option(2, site.text()) + raw.option(3, site.text()) + raw.option(12, site.text())
    told += raw.option(1, site.text()) + raw.option(6, site.hw())
    told += raw.option(4, site.ip() + b"\xff\xff\xff\0") + raw.END
    octets = raw.block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1) + told)
    octets += raw.interface(options=told) + raw.block(4, b"\1\0\x10\0" + site.ip() + site.text())
    note = raw.option(1, site.text()) + raw.END
    for number, frame in enumerate(frames):
        octets += raw.enhanced(frame, 10**15 + number * 1000, options=note)
        cut = site.random.randrange(1, len(frame))
        octets += raw.enhanced(frame[:cut], 10**15 + number * 1000 + 500, original=len(frame))
    return octets


@pytest.mark.parametrize("rename", [False, True], ids=["names kept", "renamed"])
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("seed", range(2))
def test_nothing_of_the_site_is_found_again(
    seed: int, place: str, rename: bool, tmp_path: Path
) -> None:
    site = Site(seed)
    made = list(PLACES[place](site))
    octets = recorded(site, made)

    @contextmanager
    def again() -> Iterator[Recording]:
        yield open_recording(io.BytesIO(octets), "test")

    out = tmp_path / "copy.pcapng"
    key = site.random.randbytes(16) if rename else None
    result = trim(again, ALL, Told(), Order("A comment.", key=key), out)
    copy = out.read_bytes()
    frames = [frame for _, frame in dpkt.pcapng.Reader(io.BytesIO(copy))]
    assert len(frames) == 2 * len(made) > 30
    if place == "sessions":
        known = {one.dialogue.protocol for one in result.copy.facts.sessions}
        assert known >= {one.name for one in FRAMINGS}
    hidden = site.texts + (site.addresses if rename else [])
    windows = {one[at : at + WINDOW] for one in hidden for at in range(len(one) - WINDOW + 1)}
    assert len(windows) > 200
    there = {copy[at : at + WINDOW] for at in range(len(copy) - WINDOW + 1)}
    assert not windows & there, leaks(frames, windows)


def leaks(frames: list[bytes], windows: set[bytes]) -> list[tuple[int, int, bytes]]:
    """Number and octet of what was found, for whoever reads the failure."""
    return [
        (number, at, frame[at : at + WINDOW])
        for number, frame in enumerate(frames, 1)
        for at in range(len(frame) - WINDOW + 1)
        if frame[at : at + WINDOW] in windows
    ][:40]
