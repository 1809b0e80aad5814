"""Pings, and errors tied to the packet that they quote."""

import pytest

from analyzer.diagnosis import judge
from analyzer.facts import Address, Hardware, IcmpError
from analyzer.facts import icmp as module
from analyzer.facts.icmp import Icmp
from analyzer.reports.document.recording import oddities
from tests import raw
from tests.raw import PC, PC_HW, UNIT, UNIT_HW

ROUTER = "192.0.2.1"
CALL = raw.ipv4(raw.tcp(flags=2), 6)


def message(body: bytes, src: str = UNIT, dst: str = PC, **more: int) -> bytes:
    hardware = (PC_HW, UNIT_HW) if src == PC else (UNIT_HW, PC_HW)
    return raw.ethernet(raw.ipv4(body, 1, src, dst, **more), 0x0800, *hardware)


def icmp(*frames: bytes | tuple[float, bytes]) -> Icmp:
    return raw.facts(*frames).icmp


def error(quote: bytes, kind: int = 3, code: int = 1) -> IcmpError:
    (found,) = icmp(message(raw.icmp(kind, code, 0, quote), ROUTER)).errors
    return found


def test_pings_and_replies() -> None:
    frames = []
    for n in range(3):
        frames.append((n, message(raw.icmp(8, 0, n), PC, UNIT, id=n)))
        frames.append((n + 0.1, message(raw.icmp(0, 0, n), id=n, ttl=30)))
    (echo,) = icmp(*frames[:-1]).echoes.values()
    assert (str(echo.src), str(echo.dst)) == (PC, UNIT)
    assert (echo.requests.count, echo.replies.count) == (3, 2)
    assert echo.reply_ttl == 30
    assert echo.requests.last.frame == 5


