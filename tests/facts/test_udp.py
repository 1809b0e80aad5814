"""UDP exchanges between two sockets."""

import pytest

from analyzer.facts import Address, Exchange
from tests import raw
from tests.raw import PC, UNIT


def datagram(src: str = PC, sport: int = 50000, dst: str = UNIT, dport: int = 2222) -> bytes:
    return raw.ethernet(raw.ipv4(raw.udp(b"data", sport, dport), 17, src, dst))


ASK, ANSWER = datagram(), datagram(UNIT, 2222, PC, 50000)


def numbered(number: int) -> bytes:
    """A datagram that is no copy of the one before."""
    return raw.ethernet(raw.ipv4(raw.udp(b"data", 50000, 2222), 17, PC, UNIT, id=number))


def exchanges(*frames: tuple[float, bytes]) -> list[Exchange]:
    return raw.facts(*frames).exchanges


def test_the_client_is_the_one_that_sends_first() -> None:
    (found,) = exchanges((0, ASK), (0.1, ANSWER), (1, ASK), (1.2, ANSWER), (2, ASK))
    assert found.client == (Address.parse(PC), 50000)
    assert found.server == (Address.parse(UNIT), 2222)
    assert (found.asked.count, found.answered.count) == (3, 2)
    assert found.asked.first is not None
    assert found.asked.last is not None
    assert (found.asked.first.frame, found.asked.last.frame) == (1, 5)
    assert found.answered.first is not None
    assert found.answered.last is not None
    assert (found.answered.first.frame, found.answered.last.frame) == (2, 4)


def test_without_an_answer() -> None:
    (found,) = exchanges((0, ASK), (1, ASK))
    assert (found.answered.count, found.answered.first, found.answered.last) == (0, None, None)


def test_an_answer_from_another_port_is_an_exchange_of_its_own() -> None:
    found = exchanges((0, ASK), (0.1, datagram(UNIT, 3000, PC, 50000)))
    assert [(one.server[1], one.answered.count) for one in found] == [(2222, 0), (50000, 0)]


def test_a_broadcast_and_its_answer_are_two_exchanges() -> None:
    everyone = datagram(dst="192.0.2.255", dport=44818)
    found = exchanges((0, everyone), (0.1, datagram(UNIT, 44818, PC, 50000)))
    assert [str(one.client[0]) for one in found] == [PC, UNIT]


def test_later_fragments_are_no_datagrams() -> None:
    later = raw.ethernet(raw.ipv4(raw.udp(), 17, fragment=185))
    assert exchanges((0, later)) == []


def large(number: int, src: str = PC, dst: str = UNIT, sport: int = 50000) -> bytes:
    """The first fragment of a datagram: more are to come."""
    dport = 52222 - sport
    body = raw.udp(bytes(1472), sport, dport, length=4000)
    return raw.ethernet(raw.ipv4(body, 17, src, dst, id=number, fragment=0x2000))


def in_vain(found: Exchange) -> tuple[int, list[int]]:
    return found.large.unanswered_count, [one.frame for one in found.large.unanswered]


def test_what_was_sent_in_fragments_and_what_follows_it() -> None:
    (found,) = exchanges(
        (0, large(1)), (0.1, ANSWER), (1, large(2)), (2, large(3)), (3, numbered(4)), (4, large(5))
    )
    assert (found.asked.count, found.answered.count, found.large.answered) == (5, 1, 1)
    assert in_vain(found) == (3, [3, 4, 6])


def test_fragments_of_an_answer_are_not_those_of_a_question() -> None:
    (found,) = exchanges((0, ASK), (0.1, large(7, UNIT, PC, 2222)), (1, numbered(8)))
    assert (found.answered.count, in_vain(found)) == (1, (0, []))


@pytest.mark.parametrize("is_answer", [True, False])
def test_what_follows_may_be_in_a_later_chunk(is_answer: bool) -> None:
    big = raw.ethernet(raw.ipv4(raw.udp(bytes(60000), 1, 2), 17, UNIT, PC))
    filler = [(n + 1.0, big) for n in range(100)]
    last = ANSWER if is_answer else numbered(4)
    found = exchanges((0, large(1)), *filler, (200, last))
    (exchange,) = [one for one in found if one.server[1] == 2222]
    assert exchange.large.answered == is_answer
    assert in_vain(exchange) == ((0, []) if is_answer else (1, [1]))


def test_the_recorders_copy_counts_once() -> None:
    (found,) = exchanges((0, ASK), (0.0005, ASK))
    assert found.asked.count == 1


def test_an_exchange_goes_on_over_the_border_of_a_chunk() -> None:
    big = raw.ethernet(raw.ipv4(raw.udp(bytes(60000), 1, 2), 17, UNIT, PC))
    filler = [(n + 1.0, big) for n in range(100)]
    found = exchanges((0, ASK), *filler, (200, ANSWER), (201, ASK))
    (exchange,) = [one for one in found if one.server[1] == 2222]
    assert (exchange.asked.count, exchange.answered.count) == (2, 1)
    assert exchange.asked.last is not None
    assert exchange.asked.last.frame == 103


def test_a_stream_has_a_period_and_runs() -> None:
    """Two runs: 0.0, 0.1, 0.2, 0.3 s and 10.0, 10.1, 10.2 s."""
    times = [0.0, 0.1, 0.2, 0.3, 10.0, 10.1, 10.2]
    (found,) = exchanges(*((time, numbered(n)) for n, time in enumerate(times)))
    assert (found.asked.count, found.asked.runs) == (7, 2)
    assert found.asked.began is not None
    assert found.asked.began.frame == 5
    assert found.asked.period == pytest.approx(0.1)
    assert found.asked.unevenness == pytest.approx(0.0, abs=1e-6)


def test_uneven_gaps_are_told() -> None:
    """Gaps of 0.1 and 0.3 s: mean 0.2, standard deviation 0.1, half of the mean."""
    (found,) = exchanges(*((time, numbered(n)) for n, time in enumerate([0, 0.1, 0.4, 0.5, 0.8])))
    assert found.asked.period == pytest.approx(0.2)
    assert found.asked.unevenness == pytest.approx(0.5)
    assert found.asked.runs == 1


def test_a_single_datagram_has_no_period() -> None:
    (found,) = exchanges((0, ASK))
    assert (found.asked.period, found.asked.runs, found.answered.runs) == (None, 1, 0)


def test_a_stream_is_the_same_in_one_chunk_and_in_many() -> None:
    """Two big datagrams between each two make a chunk of 4 MiB hold about 35 of the stream."""
    big = raw.ethernet(raw.ipv4(raw.udp(bytes(60000), 1, 2), 17, UNIT, PC))
    times = [n * 0.25 for n in range(60)] + [30 + n * 0.25 for n in range(60)]
    stream = [(time, numbered(n)) for n, time in enumerate(times)]
    broken = [part for one in stream for part in (one, (one[0], big), (one[0] + 0.01, big))]
    (whole,) = exchanges(*stream)
    (parts,) = [one for one in exchanges(*broken) if one.server[1] == 2222]
    assert (
        (parts.asked.count, parts.asked.runs) == (whole.asked.count, whole.asked.runs) == (120, 2)
    )
    assert parts.asked.period == pytest.approx(whole.asked.period)
    assert parts.asked.unevenness == pytest.approx(whole.asked.unevenness, abs=1e-6)
    assert parts.asked.began is not None
    assert parts.asked.began.seconds == 30.0
