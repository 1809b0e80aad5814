"""The pcapng reader, against draft-ietf-opsawg-pcapng."""

import struct
from collections.abc import Callable

import pytest

from analyzer.inputs.records import Damage
from tests import raw

FRAME = bytes(range(61))  # not a multiple of four: padding shows
OTHER = bytes(reversed(range(42)))
ORDERS = pytest.mark.parametrize("order", ["<", ">"])
US = 1_700_000_000_123_456  # microseconds
TIME = US * 1000


def head(order: str = "<", options: bytes = b"", **fields: int) -> bytes:
    return raw.section(order) + raw.interface(options=options, order=order, **fields)


# --- blocks with frames (sections 4.3, 4.4, appendix A) ------------------------------------------


@ORDERS
def test_reads_enhanced_packet_blocks(order: str) -> None:
    blocks = raw.enhanced(FRAME, US, order=order, original=1514) + raw.enhanced(OTHER, order=order)
    chunk = raw.only(head(order) + blocks)
    assert raw.stored(chunk) == [FRAME, OTHER]
    assert chunk.original.tolist() == [1514, 42]
    assert chunk.time.tolist() == [TIME, 0]


@ORDERS
def test_reads_obsolete_packet_blocks(order: str) -> None:
    blocks = raw.interface(link=113, order=order) + raw.obsolete(FRAME, US, 1, order=order)
    chunk = raw.only(head(order) + blocks)
    assert raw.stored(chunk) == [FRAME]
    assert chunk.time.tolist() == [TIME]
    assert chunk.interface.tolist() == [1]


@ORDERS
@pytest.mark.parametrize(("snap_length", "kept"), [(0, 61), (262144, 61), (50, 50)])
def test_reads_simple_packet_blocks(order: str, snap_length: int, kept: int) -> None:
    """Section 4.4: stored is the lesser of snap length and original; snap length 0: no limit."""
    octets = head(order, snap_length=snap_length) + raw.simple(FRAME[:kept], order, original=61)
    recording, (chunk,) = raw.read(octets)
    assert raw.stored(chunk) == [FRAME[:kept]]
    assert chunk.original.tolist() == [61]
    assert recording.untimed == 1


def test_a_frame_without_a_time_takes_the_one_before() -> None:
    blocks = raw.enhanced(FRAME, US) + raw.simple(OTHER) + raw.enhanced(FRAME, US + 5)
    recording, (chunk,) = raw.read(head() + blocks)
    assert chunk.time.tolist() == [TIME, TIME, TIME + 5000]
    assert recording.untimed == 1


def test_a_frame_without_a_time_at_the_start_takes_the_first_there_is() -> None:
    blocks = raw.simple(OTHER) + raw.simple(OTHER) + raw.enhanced(FRAME, US)
    assert raw.only(head() + blocks).time.tolist() == [TIME] * 3


def test_frames_without_any_time_stand_at_zero() -> None:
    assert raw.only(head() + 3 * raw.simple(OTHER)).time.tolist() == [0, 0, 0]


def test_time_is_carried_into_the_next_section() -> None:
    octets = head() + raw.enhanced(FRAME, US) + head() + raw.simple(OTHER)
    _, (_, chunk) = raw.read(octets)
    assert chunk.time.tolist() == [TIME]


# --- sections (4.1) -------------------------------------------------------------------------------


@pytest.mark.parametrize("orders", ["<>", "><", "<<", ">>", "<><"])
def test_each_section_has_its_own_octet_order_and_interfaces(orders: str) -> None:
    octets = b""
    for n, order in enumerate(orders):
        octets += head(order, link=(1, 113, 101)[n]) + raw.enhanced(FRAME, US + n, order=order)
    recording, chunks = raw.read(octets)
    assert recording.damage is None
    assert [one.link for one in recording.interfaces] == [1, 113, 101][: len(orders)]
    assert [int(index) for chunk in chunks for index in chunk.interface] == [*range(len(orders))]
    assert [int(time) for chunk in chunks for time in chunk.time] == [
        TIME + 1000 * n for n in range(len(orders))
    ]
    assert [chunk.first for chunk in chunks] == [*range(1, len(orders) + 1)]


