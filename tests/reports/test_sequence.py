"""The sequence chart: who said what to whom, folded, with silence told as silence."""

from analyzer.reports.blocks import Event, Lifeline, SequenceChart, Shape
from analyzer.reports.sequence import MOST_EVENTS, MOST_LIFELINES, chart
from captures.plant import Plant
from tests.support import acquainted, begun, diagnosed, ended

CONTROLLER = ("192.0.2.60:502",)


def told(plant: Plant) -> SequenceChart:
    diagnosis = diagnosed(ended(plant), CONTROLLER)
    made = chart(diagnosis, diagnosis.outcomes[0], "event")
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
    assert pauses[0].text == "nothing for 3 min 20 s"


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
    assert [chart(diagnosis, one, "event") for one in diagnosis.outcomes] == [None]


def test_silence_has_neither_sender_nor_receiver_in_words() -> None:
    two = [Lifeline("one", ""), Lifeline("other", "")]
    made = SequenceChart("", "all", (), two, [Event(1.0, None, 0, 1, Shape.SILENCE, "no answer")])
    assert made.as_table().rows == [("1.000", "", "", "", "no answer")]
