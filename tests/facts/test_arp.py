"""Questions, answers and claims in ARP."""

import pytest

from analyzer.facts import Address, Hardware, Question, gather
from analyzer.facts.arp import MAX_RUNS, SWEEP, Arp
from analyzer.facts.values import KEPT
from captures import layouts
from captures.layouts import Record
from tests import raw
from tests.raw import OTHER_HW, PC, PC_HW, UNIT, UNIT_HW

ME, IT, THIRD = (Hardware(int(text, 16)) for text in (PC_HW, UNIT_HW, OTHER_HW))


def ask(wanted: str = UNIT, sender: str = PC, dst: str = raw.BROADCAST_HW) -> bytes:
    return raw.arp_frame(1, PC_HW, sender, wanted, dst=dst)


def reply(by: str = UNIT_HW, address: str = UNIT, to: str = PC_HW, to_ip: str = PC) -> bytes:
    return raw.arp_frame(2, by, address, to_ip, to, dst=to)


def arp(*frames: tuple[float, bytes]) -> Arp:
    return raw.facts(*frames).arp


def question(*frames: tuple[float, bytes]) -> Question:
    (found,) = arp(*frames).questions.values()
    return found


def test_all_requests_for_one_address_are_one_question() -> None:
    found = question((0, ask()), (1, ask()), (2, ask(dst=UNIT_HW)))
    assert (found.asker, found.asker_ip, found.wanted) == (
        ME,
        Address.parse(PC),
        Address.parse(UNIT),
    )
    assert [moment.frame for moment in found.asked.moments] == [1, 2, 3]
    assert (found.asked.count, found.broadcasts) == (3, 2)
    assert (found.answered, found.since_answer.count) == (0, 3)


def test_questions_are_kept_apart_by_asker_address_and_wanted() -> None:
    found = arp((0, ask()), (1, ask(wanted="192.0.2.61")), (2, ask(sender="192.0.2.16")))
    assert len(found.questions) == 3


@pytest.mark.parametrize(("late", "answered"), [(0.001, 1), (3.0, 1), (3.001, 0)])
def test_an_answer_comes_within_three_seconds(late: float, answered: int) -> None:
    found = question((0, ask()), (late, reply()))
    assert found.answered == answered
    assert found.since_answer.count == 1 - answered


def test_what_was_asked_after_the_last_answer_is_kept() -> None:
    found = question((0, ask()), (0.1, reply()), (5, ask()), (6, ask()))
    assert (found.answered, found.since_answer.count) == (1, 2)
    assert found.since_answer.first.frame == 3


def sent_and_back(direction: bool) -> Question:
    """The PC asks, receives its own question three times, and asks again. Where the recording tells
    no directions, the length does: adapters pad what they send.
    """
    out, back = (ask(), True), (ask().ljust(60, b"\0"), False)
    frames = [(0.0, out), (0.01, back), (0.02, back), (0.5, back), (1.0, out)]
    records = [
        Record(round(time * 1e9), data, outbound=outbound) for time, (data, outbound) in frames
    ]
    octets = layouts.pcapng(records) if direction else layouts.pcap(records)
    (found,) = gather(raw.opened(octets)).arp.questions.values()
    return found


@pytest.mark.parametrize("direction", [True, False], ids=["told", "by length"])
def test_copies_that_come_back_to_the_asker_are_no_questions(direction: bool) -> None:
    found = sent_and_back(direction)
    assert [moment.frame for moment in found.asked.moments] == [1, 5]
    assert [moment.frame for moment in found.came_back.moments] == [2, 3, 4]
    assert (found.since_answer.count, found.broadcasts) == (2, 2)


def test_questions_of_others_do_not_come_back() -> None:
    padded = ask().ljust(60, b"\0")
    found = question((0, padded), (1, padded), (2, padded))
    assert (found.asked.count, found.came_back.count) == (3, 0)


def test_answers_of_two_owners_are_both_kept() -> None:
    found = question((0, ask()), (0.1, reply()), (0.2, reply(by=OTHER_HW)))
    assert [(moment.frame, hardware) for moment, hardware in found.answers] == [(2, IT), (3, THIRD)]


def test_an_answer_to_somebody_else_is_none() -> None:
    found = question((0, ask()), (0.1, reply(to=OTHER_HW, to_ip="192.0.2.99")))
    assert found.answered == 0