def test_a_section_says_its_length_or_does_not() -> None:
    body = raw.interface() + raw.enhanced(FRAME, US)
    assert len(raw.only(raw.section(length=len(body)) + body).start) == 1
    assert len(raw.only(raw.section(length=-1) + body).start) == 1


def test_a_section_without_a_known_octet_order_is_damage() -> None:
    recording, chunks = raw.read(raw.block(0x0A0D0D0A, bytes(16)))
    assert chunks == []
    assert recording.damage is not None
    assert recording.damage.why == "a section has no known octet order"


# --- interfaces (4.2) -----------------------------------------------------------------------------


@ORDERS
def test_interfaces_have_their_own_link_type_and_time_unit(order: str) -> None:
    nano, binary = raw.option(9, b"\x09", order), raw.option(9, b"\x8a", order)
    octets = (
        head(order)
        + raw.interface(113, 96, nano + raw.END, order)
        + raw.interface(101, 0, binary, order)
        + raw.enhanced(FRAME, 1_700_000_000_123_456_789, 1, order=order)
        + raw.enhanced(FRAME, US, 0, order=order)
        + raw.enhanced(FRAME, 1024 * 1_700_000_000 + 512, 2, order=order)
    )
    recording, (chunk,) = raw.read(octets)
    assert [one.link for one in recording.interfaces] == [1, 113, 101]
    assert [one.snap_length for one in recording.interfaces] == [262144, 96, 0]
    assert chunk.interface.tolist() == [1, 0, 2]
    assert chunk.time.tolist() == [
        1_700_000_000_123_456_789,
        TIME,
        1_700_000_000_500_000_000,
    ]


