"""reports.document.incidents, and the same in JSON: a link-up that works and breaks."""

import json
import re
from collections.abc import Sequence
from datetime import UTC
from pathlib import Path

import pytest

from analyzer.common import Common, Factor, Pattern
from analyzer.diagnosis import Diagnosis
from analyzer.facts import Request
from analyzer.reports.blocks import Block, Heading, Paragraph, Table, TimeStrip
from analyzer.reports.document.answer import in_full, in_short
from analyzer.reports.document.bounds import MOST_LINES
from analyzer.reports.document.incidents import HowMuch, told_shortly
from analyzer.reports.document.page import page
from analyzer.reports.document.recording import Clock
from analyzer.reports.overview import strip
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from analyzer.telling import DONE, DOUBTFUL, IN_VAIN, LOOKED_AT, POINTS_TO, in_common, in_words
from analyzer.words import say, seconds
from captures.plant import Plant
from rules.session import session_reset
from tests.support import acquainted, diagnosed, ended, found, left_out, read
from tests.test_common import after_requests, asks_all_the_time, at_any_time, breaks
from tests.test_incidents import cut_off, slept, stalled, unplugged

CAPTURES = Path(__file__).parents[2] / "captures"
LONGEST = 28
"""Words of a sentence."""


def resets(number: int) -> Plant:
    plant, pc, unit = acquainted()
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        session.poll(10)
        session.rst(unit, after=0.5)
        plant.wait(2)
    plant.tcp(pc, unit).open().poll(3)
    return ended(plant)


def text(diagnosis: Diagnosis, everything: bool = True) -> str:
    blocks = in_full([diagnosis]) if everything else in_short([diagnosis])
    return " ".join(to_text(blocks).split())


def test_how_often_and_for_how_long_stands_in_the_report() -> None:
    told = text(diagnosed(resets(2).pcap()))
    assert re.search(r"It broke twice, at 09:00:\d\d and 09:00:\d\d UTC\.", told)
    assert "It worked again after 3.0 s: 2.0 s until the PC called again and 1.0 s until" in told
    assert "Between them it worked for 9.9 s." in told
    assert "Both look alike: the session was reset from the controller's side." in told


def test_the_table_has_a_row_a_break_and_the_short_report_a_line() -> None:
    diagnosis = diagnosed(resets(4).pcap())
    assert len(re.findall(r"\bsession reset 2\.0 s 3\.0 s 0\b", text(diagnosis))) == 4
    short = to_text(in_short([diagnosis]))
    assert "It broke 4 times" in short
    assert short.count("\n") <= MOST_LINES


def test_the_short_report_tells_each_of_few_and_how_to_see_many() -> None:
    few = text(diagnosed(resets(4).pcap()), everything=False)
    assert re.search(r"It broke 4 times, at( 09:\d\d:\d\d,?){3} and 09:\d\d:\d\d UTC\.", few)
    assert "each break: add" not in few
    many = text(diagnosed(resets(6).pcap()), everything=False)
    assert re.search(r"It broke 6 times, first at 09:\d\d:\d\d, last at 09:\d\d:\d\d UTC\.", many)
    assert re.search(r"Proof and each break: add --all", many)


def test_where_there_is_little_room_the_times_stay_longest() -> None:
    """Of three, without what they have in common, as the verdict says that already."""
    told = text(diagnosed((CAPTURES / "idle-limit.pcap").read_bytes()), everything=False)
    assert "Breaks It broke 3 times, at 14:02:24, 14:02:57 and 14:03:30 UTC." in told


def test_how_much_is_told() -> None:
    diagnosis = diagnosed(breaks(5, 7).pcap())
    (outcome,) = diagnosis.outcomes
    clock = Clock(diagnosis, UTC)
    when, why, everything = (told_shortly(outcome, clock, much) for much in HowMuch)
    assert when.startswith("It broke 5 times, at 09:")
    assert "unit 7" not in when
    assert why.startswith(when)
    assert "unit 7" in why
    assert "It worked again after" not in why
    assert "It worked again after" in everything


def test_what_is_common_by_its_sign_is_said_and_what_else_was_looked_at() -> None:
    diagnosis = diagnosed((CAPTURES / "loose-plug.pcap").read_bytes())
    told = text(diagnosis)
    assert "All 4 look alike: the PC's link went down, and the session with it." in told
    assert "Nothing else was found that they have in common. - Looked at: " in told
    short = text(diagnosis, everything=False)
    assert re.search(
        r"at [0-9:, and]+ UTC: the PC's link went down, and the session with it\.", short
    )


