"""facts.messages, facts.steps: what was said in sessions, against a slow reading."""

import io
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import analyzer.inputs.pcap
from analyzer.facts import Dialogue, gather
from analyzer.facts.dialogue import MOST_KINDS, MOST_OWED, OTHER, Request
from analyzer.facts.protocols import FRAMINGS
from analyzer.inputs import open_recording
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read, modbus_refusal

MODBUS = "Modbus/TCP"
HELLO = bytes.fromhex("16 0301 0040 01") + bytes(63)
ALERT = bytes([21, 3, 3, 0, 2, 2, 48])
"""TLS (RFC 8446 sections 5.1 and 6): what opens, and a fatal alert, issuer not known."""


def dialogues(plant: Plant, block: int = 1 << 20, **layout: int) -> list[Dialogue]:
    """The dialogues of a recording that is read in pieces of `block` octets."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analyzer.inputs.pcap, "BLOCK", block)
        facts = gather(open_recording(io.BytesIO(plant.pcap(**layout)), "test"))
    return [session.dialogue for session in facts.sessions]


def only(plant: Plant, **layout: int) -> Dialogue:
    (dialogue,) = dialogues(plant, **layout)
    return dialogue


def begun(port: int = 502) -> tuple[Plant, Station, Session]:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    return plant, unit, plant.tcp(pc, unit, port).open()


def frames(plant: Plant, *records: object) -> list[int]:
    return [plant.number(record) for record in records]  # type: ignore[arg-type]


# --- which protocol -------------------------------------------------------------------------------


@pytest.mark.parametrize("port", [502, 1502])
def test_protocol_is_known_by_its_framing(port: int) -> None:
    plant, _, session = begun(port)
    session.poll(3)
    told = only(plant)
    assert (told.protocol, told.asked, told.told, told.good) == (MODBUS, 3, 3, 3)
    assert told.unit == 1


@pytest.mark.parametrize(("port", "protocol"), [(502, MODBUS), (1502, None)])
def test_port_is_a_hint_where_a_head_alone_is_weak(port: int, protocol: str | None) -> None:
    plant, _, session = begun(port)
    session.send(modbus_read(1)[:6])
    session.send(modbus_read(1)[6:])
    assert only(plant).protocol == protocol


@pytest.mark.parametrize("answer", [b"HTTP/1.1 400\r\n", HELLO, b"\x01\x03\x02\x00\x07"])
def test_protocol_is_not_known_where_the_sides_differ(answer: bytes) -> None:
    plant, _, session = begun()
    session.exchange(modbus_read(1), answer)
    assert only(plant).protocol is None


def test_protocol_of_octets_that_nobody_knows() -> None:
    plant, unit, session = begun(9600)
    session.exchange(b"\x02\x80\x00\x07\xff", b"\x02\x81")
    session.send(modbus_read(1), unit)
    told = only(plant)
    assert (told.protocol, told.asked, told.told) == (None, 0, 0)


def test_repeated_segments_are_not_read_twice() -> None:
    plant, unit, session = begun()
    session.send(modbus_read(1))
    session.again(after=0.3)
    session.send(modbus_answer(1), unit)
    session.again(unit, after=0.3)
    assert (only(plant).asked, only(plant).told) == (1, 1)


def test_cut_frames_are_read_as_far_as_they_go() -> None:
    plant, _, session = begun()
    session.poll(4)
    told = only(plant, snaplen=62)  # header and function are there, the values are not
    assert (told.protocol, told.asked, told.told) == (MODBUS, 4, 4)
    assert only(plant, snaplen=54).protocol is None


# --- kinds of request -----------------------------------------------------------------------------


def test_requests_are_counted_by_size_function_and_unit() -> None:
    plant, _, session = begun()
    session.poll(3)
    session.exchange(modbus_read(4, unit=9), modbus_answer(4, unit=9))
    assert only(plant).last_kind == Request(12, 3, 9)
    session.exchange(modbus_read(5), modbus_answer(5))
    told = only(plant)
    assert told.kinds == {Request(12, 3, 1): 4, Request(12, 3, 9): 1}
    assert told.last_kind == Request(12, 3, 1)


def test_requests_of_no_known_protocol_are_told_apart_by_their_size() -> None:
    plant, _, session = begun(2000)
    for size in (7, 30, 7):
        session.exchange(b"\xf1" * size, b"\xf2" * 5)
    told = only(plant)
    assert (told.protocol, told.kinds) == (None, {Request(7): 2, Request(30): 1})
    assert told.last_kind == Request(7)


@pytest.mark.parametrize("block", [1 << 20, 900])
def test_kinds_of_request_are_bounded(block: int) -> None:
    plant, _, session = begun(2000)
    for size in range(1, 2 * MOST_KINDS + 1):
        session.exchange(b"\xf1" * size, b"\xf2" * 5)
    (told,) = dialogues(plant, block)
    assert len(told.kinds) == MOST_KINDS + 1
    assert told.kinds[OTHER] == MOST_KINDS
    assert told.last_kind == Request(2 * MOST_KINDS)


# --- noes -----------------------------------------------------------------------------------------


def test_rejections_with_their_requests() -> None:
    plant, unit, session = begun()
    session.poll(1)
    asked = session.send(modbus_read(2))
    no = session.send(modbus_refusal(2, code=2), unit)
    session.send(modbus_read(3))
    session.send(modbus_refusal(3, code=6), unit)
    session.poll(1)
    told = only(plant)
    assert (told.good, told.rejected, told.put_off, told.told) == (2, 1, 1, 4)
    first, second = told.rejections
    assert (first.code, second.code) == (2, 6)
    assert [first.asked.frame if first.asked else 0, first.moment.frame] == frames(plant, asked, no)
    assert told.last_rejected == first.moment
    assert not told.says_no


def test_refusals_of_the_inner_opening() -> None:
    plant, _, session = begun(102)
    connect = bytes.fromhex("0300001611E00000000100C0010AC1020100C2020102")
    session.exchange(connect, bytes.fromhex("0300000B06800001000202"))
    told = only(plant)
    assert told.protocol == "ISO on TCP"
    assert (told.refused, told.accepted, told.good) == (1, None, 0)
    assert (told.refusals[0].code, told.says_no) == (2, True)


@pytest.mark.parametrize("block", [1 << 20, 100])
@pytest.mark.parametrize(
    ("request_octets", "spoken"), [(modbus_read(1), MODBUS), (b"\x02\x80\x00\x07\xff", None)]
)
def test_a_refusal_in_another_protocol_than_the_clients(
    request_octets: bytes, spoken: str | None, block: int
) -> None:
    plant, unit, session = begun()
    session.send(request_octets)
    no = session.send(ALERT, unit)
    (told,) = dialogues(plant, block)
    assert (told.protocol, told.refused_in, told.refused) == (spoken, "TLS", 1)
    assert [one.moment.frame for one in told.refusals] == frames(plant, no)
    assert told.says_no


@pytest.mark.parametrize("block", [1 << 20, 100])
def test_a_client_that_declines_the_inner_opening(block: int) -> None:
    """Whatever the server has sent by then, encrypted or not; the first no counts."""
    plant, _, session = begun(4843)
    session.exchange(HELLO, HELLO + bytes.fromhex("1703030010") + bytes(16))
    no = session.send(ALERT)
    session.send(ALERT)
    (told,) = dialogues(plant, block)
    assert told.declined is not None
    assert (told.declined.code, [told.declined.moment.frame]) == (48, frames(plant, no))
    assert (told.refused, told.asked, told.says_no) == (0, 1, True)


def test_a_goodbye_is_no_refusal() -> None:
    """An alert that is a warning (RFC 8446 section 6.1)."""
    plant, _, session = begun(4843)
    session.exchange(HELLO, HELLO)
    session.send(ALERT[:5] + b"\1\0")
    assert (only(plant).declined, only(plant).says_no) == (None, False)


def test_many_rejections_are_counted_and_few_are_kept() -> None:
    plant, unit, session = begun()
    for turn in range(1, 60):
        session.send(modbus_read(turn))
        session.send(modbus_refusal(turn), unit)
    told = only(plant)
    assert (told.rejected, told.told) == (59, 59)
    assert len(told.rejections) == 16


# --- joined and split -----------------------------------------------------------------------------


def test_joined_requests() -> None:
    plant, unit, session = begun()
    session.poll(2)
    joined = session.send(modbus_read(3) + modbus_read(4) + modbus_read(5))
    session.send(modbus_answer(3) + modbus_answer(4), unit)
    session.poll(1)
    told = only(plant)
    assert (told.asked, told.told, told.behind) == (6, 5, 5)
    assert [moment.frame for moment in told.joined.moments] == frames(plant, joined)
    assert told.hurry == 0.0


def test_split_requests() -> None:
    plant, _, session = begun()
    session.poll(1)
    first = session.send(modbus_read(2)[:7])
    session.send(modbus_read(2)[7:])
    told = only(plant)
    assert (told.asked, told.split.count, told.behind) == (2, 1, 2)
    assert [moment.frame for moment in told.split.moments] == frames(plant, first)


# --- late answers ---------------------------------------------------------------------------------


def out_of_step(late: int) -> Plant:
    """One request is given up after 1 s; then each answer has the number before."""
    plant, unit, session = begun()
    session.poll(3)
    session.send(modbus_read(4), after=1.0)
    for turn in range(5, 5 + late):
        session.send(modbus_read(turn), after=1.0)
        session.send(modbus_answer(turn - 1), unit, after=0.01)
    return plant


def test_late_answers_and_what_follows_them() -> None:
    told = only(out_of_step(4))
    assert (told.late.count, told.shifted.count) == (4, 3)
    assert told.hurry == pytest.approx(1.0)


def test_numbers_that_never_were_asked_are_not_late() -> None:
    plant, _, session = begun()
    for turn in range(1, 6):
        session.exchange(modbus_read(turn), modbus_answer(9))
    assert only(plant).late.count == 0


def test_always_the_same_number_tells_nothing() -> None:
    plant, unit, session = begun()
    session.send(modbus_read(1))
    for _ in range(4):
        session.send(modbus_read(1), after=1.0)
        session.send(modbus_answer(1), unit)
    assert only(plant).late.count == 0


# --- requests without an answer -------------------------------------------------------------------

EVER = float("inf")


def test_requests_that_later_ones_overtook() -> None:
    """The last one may still be answered."""
    plant, _, session = begun()
    session.poll(2)
    first = session.send(modbus_read(3), after=1.0)
    session.exchange(modbus_read(4), modbus_answer(4), think=0.3, after=1.0)
    session.send(modbus_read(5), after=1.0)
    told = only(plant)
    assert [one.id for one in told.owed] == [3, 5]
    assert frames(plant, first) == [one.frame for one in told.passed_over(EVER).moments]
    assert told.passed_over(told.owed[0].asked.seconds).count == 0
    assert (told.longest, told.strays) == (pytest.approx(0.3, abs=1e-3), 0)


@pytest.mark.parametrize("block", [1 << 20, 900])
def test_a_late_answer_is_to_the_last_request_with_its_number(block: int) -> None:
    plant, unit, session = begun()
    for _ in range(2):
        session.send(modbus_read(7), after=0.5)
    session.send(modbus_answer(7), unit, after=3.0)
    session.exchange(modbus_read(8), modbus_answer(8), after=1.0)
    (told,) = dialogues(plant, block)
    assert [(one.id, one.asked.frame) for one in told.owed] == [(7, 4)]
    assert told.longest == pytest.approx(3.0, abs=1e-3)


@pytest.mark.parametrize("block", [1 << 20, 5000])
def test_requests_that_wait_are_bounded_and_all_are_counted(block: int) -> None:
    plant, _, session = begun()
    session.poll(1)
    for number in range(2, MOST_OWED + 42):
        session.send(modbus_read(number), after=0.01)
    (told,) = dialogues(plant, block)
    assert (len(told.owed), {kind: one.count for kind, one in told.overdue.items()}) == (
        MOST_OWED,
        {(3, 1): 40},
    )
    assert told.passed_over(EVER).count == 0
    session.exchange(modbus_read(9000), modbus_answer(9000), after=1.0)
    (told,) = dialogues(plant, block)
    assert told.passed_over(EVER).count == MOST_OWED + 40


def test_the_servers_octets_that_are_read() -> None:
    """Those of whole messages in one segment."""
    plant, unit, session = begun()
    session.send(modbus_read(1) + modbus_read(2) + modbus_read(3))
    answers = [modbus_answer(number) for number in (1, 2, 3)]
    session.send(answers[0] + answers[1] + answers[2][:9], unit)
    session.send(answers[2][9:], unit)
    assert only(plant).read == len(answers[0] + answers[1])


# --- steps ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("think", "fifth", "short"),
    [(0.2, 1, 0), (0.4, 1, 0), (0.61, 1, 0), (0.3, 0, 0), (0.04, 0, 1), (0.07, 0, 0), (0.8, 0, 0)],
)
def test_steps_of_answers(think: float, fifth: int, short: int) -> None:
    plant, _, session = begun()
    for turn in range(1, 6):
        session.exchange(modbus_read(turn), modbus_answer(turn), think=think, after=1.3)
    told = only(plant)
    assert (told.fifth_answers, told.short_answers) == (5 * fifth, 5 * short)
    assert (told.fifth_pieces, told.short_pieces) == ((0, 0), (0, 0))


def test_steps_between_pieces() -> None:
    """Only the wait before the second piece of a turn counts."""
    plant, unit, session = begun()
    for turn in range(1, 6):
        session.send(modbus_read(turn)[:7], after=1.0)
        session.ack(unit, after=0.2)
        session.send(modbus_read(turn)[7:])
        session.send(modbus_answer(turn), unit, after=0.004)
    for _ in range(30):
        session.send(b"state", unit, after=0.2)
    told = only(plant)
    assert told.fifth_pieces == (5, 1)
    assert told.fifth_answers == 0


# --- any order of messages, any cut into chunks ---------------------------------------------------

EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("ask"), st.integers(1, 6), st.integers(1, 3)),
        st.tuples(st.sampled_from(["answer", "reject", "wait"]), st.integers(1, 6), st.just(1)),
    ),
    max_size=40,
)


def retold(events: list[tuple[str, int, int]]) -> Plant:
    plant, unit, session = begun()
    session.poll(1)
    for what, number, count in events:
        match what:
            case "ask":
                asked = b"".join(modbus_read(number + more) for more in range(count))
                session.send(asked, after=0.1)
            case "answer":
                session.send(modbus_answer(number), unit, after=0.01)
            case "reject":
                session.send(modbus_refusal(number), unit, after=0.01)
            case "wait":
                plant.wait(number)
    return plant


@given(EVENTS)
@settings(max_examples=30, deadline=None)
def test_any_dialogue_is_counted_as_one_reads_it(events: list[tuple[str, int, int]]) -> None:
    """The oracle goes message by message."""
    asked, told, rejected, joined, hurry = [1], 1, 0, 0, float("inf")
    now, last, speaker, late, shifted, was_late = 0.0, 0.0, "server", 0, 0, False
    owed, strays = list[int](), 0
    for what, number, count in events:
        if what == "wait":
            now += number
            continue
        now += 0.1 if what == "ask" else 0.01
        if what == "ask":
            shifted += was_late
            if speaker == "client":
                hurry = min(hurry, now - last)
            if count > 1:
                joined, hurry = joined + 1, 0.0
            asked += [number + more for more in range(count)]
            owed += [number + more for more in range(count)]
            speaker, last, was_late = "client", now, False
        else:
            told += 1
            rejected += what == "reject"
            was_late = number != asked[-1] and number in asked[-4:]
            late += was_late
            speaker = "server"
            if number in owed:
                del owed[len(owed) - 1 - owed[::-1].index(number)]
            else:
                strays += 1
    found = only(retold(events))
    assert (found.asked, found.told, found.rejected) == (len(asked), told, rejected)
    assert (found.joined.count, found.late.count, found.shifted.count) == (joined, late, shifted)
    assert found.hurry == pytest.approx(hurry, abs=1e-4)
    assert ([one.id for one in found.owed], found.strays) == (owed, strays)


@given(EVENTS, st.integers(200, 900))
@settings(max_examples=20, deadline=None)
def test_chunks_make_no_difference(events: list[tuple[str, int, int]], block: int) -> None:
    plant = retold(events)
    (whole,), (pieces,) = dialogues(plant), dialogues(plant, block)
    for field in fields(Dialogue):
        assert getattr(whole, field.name) == getattr(pieces, field.name), field.name


@given(st.binary(max_size=90), st.integers(0, 89), st.booleans())
@settings(max_examples=200, deadline=None)
def test_nothing_raises_on_rubbish(octets: bytes, start: int, by_server: bool) -> None:
    """Sizes are claims, and no less than what makes a head."""
    padded = np.frombuffer(octets + bytes(128), np.uint8)
    at = np.array([min(start, len(octets))])
    for framing in FRAMINGS:
        heads = framing.heads(padded, at, np.array([len(octets)]), np.array([by_server]))
        assert all(len(column) == 1 for column in heads)
        assert int(heads.size[0]) == 0 or int(heads.size[0]) >= 2
        number, meaning = framing.explain(int(heads.code[0]))
        assert number >= 0
        assert meaning.isascii()


@given(st.lists(st.tuples(st.booleans(), st.binary(min_size=1, max_size=60)), max_size=12))
@settings(max_examples=30, deadline=None)
def test_sessions_full_of_rubbish(said: list[tuple[bool, bytes]]) -> None:
    plant, unit, session = begun()
    session.poll(1)
    for by_server, octets in said:
        session.send(octets, unit if by_server else None)
    told = only(plant)
    assert told.protocol == MODBUS
    assert told.asked >= 1
