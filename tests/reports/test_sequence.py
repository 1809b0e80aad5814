"""The sequence chart: who said what to whom, folded, with silence told as silence."""

import itertools
import re
from pathlib import Path

import pytest

import analyzer
from analyzer.reports.blocks import Event, Lifeline, SequenceChart, Shape
from analyzer.reports.drawing import BOLD, LETTER, draw_sequence, draw_sign
from analyzer.reports.sequence import KEY, MOST_EVENTS, MOST_LIFELINES, Charts
from captures.plant import Plant, modbus_answer, modbus_read
from tests.support import acquainted, begun, diagnosed, ended

CAPTURES = Path(__file__).parents[2] / "captures"
KEPT = CAPTURES.parent / "tests" / "lab" / "kept"
CONTROLLER = ("192.0.2.60:502",)


def told(plant: Plant) -> SequenceChart:
    diagnosis = diagnosed(ended(plant), CONTROLLER)
    made = Charts(diagnosis).of(diagnosis.outcomes[0], "event")
    assert made is not None
    return made


def shapes(made: SequenceChart) -> list[Shape]:
    return [one.shape for one in made.events]


def test_an_answered_call_is_a_message_each_way() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open()
    first = told(plant).events[:4]
    assert [(one.by, one.to, one.shape) for one in first] == [
        (0, 1, Shape.MESSAGE),
        (1, 0, Shape.MESSAGE),
        (0, 1, Shape.MESSAGE),
        (1, 0, Shape.MESSAGE),
    ]
    assert [one.frame for one in first] == sorted(one.frame for one in first if one.frame)


def test_a_question_without_answer_is_lost_and_followed_by_silence() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    made = told(plant)
    assert shapes(made)[-2:] == [Shape.LOST, Shape.SILENCE]


def test_polls_are_one_loop_with_their_answers() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(412, every=0.01)
    loops = [one for one in told(plant).events if one.shape is Shape.LOOP]
    assert len(loops) == 1
    assert "412 requests, 412 answers" in loops[0].text
    assert loops[0].ends > loops[0].seconds


def test_a_long_time_without_events_is_a_pause_with_its_length() -> None:
    plant, pc, unit = acquainted()
    plant.wait(200)
    plant.tcp(pc, unit).open().poll(1)
    pauses = [one for one in told(plant).events if one.shape is Shape.PAUSE]
    assert pauses[0].text == "nothing new between the two for 3 min 20 s"