@pytest.mark.parametrize("power", range(20))
def test_if_tsresol_in_powers_of_ten(power: int) -> None:
    units = 17 * 10**power + 10**power // 4  # 17.25 s
    if units >= 1 << 64:
        units, whole, part = 10**power, 1, 0
    else:
        whole, part = 17, (10**power // 4) * raw.SECOND // 10**power
    chunk = raw.only(head(options=raw.option(9, bytes([power]))) + raw.enhanced(FRAME, units))
    assert chunk.time.tolist() == [whole * raw.SECOND + part]


@pytest.mark.parametrize("power", [*range(60)])
def test_if_tsresol_in_powers_of_two(power: int) -> None:
    units = (9 << power) + (1 << power >> 2)  # 9.25 s, or 9 s where a unit is too coarse
    chunk = raw.only(
        head(options=raw.option(9, bytes([0x80 | power]))) + raw.enhanced(FRAME, units)
    )
    part = (1 << power >> 2) * raw.SECOND >> power
    assert abs(int(chunk.time[0]) - 9 * raw.SECOND - part) <= 1


@ORDERS
@pytest.mark.parametrize("offset", [0, 3600, -3600])
def test_if_tsoffset_is_added(order: str, offset: int) -> None:
    options = raw.option(14, struct.pack(order + "q", offset), order)
    chunk = raw.only(head(order, options) + raw.enhanced(FRAME, US, order=order))
    assert chunk.time.tolist() == [TIME + offset * raw.SECOND]


@pytest.mark.parametrize("resolution", [0, 6, 9, 127, 0x80, 0x8A, 0xBF, 0xFF])
@pytest.mark.parametrize("offset", [0, 2**63 - 1, -(2**63), 2**40, -(2**33)])
def test_absurd_times_stay_inside_what_a_clock_can_show(resolution: int, offset: int) -> None:
    options = raw.option(9, bytes([resolution])) + raw.option(14, struct.pack("<q", offset))
    units = (0, US, 2**63, 2**64 - 1)
    blocks = b"".join(raw.enhanced(FRAME, one) for one in units)
    chunk = raw.only(head(options=options) + blocks)
    assert (chunk.time >= 0).all()
    assert (chunk.time < 2**63 - 1).all()


@ORDERS
def test_interface_options(order: str) -> None:
    options = (
        raw.option(1, b"a remark of odd length", order)
        + raw.option(2, "Werk-Süd".encode(), order)
        + raw.option(4, bytes([192, 0, 2, 15, 255, 255, 255, 0]), order)
        + raw.option(4, bytes([198, 51, 100, 7, 255, 255, 255, 192]), order)
        + raw.option(6, bytes.fromhex(raw.PC_HW), order)
        + raw.option(8, struct.pack(order + "Q", 100_000_000), order)
        + raw.option(12, b"an operating system", order)
        + raw.option(13, b"\x04", order)
        + raw.option(40000, b"not known", order)
        + raw.END
    )
    recording, _ = raw.read(head(order, options))
    (interface,) = recording.interfaces
    assert interface.name == "Werk-Süd"
    assert interface.addresses == [(0xC000020F, 0xFFFFFF00), (0xC6336407, 0xFFFFFFC0)]
    assert interface.hardware == 0x00005E005315
    assert interface.speed == 100_000_000
    assert interface.fcs_octets == 4
    assert interface.drops is None


@pytest.mark.parametrize(("value", "octets"), [(0, 0), (2, 2), (4, 4), (16, 2), (32, 4)])
def test_if_fcslen_in_octets_or_bits(value: int, octets: int) -> None:
    """Section 4.2 says bits and gives 4 as the example: both are understood."""
    recording, _ = raw.read(head(options=raw.option(13, bytes([value]))))
    assert recording.interfaces[0].fcs_octets == octets


def test_options_of_a_wrong_length_are_left_out() -> None:
    wrong = b"".join(raw.option(code, b"abc") for code in (4, 6, 8, 9, 13, 14))
    recording, _ = raw.read(head(options=wrong))
    (interface,) = recording.interfaces
    assert (interface.addresses, interface.hardware, interface.speed) == ([], None, None)
    assert (interface.resolution, interface.offset, interface.fcs_octets) == (6, 0, 0)


def test_options_behind_the_end_mark_do_not_count() -> None:
    recording, _ = raw.read(head(options=raw.END + raw.option(2, b"late")))
    assert recording.interfaces[0].name == ""


def test_missing_end_mark_is_no_damage() -> None:
    """Section 3.5: the end of the block ends the list too."""
    recording, _ = raw.read(head(options=raw.option(2, b"eth")))
    assert recording.interfaces[0].name == "eth"
    assert recording.damage is None


def test_an_option_longer_than_its_block_is_no_trouble() -> None:
    recording, (chunk,) = raw.read(head(options=struct.pack("<HH", 2, 60000)) + raw.enhanced(FRAME))
    assert recording.damage is None
    assert raw.stored(chunk) == [FRAME]


# --- directions (4.3.1) ---------------------------------------------------------------------------


@ORDERS
@pytest.mark.parametrize(
    ("flags", "direction"),
    [(0, 0), (1, 1), (2, 2), (3, 0), (0x0801, 1), (0xFFFF0002, 2), (0x1E0, 0)],
)
def test_direction_in_the_two_low_bits(order: str, flags: int, direction: int) -> None:
    options = raw.option(2, struct.pack(order + "I", flags), order) + raw.END
    for make in (raw.enhanced, raw.obsolete):
        chunk = raw.only(head(order) + make(FRAME, US, 0, options, order))
        assert chunk.direction.tolist() == [direction]


@ORDERS
@pytest.mark.parametrize("end", [raw.END, b""])
def test_direction_behind_other_options(order: str, end: bytes) -> None:
    outbound = raw.option(2, struct.pack(order + "I", 2), order)
    before = raw.option(1, b"a remark", order) + raw.option(4, bytes(8), order)
    blocks = b"".join(
        raw.enhanced(FRAME, US, 0, options, order)
        for options in (before + outbound + end, b"", outbound + before + end, before + end)
    )
    assert raw.only(head(order) + blocks).direction.tolist() == [2, 0, 2, 0]


def test_no_direction_is_taken_from_the_next_block_or_from_behind_the_end_mark() -> None:
    outbound = raw.option(2, struct.pack("<I", 2))
    blocks = raw.enhanced(FRAME, options=raw.END + outbound)
    blocks += raw.enhanced(FRAME) + raw.simple(FRAME)
    assert raw.only(head() + blocks).direction.tolist() == [0, 0, 0]


# --- what single frames say of their check sequence and of losses (4.3) ---------------------------


@ORDERS
def test_a_frame_says_how_long_its_check_sequence_is(order: str) -> None:
    """epb_flags bits 5 to 8; they stand above the interface's if_fcslen."""
    described = raw.section(order) + raw.interface(
        options=raw.option(13, b"\x02", order), order=order
    )
    marks = (4 << 5 | 1, 1)
    blocks = [
        raw.enhanced(
            FRAME, options=raw.option(2, struct.pack(order + "I", mark), order), order=order
        )
        for mark in marks
    ]
    chunk = raw.only(described + b"".join(blocks) + raw.enhanced(FRAME, order=order))
    assert chunk.fcs.tolist() == [4, 2, 2]
    assert chunk.direction.tolist() == [1, 1, 0]


def test_the_check_sequence_of_a_frame_is_no_part_of_it() -> None:
    with_fcs = FRAME + b"\xde\xad\xbe\xef"
    options = raw.option(2, struct.pack("<I", 4 << 5))
    (frames,) = raw.decoded(
        head() + raw.enhanced(with_fcs, options=options) + raw.enhanced(with_fcs)
    )
    assert frames.wire.tolist() == [61, 65]
    assert frames.stored.tolist() == [61, 65]


@ORDERS
def test_losses_before_single_frames_are_added_for_each_interface(order: str) -> None:
    def lost(count: int) -> bytes:
        return raw.option(4, struct.pack(order + "Q", count), order)

    direction = raw.option(2, struct.pack(order + "I", 2), order)
    octets = head(order) + raw.interface(order=order)
    for index, options in (
        (0, lost(3)),
        (1, b""),
        (0, direction + lost(2) + raw.END),
        (1, direction),
    ):
        octets += raw.enhanced(FRAME, US, index, options, order)
    recording, _ = raw.read(octets)
    assert [one.missed for one in recording.interfaces] == [5, None]
    assert [one.lost for one in recording.interfaces] == [5, None]
    octets += raw.statistics(0, raw.option(5, struct.pack(order + "Q", 9), order), order)
    recording, _ = raw.read(octets)
    assert recording.interfaces[0].lost == 9


@ORDERS
@pytest.mark.parametrize(("count", "missed"), [(0xFFFF, None), (0, 0), (7, 7)])
def test_losses_before_old_packet_blocks(order: str, count: int, missed: int | None) -> None:
    block = bytearray(raw.obsolete(FRAME, order=order))
    block[10:12] = struct.pack(order + "H", count)
    assert raw.read(head(order) + bytes(block))[0].interfaces[0].missed == missed


# --- versions (4.1) -------------------------------------------------------------------------------


@ORDERS
@pytest.mark.parametrize("major", [0, 2, 0xFFFF])
def test_another_major_version_is_refused(order: str, major: int) -> None:
    octets = bytearray(head(order) + raw.enhanced(FRAME, order=order))
    octets[12:14] = struct.pack(order + "H", major)
    assert raw.refusal(bytes(octets)).startswith(f"is pcapng of version {major}")


@ORDERS
def test_a_minor_version_is_read(order: str) -> None:
    octets = bytearray(head(order) + raw.enhanced(FRAME, order=order))
    octets[14:16] = struct.pack(order + "H", 2)
    assert raw.stored(raw.only(bytes(octets))) == [FRAME]


@pytest.mark.parametrize("kept", range(4, 28))
def test_a_file_that_ends_inside_its_first_block_is_refused(kept: int) -> None:
    what = raw.refusal(head()[:kept])
    assert what.startswith(f"is a pcapng recording cut after {kept} bytes")


@ORDERS
def test_a_first_block_with_options_has_to_be_whole_too(order: str) -> None:
    options = raw.option(1, b"a comment", order)
    body = struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1) + options
    block = raw.block(0x0A0D0D0A, body, order)
    recording, _ = raw.read(block)
    assert recording.comments == ["a comment"]
    for kept in range(4, len(block)):
        assert raw.refusal(block[:kept]).startswith("is a pcapng recording cut")


