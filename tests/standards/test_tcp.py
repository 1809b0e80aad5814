"""Published values of TCP and of the Internet checksum."""

import struct

import pytest

from analyzer.facts import Address, Facts, Session
from analyzer.facts.session import ahead
from analyzer.facts.tcp.checksum import checksum_is_right, internet_checksum
from tests import raw

FIN, SYN, RST, PSH, ACK = 1, 2, 4, 8, 16
A, B = 49152, 502  # the ports of the two ends in the figures of RFC 9293


# --- RFC 1071 -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("octets", "checksum"),
    [
        ("0001f203f4f5f6f7", 0x220D),  # RFC 1071 section 3: the sum is DDF2
        ("01", 0xFEFF),  # section 1: an odd octet is padded with zero
        ("", 0xFFFF),
        ("450000730000400040110000c0a80001c0a800c7", 0xB861),  # computed from the layout
        ("0001f203f4f5f6f7220d", 0),  # section 1: data and its checksum give all ones
    ],
)
def test_internet_checksum(octets: str, checksum: int) -> None:
    assert internet_checksum(bytes.fromhex(octets)) == checksum


def test_incremental_update() -> None:
    """RFC 1624 section 4: HC' = ~(~HC + ~m + m'), with 0xDD2F, 0x5555 -> 0x3285 gives 0x0000."""
    parts = (~0xDD2F & 0xFFFF, ~0x5555 & 0xFFFF, 0x3285)
    assert internet_checksum(struct.pack(">3H", *parts)) == 0x0000


# RFC 791 3.1 and RFC 9293 3.1: whole packets built from the layout, checksums by RFC 1071
CALL = bytes.fromhex(
    "4500002c123440004006a479c000020ac0000214 c00001f600000064000000006002faf056bc0000 020405b4"
)
REFUSAL = bytes.fromhex(
    "45000028000040004006b6b1c0000214c000020a 01f6c00000000000000000655014000069560000"
)
PC, UNIT = Address(0xC000020A), Address(0xC0000214)


def test_header_checksums_of_the_worked_packets() -> None:
    """RFC 791 3.1; TTL 64 -> 63 makes 0xA479 into 0xA579 (RFC 1624 section 3)."""
    assert internet_checksum(CALL[:20]) == internet_checksum(REFUSAL[:20]) == 0
    lower = CALL[:8] + b"\x3f" + CALL[9:10] + b"\0\0" + CALL[12:20]
    assert internet_checksum(lower) == 0xA579


def test_tcp_checksums_of_the_worked_packets() -> None:
    """RFC 9293 3.1: over the pseudo-header and the segment."""
    assert checksum_is_right(CALL[20:], PC, UNIT)
    assert checksum_is_right(REFUSAL[20:], UNIT, PC)
    assert not checksum_is_right(CALL[20:], PC, Address(UNIT + 1))
    for position in range(20, len(CALL)):
        spoiled = bytearray(CALL)
        spoiled[position] ^= 0x40
        assert not checksum_is_right(bytes(spoiled[20:]), PC, UNIT)


def test_the_worked_call_and_its_refusal() -> None:
    """RFC 9293 3.5.2: a SYN with sequence 100 is refused by RST and ACK, sequence 0, ack 101."""
    (session,) = raw.facts(raw.ethernet(CALL), (0.1, raw.ethernet(REFUSAL))).sessions
    assert (session.isn, session.segment_size, session.checksum_filled) == (100, 1460, True)
    assert session.refused is not None
    assert session.refused.moment.frame == 2
    assert session.syn_ack is None
    assert not session.is_open


# --- RFC 9293 3.4: sequence numbers ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("a", "b", "by"),
    [
        (2, 0xFFFFFFFE, 4),
        (0x10, 0xFFFFFFF0, 32),
        (0xFFFFFFF0, 0x10, -32),
        (7, 7, 0),
        (2**31 - 1, 0, 2**31 - 1),
        (0, 2**31 - 1, 1 - 2**31),
    ],
)
def test_arithmetic_modulo_2_to_the_32(a: int, b: int, by: int) -> None:
    assert ahead(a, b) == by


def test_sequence_numbers_run_over_the_end() -> None:
    session = talk(
        (A, SYN, 2**32 - 3, 0, 0),
        (B, SYN | ACK, 300, 2**32 - 2, 0),
        (A, ACK, 2**32 - 2, 301, 0),
        (A, ACK | PSH, 2**32 - 2, 301, 10),
        (A, ACK | PSH, 8, 301, 10),
        (A, ACK | PSH, 2**32 - 2, 301, 10),  # once more
    )
    assert session.from_client.octets == 20
    assert session.from_client.repeats.count == 1
    assert session.from_client.next_seq == 18


# --- RFC 9293 3.5 and 3.5.1: handshakes and half-open sessions ------------------------------------

Segment = tuple[int, int, int, int, int]
"""Who sends, flags, sequence, acknowledgement, octets of data."""