def test_there_is_no_pause_while_requests_are_answered() -> None:
    """Another event in the midst of a loop does not hide that the loop goes on."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    plant.announce(unit, times=1)
    session.poll(20)
    assert Shape.PAUSE not in shapes(told(plant))[:-1]


def test_many_alike_events_are_folded() -> None:
    plant, pc, unit = begun()
    for _ in range(9):
        plant.ask(pc, unit, times=1, after=1.0)
    asked = [one for one in told(plant).events if one.shape is Shape.LOST]
    assert len(asked) == 4
    assert asked[2].text == "6 times more"


def test_what_is_sent_again_is_lost_only_where_nothing_comes_back() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1))
    session.again(after=0.3)
    session.send(modbus_answer(1), unit, after=0.1)
    session.send(modbus_read(2), after=1.0)
    session.again(after=0.3)
    repeats = [one for one in told(plant).events if one.text == "sends it again"]
    assert [one.shape for one in repeats] == [Shape.MESSAGE, Shape.LOST]


def test_a_stream_of_the_controller_is_no_time_in_which_nothing_happens() -> None:
    plant, pc, unit = acquainted()
    for _ in range(200):
        plant.datagram(unit, pc, 2222, 2222, b"x" * 32, after=0.02)
    (stream,) = [one for one in told(plant).events if "datagrams" in one.text]
    assert (stream.by, stream.to, stream.shape, stream.one_way) == (1, 0, Shape.LOOP, True)
    assert stream.text == "UDP port 2222: 200 datagrams"
    assert stream.ends - stream.seconds > 3.9
    assert not [one for one in told(plant).events[:-1] if one.text.startswith("nothing")]


def test_the_word_for_everybody_stands_clear_of_what_is_said() -> None:
    plant, _, unit = acquainted()
    plant.announce(unit)
    marks = [mark for one in draw_sequence(told(plant)) for group in one.groups
             for mark in group.marks]  # fmt: skip
    everybody = next(one for one in marks if one.text == "Everybody" and one.anchor == "start")
    label = next(one for one in marks if one.text == "I am 192.0.2.60")
    begins = label.at[0] - len(label.text) * LETTER * BOLD / 2
    assert everybody.at[0] + len(everybody.text) * LETTER <= begins


def test_words_stay_inside_their_box_and_no_answers_are_not_counted() -> None:
    diagnosis = analyzer.diagnose(KEPT / "second-address-answers-the-datagrams.pcapng.gz")
    made = Charts(diagnosis).of(diagnosis.outcomes[0], "event")
    assert made is not None
    assert "UDP port 5500: 5 datagrams" in [one.text for one in made.events]
    groups = [group for one in draw_sequence(made) for group in one.groups]
    remarks = [group.marks for group in groups if any(one.look == "remark" for one in group.marks)]
    assert remarks
    for marks in remarks:
        (box,) = [one for one in marks if one.look == "remark"]
        words = [one for one in marks if one.look == "label"]
        assert all(one.at[0] + len(one.text) * LETTER * BOLD <= box.at[0] + box.at[2] - 8
                   for one in words)  # fmt: skip


def test_proof_is_marked_and_named() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    marked = [one for one in told(plant).events if one.proof]
    assert {one.text for one in marked} == {"calls port 502", "turns the call down"}
    assert all(one.name == f"event-{one.frame}" for one in marked)


def test_a_second_device_gets_a_lifeline_of_its_own() -> None:
    plant, pc, unit = acquainted()
    plant.reply(plant.station(unit.address, hw="00:00:5e:00:53:61"), pc)
    plant.tcp(pc, unit).open().poll(2)
    assert [one.name for one in told(plant).lifelines] == [
        "The PC",
        "The controller",
        "A second device",
    ]


def test_a_chart_has_bounds() -> None:
    plant, pc, unit = acquainted()
    for number in range(80, 95):
        plant.announce(plant.station(unit.address, hw=f"00:00:5e:00:53:{number}"))
    for number in range(80):
        session = plant.tcp(pc, unit).open()
        session.poll(number % 3 + 1)
        session.close()
    made = told(plant)
    assert len(made.lifelines) == MOST_LIFELINES
    events = [one for one in made.events if one.shape not in (Shape.PAUSE, Shape.SILENCE)]
    assert MOST_EVENTS // 2 < len(events) <= 2 * MOST_EVENTS


def test_nothing_between_two_makes_no_chart() -> None:
    plant = Plant()
    plant.pc()
    plant.chatter()
    diagnosis = diagnosed(plant, CONTROLLER, pc="192.0.2.15")
    assert [Charts(diagnosis).of(one, "event") for one in diagnosis.outcomes] == [None]


def test_silence_has_neither_sender_nor_receiver_in_words() -> None:
    two = [Lifeline("one", ""), Lifeline("other", "")]
    made = SequenceChart("", "all", (), two, [Event(1.0, None, 0, 1, Shape.SILENCE, "no answer")])
    assert made.as_table().rows == [("1.000", "", "", "", "no answer")]


def late_answers(times: int) -> SequenceChart:
    """Requests that are answered in time, then every answer is that to the request before."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.send(modbus_read(100), after=1.0)
    for number in range(101, 101 + times):
        session.send(modbus_read(number), after=1.0)
        session.send(modbus_answer(number - 1), unit, after=0.02)
    return told(plant)


def test_late_answers_are_told_once_each() -> None:
    """Those and the requests behind them one by one, the others as one loop: nothing twice."""
    made = late_answers(5)
    loops = [one for one in made.events if one.shape is Shape.LOOP]
    assert [one.text for one in loops] == ["6 requests, 4 answers in step with them"]
    texts = [one.text for one in made.events]
    assert texts.count("answers an older request") == 5
    assert texts.count("asks on behind it") == 4
    assert Shape.REMARK not in shapes(made)
    frames = [one.frame for one in made.events if one.frame]
    assert len(frames) == len(set(frames))


def test_more_events_than_are_kept_are_counted_all_the_same() -> None:
    """Of a long series only the first and last moments are known, and how many there were."""
    plant, pc, unit = begun()
    for _ in range(50):
        plant.ask(pc, unit, times=1, after=1.0)
    made = told(plant)
    asked = [one for one in made.events if one.shape is Shape.LOST]
    assert [one.text for one in asked][2] == "47 times more"
    assert len(asked) == 4
    assert Shape.PAUSE not in shapes(made)


def test_rounds_of_several_events_are_folded_together() -> None:
    plant, pc, unit = acquainted()
    for number in range(30):
        plant.ping(pc, unit.address, sequence=number, after=1.0)
        plant.pong(unit, pc, sequence=number)
    texts = [one.text for one in told(plant).events if "ping" in one.text]
    assert texts == ["ping", "ping answered"]
    (line,) = [one for one in told(plant).events if one.shape is Shape.ROUNDS]
    assert re.match(r"the next 2 events: 30 times, from 5\.7 s to 34\.7 s$", line.text)


def test_rounds_with_proof_in_them_are_folded_and_stay_proof() -> None:
    """A cycle that is broken again and again is one round, whatever numbers differ in it."""
    plant, pc, unit = acquainted()
    for number in range(12):
        session = plant.tcp(pc, unit).open(after=3.0)
        session.poll(2 + number % 3)
        session.send(modbus_read(9), after=1.0)
        session.rst(unit)
    made = told(plant)
    (line,) = [one for one in made.events if one.shape is Shape.ROUNDS]
    assert line.text.startswith("the next 5 events: 12 times, with other counts, from ")
    inside = [one for one in made.events if one.inside and one.frame]
    assert [one.text for one in inside if one.proof] == ["asks", "resets"]
    assert len(made.events) < 15
    drawn = [mark for piece in draw_sequence(made) for g in piece.groups for mark in g.marks]
    assert "bracket" in {mark.look for mark in drawn}