@pytest.mark.parametrize("length", [0, 12, 0x7FFFFFFF])
def test_a_lying_length_of_the_first_block_is_damage(length: int) -> None:
    octets = bytearray(head() + raw.enhanced(FRAME))
    octets[4:8] = struct.pack("<I", length)
    recording, chunks = raw.read(bytes(octets))
    assert chunks == []
    assert recording.damage is not None


# --- statistics (4.6) and blocks that are not read ------------------------------------------------


@ORDERS
def test_drops_of_interface_and_system_are_added(order: str) -> None:
    def count(code: int, value: int) -> bytes:
        return raw.option(code, struct.pack(order + "Q", value), order)

    octets = head(order) + raw.interface(order=order)
    octets += raw.statistics(1, count(4, 1000) + count(5, 3) + count(7, 4) + raw.END, order)
    recording, _ = raw.read(octets)
    assert [one.drops for one in recording.interfaces] == [None, 7]


def test_statistics_without_drops_say_nothing_and_zero_is_said() -> None:
    octets = head() + raw.statistics(0, raw.option(4, bytes(8)))
    assert raw.read(octets)[0].interfaces[0].drops is None
    octets += raw.statistics(0, raw.option(5, bytes(8)))
    assert raw.read(octets)[0].interfaces[0].drops == 0


