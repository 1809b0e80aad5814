"""What is written is what was meant: read back by this project, by dpkt and by scapy."""

import io
import socket
import struct

import dpkt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.utils import RawPcapNgReader

from analyzer.inputs.records import Direction, Interface
from analyzer.outputs import pcapng
from tests import raw

BEGAN = 1_780_000_000_123_456_789  # nanoseconds
ADDRESS = int.from_bytes(socket.inet_aton("192.0.2.15"))
MASK = int.from_bytes(socket.inet_aton("255.255.255.0"))
OWN = Interface(
    1, 65535, 4, name="cable", addresses=[(ADDRESS, MASK)], hardware=0x00005E00530F, speed=10**9
)
frames = st.lists(
    st.tuples(
        st.integers(0, (1 << 33) * 10**9 - 1),
        st.binary(max_size=90),
        st.integers(0, 2000),
        st.sampled_from(Direction),
    ),
    max_size=20,
)


def whole(*blocks: bytes, one: Interface = OWN) -> bytes:
    return pcapng.section() + pcapng.interface(one) + b"".join(blocks)


@given(frames)
def test_frames_come_back_as_they_were_written(
    written: list[tuple[int, bytes, int, Direction]],
) -> None:
    blocks = [
        pcapng.packet(time, octets, len(octets) + more, direction=direction)
        for time, octets, more, direction in written
    ]
    recording, chunks = raw.read(whole(*blocks))
    back = [
        (
            int(chunk.time[row]),
            chunk.data[start : start + chunk.stored[row]].tobytes(),
            int(chunk.original[row] - chunk.stored[row]),
            Direction(int(chunk.direction[row])),
        )
        for chunk in chunks
        for row, start in enumerate(chunk.start.tolist())
    ]
    assert back == written
    assert recording.damage is None


def test_interface_comes_back_as_it_was_written() -> None:
    recording, _ = raw.read(whole())
    (back,) = recording.interfaces
    assert (back.link, back.snap_length, back.fcs_octets) == (1, 65535, 4)
    assert (back.name, back.addresses) == ("cable", [(ADDRESS, MASK)])
    assert (back.hardware, back.speed) == (0x00005E00530F, 10**9)


def test_an_interface_of_which_little_is_known() -> None:
    recording, _ = raw.read(whole(one=Interface(101)))
    (back,) = recording.interfaces
    assert (back.link, back.addresses, back.hardware, back.speed) == (101, [], None, None)


def test_counts_and_comments_come_back() -> None:
    octets = pcapng.section("a PC", "a system", "a program", ["first", "", "se\u00e7ond"])
    octets += pcapng.interface(OWN, "a system", ["third"])
    octets += pcapng.statistics(BEGAN, BEGAN - 5, BEGAN, received=10, dropped=3)
    recording, _ = raw.read(octets)
    assert recording.comments == ["first", "se\u00e7ond", "third"]
    assert recording.interfaces[0].drops == 3


def test_counts_that_are_not_known_are_not_written() -> None:
    recording, _ = raw.read(whole(pcapng.statistics(BEGAN)))
    assert recording.interfaces[0].drops is None


def test_a_text_that_is_too_long_is_cut() -> None:
    octets = pcapng.section(system="x" * 70_000) + pcapng.interface(OWN)
    recording, _ = raw.read(octets + pcapng.packet(BEGAN, b"frame"))
    assert recording.damage is None


@pytest.mark.parametrize("size", [0, 1, 2, 3, 4, 59, 60, 61, 1514])
def test_dpkt_reads_the_same(size: int) -> None:
    octets = bytes(range(256)) * 6
    packet = pcapng.packet(BEGAN, octets[:size], direction=Direction.OUT)
    reader = dpkt.pcapng.Reader(io.BytesIO(whole(packet, pcapng.statistics(BEGAN, dropped=1))))
    ((time, data),) = list(reader)
    assert data == octets[:size]
    assert time == pytest.approx(BEGAN / 10**9, abs=1e-5)
    options = {option.code: option.data for option in reader.idb.opts}
    assert options[dpkt.pcapng.PCAPNG_OPT_IF_NAME] == b"cable"


def test_scapy_reads_the_same() -> None:
    blocks = [pcapng.packet(BEGAN + n, b"x" * n, 2 * n, direction=Direction.IN) for n in range(9)]
    reader = RawPcapNgReader(
        io.BytesIO(whole(*blocks, pcapng.statistics(BEGAN, BEGAN, BEGAN, 9, 0)))
    )
    back = [(data, meta) for data, meta in reader]
    assert [data for data, _ in back] == [b"x" * n for n in range(9)]
    for n, (_, meta) in enumerate(back):
        assert (meta.tshigh << 32) + meta.tslow == BEGAN + n
        assert (meta.wirelen, meta.ifname, meta.tsresol) == (2 * n, b"cable", 10**9)


def test_every_block_says_its_length_at_both_ends_and_is_a_multiple_of_four() -> None:
    blocks = [pcapng.section(program="odd"), pcapng.interface(OWN), pcapng.packet(BEGAN, b"abcde")]
    for block in [*blocks, pcapng.statistics(BEGAN, dropped=2)]:
        (length,) = struct.unpack_from("<I", block, 4)
        assert length == len(block)
        assert block[-4:] == block[4:8]
        assert len(block) % 4 == 0