def test_a_long_pause_is_taller_than_a_short_one() -> None:
    def height(wait: float) -> float:
        two = [Lifeline("one", ""), Lifeline("other", "")]
        pause = Event(1.0, None, 0, 1, Shape.PAUSE, "nothing", until=1.0 + wait)
        return sum(piece.height for piece in draw_sequence(SequenceChart("", "", (), two, [pause])))

    assert height(2.0) < height(5.0) < height(30.0) < height(200.0) < height(20_000.0) < 200


def test_what_a_finding_rests_on_is_drawn_as_a_message_where_the_sender_is_known() -> None:
    diagnosis = analyzer.diagnose(CAPTURES / "idle-limit.pcap")
    made = Charts(diagnosis).of(diagnosis.outcomes[0], "event")
    assert made is not None
    (last,) = [one for one in made.events if one.text == "the last answer in that session"]
    assert (last.by, last.to, last.shape) == (1, 0, Shape.MESSAGE)


def test_every_sign_that_occurs_is_explained() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    made = told(plant)
    assert {sign for sign, _ in made.key} >= {"proof", Shape.LOST, Shape.SILENCE}
    assert all(draw_sign(sign).groups[0].marks for sign in KEY)


def test_what_is_left_out_is_said_with_number_and_time() -> None:
    """Nothing that a finding rests on is left out, and no pause is told where events are."""
    plant, pc, unit = acquainted()
    other = plant.station(unit.address, hw="00:00:5e:00:53:61")
    for number in range(90):
        session = plant.tcp(pc, unit).open(after=3.0)
        session.poll(number % 7 + 1, every=0.01)
        session.close()
        if 40 <= number < 44:
            plant.ask(pc, unit, times=1)
            plant.reply(other, pc)
            plant.reply(unit, pc)
    diagnosis = diagnosed(ended(plant), CONTROLLER)
    made = Charts(diagnosis).of(diagnosis.outcomes[0], "event")
    assert made is not None
    gaps = [one for one in made.events if "left out here" in one.text]
    assert len(gaps) > 1
    for one in gaps:
        words = re.fullmatch(
            r"(\d+) events? (?:from ([\d.]+) s to|at) ([\d.]+) s left out here", one.text
        )
        assert words is not None
        begin, end = float(words[2] or words[3]), float(words[3])
        assert (begin, end) == (
            pytest.approx(one.seconds, abs=0.11),
            pytest.approx(one.ends, abs=0.11),
        )
        behind = made.events[made.events.index(one) + 1]
        assert behind.seconds >= one.ends
    shown = {one.frame for one in made.events}
    proof = {one.moment.frame for one in diagnosis.findings[0].evidence}
    assert len(proof) > 3
    assert proof <= shown


def test_a_message_to_all_goes_to_the_edge_and_says_so() -> None:
    """Told apart from a message to one station without colour (ITU-T Z.120: the frame's edge)."""
    plant, _, unit = acquainted()
    plant.announce(unit, times=1)
    made = told(plant)
    (all_of_them,) = [one for one in made.events if one.shape is Shape.TO_ALL]
    pieces = draw_sequence(made)
    groups = [group for piece in pieces for group in piece.groups]
    row = next(one for one in groups if any(m.text == all_of_them.text for m in one.marks)).marks
    heads = [mark for mark in groups[0].marks if mark.look == "head"]
    right = max(mark.at[0] + mark.at[2] for mark in heads)
    leftmost = min(mark.at[0] for mark in groups[0].marks if mark.look == "life")
    ends = [x for mark in row if mark.kind == "line" for x in mark.at[::2]]
    assert min(ends) < leftmost
    assert not [mark for mark in row if mark.kind == "poly"]
    assert [mark.text for mark in row if mark.text == made.everybody] == ["Everybody"]
    assert pieces[0].width > right


def test_a_chart_is_drawn_in_pieces_that_join() -> None:
    """So that paper is changed between two events, and no lifeline breaks off on the screen."""
    plant, pc, unit = acquainted()
    for number in range(20):
        session = plant.tcp(pc, unit).open(after=3.0)
        session.poll(number % 7 + 1)
        session.close()
    pieces = draw_sequence(told(plant))
    assert len(pieces) > 3
    for one, following in itertools.pairwise(pieces):
        assert following.top == pytest.approx(one.top + one.height)
    for one in pieces:
        assert one.height < 300
        marks = [mark for group in one.groups for mark in group.marks]
        levels = [mark.at[1] for mark in marks if mark.kind != "poly"]
        assert one.top <= min(levels)
        assert max(levels) <= one.top + one.height
    lines = [m for one in pieces for g in one.groups for m in g.marks if "life" in m.look]
    for place in {mark.at[0] for mark in lines}:
        spans = [(mark.at[1], mark.at[3]) for mark in lines if mark.at[0] == place]
        assert all(a[1] == pytest.approx(b[0]) for a, b in itertools.pairwise(spans))
