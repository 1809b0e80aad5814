"""Recordings and frames written octet by octet, so that every field can be chosen, and can lie.

Layouts: draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng, RFC 791, 768, 792, 826, 9293.
"""

import io
import struct
from ipaddress import IPv4Address

from analyzer.errors import Unusable
from analyzer.facts import Facts, gather
from analyzer.frames import Decoder, Frames
from analyzer.inputs import open_recording
from analyzer.inputs.records import Chunk, Recording

PC_HW, UNIT_HW, OTHER_HW = "00005e005315", "00005e005360", "00005e005399"
BROADCAST_HW = "ffffffffffff"
PC, UNIT = "192.0.2.15", "192.0.2.60"
SECOND = 10**9  # nanoseconds

# --- recordings ---------------------------------------------------------------------------------


def pcap_header(
    order: str = "<", *, nanoseconds: bool = False, link: int = 1, snap_length: int = 262144
) -> bytes:
    magic = 0xA1B23C4D if nanoseconds else 0xA1B2C3D4
    return struct.pack(order + "IHHIIII", magic, 2, 4, 0, 0, snap_length, link)


def record(
    data: bytes,
    time: int = 0,
    order: str = "<",
    *,
    nanoseconds: bool = False,
    stored: int | None = None,
    original: int | None = None,
) -> bytes:
    """One pcap record; time in nanoseconds."""
    seconds, part = divmod(time, SECOND)
    sizes = (len(data) if size is None else size for size in (stored, original))
    return struct.pack(order + "4I", seconds, part // (1 if nanoseconds else 1000), *sizes) + data


def pcap(*frames: bytes | tuple[int, bytes], link: int = 1, order: str = "<") -> bytes:
    """A whole pcap file; frames as octets, or with a time in nanoseconds before them."""
    timed = (one if isinstance(one, tuple) else (0, one) for one in frames)
    records = (record(data, time, order, nanoseconds=True) for time, data in timed)
    return pcap_header(order, nanoseconds=True, link=link) + b"".join(records)


def block(kind: int, body: bytes, order: str = "<", length: int | None = None) -> bytes:
    size = struct.pack(order + "I", len(body) + 12 if length is None else length)
    return struct.pack(order + "I", kind) + size + body + size


def option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(order + "HH", code, len(value)) + padded(value)


END = bytes(4)  # opt_endofopt: code 0, length 0


def section(order: str = "<", length: int = -1) -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, length), order)


def interface(
    link: int = 1, snap_length: int = 262144, options: bytes = b"", order: str = "<"
) -> bytes:
    return block(1, struct.pack(order + "HHI", link, 0, snap_length) + options, order)


def enhanced(
    data: bytes,
    units: int = 0,
    index: int = 0,
    options: bytes = b"",
    order: str = "<",
    *,
    stored: int | None = None,
    original: int | None = None,
) -> bytes:
    sizes = (len(data) if size is None else size for size in (stored, original))
    head = struct.pack(order + "5I", index, units >> 32, units & 0xFFFFFFFF, *sizes)
    return block(6, head + padded(data) + options, order)


def simple(data: bytes, order: str = "<", original: int | None = None) -> bytes:
    size = len(data) if original is None else original
    return block(3, struct.pack(order + "I", size) + padded(data), order)


def obsolete(
    data: bytes, units: int = 0, index: int = 0, options: bytes = b"", order: str = "<"
) -> bytes:
    """The packet block of the draft's appendix A; 0xFFFF: drops not known."""
    time = (units >> 32, units & 0xFFFFFFFF)
    head = struct.pack(order + "HH4I", index, 0xFFFF, *time, len(data), len(data))
    return block(2, head + padded(data) + options, order)


def statistics(index: int, options: bytes, order: str = "<") -> bytes:
    return block(5, struct.pack(order + "III", index, 0, 0) + options, order)


def padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


# --- frames -------------------------------------------------------------------------------------


def ethernet(
    payload: bytes, kind: int = 0x0800, src: str = PC_HW, dst: str = UNIT_HW, tags: bytes = b""
) -> bytes:
    return bytes.fromhex(dst + src) + tags + struct.pack(">H", kind) + payload


