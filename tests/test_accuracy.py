"""The fault that was put into a recording leads: the figures of `python -m tests.accuracy` hold."""

from collections import Counter
from dataclasses import replace

import pytest

from tests.accuracy import Labelled, Score, labelled, scored
from tests.lab.judging import Lead
from tests.support import TOLD, acquainted, begun, diagnosed, ended


@pytest.fixture(scope="module")
def recordings() -> list[Labelled]:
    return list(labelled())


@pytest.mark.parametrize(
    ("named", "shown", "led", "right"),
    [(True, 285, 398, 405), (False, 284, 395, 405)],
    ids=["the controller named", "nothing told"],
)
def test_every_fault_leads_and_no_alarm_is_false(
    recordings: list[Labelled], named: bool, shown: int, led: int, right: int
) -> None:
    """shown: at least so many are proven; led: at least so many lead or are proven; right: at least
    so many are named, lead or are proven. A rule that becomes more careful lowers the first two:
    then the new figures go here, knowingly.
    """
    scores = scored(recordings, named).values()
    wrong = [text for one in scores for text in (*one.missed, *one.extra, *one.alarms)]
    assert wrong == []
    leads = sum((one.leads for one in scores), Counter[Lead]())
    assert leads[Lead.SHOWN] >= shown
    assert leads[Lead.SHOWN] + leads[Lead.FITS] >= led
    assert leads[Lead.SHOWN] + leads[Lead.FITS] + leads[Lead.NAMED] >= right


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


def test_another_fault_counts_as_missed() -> None:
    score = counted(of_silence("vlan-mismatch"))
    assert score.missed == ["silence: unanswered-arp"]
    assert score.wrong == (1, 0, 0)


def test_a_fault_of_a_healthy_one_counts_as_an_alarm() -> None:
    score = counted(of_silence(None))
    assert score.alarms == ["silence: unanswered-arp"]
    assert score.wrong == (0, 0, 1)


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