def test_statistics_of_the_second_section_go_to_its_own_interface() -> None:
    drops = raw.statistics(0, raw.option(5, struct.pack("<Q", 9)))
    recording, _ = raw.read(head() + raw.enhanced(FRAME) + head() + drops)
    assert [one.drops for one in recording.interfaces] == [None, 9]


def test_statistics_of_an_unknown_interface_are_left_out() -> None:
    recording, _ = raw.read(head() + raw.statistics(7, raw.option(5, bytes(8))))
    assert recording.damage is None
    assert recording.interfaces[0].drops is None


@ORDERS
@pytest.mark.parametrize("kind", [4, 0x0A, 0x0BAD, 0x40000BAD, 0x80000001, 0, 0xFFFFFFFF])
def test_other_blocks_are_skipped(order: str, kind: int) -> None:
    other = raw.block(kind, bytes(range(100)), order)
    octets = head(order) + other + raw.enhanced(FRAME, US, order=order) + other + other
    chunk = raw.only(octets)
    assert raw.stored(chunk) == [FRAME]


def test_a_large_other_block_is_skipped_wherever_it_stands() -> None:
    large = raw.block(0x0A, bytes(5 << 20))
    octets = head() + raw.enhanced(FRAME, US) + large + raw.enhanced(OTHER, US)
    recording, chunks = raw.read(octets)
    assert recording.damage is None
    assert [data for chunk in chunks for data in raw.stored(chunk)] == [FRAME, OTHER]


# --- damage ---------------------------------------------------------------------------------------


def test_every_cut_inside_a_block_keeps_the_frames_before() -> None:
    before = head() + raw.enhanced(FRAME, US)
    last = raw.enhanced(OTHER, US)
    for size in range(1, len(last)):
        recording, (chunk,) = raw.read(before + last[:size])
        assert raw.stored(chunk) == [FRAME]
        assert recording.damage is not None
        assert (recording.damage.octet, recording.damage.after_frame) == (len(before), 1)
        assert recording.damage.why == "the file ends inside a block"