def ipv4(
    body: bytes = b"",
    protocol: int = 17,
    src: str = PC,
    dst: str = UNIT,
    *,
    id: int = 1,
    ttl: int = 64,
    fragment: int = 0,
    options: bytes = b"",
    total: int | None = None,
    first: int | None = None,
) -> bytes:
    """first: version and header length; fragment: flags and offset."""
    header = 20 + len(options)
    octets = struct.pack(
        ">BBHHHBBH",
        0x40 | header // 4 if first is None else first,
        0,
        header + len(body) if total is None else total,
        id,
        fragment,
        ttl,
        protocol,
        0,
    )
    return octets + ip(src) + ip(dst) + options + body


def tcp(
    payload: bytes = b"",
    flags: int = 0x18,
    sport: int = 49152,
    dport: int = 502,
    *,
    seq: int = 100,
    ack: int = 300,
    window: int = 8192,
    options: bytes = b"",
) -> bytes:
    offset = (20 + len(options)) // 4 << 4
    head = struct.pack(">HHIIBBHHH", sport, dport, seq, ack, offset, flags, window, 0, 0)
    return head + options + payload


def udp(payload: bytes = b"", sport: int = 50000, dport: int = 2222, length: int = -1) -> bytes:
    size = 8 + len(payload) if length < 0 else length
    return struct.pack(">4H", sport, dport, size, 0) + payload


def icmp(kind: int, code: int = 0, rest: int = 0, payload: bytes = b"") -> bytes:
    return struct.pack(">BBHI", kind, code, 0, rest) + payload


def arp(operation: int, sha: str, spa: str, tha: str, tpa: str) -> bytes:
    head = struct.pack(">HHBBH", 1, 0x0800, 6, 4, operation)
    return head + bytes.fromhex(sha) + ip(spa) + bytes.fromhex(tha) + ip(tpa)


def arp_frame(
    operation: int, sha: str, spa: str, tpa: str, tha: str = "00" * 6, dst: str = BROADCAST_HW
) -> bytes:
    return ethernet(arp(operation, sha, spa, tha, tpa), 0x0806, sha, dst)


def tcp_frame(payload: bytes = b"", **fields: int) -> bytes:
    return ethernet(ipv4(tcp(payload, **fields), 6))


def ip(text: str) -> bytes:
    return IPv4Address(text).packed


# --- reading back -------------------------------------------------------------------------------


def opened(octets: bytes) -> Recording:
    return open_recording(io.BytesIO(octets), "test")


def read(octets: bytes) -> tuple[Recording, list[Chunk]]:
    recording = opened(octets)
    return recording, list(recording.chunks)


def only(octets: bytes) -> Chunk:
    """The one chunk of a recording without damage."""
    recording, chunks = read(octets)
    assert recording.damage is None
    (chunk,) = chunks
    return chunk


def stored(chunk: Chunk) -> list[bytes]:
    """The octets of each frame."""
    ends = (chunk.start + chunk.stored).tolist()
    starts = chunk.start.tolist()
    return [chunk.data[a:b].tobytes() for a, b in zip(starts, ends, strict=True)]


def decoded(octets: bytes) -> list[Frames]:
    """The frame table of every chunk."""
    recording = opened(octets)
    decoder = Decoder(recording.interfaces)
    return [decoder.decode(chunk) for chunk in recording.chunks]


def table(*frames: bytes | tuple[int, bytes], link: int = 1) -> Frames:
    """The frame table of a few frames."""
    (frames_table,) = decoded(pcap(*frames, link=link))
    return frames_table


def facts(*frames: bytes | tuple[float, bytes], link: int = 1) -> Facts:
    """The facts of a few frames; a time before a frame is in seconds."""
    timed = [one if isinstance(one, tuple) else (0.0, one) for one in frames]
    octets = pcap(*((round(time * SECOND), data) for time, data in timed), link=link)
    return gather(opened(octets))


def refusal(octets: bytes) -> str:
    """What is said about an input that cannot be used."""
    try:
        opened(octets)
    except Unusable as error:
        return error.what
    raise AssertionError("it was read")
