"""Write frames as a recording: pcap and pcapng, after the published drafts."""

import gzip
import io
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Interface

ETHERNET, NULL, RAW, COOKED = 1, 0, 101, 113  # link types


@dataclass(frozen=True, eq=False)
class Record:
    """One frame: nanoseconds since 1970, octets from the Ethernet header on, who sent it."""

    time: int
    data: bytes
    outbound: bool


def pcap(
    records: Sequence[Record],
    *,
    nanoseconds: bool = False,
    big_endian: bool = False,
    snaplen: int = 262144,
    link_type: int = ETHERNET,
) -> bytes:
    """The classic layout (draft-ietf-opsawg-pcap, sections 4 and 5)."""
    order = ">" if big_endian else "<"
    magic, unit = (0xA1B23C4D, 1) if nanoseconds else (0xA1B2C3D4, 1000)
    out = [struct.pack(order + "IHHIIII", magic, 2, 4, 0, 0, snaplen, link_type)]
    for record, data in _framed(records, link_type, order):
        seconds, rest = divmod(record.time, 10**9)
        kept = data[:snaplen]
        out.append(struct.pack(order + "IIII", seconds, rest // unit, len(kept), len(data)) + kept)
    return b"".join(out)


def pcapng(
    records: Sequence[Record],
    *,
    name: str = "",
    hw: str = "",
    address: str = "",
    speed: int = 0,
    resolution: int = 6,
    drops: int | None = None,
    directions: bool = True,
    big_endian: bool = False,
    snaplen: int = 262144,
    link_type: int = ETHERNET,
) -> bytes:
    """One section with one interface (draft-ietf-opsawg-pcapng, sections 4.1 to 4.3 and 4.6).

    `address` is written as "192.0.2.15/24", `speed` in bit/s, `resolution` as if_tsresol (6, 9,
    0x8A). `drops` adds the closing statistics. For several sections, put several of these one
    after the other.
    """
    order = ">" if big_endian else "<"
    per_second = 2 ** (resolution & 0x7F) if resolution & 0x80 else 10**resolution

    def block(kind: int, body: bytes, options: Sequence[tuple[int, bytes]] = ()) -> bytes:
        for code, value in [*options, (0, b"")] if options else []:
            body += struct.pack(order + "HH", code, len(value)) + _padded(value)
        length = struct.pack(order + "I", len(body) + 12)
        return struct.pack(order + "I", kind) + length + body + length

    def ticks(time: int) -> bytes:
        return struct.pack(order + "II", *divmod(time * per_second // 10**9, 2**32))

    about = [(2, name.encode()), (6, octets(hw)), (9, bytes([resolution]))]
    if address:
        own = IPv4Interface(address)
        about.append((4, own.ip.packed + own.netmask.packed))
    if speed:
        about.append((8, struct.pack(order + "Q", speed)))
    section = struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1)
    interface = struct.pack(order + "HHI", link_type, 0, snaplen)
    about = [option for option in about if option[1]]
    out = [block(0x0A0D0D0A, section), block(1, interface, about)]
    first = struct.pack(order + "I", 0)
    for record, data in _framed(records, link_type, order):
        kept = data[:snaplen]
        sizes = struct.pack(order + "II", len(kept), len(data))
        flags = struct.pack(order + "I", 2 if record.outbound else 1)
        options = [(2, flags)] if directions else []
        out.append(block(6, first + ticks(record.time) + sizes + _padded(kept), options))
    if drops is not None:
        received = struct.pack(order + "Q", len(out) - 2 + drops)
        dropped = struct.pack(order + "Q", drops)
        end = records[-1].time if records else 0
        out.append(block(5, first + ticks(end), [(4, received), (5, dropped)]))
    return b"".join(out)


def compressed(data: bytes) -> bytes:
    """Gzip (RFC 1952) without a name or a time: the same octets on every day."""
    whole = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=whole, mtime=0) as packed:
        packed.write(data)
    return whole.getvalue()


def _framed(
    records: Sequence[Record], link_type: int, order: str
) -> Iterator[tuple[Record, bytes]]:
    """The frames with the link header of that link type; those it cannot carry are left out."""
    for record in records:
        data, start = record.data, network_header(record.data)
        ethertype = int.from_bytes(data[start - 2 : start])
        if link_type == ETHERNET:
            yield record, data
        elif link_type == COOKED:
            group = 1 if data[:6] == b"\xff" * 6 else 2 * (data[0] & 1)
            sent = 4 if record.outbound else group
            kind = ethertype if ethertype >= 0x600 else 4  # 4: no EtherType, IEEE 802.2 follows
            yield record, struct.pack("!HHH6s2xH", sent, 1, 6, data[6:12], kind) + data[start:]
        elif ethertype in (0x0800, 0x86DD):
            version4 = ethertype == 0x0800
            family = struct.pack(order + "I", 2 if version4 else 30) if link_type == NULL else b""
            length = int.from_bytes(data[start + 2 : start + 4]) if version4 else len(data)
            yield record, family + data[start : start + length]  # without the Ethernet padding


def network_header(data: bytes) -> int:
    """Where the network header begins in an Ethernet frame, tagged or not."""
    return 18 if data[12:14] == b"\x81\0" else 14


def octets(hw: str) -> bytes:
    return bytes.fromhex(hw.replace(":", ""))


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)