@pytest.mark.parametrize("length", [0, 4, 11, 13, 0x7FFFFFFF, 0xFFFFFFFC, (1 << 24) + 4])
def test_a_lying_block_length_stops_the_reading_there(length: int) -> None:
    before = head() + raw.enhanced(FRAME, US)
    lie = raw.block(6, bytes(40), length=length)
    recording, (chunk,) = raw.read(before + lie + raw.enhanced(OTHER))
    assert raw.stored(chunk) == [FRAME]
    assert recording.damage is not None
    assert (recording.damage.octet, recording.damage.after_frame) == (len(before), 1)
    assert f"{length:,}" in recording.damage.why


@pytest.mark.parametrize(
    ("block", "why"),
    [
        (raw.enhanced(FRAME, index=1), "a frame names an interface that was not described"),
        (raw.obsolete(FRAME, index=9), "a frame names an interface that was not described"),
        (raw.enhanced(FRAME, stored=65), "a frame claims more octets than its block holds"),
        (raw.enhanced(FRAME, stored=5000), "a frame claims more octets than its block holds"),
        (raw.enhanced(FRAME, stored=2**32 - 1), "a frame claims more octets than its block holds"),
        (raw.block(6, bytes(4)), "a frame claims more octets than its block holds"),
        (raw.block(3, b""), "a frame claims more octets than its block holds"),
        (raw.block(1, bytes(4)), "an interface block is too short"),
    ],
)
def test_a_block_that_contradicts_itself_stops_the_reading_there(block: bytes, why: str) -> None:
    before = head() + raw.enhanced(FRAME, US)
    recording, (chunk,) = raw.read(before + block + raw.enhanced(OTHER))
    assert raw.stored(chunk) == [FRAME]
    assert recording.damage is not None
    assert recording.damage.why == why
    assert (recording.damage.octet, recording.damage.after_frame) == (len(before), 1)


def flipped(octets: bytes, at: int, mask: int) -> bytes:
    return octets[:at] + bytes([octets[at] ^ mask]) + octets[at + 1 :]


@ORDERS
@pytest.mark.parametrize(
    ("least", "mask", "kept", "why"),
    [
        (-4, 0x10, 3, "a block claims one length at its begin and another at its end"),
        (0, 0x08, 2, "a block of kind 0xe reads like a frame, and is left out"),
        (0, 0x07, 2, "a block of kind 0x1 reads like a frame, and is left out"),
        (0, 0x70, 2, "a block of kind 0x76 reads like a frame, and is left out"),
    ],
)
def test_a_damaged_block_is_told_and_read_over(
    order: str, least: int, mask: int, kept: int, why: str
) -> None:
    """least: where the number stands of which the least octet is damaged: length or kind."""
    one, last = (raw.enhanced(data, US, order=order) for data in (FRAME, OTHER))
    before, at = head(order) + one, least + (0 if order == "<" else 3)
    recording, (chunk,) = raw.read(before + flipped(one, at % len(one), mask) + last)
    assert raw.stored(chunk) == [FRAME, FRAME, OTHER][-kept:]
    assert recording.damage == Damage(len(before), 1, why, stopped=False)


@ORDERS
def test_an_interface_whose_numbers_would_make_a_frame_is_none(order: str) -> None:
    """Link type 1, as the second of the interfaces, and a time unit first among the options."""
    one = raw.interface(
        options=raw.option(9, b"\x09", order) + raw.option(2, b"n" * 14, order) + raw.END,
        order=order,
    )
    recording, _ = raw.read(raw.section(order) + one * 4 + raw.enhanced(FRAME, US, order=order))
    assert recording.damage is None
    assert len(recording.interfaces) == 4


def test_a_block_that_swallows_the_next_one_is_told() -> None:
    before, one = head() + raw.enhanced(FRAME, US), raw.enhanced(FRAME, US)
    longer = one[:4] + (len(one) + 40).to_bytes(4, "little") + one[8:]
    swallowed = raw.block(6, bytes(28))
    recording, (chunk,) = raw.read(before + longer + swallowed + raw.enhanced(OTHER, US))
    assert raw.stored(chunk) == [FRAME, FRAME, OTHER]
    assert recording.damage is not None
    assert recording.damage.why.startswith("a block claims one length")