def test_the_parts_of_a_time_out_are_told() -> None:
    """The link is down for 6 s; then the PC checks its address and waits; then it calls."""
    diagnosis = diagnosed(unplugged(6.0).pcap())
    (linkup,) = json.loads(to_json([diagnosis]))["linkups"]
    one = linkup["incidents"]["list"][0]
    assert one["began"] < one["link_back"] < one["called_again"] < one["worked_again"]
    down = one["link_back"] - one["began"]
    tried = one["called_again"] - one["link_back"]
    assert f": {seconds(down)} without the PC's link and {seconds(tried)} until the PC" in text(
        diagnosis
    )


def test_calls_in_vain_belong_to_the_parts() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open()
        session.poll(10)
        session.rst(unit, after=0.5)
        for _ in range(2):
            again = plant.tcp(pc, unit)
            again.syn(after=4)
            again.refuse()
        plant.wait(4)
    plant.tcp(pc, unit).open().poll(9)
    told = text(diagnosed(ended(plant).pcap()))
    assert "4.0 s until the PC called again and 9.0 s until that worked, after 2 calls in" in told


def test_a_break_behind_sleep_is_told_with_what_to_do() -> None:
    told = text(diagnosed(slept(others=True).pcap()), everything=False)
    assert "without any frame: the PC slept, or its adapter was off. Keep the PC awake" in told


def test_where_time_and_requests_fit_both_are_told() -> None:
    told = text(diagnosed(after_requests(5, 40, (1.0, 1.0)).pcap()))
    assert re.search(
        r"came 4\d\.\d s after the session opened, or after 40 requests in it: both", told
    )


def test_nothing_is_told_of_one_break_or_none() -> None:
    for number in (0, 1):
        diagnosis = diagnosed(resets(number).pcap())
        assert "It broke" not in text(diagnosis)
        assert "Breaks" not in text(diagnosis, everything=False)
        (linkup,) = json.loads(to_json([diagnosis]))["linkups"]
        assert ("incidents" in linkup) == bool(number)


def test_the_pattern_leads_and_the_deciding_test_is_told_as_done() -> None:
    diagnosis = read(diagnosed(breaks(11, 7).pcap()))
    finding = found(diagnosis, "session-reset")
    bad_request = session_reset.RULE.likely_causes[session_reset.BAD_REQUEST]
    assert finding.likely_causes[0] == bad_request
    causes, _ = left_out(finding, session_reset.RULE)
    assert set(causes) == {
        session_reset.RESTART,
        session_reset.OTHERS,
        session_reset.TIME_LIMIT,
        session_reset.LIFETIME,
        session_reset.PC_SLEPT,
    }
    assert finding.confirm.text.startswith(say(DONE, {"what": POINTS_TO[Factor.REQUEST]}))
    assert "each of the 11 breaks" in finding.confirm.text
    assert finding.what_to_do[0].text.startswith("The request before the breaks was ")


def test_where_nothing_was_found_it_says_what_was_looked_at() -> None:
    diagnosis = read(diagnosed(at_any_time(5, 1).pcap()))
    finding = found(diagnosis, "session-reset")
    assert finding.confirm.text.endswith(say(IN_VAIN, {"alike": True}))
    causes, _ = left_out(finding, session_reset.RULE)
    by_the_rule = {session_reset.BAD_REQUEST, session_reset.TIME_LIMIT, session_reset.PC_SLEPT}
    assert set(causes) == {*by_the_rule, session_reset.LIFETIME}  # which would have shown
    assert "Nothing else was found that they have in common." in text(diagnosis, everything=False)
    told = text(diagnosis)
    assert "Nothing else was found that they have in common." in told
    assert "Looked at: time without data" in told


def test_what_is_told_never_contradicts_the_deciding_test() -> None:
    """Resets right behind any request: the deciding test says so, and names the request."""
    diagnosis = read(diagnosed(breaks(5, None).pcap()))
    finding = found(diagnosis, "session-reset")
    bad_request = session_reset.RULE.likely_causes[session_reset.BAD_REQUEST]
    assert finding.likely_causes[0] == bad_request
    said = "Each of the 5 breaks came right after a request, within 20 ms; 178 other"
    assert said in finding.confirm.text
    assert said in text(diagnosis)
    assert not any("clock time" in one.text for one in finding.what_to_do)


def test_what_may_be_chance_is_never_told_without_that() -> None:
    diagnosis = diagnosed(asks_all_the_time().pcap())
    for everything in (True, False):
        assert f"220 other requests brought none. {DOUBTFUL}" in text(diagnosis, everything)


def test_resets_that_confirm_nothing_rule_no_cause_out() -> None:
    finding = found(read(diagnosed(breaks(5, None, bare=True).pcap())), "session-reset")
    assert left_out(finding, session_reset.RULE)[0] == [session_reset.PC_SLEPT]
    assert finding.likely_causes[0] == session_reset.RULE.likely_causes[session_reset.RESTART]
    assert "a reset that confirms nothing" in finding.confirm.text