def test_an_answer_that_nobody_asked_for_is_a_claim_only() -> None:
    found = arp((0, reply()))
    assert found.questions == {}
    assert list(found.claims) == [Address.parse(UNIT)]
    assert found.replied == {IT: {Address.parse(UNIT)}}


def test_kept_answers_are_capped_and_counted() -> None:
    frames = [(n + step, data) for n in range(50) for step, data in ((0, ask()), (0.1, reply()))]
    found = question(*frames)
    assert found.answered == 50
    assert len(found.answers) == KEPT
    assert len(found.asked.moments) == KEPT
    assert found.answers[0][0].frame == 2
    assert found.answers[-1][0].frame == 100


def test_claims_come_as_runs() -> None:
    owners = (UNIT_HW, UNIT_HW, OTHER_HW, UNIT_HW)
    claims = arp(*((n, reply(by=by)) for n, by in enumerate(owners))).claims[Address.parse(UNIT)]
    assert [(run.hardware, run.count) for run in claims.runs] == [(IT, 2), (THIRD, 1), (IT, 1)]
    assert [(run.first.frame, run.last.frame) for run in claims.runs] == [(1, 2), (3, 3), (4, 4)]
    assert claims.counts == {IT: 3, THIRD: 1}


def test_runs_are_capped_and_counts_go_on() -> None:
    frames = [(n, reply(by=(UNIT_HW, OTHER_HW)[n % 2])) for n in range(600)]
    claims = arp(*frames).claims[Address.parse(UNIT)]
    assert len(claims.runs) == MAX_RUNS
    assert claims.counts == {IT: 300, THIRD: 300}


def test_a_request_claims_the_address_of_its_sender() -> None:
    assert arp((0, ask())).claims[Address.parse(PC)].counts == {ME: 1}


def test_probes_and_announcements_are_no_questions() -> None:
    found = arp((0, ask(wanted=PC, sender="0.0.0.0")), (2, ask(wanted=PC)), (4, ask(wanted=PC)))
    key = (ME, Address.parse(PC))
    assert found.questions == {}
    assert found.probes[key].count == 1
    assert found.announcements[key].count == 2
    assert found.claims[Address.parse(PC)].counts == {ME: 2}


def searchers(*frames: tuple[float, bytes]) -> set[Hardware]:
    return raw.facts(*frames).index.searchers


def test_a_search_of_the_network() -> None:
    wanted = [f"192.0.2.{n}" for n in range(100, 100 + SWEEP)]
    frames = [(n, ask(wanted=address)) for n, address in enumerate(wanted)]
    assert searchers(*frames) == {ME}
    assert searchers(*frames[:-1]) == set()


def test_a_busy_asker_that_is_answered_searches_nothing() -> None:
    wanted = [f"192.0.2.{n}" for n in range(100, 100 + SWEEP)]
    frames = []
    for n, address in enumerate(wanted):
        frames += [(n, ask(wanted=address)), (n + 0.1, reply(address=address))]
    assert searchers(*frames) == set()


@pytest.mark.parametrize("operation", [0, 3, 8, 65535])
def test_other_operations_ask_and_answer_nothing(operation: int) -> None:
    found = arp((0, raw.arp_frame(operation, PC_HW, PC, UNIT)))
    assert (found.frames, found.questions, found.replied) == (1, {}, {})


@pytest.mark.parametrize(
    ("frames", "frame_numbers"),
    [
        (((0, reply()),), [1]),
        (((0, ask()), (1, reply())), []),
        (((0, ask()), (3.5, reply())), [2]),
        (((0, ask()), (1, reply()), (2, reply())), [3]),
        (((0, ask()), (1, reply()), (1.5, ask()), (2, reply())), []),
        (((0, ask()), (1, reply()), (2, reply(OTHER_HW))), []),
    ],
    ids=["no question", "answer", "late", "said again", "asked again", "two answer"],
)
def test_what_nobody_asked_for_is_kept(
    frames: tuple[tuple[float, bytes], ...], frame_numbers: list[int]
) -> None:
    unasked = arp(*frames).unasked.values()
    assert [at.frame for one in unasked for at in one.moments] == frame_numbers
