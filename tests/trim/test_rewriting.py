"""Rewritten frames: lengths and heads stay, checksums are as right or unfinished as before."""

import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.facts.protocols import FRAMINGS, line_text
from analyzer.frames import Decoder, Kind
from analyzer.trim.heads import heads
from analyzer.trim.renaming import Renaming
from analyzer.trim.rewriting import Rewriter
from captures.plant import Plant
from tests import raw

KEY = bytes(range(16))
FAST = settings(max_examples=60, deadline=None)


def rewriter(rename: bool = True, keep_payload: bool = False) -> Rewriter:
    return Rewriter(Renaming((0xFFFFFF00,), KEY) if rename else None, keep_payload)


def words(octets: bytes) -> int:
    """The one's complement sum (RFC 1071 1), word by word."""
    octets += bytes(len(octets) & 1)
    total = 0
    for (word,) in struct.iter_unpack("!H", octets):
        total += word
        total = (total & 0xFFFF) + (total >> 16)
    return total


def states(octets: bytes) -> tuple[str, str]:
    """How the checksums of an IPv4 packet are: right, unfinished, none or wrong."""
    header, protocol = (octets[0] & 15) * 4, octets[9]
    at = {1: 2, 2: 2, 6: 16, 17: 6}[protocol]
    body = octets[header : int.from_bytes(octets[2:4])]
    pseudo = octets[12:20] + bytes([0, protocol]) + len(body).to_bytes(2)
    field = int.from_bytes(body[at : at + 2])
    inner = "wrong"
    if words((b"" if protocol < 3 else pseudo) + body) == 0xFFFF:
        inner = "right"
    elif protocol > 2 and field == words(pseudo):
        inner = "unfinished"
    elif not field:
        inner = "none"
    return "right" if words(octets[:header]) == 0xFFFF else "wrong", inner


def summed(octets: bytes, state: str) -> bytes:
    """A packet whose inner checksum is right, unfinished, none or wrong."""
    changed, header, protocol = bytearray(octets), (octets[0] & 15) * 4, octets[9]
    at = header + {1: 2, 2: 2, 6: 16, 17: 6}[protocol]
    changed[at : at + 2] = bytes(2)
    pseudo = octets[12:20] + bytes([0, protocol]) + (len(octets) - header).to_bytes(2)
    whole = words((b"" if protocol < 3 else pseudo) + bytes(changed[header:]))
    field = {
        "right": ~whole & 0xFFFF or (0xFFFF if protocol == 17 else 0),
        "unfinished": words(pseudo),
        "none": 0,
        "wrong": (whole ^ 0x1234) or 1,
    }[state]
    changed[at : at + 2] = field.to_bytes(2)
    changed[10:12] = (~words(bytes(changed[:header])) & 0xFFFF).to_bytes(2)
    return bytes(changed)


bodies = st.one_of(
    st.binary(max_size=70).map(lambda data: (6, raw.tcp(data))),
    st.binary(max_size=70).map(lambda data: (17, raw.udp(data))),
    st.binary(max_size=70).map(lambda data: (1, raw.icmp(8, payload=data))),
    st.binary(max_size=40).map(
        lambda data: (1, raw.icmp(3, payload=raw.ipv4(raw.udp(data), protocol=17)))
    ),
    st.binary(max_size=20).map(lambda data: (2, b"\x16\0\0\0\xe0\0\0\x05" + data)),
)


@FAST
@given(
    body=bodies,
    state=st.sampled_from(["right", "unfinished", "none", "wrong"]),
    rename=st.booleans(),
    keep=st.booleans(),
    headless=st.booleans(),
)
def test_checksums_are_as_they_were(
    body: tuple[int, bytes], state: str, rename: bool, keep: bool, headless: bool
) -> None:
    """headless: the adapter is to fill in the header's own checksum, too."""
    protocol, data = body
    packet = summed(raw.ipv4(data, protocol=protocol), state)
    if headless:
        packet = packet[:10] + bytes(2) + packet[12:]
    frame = raw.ethernet(packet)
    at = frame.index(packet)
    new = rewriter(rename, keep).frame(frame, 1, Kind.IPV4, at, 5)
    assert len(new) == len(frame)
    assert states(new[at : at + len(packet)]) == states(packet)


@pytest.mark.parametrize("keep", [False, True])
def test_ipv6_checksums_stay_right(keep: bool) -> None:
    plant = Plant()
    plant.link_up(plant.pc())
    frames = [one.data for one in plant.records if one.data[12:14] == b"\x86\xdd"]
    assert len(frames) >= 2

    def right(frame: bytes) -> bool:
        length, protocol, body = int.from_bytes(frame[18:20]), frame[20], 54
        if not protocol:
            protocol, body, length = frame[54], 62, length - 8
        pseudo = frame[22:54] + length.to_bytes(4) + protocol.to_bytes(4)
        return words(pseudo + frame[body : body + length]) == 0xFFFF

    for frame in frames:
        assert right(frame)
        new = rewriter(keep_payload=keep).frame(frame, 1, Kind.IPV6, 14, 5)
        assert right(new)
        assert new != frame


