"""The figures of `python -m tests.accuracy` hold: faults that were put in lead, no alarm is false,
and what is called shown, or fits, is true.
"""

from collections import Counter
from dataclasses import replace

import pytest

from analyzer.findings import Certainty
from tests.accuracy import (
    Labelled,
    Score,
    labelled,
    read_by_experts,
    read_truths,
    scored,
    share_true,
    truths,
    whole,
)
from tests.lab.judging import Lead
from tests.readings.judge import FOLDER, Mark, answer, readings
from tests.support import TOLD, acquainted, begun, diagnosed, ended

SHOWN_TRUE = 0.99
"""Share of the findings called shown that have to be true."""
FITS_TRUE = 0.85
"""Share of those that fit."""
MOST_UNDECIDED = 0.05
"""Share of recordings at most of which it is not told what a person would tell."""

Scores = dict[tuple[str, str], Score]


@pytest.fixture(scope="module")
def scores() -> dict[bool, Scores]:
    """Of our recordings, with the controller named and with nothing told."""
    recordings = list(labelled())
    return {named: scored(recordings, named) for named in (True, False)}


@pytest.fixture(scope="module")
def ours(scores: dict[bool, Scores]) -> Score:
    return whole(one for each in scores.values() for one in each.values())


@pytest.fixture(scope="module")
def read() -> Score:
    """Of those by others; nothing where they are not there."""
    return read_by_experts()


@pytest.mark.parametrize(
    ("named", "shown", "led", "right"),
    [(True, 299, 417, 424), (False, 298, 414, 424)],
    ids=["the controller named", "nothing told"],
)
def test_every_fault_leads_and_no_alarm_is_false(
    scores: dict[bool, Scores], named: bool, shown: int, led: int, right: int
) -> None:
    """shown: at least so many are proven; led: at least so many lead or are proven; right: at least
    so many are named, lead or are proven. A rule that becomes more careful lowers the first two:
    then the new figures go here, knowingly.
    """
    wrong = [
        text for one in scores[named].values() for text in (*one.missed, *one.extra, *one.alarms)
    ]
    assert wrong == []
    leads = sum((one.leads for one in scores[named].values()), Counter[Lead]())
    assert leads[Lead.SHOWN] >= shown
    assert leads[Lead.SHOWN] + leads[Lead.FITS] >= led
    assert leads[Lead.SHOWN] + leads[Lead.FITS] + leads[Lead.NAMED] >= right


def test_nothing_false_is_said_of_our_recordings(ours: Score) -> None:
    assert ours.marks[Mark.FALSE_ALARM] == ours.marks[Mark.FALSE_WORKS] == 0
    assert ours.marks[Mark.OTHER_FAULT] == 0


@pytest.mark.parametrize(
    ("certainty", "least"), [(Certainty.SHOWN, SHOWN_TRUE), (Certainty.FITS, FITS_TRUE)]
)
def test_what_is_told_is_true(ours: Score, read: Score, certainty: Certainty, least: float) -> None:
    for one in (ours, read, whole([ours, read])):
        assert share_true(one.truths, certainty) >= least


def test_few_are_needlessly_undecided(ours: Score, read: Score) -> None:
    for one in (ours, read):
        assert one.marks[Mark.UNDECIDED] <= MOST_UNDECIDED * one.recordings


def of_silence(wrong: str | None) -> Labelled:
    """Nobody has the controller's address; labelled with something, right or not."""
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=3)
    return Labelled("story", "silence", ended(plant).pcap(), wrong, TOLD)


def counted(one: Labelled) -> Score:
    score = Score()
    score.count(one, diagnosed(one.octets, one.told))
    return score


def test_a_right_one_counts_as_right() -> None:
    score = counted(of_silence("unanswered-arp"))
    assert score.leads == {Lead.SHOWN: 1}
    assert score.wrong == (0, 0, 0)
    assert score.marks == {Mark.RIGHT: 1}
    assert score.truths == {(Certainty.SHOWN, True): 1}


def test_another_fault_counts_as_missed() -> None:
    score = counted(of_silence("vlan-mismatch"))
    assert score.missed == ["silence: unanswered-arp"]
    assert score.wrong == (1, 0, 0)
    assert score.marks == {Mark.OTHER_FAULT: 1}
    assert score.truths == {(Certainty.SHOWN, False): 1}


def test_a_fault_of_a_healthy_one_counts_as_an_alarm() -> None:
    score = counted(of_silence(None))
    assert score.alarms == ["silence: unanswered-arp"]
    assert score.wrong == (0, 0, 1)
    assert score.marks == {Mark.FALSE_ALARM: 1}
    assert score.truths == {(Certainty.SHOWN, False): 1}


def test_a_fault_where_none_is_due_counts_as_extra() -> None:
    score = counted(replace(of_silence("unanswered-arp"), remark=True))
    assert score.extra == ["silence: unanswered-arp"]
    assert score.wrong == (0, 1, 0)


def test_nothing_said_counts_as_missed() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    octets = ended(plant).pcap()
    score = counted(Labelled("story", "reading", octets, "port-silent", TOLD))
    assert score.missed == ["reading: nothing"]
    assert score.marks == {Mark.FALSE_WORKS: 1}
    assert score.truths == {}


def test_another_reading_makes_findings_false() -> None:
    if not FOLDER.is_dir():
        pytest.skip("the recordings by others do not lie beside the checkout")
    by_name = {one.name: one for one in readings()}
    refused = answer(by_name["r154"])
    assert refused is not None
    faults = [one for one in refused.findings if one.rule == "port-refused"]
    assert {true for _, true in read_truths(by_name["r154"], faults)} == {True}
    assert {true for _, true in read_truths(by_name["r152"], faults)} == {False}


def test_a_share_counts_what_is_known() -> None:
    shown = Certainty.SHOWN
    some = Counter({(shown, True): 3, (shown, False): 1, (shown, None): 9})
    assert share_true(some, shown) == 0.75
    assert share_true(Counter(), shown) == 1.0
    assert list(truths(of_silence(None), diagnosed(of_silence(None).octets))) == [(shown, False)]