def test_stalls_are_told_as_such() -> None:
    diagnosis = diagnosed(stalled(4.0).pcap())
    told = text(diagnosis)
    assert "It stalled twice" in told
    assert "Both look alike: an answer came far later than usual." in told
    assert "broke" not in told
    assert diagnosis.outcomes[0].fault is None
    three = text(diagnosed(stalled(4.0, stalls=3).pcap()))
    assert "From one stall to the next it took" in three


@pytest.mark.parametrize(
    ("others", "who", "told"),
    [
        ("first second", "controller", "the controller alone was silent (twice)."),
        ("", "all", "everybody but the PC was silent (twice)."),
    ],
)
def test_who_was_silent_is_told(others: str, who: str, told: str) -> None:
    diagnosis = diagnosed(cut_off(others, times=2).pcap())
    assert told in text(diagnosis)
    short = text(diagnosis, everything=False)
    assert f"a request was repeated, without an answer; {told.removesuffix(' (twice).')}." in short
    (linkup,) = json.loads(to_json([diagnosis]))["linkups"]
    assert {one["silent"] for one in linkup["incidents"]["list"]} == {who}


def test_data_of_each_break_and_of_the_pattern() -> None:
    (linkup,) = json.loads(to_json([diagnosed(breaks(11, 7).pcap())]))["linkups"]
    told = linkup["incidents"]
    assert told["count"] == len(told["list"]) == 11
    first = told["list"][0]
    assert (first["sign"], first["calls_in_vain"]) == ("reset", 0)
    assert first["began"] < first["worked_again"]
    assert first["last_request"] == {"size": 12, "function": 3, "unit": 7}
    (pattern,) = told["in_common"]["found"]
    assert pattern["breaks"] == [11, 11]
    assert pattern["what"] == "request"
    assert pattern["chance"] < 1e-6
    assert "request" in told["in_common"]["looked_at"]


@pytest.mark.parametrize("factor", Factor)
def test_each_pattern_is_one_sentence_with_its_figures(factor: Factor) -> None:
    pattern = Pattern(
        factor, 11, 11, 3, 5029, 1e-9, 600.0, 612.0, Request(250, 16, 3), ["192.0.2.20"]
    )  # fmt: skip
    told = in_words(pattern)
    assert len(told.split()) <= LONGEST
    assert told.isascii()
    assert told.endswith(".")
    assert told[0].isupper() or told[0].isdigit()
    assert "11 " in told
    assert "None" not in told


def test_what_was_looked_at_is_told_in_short_sentences() -> None:
    assert set(LOOKED_AT) == set(Factor)
    told = in_common(Common(5, list(Factor), []))
    assert all(len(one.split()) <= LONGEST for one in told), told


def test_the_page_has_a_mark_a_break_and_each_in_a_table() -> None:
    diagnosis = diagnosed(resets(4).pcap())
    in_time = strip(diagnosis)
    assert in_time is not None
    lanes = {one.name: one for one in in_time.lanes}
    assert len(lanes["Breaks"].marks) == 4
    assert [end - begin for begin, end in lanes["Out after a break"].spans] == pytest.approx(
        [3.0] * 4, abs=0.1
    )
    blocks = page([diagnosis])
    assert len(rows(blocks)) == 4
    assert any(isinstance(one, Heading) and one.text == "It broke 4 times" for one in blocks)
    assert [one for one in blocks if isinstance(one, TimeStrip)] != []


def test_a_page_lists_so_many_breaks_and_counts_the_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    diagnosis = diagnosed(resets(4).pcap())
    monkeypatch.setattr("analyzer.reports.document.page.MOST_BREAKS", 3)
    blocks = page([diagnosis])
    assert len(rows(blocks)) == 3
    told = [one.text for one in blocks if isinstance(one, Paragraph)]
    assert "Counted and not listed: 1 more break." in told


def rows(blocks: list[Block]) -> list[Sequence[str]]:
    """The rows of the table of breaks."""
    (table,) = [one for one in blocks if isinstance(one, Table) and "In vain" in one.header]
    return list(table.rows)


@pytest.mark.parametrize(("hours", "label"), [(7, "2 h"), (30, "12 h"), (240, "5 days")])
def test_hours_and_days_are_readable_on_the_axis(hours: float, label: str) -> None:
    plant = resets(2)
    plant.wait(hours * 3600)
    plant.ask(plant.station("192.0.2.77"), "192.0.2.60", times=1)
    in_time = strip(diagnosed(plant.pcap()))
    assert in_time is not None
    assert in_time.ticks[1][1] == label
