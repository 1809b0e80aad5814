"""How findings about one link-up are weighed against each other."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import pytest

from analyzer.cautions import notice
from analyzer.diagnosis import Diagnosis, State
from analyzer.facts import Moment
from analyzer.findings import Certainty, Level, Rule, Sighting
from analyzer.linkup import Case, Stage
from captures.plant import Plant, modbus_read
from tests.support import acquainted, begun, diagnosed, ended, slugs, with_rules

Find = Callable[[Case], Iterator[Sighting]]


def everywhere(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        yield Sighting(values={}, frames={}, linkup=linkup)


def at(*addresses: str) -> Find:
    def find(case: Case) -> Iterator[Sighting]:
        for linkup in case.linkups:
            if str(linkup.controller) in addresses:
                yield Sighting(values={}, frames={}, linkup=linkup)

    return find


def recording_wide(case: Case) -> Iterator[Sighting]:
    yield Sighting(values={}, frames={})


def rule(
    slug: str,
    stage: str = "session",
    level: Level = Level.FAULT,
    explains: Sequence[str] = (),
    find: Find = everywhere,
) -> Rule:
    return Rule(
        slug=slug,
        stage=stage,
        title=slug,
        what_happened=slug,
        means="",
        likely_causes={"one": "one"},
        what_to_do=(),
        evidence={},
        level=level,
        explains=tuple(explains),
        survey=find,
    )


def proving(**sighted: Any) -> Rule:
    """A rule with three causes, two alternatives and one sentence of evidence, which saw this."""

    def find(case: Case) -> Iterator[Sighting]:
        yield Sighting(**({"values": {}, "frames": {}} | sighted))

    return replace(
        rule("seen", find=find),
        likely_causes={"one": "one", "two": "two", "three": "three"},
        also_fits={"this": "this", "that": "that"},
        evidence={"sent": "a packet{again}"},
    )


def two_controllers() -> Plant:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    other = plant.station("192.0.2.61")
    plant.resolve(pc, other)
    plant.tcp(pc, other).open().poll(3)
    return ended(plant)


def judged(*rules: Rule) -> Diagnosis:
    return with_rules(two_controllers(), rules)


def test_a_consequence_is_not_told() -> None:
    diagnosis = judged(rule("broken"), rule("restarted", explains=["broken"]))
    assert slugs(diagnosis) == ["restarted", "restarted"]
    assert [outcome.fault.rule for outcome in diagnosis.outcomes if outcome.fault] == [
        "restarted",
        "restarted",
    ]


def test_a_later_stage_can_explain_an_earlier_one() -> None:
    diagnosis = judged(rule("broken"), rule("dropped", "answer", explains=["broken"]))
    assert [outcome.stopped_at for outcome in diagnosis.outcomes] == ["answer", "answer"]


def test_a_warning_does_not_hide_a_fault() -> None:
    diagnosis = judged(rule("broken"), rule("loss", level=Level.WARNING, explains=["broken"]))
    assert slugs(diagnosis) == ["broken", "broken", "loss", "loss"]


def test_another_link_up_is_not_explained() -> None:
    restarted = rule("restarted", explains=["broken"], find=at("192.0.2.60"))
    diagnosis = judged(rule("broken"), restarted)
    assert sorted(slugs(diagnosis)) == ["broken", "restarted"]


@pytest.mark.parametrize("level", [Level.WARNING, Level.NOTE])
def test_what_the_whole_recording_shows_explains_every_link_up(level: Level) -> None:
    flood = rule("flood", "link", explains=["loss"], find=recording_wide)
    assert slugs(judged(rule("loss", level=level), flood)) == ["flood"]


def test_the_lowest_stage_leads() -> None:
    diagnosis = judged(rule("late", "answer"), rule("early", "port"))
    assert slugs(diagnosis) == ["early", "early"]


def test_the_rule_listed_first_leads_among_equals() -> None:
    assert slugs(judged(rule("particular"), rule("general"))) == ["particular", "particular"]


def test_causes_that_the_recording_rules_out_are_not_told() -> None:
    (finding,) = judged(proving(likeliest="three", ruled_out={"one", "that"})).findings
    assert (finding.likely_causes, finding.also_fits) == (["three", "two"], ["this"])
    (finding,) = judged(proving()).findings
    assert (finding.likely_causes, finding.also_fits) == (["one", "two", "three"], ["this", "that"])


def test_a_frame_is_listed_once_and_its_repetition_has_no_number() -> None:
    first, second = Moment(3, 1.0), Moment(9, 2.0)
    (finding,) = judged(proving(frames={"sent": [first, first, second]})).findings
    assert [(one.moment, one.text) for one in finding.evidence] == [
        (first, "a packet"),
        (second, "a packet again"),
    ]


def test_the_deciding_test_brings_its_caution() -> None:
    risky = replace(proving(), confirm="Unplug it.", confirm_caution=notice("Ask first."))
    (finding,) = judged(risky).findings
    assert (finding.confirm.text, finding.confirm.caution) == ("Unplug it.", notice("Ask first."))
    assert finding.cautions == [notice("Ask first.")]


def test_a_title_says_how_sure_it_is() -> None:
    """Also where only a doubt about a silence takes the certainty away."""
    titled = replace(proving(), title="It{fits:if likely} broke")
    guessed = replace(proving(certainty=Certainty.FITS), title=titled.title)
    assert [one.title for one in judged(titled).findings] == ["It broke"]
    (finding,) = judged(guessed).findings
    assert (finding.title, finding.values) == ("It likely broke", {})


def test_the_first_listed_frame_of_its_kind_is_no_repetition() -> None:
    """Where some in the middle are left out."""
    many = [Moment(frame, float(frame)) for frame in range(1, 12)]
    seen = proving(frames={"sent": many[:6], "heard": many[6:]})
    both = replace(seen, evidence={"sent": "a packet{again}", "heard": "an answer{again}"})
    (finding,) = judged(both).findings
    said = ["a packet", *["a packet again"] * 3, "an answer", *["an answer again"] * 3]
    assert [one.text for one in finding.evidence] == said


# --- the table of stages ------------------------------------------------------------------------


def states(plant: Plant, stage: str) -> dict[Stage, State]:
    """How each stage is told where a fault of one stage leads."""
    (outcome,) = with_rules(plant, [rule("a", stage=stage)]).outcomes
    return {result.stage: result.state for result in outcome.stages}


def test_what_is_seen_working_behind_the_fault_stays_passed() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    told = states(ended(plant), "neighbour")
    assert told.pop(Stage.NEIGHBOUR) is State.FAILED
    assert set(told.values()) == {State.PASSED}


@pytest.mark.parametrize(
    ("seen", "told"),
    [(Moment(1, 0.0), "it worked later"), (Moment(999, 999.0), "it worked before")],
)
def test_a_stage_that_failed_and_worked_says_when(seen: Moment, told: str) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    fault = replace(proving(frames={"sent": [seen]}), stage="neighbour")
    (outcome,) = with_rules(ended(plant), [fault]).outcomes
    assert outcome.stages[2].because == f"{fault.title}; {told}"


def test_what_worked_until_it_failed_for_good_worked_at_first() -> None:
    """The call behind the last answer is refused, and nothing comes of it."""
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    call = plant.tcp(pc, unit)
    call.syn(after=5.0)
    call.refuse()
    told = states(ended(plant), "neighbour")
    assert told[Stage.ADDRESS] is State.PASSED
    assert told[Stage.NEIGHBOUR] is State.FAILED
    assert {told[one] for one in (Stage.ROUTE, Stage.PORT, Stage.ANSWER)} == {State.AT_FIRST}


def test_what_works_again_in_the_end_stays_passed() -> None:
    plant, pc, unit = acquainted()
    call = plant.tcp(pc, unit)
    call.syn()
    call.refuse()
    plant.tcp(pc, unit).open(after=5.0).poll(3)
    told = states(ended(plant), "neighbour")
    assert {told[one] for one in (Stage.ROUTE, Stage.PORT, Stage.ANSWER)} == {State.PASSED}


def test_an_answer_to_arp_says_nothing_of_the_address_that_asked() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    fault = replace(proving(frames={"sent": [Moment(1, 0.0)]}), stage="address")
    (outcome,) = with_rules(ended(plant), [fault]).outcomes
    assert outcome.stages[2].state is State.PASSED
    assert outcome.stages[1].because == fault.title


def test_an_own_address_is_unclear_where_nobody_is_heard() -> None:
    plant = Plant()
    pc, unit = plant.station("192.0.2.15"), plant.station("192.0.2.60")
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert states(plant, "link")[Stage.ADDRESS] is State.UNCLEAR


def test_a_sighting_may_show_at_another_stage_than_its_rules() -> None:
    (outcome,) = with_rules(ended(two_controllers()), [proving(stage=Stage.ANSWER)]).outcomes[:1]
    assert outcome.fault is not None
    assert outcome.fault.stage == outcome.stopped_at == Stage.ANSWER


def test_where_a_session_was_open_already_nothing_is_called_not_reached() -> None:
    """One frame of its middle: the stages below it must have been reached."""
    plant, pc, unit = begun()
    plant.tcp(pc, unit).send(modbus_read(1))
    (outcome,) = with_rules(ended(plant), [rule("a", stage="neighbour")]).outcomes
    assert [one.state for one in outcome.stages[3:]] == [State.NOT_SHOWN] * 4


def test_a_call_that_is_turned_down_behind_the_fault_was_made() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    refusal = session.refuse()
    (outcome,) = with_rules(ended(plant), [rule("a", stage="neighbour")]).outcomes
    port, after, last = outcome.stages[4:]
    assert (port.state, port.moment and port.moment.frame) == (
        State.UNCLEAR,
        plant.number(refusal),
    )
    assert after.state is last.state is State.NOT_REACHED


def test_a_call_into_silence_behind_the_fault_reached_nothing() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert states(ended(plant), "neighbour")[Stage.PORT] is State.NOT_REACHED


def test_a_request_behind_the_fault_was_sent() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1))
    session.ack(unit)
    told = states(ended(plant), "port")
    assert told[Stage.PORT] is State.FAILED
    assert told[Stage.SESSION] is told[Stage.ANSWER] is State.UNCLEAR


def test_a_session_that_broke_off_did_not_stay_up() -> None:
    """The first session ends without a word, and the PC opens another one."""
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    plant.wait(5)
    plant.tcp(pc, unit).open().poll(3)
    told = states(ended(plant), "link")
    assert (told[Stage.SESSION], told[Stage.ANSWER]) == (State.AT_TIMES, State.PASSED)


def test_a_session_that_was_closed_before_the_next_stayed_up() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    plant.wait(5)
    plant.tcp(pc, unit).open().poll(3)
    assert states(ended(plant), "link")[Stage.SESSION] is State.PASSED


def test_two_sessions_side_by_side_stay_up() -> None:
    plant, pc, unit = acquainted()
    one, other = plant.tcp(pc, unit).open(), plant.tcp(pc, unit).open()
    one.poll(2)
    other.poll(2)
    one.poll(2)
    assert states(ended(plant), "link")[Stage.SESSION] is State.PASSED


def behind_a_router(plant: Plant, asked: bool, answered: bool) -> State:
    """Stage 3 where the PC sends a call for another network, after asking for its router."""
    pc, router = plant.pc(), plant.station("192.0.2.1", ttl=255)
    far = plant.station("198.51.100.70")
    plant.wait(5)
    if asked:
        plant.resolve(pc, router)
    call = plant.tcp(pc, far, via=router).syn()
    if answered:
        plant.unreachable(router, pc, quoted=call)
    (outcome,) = diagnosed(ended(plant), ["198.51.100.70:502"]).outcomes
    return outcome.stages[2].state


def test_a_routers_answer_proves_the_hardware_address() -> None:
    assert behind_a_router(Plant(), asked=True, answered=False) is State.PASSED
    assert behind_a_router(Plant(), asked=False, answered=True) is State.PASSED
    assert behind_a_router(Plant(), asked=False, answered=False) is State.NOT_SHOWN


def test_a_neighbours_answer_for_itself_proves_nothing_for_the_controller() -> None:
    """The PC hands packets for its neighbour to a station that has another address."""
    plant, pc, unit = begun()
    other = plant.station("192.0.2.77")
    plant.resolve(pc, other)
    plant.tcp(pc, unit, via=other).syn(repeats=(1, 2))
    (outcome,) = with_rules(ended(plant), []).outcomes
    assert outcome.stages[2].state is State.NOT_SHOWN
