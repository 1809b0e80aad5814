"""large-frames-lost: small packets pass, large ones do not."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import FAULT, Verdict
from analyzer.findings import Certainty
from captures.layouts import Record
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from rules.route.large_frames_lost import (
    MESSAGE_DROPPED,
    MESSAGE_IGNORED,
    NOISE,
    NOT_UNDERSTOOD,
    PIECES_DROPPED,
    RULE,
)
from tests.support import acquainted, diagnosed, ended, found, left_out, slugs

SLUG = "large-frames-lost"
TOLD = ("198.51.100.60:502",)
told_or_not = pytest.mark.parametrize("controllers", [(), TOLD], ids=["not told", "told"])
DOUBLING = (0.3, 0.6, 1.2, 2.4)


def routed() -> tuple[Plant, Station, Station, Station]:
    plant = Plant()
    pc, router, unit = plant.pc(), plant.station("192.0.2.1"), plant.station("198.51.100.60")
    plant.wait(5)
    plant.resolve(pc, router)
    return plant, pc, router, unit


def large_write(session: Session, size: int = 1460) -> None:
    session.send(b"w" * size, lost=True, after=1.0)
    for pause in DOUBLING:
        session.again(lost=True, after=pause)


@told_or_not
def test_found_where_each_try_ends_at_the_large_write(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    for _ in range(2):
        session = plant.tcp(pc, unit, via=router).open(after=1.0)
        session.poll(2)
        large_write(session)
        session.rst(after=4.8)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert (finding.values["size"], finding.values["repeats"]) == (1460, 4)
    assert (finding.values["passed"], finding.values["ping"]) == (12, 1472)
    assert left_out(finding, RULE) == ([MESSAGE_IGNORED, PIECES_DROPPED], [NOT_UNDERSTOOD])
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "route")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_router_says_so(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    first = session.send(b"w" * 1460, lost=True, after=1.0)
    said = [plant.unreachable(router, pc, first, code=4, next_size=1400)]
    for pause in DOUBLING:
        again = session.again(lost=True, after=pause)
        said.append(plant.unreachable(router, pc, again, code=4, next_size=1400))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert (finding.values["messages"], finding.values["next_size"]) == (5, 1400)
    assert any("1400 octets" in step.text for step in finding.what_to_do)
    assert plant.number(said[0]) in [line.moment.frame for line in finding.evidence]
    assert finding.evidence[0].moment.frame < plant.number(first)
    assert left_out(finding, RULE) == ([MESSAGE_DROPPED, PIECES_DROPPED], [NOISE, NOT_UNDERSTOOD])


@told_or_not
@pytest.mark.parametrize("tries", [1, 3])
def test_found_where_the_controller_closes_without_the_large_write(
    controllers: tuple[str, ...], tries: int
) -> None:
    """Its close still asks for the octets that were lost: a consequence."""
    plant, pc, router, unit = routed()
    for _ in range(tries):
        session = plant.tcp(pc, unit, via=router).open(after=0.3)
        session.poll(2)
        start = session.client.next
        session.send(b"w" * 3000, lost=True, after=0.3)
        for pause in DOUBLING:
            session.segment("A", b"w" * 1448, seq=start, lost=True, after=pause)
        session.fin(unit, after=0.5)
        session.ack()
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert (finding.values["size"], finding.values["repeats"]) == (1448, 4)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "route")


def test_found_where_the_pc_repeats_behind_the_close_until_the_recording_ends() -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    large_write(session)
    session.fin(unit, after=0.5)
    session.ack()
    start = (session.client.next - 1460) % 2**32
    session.segment("PA", b"w" * 1460, seq=start, lost=True, after=4.3)
    diagnosis = diagnosed(ended(plant, 1.0))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["repeats"] == 5


@told_or_not
def test_quiet_where_the_controller_closes_before_the_repeats(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    session.send(b"w" * 1448, lost=True, after=1.0)
    session.fin(unit, after=0.1)
    for pause in DOUBLING:
        session.again(lost=True, after=pause)
    plant.tcp(pc, unit, via=router).open(after=0.3).poll(2)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_repeats_meet_a_restarted_controller(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    large_write(session)
    session.rst(unit, bare=True)
    assert slugs(diagnosed(ended(plant), controllers)) == ["session-reset"]


def test_found_where_the_controller_keeps_asking_for_the_large_piece() -> None:
    """Later small pieces arrive: the controller confirms the same number again and again."""
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router, client_seq=2**32 - 700).open()
    session.poll(2)
    session.send(b"w" * 1460, lost=True, after=1.0)
    session.send(b"end of it")
    session.ack(unit)
    start = (session.client.next - 1460 - 9) % 2**32
    for pause in DOUBLING:
        session.segment("PA", b"w" * 1460, seq=start, lost=True, after=pause)
    session.ack(unit)
    assert found(diagnosed(ended(plant)), SLUG).values["repeats"] == 4


def test_found_where_the_large_piece_of_an_answer_does_not_arrive() -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    session.send(modbus_read(9, count=125), after=1.0)
    session.send(b"a" * 1460, unit, lost=True, after=0.01)
    last = session.send(b"a" * 200, unit)
    session.ack()
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.values["size"], finding.values["passed"]) == (1460, 15)
    assert [line.moment.frame for line in finding.evidence] == [plant.number(last)]


def test_found_for_datagrams_where_the_router_says_so() -> None:
    plant, pc, router, unit = routed()
    for _ in range(2):
        sent = plant.datagram(pc, unit, 50_000, 2222, b"d" * 1472, via=router, after=1.0)
        plant.unreachable(router, pc, sent, code=4, next_size=1400)
    values = found(diagnosed(ended(plant), ("198.51.100.60:2222",)), SLUG).values
    assert (values["messages"], values["ping"]) == (2, 1372)


def test_found_with_the_answer_to_a_smaller_request() -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.send(modbus_read(1), after=1.0)
    answer = session.send(modbus_answer(1), unit, after=0.01)
    session.ack(after=0.01)
    large_write(session)
    plant.tcp(pc, unit, via=router).open(after=1.0).poll(2)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.evidence[0].moment.frame == plant.number(answer)


@told_or_not
def test_quiet_where_the_pc_learns_from_the_message(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    start = session.client.next
    first = session.send(b"w" * 1460, lost=True, after=1.0)
    plant.unreachable(router, pc, first, code=4, next_size=1400)
    session.segment("A", b"w" * 1360, seq=start)
    session.segment("PA", b"w" * 100, seq=(start + 1360) % 2**32)
    session.send(modbus_answer(3), unit, after=0.02)
    session.ack()
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]


@told_or_not
def test_quiet_where_the_whole_path_breaks(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    large_write(session)
    assert slugs(diagnosed(ended(plant), controllers)) == ["path-lost"]


@told_or_not
def test_quiet_where_as_large_ones_passed_before(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.exchange(b"w" * 1460, modbus_answer(1))
    session.poll(3)
    large_write(session)
    session.rst(after=3.0)
    plant.tcp(pc, unit, via=router).open(after=1.0).poll(3)
    assert slugs(diagnosed(ended(plant), controllers)) == ["path-lost"]


@told_or_not
def test_quiet_where_small_ones_are_lost(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    for _ in range(2):
        session = plant.tcp(pc, unit, via=router).open(after=1.0)
        session.poll(2)
        large_write(session, size=40)
        session.rst(after=4.8)
    assert slugs(diagnosed(ended(plant), controllers)) == ["path-lost"]


@told_or_not
def test_quiet_where_joined_pieces_pass(controllers: tuple[str, ...]) -> None:
    """Outbound frames beyond the packet size are cut up by the PC's adapter."""
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.exchange(b"w" * 5840, modbus_answer(1))
    session.poll(3)
    session.close()
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []


@told_or_not
def test_quiet_where_the_long_request_is_confirmed_and_slow(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.send(b"w" * 1460, after=1.0)
    session.ack(unit, after=0.2)
    session.send(modbus_answer(1), unit, after=8.0)
    session.ack()
    assert slugs(diagnosed(ended(plant), controllers)) == []


@told_or_not
def test_quiet_where_the_recorder_lost_the_large_piece(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.send(modbus_read(9, count=125), after=1.0)
    plant.lose(session.send(b"a" * 1460, unit, after=0.01))
    session.send(b"a" * 200, unit)
    session.ack()
    session.poll(2)
    assert slugs(diagnosed(ended(plant), controllers)) == []


@told_or_not
def test_quiet_where_the_message_is_about_anothers_packet(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = routed()
    other = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    large_write(session)
    sent = plant.tcp(other, unit, sport=session.sport, via=router).send(b"w" * 1460)
    plant.unreachable(router, pc, sent, code=4, next_size=1400)
    assert slugs(diagnosed(ended(plant), controllers)) == ["path-lost"]


def repeated_in_vain(size: int, repeats: int, passed: int) -> Plant:
    """The PC repeats a piece; passed: octets of one that was confirmed before."""
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    if passed:
        session.exchange(b"w" * passed, modbus_answer(1))
    session.send(b"w" * size, lost=True, after=1.0)
    for pause in DOUBLING[:repeats]:
        session.again(lost=True, after=pause)
    session.rst(after=3.0)
    plant.tcp(pc, unit, via=router).open(after=1.0).poll(2)
    return ended(plant)


@pytest.mark.parametrize(
    ("size", "repeats", "passed", "told"),
    [
        (1300, 3, 0, True),
        (1300, 2, 0, False),
        (1100, 3, 0, False),
        (1300, 3, 1250, True),
        (1300, 3, 1300, False),
        (2800, 3, 1460, False),
        (2800, 3, 1400, True),
    ],
)
def test_quiet_where_a_piece_is_not_large_or_lost_seldom_or_one_passed(
    size: int, repeats: int, passed: int, told: bool
) -> None:
    diagnosis = diagnosed(repeated_in_vain(size, repeats, passed))
    assert (SLUG in slugs(diagnosis)) == told
    if told:
        values = found(diagnosis, SLUG).values
        assert (values["lost"], values["passed"]) == (min(size, 1460), max(passed, 12))
        assert values["ping"] == min(size + 24, 1472)


@pytest.mark.parametrize(("repeats", "told"), [(1, False), (2, True)])
def test_quiet_where_the_router_says_so_and_it_is_repeated_once_only(
    repeats: int, told: bool
) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    first = session.send(b"w" * 1460, lost=True, after=1.0)
    plant.unreachable(router, pc, first, code=4)
    for pause in DOUBLING[:repeats]:
        session.again(lost=True, after=pause)
    diagnosis = diagnosed(ended(plant))
    assert (SLUG in slugs(diagnosis)) == told
    if told:
        assert any("1300 octets" in step.text for step in found(diagnosis, SLUG).what_to_do)
        assert found(diagnosis, SLUG).values["next_size"] is None


def test_quiet_where_the_controller_ends_the_session_that_the_router_spoke_of() -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    first = session.send(b"w" * 1460, lost=True, after=1.0)
    plant.unreachable(router, pc, first, code=4, next_size=1400)
    for pause in DOUBLING:
        session.again(lost=True, after=pause)
    session.rst(unit, bare=True)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@pytest.mark.parametrize("answered", [True, False])
def test_quiet_where_a_datagram_is_answered_after_the_message(answered: bool) -> None:
    plant, pc, router, unit = routed()
    sent = plant.datagram(pc, unit, 50_000, 2222, b"d" * 1472, via=router, after=1.0)
    plant.unreachable(router, pc, sent, code=4, next_size=1400)
    plant.datagram(pc, unit, 50_000, 2222, b"d" * 1300, via=router, after=1.0)
    if answered:
        plant.datagram(unit, pc, 2222, 50_000, b"taken", via=router)
    diagnosis = diagnosed(ended(plant), ("198.51.100.60:2222",))
    assert (SLUG in slugs(diagnosis)) == (not answered)


@pytest.mark.parametrize(
    ("size", "passed", "ends", "told"),
    [
        (1460, 0, False, True),
        (1100, 0, False, False),
        (1300, 1300, False, False),
        (1460, 0, True, False),
    ],
)
def test_quiet_where_the_missing_piece_of_an_answer_is_not_large_or_one_came(
    size: int, passed: int, ends: bool, told: bool
) -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    if passed:
        session.exchange(modbus_read(8, count=125), b"a" * passed)
    session.send(modbus_read(9, count=125), after=1.0)
    session.send(b"a" * size, unit, lost=True, after=0.01)
    session.send(b"a" * 200, unit)
    session.ack()
    if ends:
        session.rst(unit, after=0.5)
    assert (SLUG in slugs(diagnosed(ended(plant)))) == told


# --- datagrams in fragments -----------------------------------------------------------------------

SERVICE = 5_500
by_udp = pytest.mark.parametrize(
    "controllers", [(), ("192.0.2.60:5500",)], ids=["not told", "told"]
)


def small(plant: Plant, pc: Station, unit: Station, times: int = 3, own: int = 50_000) -> None:
    for _ in range(times):
        plant.datagram(pc, unit, own, SERVICE, b"state?", after=0.3)
        plant.datagram(unit, pc, SERVICE, own, b"running")


def large(
    plant: Plant, pc: Station, unit: Station, own: int = 50_001, every: float = 1.3, times: int = 4
) -> list[Record]:
    """The frames that begin the large datagrams, which nobody answers."""
    begins = []
    for _ in range(times):
        pieces = plant.in_fragments(pc, unit, own, SERVICE, bytes(4_000), after=every)
        begins.append(pieces[0])
    return begins


def heard(plant: Plant, pc: Station, unit: Station) -> None:
    plant.ask(unit, pc, times=1)
    plant.reply(pc, unit)


@by_udp
@pytest.mark.parametrize("own", [50_000, 50_001], ids=["same socket", "another socket"])
def test_found_where_datagrams_in_fragments_are_not_answered(
    controllers: tuple[str, ...], own: int
) -> None:
    plant, pc, unit = acquainted()
    small(plant, pc, unit)
    begins = large(plant, pc, unit, own)
    heard(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert [one.moment.frame for one in finding.evidence][-4:] == [
        plant.number(one) for one in begins
    ]
    assert left_out(finding, RULE) == ([MESSAGE_DROPPED, MESSAGE_IGNORED], [])
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "route")


@by_udp
def test_found_where_small_ones_are_answered_in_between(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        small(plant, pc, unit, 1)
        large(plant, pc, unit, 50_000, times=1)
    small(plant, pc, unit, 1)
    assert slugs(diagnosed(ended(plant), controllers)) == [SLUG]


def one_is_answered(plant: Plant, pc: Station, unit: Station) -> None:
    small(plant, pc, unit)
    large(plant, pc, unit)
    plant.datagram(unit, pc, SERVICE, 50_001, b"taken")
    heard(plant, pc, unit)


def small_ones_are_lost_too(plant: Plant, pc: Station, unit: Station) -> None:
    small(plant, pc, unit)
    plant.datagram(pc, unit, 50_000, SERVICE, b"state?", after=1.0)
    large(plant, pc, unit)
    heard(plant, pc, unit)


def two_only(plant: Plant, pc: Station, unit: Station) -> None:
    small(plant, pc, unit)
    large(plant, pc, unit, times=2)
    heard(plant, pc, unit)


def stream(plant: Plant, pc: Station, unit: Station) -> None:
    small(plant, pc, unit)
    large(plant, pc, unit, every=0.04, times=30)
    heard(plant, pc, unit)


def controller_is_gone(plant: Plant, pc: Station, unit: Station) -> None:
    small(plant, pc, unit)
    large(plant, pc, unit)


@by_udp
@pytest.mark.parametrize(
    "happens", [one_is_answered, small_ones_are_lost_too, two_only, stream, controller_is_gone]
)
def test_quiet_where_it_is_not_the_size(
    happens: Callable[[Plant, Station, Station], None], controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = acquainted()
    happens(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_found_where_the_recording_ends_soon_after_the_repeats() -> None:
    plant, pc, router, unit = routed()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(2)
    session.send(b"w" * 1460, lost=True, after=1.0)
    for pause in (0.1, 0.2, 0.4):
        session.again(lost=True, after=pause)
    session.rst(after=0.2)
    plant.tcp(pc, unit, via=router).open(after=0.1).poll(1, every=0.1)
    assert found(diagnosed(ended(plant, 0.5)), SLUG).certainty is Certainty.FITS
