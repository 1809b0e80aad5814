"""The comparison as a document and as JSON: every value has words, and fits a terminal."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

import analyzer
from analyzer.comparison import Comparison, Remark, Weight, compare
from analyzer.diagnosis import Stage, Verdict
from analyzer.reports import comparison as reported
from analyzer.reports.blocks import Paragraph, Table
from analyzer.reports.document.bounds import MOST_NAMED
from analyzer.reports.to_html import to_html
from analyzer.reports.to_text import to_text
from captures import make
from tests.reports.many import kinds, many
from tests.support import diagnosed
from tests.test_comparison import asking, told
from tests.test_wording import AVOIDED, MOST_WORDS, sentences

CAPTURES = Path(__file__).parents[2] / "captures"
WORKING = "healthy-first-contact.pcapng"
FAILING = sorted(make.STORIES)


def of(working: str, failing: str) -> Comparison:
    return compare(*(analyzer.diagnose(CAPTURES / name) for name in (working, failing)))


@pytest.mark.parametrize("failing", FAILING)
def test_every_demo_recording_can_be_compared(failing: str) -> None:
    comparison = of(WORKING, failing)
    text = to_text(reported.document(comparison))
    assert all(len(line) <= 79 and line.isascii() for line in text.split("\n"))
    assert "None" not in text
    content = json.loads(reported.to_json([comparison]))
    assert content["schema"] == "whynolink-comparison/1"
    assert content["working"]["file"] == WORKING
    assert content["failing"]["file"] == failing
    assert len(content["aspects"]) == len(comparison.aspects)


def test_text_json_and_page_say_the_same() -> None:
    comparison = of(WORKING, "port-refused.pcap")
    blocks = reported.document(comparison)
    strong = [one.text for one in blocks if isinstance(one, Paragraph) and one.strong]
    content = json.loads(reported.to_json([comparison]))
    assert strong == [content["text"]]
    assert " ".join(strong[0].split()) in " ".join(to_text(blocks).split())
    assert content["first_difference"]["aspect"] == "port"
    assert content["first_difference"]["working"] == "TCP 502"
    page = to_html(blocks)
    assert page.startswith("<!DOCTYPE html>")
    assert content["first_difference"]["failing"] in page


def test_the_same_two_recordings_give_the_same_text() -> None:
    one, other = (of(WORKING, "request-rejected.pcap") for _ in range(2))
    assert reported.to_json([one]) == reported.to_json([other])
    assert to_text(reported.document(one)) == to_text(reported.document(other))


def test_both_sides_stand_in_one_table() -> None:
    comparison = of(WORKING, "request-rejected.pcap")
    tables = [one for one in reported.document(comparison) if isinstance(one, Table)]
    rows = {row[0]: row[1:] for row in tables[-1].rows}
    assert rows["First octets of the request"] == (
        "00 00 00 00 00 06 01 03 00 6b 00 03", "00 00 00 00 00 06 01 03 10 0b 00 03", "MATTERS",
    )  # fmt: skip
    assert rows["The controller's adapter"][0] == "00-00-5E-00-53-60"
    text = " ".join(to_text(reported.document(comparison)).split())
    assert "They differ from octet 9 on." in text


def shown(comparison: Comparison) -> dict[str, tuple[str, ...]]:
    """The rows of the last table, both sides of each."""
    *_, table = (one for one in reported.document(comparison) if isinstance(one, Table))
    return {row[0]: tuple(row[1:]) for row in table.rows}


def test_a_presumed_mask_is_said() -> None:
    rows = shown(of(WORKING, "port-refused.pcap"))
    assert rows["PC and controller in one network"] == ("yes", "yes (by a presumed mask)", "")


def test_what_was_not_reached_or_is_in_neither_is_left_out() -> None:
    """And that it is left out is said."""
    comparison = of("port-refused.pcap", "nobody-has-the-address.pcap")
    assert "The PC's mask" not in shown(comparison)
    comparison = of(WORKING, "nobody-has-the-address.pcap")
    assert not {"Protocol", "First octets of the request", "Unit asked"} & shown(comparison).keys()
    text = to_text(reported.document(comparison))
    assert "did not reach is left out" in text
    assert "left out" not in to_text(reported.document(of(WORKING, "session-reset.pcap")))


def test_what_can_matter_between_two_that_work_is_named() -> None:
    comparison = of(WORKING, "healthy-busy-site.pcap")
    text = to_text(reported.document(comparison))
    assert "Both work, and nothing that can matter differs." in text
    assert "(first) and" in text
    assert "What next" not in text
    (answers,) = [one for one in comparison.aspects if one.name == "answer time"]
    slow = replace(answers, failing=2.5, weight=Weight.COULD_MATTER)
    comparison = replace(comparison, aspects=[slow])
    assert "Both work, and they differ in typical answer time." in to_text(
        reported.document(comparison)
    )


def test_between_two_that_work_no_row_matters() -> None:
    """Though they call two controllers, and ask for other things."""
    comparison = compare(
        *(diagnosed(told(asking(number), unit=f"192.0.2.{number}")) for number in (60, 61))
    )
    assert "MATTERS" not in {row[-1] for row in shown(comparison).values()}
    assert shown(comparison)["Whom the PC calls"] == ("192.0.2.60", "192.0.2.61", "differs")
    text = " ".join(to_text(reported.document(comparison)).split())
    assert "Both work, and they differ in whom the PC calls and first octets of the" in text
    assert "usually harmless" not in text
    assert text.count("the two are not alike in this, and both work.") == 1


def test_given_the_other_way_round_they_read_the_same() -> None:
    one, other = (
        to_text(reported.document(of(*names)))
        for names in ((WORKING, "port-refused.pcap"), ("port-refused.pcap", WORKING))
    )
    assert one == other


def test_where_neither_works_it_says_whether_it_is_better() -> None:
    comparison = of("nobody-has-the-address.pcap", "port-refused.pcap")
    text = " ".join(to_text(reported.document(comparison)).split())
    up, down = comparison.came_up, comparison.went_down
    assert bool(up) is not bool(down)
    assert ("gets further: the hardware address and the route came up." in text) is bool(up)
    assert ("gets less far" in text) is bool(down)
    assert "Gone: " in text
    assert "New: " in text
    assert "first" not in {row[-1] for row in stages(comparison)}


def test_only_the_stages_that_came_up_are_named() -> None:
    """Not one between them that is seen to fail."""
    comparison = of("port-refused.pcap", "session-reset.pcap")
    assert comparison.came_up == [Stage.PORT, Stage.ANSWER]
    text = " ".join(to_text(reported.document(comparison)).split())
    assert "gets further: the port and the answer came up." in text


def stages(comparison: Comparison) -> list[Sequence[str]]:
    blocks = reported.document(comparison)
    return [*next(one for one in blocks if isinstance(one, Table) and "Stage" in one.header).rows]


def test_the_marks_of_the_stages_agree_with_the_headline() -> None:
    marks = [row[-1] for row in stages(of(WORKING, "port-refused.pcap"))]
    assert marks.count("first") == 1
    assert set(marks[: marks.index("first")]) <= {"", "-"}
    assert set(marks[marks.index("first") + 1 :]) <= {"", "follows"}
    alike = stages(of("port-refused.pcap", "port-refused.pcap"))
    assert {row[-1] for row in alike} == {""}


def test_the_recording_without_link_up_is_named() -> None:
    text = " ".join(to_text(reported.document(of(WORKING, "no-attempt.pcap"))).split())
    assert '"no-attempt.pcap" holds no connection' in text
    text = " ".join(to_text(reported.document(of("no-attempt.pcap", "no-attempt.pcap"))).split())
    assert '"no-attempt.pcap" and "no-attempt.pcap" hold no connection' in text


def test_every_aspect_remark_and_weight_has_words() -> None:
    aspects = of(WORKING, "port-refused.pcap").aspects
    names = {one.name for one in aspects}
    assert names == set(reported.NAMES)
    assert set(reported.MEANS) <= names
    assert {one.name for one in aspects if one.weight is Weight.MATTERS} <= set(reported.MEANS)
    assert set(reported.REMARKS) == set(Remark)
    assert set(reported.MARKS) == set(Weight)


@pytest.mark.parametrize("text", [*reported.REMARKS.values(), *reported.MEANS.values()])
def test_the_words_are_plain(text: str) -> None:
    assert not AVOIDED.search(text)
    assert all(len(sentence.split()) <= MOST_WORDS for sentence in sentences(text))


def test_a_name_from_outside_cannot_mislead() -> None:
    octets = (CAPTURES / "port-refused.pcap").read_bytes()
    diagnosis = diagnosed(octets)
    diagnosis.facts.file = "<b>\x1b[31m\u202ered"
    blocks = reported.document(compare(diagnosis, diagnosis))
    assert "\x1b" not in to_text(blocks)
    assert "<b>" not in to_html(blocks)


def test_of_many_controllers_a_few_are_named_and_the_rest_counted() -> None:
    good = many(100)
    worse = replace(kinds()[-1].fault, linkup=None) if kinds()[-1].fault else None
    bad = [replace(one, verdict=Verdict.STOPPED, fault=worse) for one in good.outcomes]
    comparison = compare(good, replace(good, outcomes=bad))
    assert len(comparison.more) > 20
    text = " ".join(to_text(reported.document(comparison)).split())
    assert f" and {len(comparison.more) - MOST_NAMED} more. Compare each with" in text
    assert len(json.loads(reported.to_json([comparison]))["more_controllers"]) == len(
        comparison.more
    )


def test_of_many_values_a_few_are_listed() -> None:
    values = [f"192.0.2.{number}" for number in range(1, 101)]
    told = reported._value("asked for", values)
    assert told.endswith(f"192.0.2.{MOST_NAMED}, then {100 - MOST_NAMED} more")