def test_a_simple_block_that_is_too_long_for_its_frame_is_told() -> None:
    spoilt = raw.block(3, (8).to_bytes(4, "little") + raw.padded(FRAME))
    recording, (chunk,) = raw.read(head() + spoilt + raw.simple(OTHER))
    assert raw.stored(chunk) == [FRAME[:8], OTHER]
    assert recording.damage is not None
    assert not recording.damage.stopped


@pytest.mark.parametrize("make", [raw.enhanced, raw.obsolete])
def test_more_stored_than_there_was_is_told(make: Callable[..., bytes]) -> None:
    block = make(FRAME, US)
    block = block[:24] + (10).to_bytes(4, "little") + block[28:]
    recording, (chunk,) = raw.read(head() + block + raw.enhanced(OTHER, US))
    assert raw.stored(chunk) == [FRAME, OTHER]
    assert chunk.original.tolist() == [len(FRAME), len(OTHER)]
    assert recording.damage is not None
    assert recording.damage.why == f"of a frame of 10 octets {len(FRAME)} are stored"


def test_a_frame_before_any_interface_is_damage() -> None:
    for make in (raw.enhanced, raw.simple, raw.obsolete):
        recording, chunks = raw.read(raw.section() + make(FRAME))
        assert chunks == []
        assert recording.damage is not None


def test_a_flood_of_interfaces_ends() -> None:
    recording, _ = raw.read(raw.section() + raw.interface() * 5000)
    assert len(recording.interfaces) == 1024
    assert recording.damage is not None


def test_section_alone_is_a_recording_without_frames() -> None:
    recording, chunks = raw.read(raw.section())
    assert (chunks, recording.damage) == ([], None)


def test_frames_over_the_border_of_what_is_read_at_once_stay_whole() -> None:
    big = bytes(60000)
    octets = head() + b"".join(raw.enhanced(big + bytes([n]), n) for n in range(150))
    recording, chunks = raw.read(octets)
    assert recording.damage is None
    assert len(chunks) >= 2
    assert [data[-1] for chunk in chunks for data in raw.stored(chunk)] == [*range(150)]


# --- comments (section 3.5, opt_comment 1) -------------------------------------------------------


@ORDERS
def test_keeps_comments_of_section_and_interface(order: str) -> None:
    noted = raw.option(1, b"second try", order)
    told = struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1) + noted + raw.END
    section = raw.block(0x0A0D0D0A, told, order)
    recording, _ = raw.read(section + raw.interface(options=noted * 2, order=order))
    assert recording.comments == ["second try"] * 3


def test_keeps_few_and_short_comments() -> None:
    recording, _ = raw.read(head(options=raw.option(1, b"x" * 5000) * 100))
    assert len(recording.comments) == 8
    assert {len(text) for text in recording.comments} == {400}


@pytest.mark.parametrize("resolution", [6, 9])
def test_statistics_tell_between_which_times_the_recorder_listened(resolution: int) -> None:
    began, ended = 1_780_000_000, 1_780_000_090  # seconds

    def time(code: int, seconds: int) -> bytes:
        return raw.option(code, struct.pack("<II", *divmod(seconds * 10**resolution, 1 << 32)))

    octets = raw.section() + raw.interface(options=raw.option(9, bytes([resolution])) + raw.END)
    told, _ = raw.read(octets + raw.statistics(0, time(2, began) + time(3, ended) + raw.END))
    (interface,) = told.interfaces
    assert (interface.began, interface.ended) == (began * 10**9, ended * 10**9)


def test_statistics_without_times_tell_none() -> None:
    recording, _ = raw.read(head() + raw.statistics(0, raw.option(5, bytes(8))))
    assert (recording.interfaces[0].began, recording.interfaces[0].ended) == (None, None)