def test_the_pieces_of_a_datagram_keep_their_sum() -> None:
    data = bytes(range(1, 200))
    datagram = summed(raw.ipv4(raw.udp(data), protocol=17), "right")[20:]
    pieces = [(datagram[:96], 0x2000), (datagram[96:], 96 // 8)]
    new = []
    for piece, fragment in pieces:
        packet = bytearray(raw.ipv4(piece, protocol=17))
        packet[6:8] = fragment.to_bytes(2)
        frame = raw.ethernet(bytes(packet))
        changed = rewriter(rename=False).frame(frame, 1, Kind.IPV4, 14, 5)
        new.append(changed[34 : 34 + len(piece)])
    before = words(datagram)
    assert data[100:120] not in b"".join(new)
    assert words(b"".join(new)) == before


def test_padding_is_cleared_and_lengths_stay() -> None:
    frame = raw.ethernet(raw.ipv4(raw.udp(b"1"), protocol=17)) + b"left over"
    new = rewriter().frame(frame, 1, Kind.IPV4, 14, 5)
    assert len(new) == len(frame)
    assert new.endswith(bytes(9))


def test_equal_packets_stay_equal_and_different_ones_different() -> None:
    frame = raw.ethernet(raw.ipv4(raw.udp(b"12345678 and more"), protocol=17))
    one, again, other = (rewriter().frame(frame, 1, Kind.IPV4, 14, tag) for tag in (5, 5, 6))
    assert one == again != other


# --- heads of known protocols -------------------------------------------------------------------


def head_of(protocol: str) -> st.SearchStrategy[bytes]:
    """Octets that begin like messages of a protocol, and sometimes are none."""
    small = st.integers(0, 255)
    any_rest = st.binary(max_size=40)
    match protocol:
        case "Modbus/TCP":
            return st.builds(
                lambda number, unit, function, rest: struct.pack(
                    "!HHHBB", number, 0, len(rest) + 2, unit, function
                ) + rest,
                st.integers(0, 65535), small, small, any_rest,
            )  # fmt: skip
        case "ISO on TCP":
            return st.builds(
                lambda code, rest: struct.pack("!BBHBB", 3, 0, len(rest) + 6, 2, code) + rest,
                st.sampled_from([0xE0, 0xD0, 0x80, 0xF0, 0x70]), any_rest,
            )  # fmt: skip
        case "TLS":
            return st.builds(
                lambda kind, rest: struct.pack("!BHH", kind, 0x0303, len(rest)) + rest,
                st.integers(20, 23), any_rest,
            )  # fmt: skip
        case "OPC UA":
            return st.builds(
                lambda kind, rest: kind + b"F" + struct.pack("<I", len(rest) + 8) + rest,
                st.sampled_from([b"HEL", b"ACK", b"ERR", b"OPN", b"MSG", b"CLO"]), any_rest,
            )  # fmt: skip
        case "EtherNet/IP":
            inner = struct.pack("<IHHIHHBBBB", 0, 0, 2, 0, 0xB2, 8, 0xD4, 0, 1, 1)
            return st.builds(
                lambda command, status, rest: struct.pack(
                    "<HHIIQI", command, len(rest), 1, status, 7, 0
                ) + rest,
                st.sampled_from([0x65, 0x66, 0x6F, 0x70]), st.sampled_from([0, 1, 0x69]),
                any_rest | any_rest.map(lambda rest: inner + rest),
            )  # fmt: skip
    return st.text("abc XYZ\t", max_size=30).map(lambda text: text.encode() + b"\r\n")


@pytest.mark.parametrize("number", range(len(FRAMINGS)), ids=[one.name for one in FRAMINGS])
@FAST
@given(data=st.data())
def test_what_is_read_of_known_messages_stays(number: int, data: st.DataObject) -> None:
    framing = FRAMINGS[number]
    most = 1 if framing is line_text.FRAMING else 3
    messages = data.draw(st.lists(head_of(framing.name), min_size=1, max_size=most))
    payload = b"".join(messages)
    if data.draw(st.booleans()):
        payload = payload[: data.draw(st.integers(1, len(payload)))]
    by_server = data.draw(st.booleans())
    ports = {"sport": 502, "dport": 50000} if by_server else {"sport": 50000, "dport": 502}
    frame = raw.ethernet(raw.ipv4(raw.tcp(payload, **ports), protocol=6))
    frames = Decoder(raw.opened(raw.pcap(frame)).interfaces).decode(raw.only(raw.pcap(frame)))
    at = int(frames.tcp.payload[0])
    ends = (
        int(frames.ip.src[0]) << 16 | ports["sport"],
        int(frames.ip.dst[0]) << 16 | ports["dport"],
    )
    start = int(frames.start[0])
    spans = heads(frames, {ends: (number, by_server)}).get(0, [])
    kept = [(begin - start, end - start, same) for begin, end, same in spans]
    new = rewriter().frame(frame, 1, Kind.IPV4, 14, 5, kept)

    def read(octets: bytes) -> list[Any]:
        """Every head in the segment, as the facts read them."""
        buffer = np.frombuffer(octets + bytes(128), np.uint8)
        found, place = [], at - start
        for _ in range(8):
            one = framing.heads(
                buffer, np.array([place]), np.array([len(octets)]), np.array([by_server])
            )
            told = one._replace(id=one.id if framing.name == "Modbus/TCP" else one.id > 0)
            found.append([int(column[0]) for column in told] if one.size[0] else None)
            place += int(one.size[0])
            if not one.size[0] or place >= len(octets):
                break
        return found

    assert read(new) == read(frame)
    assert len(new) == len(frame)