def conversation(*segments: Segment) -> Facts:
    frames = []
    for n, (sender, flags, seq, ack, size) in enumerate(segments):
        other = B if sender == A else A
        src, dst = (raw.PC, raw.UNIT) if sender == A else (raw.UNIT, raw.PC)
        segment = raw.tcp(bytes(size), flags, sender, other, seq=seq, ack=ack)
        hardware = (raw.PC_HW, raw.UNIT_HW) if sender == A else (raw.UNIT_HW, raw.PC_HW)
        packet = raw.ipv4(segment, 6, src, dst, id=n + 1)
        frames.append((n * 0.1, raw.ethernet(packet, 0x0800, *hardware)))
    return raw.facts(*frames)


def talk(*segments: Segment) -> Session:
    (session,) = conversation(*segments).sessions
    return session


def test_figure_6_handshake() -> None:
    session = talk(
        (A, SYN, 100, 0, 0),
        (B, SYN | ACK, 300, 101, 0),
        (A, ACK, 101, 301, 0),
        (A, ACK, 101, 301, 5),
    )
    assert session.client.port == A
    assert session.syn_ack is not None
    assert session.completed is not None
    assert (session.syn_ack.frame, session.completed.frame) == (2, 3)
    assert session.from_client.octets == 5  # the first data has the number of the bare ACK
    assert session.from_client.repeats.count == 0
    assert session.from_client.next_seq == 106


def test_figure_8_an_old_duplicate_call() -> None:
    """SYN 90 -> SYN and ACK 91 -> RST 91; then SYN 100 succeeds: two attempts."""
    sessions = conversation(
        (A, SYN, 90, 0, 0),
        (B, SYN | ACK, 300, 91, 0),
        (A, RST, 91, 0, 0),
        (A, SYN, 100, 0, 0),
        (B, SYN | ACK, 400, 101, 0),
        (A, ACK, 101, 401, 0),
    ).sessions
    old, real = sorted(sessions, key=lambda session: session.first)
    assert (old.isn, real.isn) == (90, 100)
    assert old.completed is None
    assert old.broken_by is None  # the client's own reset
    assert real.completed is not None
    assert real.ends == []


def test_figure_9_the_caller_has_restarted() -> None:
    """SYN 400 -> a bare ACK, seq 300, ack 100 -> RST 100 -> SYN 400 again -> SYN and ACK: one
    attempt, whose first answer is the old session's."""
    session = talk(
        (A, SYN, 400, 0, 0),
        (B, ACK, 300, 100, 0),
        (A, RST, 100, 0, 0),
        (A, SYN, 400, 0, 0),
        (B, SYN | ACK, 500, 401, 0),
        (A, ACK, 401, 501, 0),
    )
    assert (session.isn, session.syns.count) == (400, 2)
    assert session.from_server.first_flags == ACK
    assert session.from_server.first_ack == 100  # not 401: this is no acceptance
    assert session.syn_ack is not None
    assert session.syn_ack.frame == 5
    assert session.completed is not None
    assert session.completed.frame == 6
    assert session.refused is None


def test_figure_9_without_the_end() -> None:
    session = talk((A, SYN, 400, 0, 0), (B, ACK, 300, 100, 0), (A, RST, 100, 0, 0))
    assert session.syn_ack is None
    assert not session.is_open
    assert not session.is_silent
    assert session.refused is None


def test_figure_10_the_other_end_speaks_first() -> None:
    """Data seq 300, ack 100 -> RST 100 from the restarted end."""
    session = talk((B, ACK | PSH, 300, 100, 10), (A, RST, 100, 0, 0))
    assert session.server.port == B
    assert session.syns.count == 0
    (end,) = session.ends
    assert (end.reset, end.side) == (True, 0)


def test_figure_11_an_old_call_to_a_listener() -> None:
    """SYN Z -> SYN and ACK, seq X, ack Z+1 -> RST Z+1: never completed."""
    z, x = 7000, 9000
    session = talk((A, SYN, z, 0, 0), (B, SYN | ACK, x, z + 1, 0), (A, RST, z + 1, 0, 0))
    assert session.syn_ack is not None
    assert session.completed is None
    assert not session.is_open
    assert [(end.reset, end.side) for end in session.ends] == [(True, 0)]


def test_an_acceptance_of_something_else_is_none() -> None:
    """RFC 9293 3.10.7.3: in SYN-SENT an acknowledgement of what was never sent is unacceptable."""
    session = talk((A, SYN, 100, 0, 0), (B, SYN | ACK, 300, 999, 0), (A, RST, 999, 0, 0))
    assert session.syn_ack is None


def test_keep_alives_are_neither_data_nor_repeats() -> None:
    """RFC 9293 3.8.4: sequence SND.NXT-1, with one octet or none."""
    session = talk(
        (A, SYN, 100, 0, 0),
        (B, SYN | ACK, 300, 101, 0),
        (A, ACK | PSH, 101, 301, 10),
        (B, ACK, 301, 111, 0),
        (A, ACK, 110, 301, 1),
        (A, ACK, 110, 301, 0),
    )
    assert session.from_client.keep_alives == 2
    assert session.from_client.octets == 10
    assert session.from_client.repeats.count == 0