def test_pairs_beyond_the_room_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pairs that are kept go on; a recording that shows more says so."""
    monkeypatch.setattr("analyzer.facts.icmp.MAX_PAIRS", 2)
    asked = [
        message(raw.icmp(8, 0, number), PC, f"192.0.2.{last}")
        for number, last in enumerate((60, 61, 62, 60, 63))
    ]
    facts = raw.facts(*asked, message(raw.icmp(0, 0, 1), "192.0.2.62", PC))
    assert [one.requests.count for one in facts.icmp.echoes.values()] == [2, 1]
    assert facts.icmp.left_out == 3
    told = oddities(judge(facts, []))
    assert "3 ping frames of pairs beyond those that can be kept: not judged." in told


def test_an_error_is_tied_to_the_packet_that_it_quotes() -> None:
    found = error(CALL[:28])
    assert (found.moment.frame, found.type, found.code) == (1, 3, 1)
    assert (str(found.sender), str(found.to)) == (ROUTER, PC)
    assert found.sender_hw == Hardware(int(UNIT_HW, 16))
    assert (str(found.about_src), str(found.about_dst)) == (PC, UNIT)
    assert (found.protocol, found.sport, found.dport) == (6, 49152, 502)
    assert found.meaning == "host unreachable"


def test_options_in_the_quote_come_before_the_ports() -> None:
    found = error(raw.ipv4(raw.tcp(), 6, options=b"\x01" * 40)[:68])
    assert (found.sport, found.dport) == (49152, 502)


def test_a_quote_without_ports() -> None:
    found = error(CALL[:20])
    assert (found.sport, found.dport) == (None, None)
    assert str(found.about_dst) == UNIT


@pytest.mark.parametrize("quote", [b"", CALL[:19], bytes([0x60]) + CALL[1:28], bytes(28)])
def test_a_quote_that_is_no_ipv4_packet_is_left_out(quote: bytes) -> None:
    assert icmp(message(raw.icmp(3, 1, 0, quote), ROUTER)).errors == []


@pytest.mark.parametrize("kind", [3, 5, 11, 12])
def test_the_kinds_of_error(kind: int) -> None:
    assert error(CALL[:28], kind, 0).type == kind


@pytest.mark.parametrize("kind", [0, 4, 8, 9, 13, 200])
def test_what_is_no_error(kind: int) -> None:
    assert icmp(message(raw.icmp(kind, 0, 0, CALL[:28]))).errors == []


def test_an_unknown_code_is_said_as_a_number() -> None:
    assert error(CALL[:28], 3, 99).meaning == "type 3, code 99"


def test_a_redirect_names_the_better_router() -> None:
    body = raw.icmp(5, 1, int(Address.parse("192.0.2.2")), CALL[:28])
    (found,) = icmp(message(body, ROUTER)).errors
    assert str(found.router) == "192.0.2.2"


def test_errors_are_capped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_ERRORS", 5)
    frames = [(n, message(raw.icmp(3, 1, 0, CALL[:28]), ROUTER, id=n)) for n in range(9)]
    assert [one.moment.frame for one in icmp(*frames).errors] == [1, 2, 3, 4, 5]


def test_no_hardware_address_on_a_raw_link() -> None:
    packet = raw.ipv4(raw.icmp(3, 3, 0, CALL[:28]), 1, UNIT, PC)
    (found,) = raw.facts(packet, link=101).icmp.errors
    assert found.sender_hw is None


def test_a_quoted_ping_has_no_ports() -> None:
    found = error(raw.ipv4(raw.icmp(8, 0, 7), 1)[:28])
    assert (found.protocol, found.sport, found.dport) == (1, None, None)


def test_a_quoted_header_length_below_twenty_is_a_lie() -> None:
    lie = bytes([0x40]) + CALL[1:28]
    found = icmp(message(raw.icmp(3, 1, 0, lie), ROUTER)).errors
    assert all((one.sport, one.dport) == (None, None) for one in found)


def round_trips(*messages: tuple[float, int, int]) -> list[float]:
    """(seconds, type, number of the ping) -> how many round trips, the least and the most."""
    frames = [
        (at, message(raw.icmp(kind, 0, number), *((PC, UNIT) if kind == 8 else ()), id=index))
        for index, (at, kind, number) in enumerate(messages)
    ]
    (echo,) = icmp((0.0, raw.arp_frame(1, PC_HW, PC, UNIT)), *frames).echoes.values()
    trips = echo.round_trips
    return [trips.count, trips.least, trips.most] if trips.count else [0]


def test_a_round_trip_lasts_from_a_ping_to_its_own_reply() -> None:
    told = round_trips((1, 8, 1), (1.5, 8, 2), (1.75, 0, 2), (2, 0, 1))
    assert told == [2, pytest.approx(0.25), pytest.approx(1.0)]


def test_a_ping_sent_again_before_its_reply_is_not_timed() -> None:
    """Which of the two was answered is not known (RFC 6298 3)."""
    assert round_trips((1, 8, 1), (2, 8, 1), (2.1, 0, 1)) == [0]
    told = round_trips((1, 8, 1), (2, 8, 1), (2.1, 0, 1), (3, 8, 1), (3.5, 0, 1))
    assert told == [1, pytest.approx(0.5), pytest.approx(0.5)]


def test_a_reply_to_nothing_is_not_timed() -> None:
    assert round_trips((1, 8, 1), (1.5, 0, 2)) == [0]


def test_of_many_pings_without_a_reply_only_the_latest_are_remembered() -> None:
    asked = [(float(number), 8, number) for number in range(1, 2 * module.WAITING)]
    last = asked[-1][2]
    assert round_trips(*asked, (asked[-1][0] + 0.5, 0, 1)) == [0]
    told = round_trips(*asked, (asked[-1][0] + 0.5, 0, last))
    assert told == [1, pytest.approx(0.5), pytest.approx(0.5)]


def test_a_message_that_a_port_is_closed_belongs_to_both_sockets() -> None:
    quote = raw.ipv4(raw.udp(b"data", 7001, 7002), 17, UNIT, PC)
    found = icmp(
        message(raw.icmp(3, 3, 0, quote), PC, UNIT),
        message(raw.icmp(3, 3, 0, quote), ROUTER, UNIT),
        message(raw.icmp(3, 1, 0, quote), PC, UNIT),
    )
    ends = (Address.parse(UNIT), 7001), (Address.parse(PC), 7002)
    assert [one.refused_datagram for one in found.errors] == [ends, None, None]
