"""Numbers become words in one place."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer import words


@pytest.mark.parametrize(
    ("duration", "said"),
    [
        (0.0, "less than 1 ms"),
        (0.0042, "4.2 ms"),
        (0.25, "250 ms"),
        (0.9996, "1.0 s"),
        (5.0, "5.0 s"),
        (59.96, "1 min"),
        (75.0, "1 min 15 s"),
        (3600.0, "1 h"),
        (172_740.0, "47 h 59 min"),
        (172_800.0, "2 days"),
        (180_000.0, "2 days 2 h"),
    ],
)
def test_durations_have_units(duration: float, said: str) -> None:
    """Every size of duration is said with the unit that fits it."""
    assert words.seconds(duration) == said


def test_counts_and_lists() -> None:
    """One thing is not things."""
    assert [words.times(n) for n in (1, 2, 3, 1000)] == ["once", "twice", "3 times", "1,000 times"]
    assert words.count(1, "frame") == "1 frame"
    nouns = ("query", "reply", "address", "day")
    told = [words.count(2, noun) for noun in nouns]
    assert told == ["2 queries", "2 replies", "2 addresses", "2 days"]
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert words.listed([]) == ""


def test_templates_are_filled_or_outlined() -> None:
    """A sentence with its values, and the same sentence for reading the rule."""
    template = "{who} asked {n:times}{span:within} about {m:count frame}{known:mask}."
    values = {"who": "a\nb", "n": 3, "span": 2.0, "m": 1, "known": True}
    assert words.say(template, values) == "a\\nb asked 3 times within 2.0 s about 1 frame."
    assert words.outline(template, values) == words.say(template, values)
    lacking = {"n": 3, "m": 1, "known": True}
    assert words.outline(template, lacking) == "<who> asked 3 times within <span> about 1 frame."


@pytest.mark.parametrize(
    ("lost", "said"),
    [(2, "Heard, and 2 frames got lost."), (1, "Heard, and 1 frame got lost."), (0, "Heard.")],
)
def test_what_did_not_happen_is_not_told(lost: int, said: str) -> None:
    """No sentence says "0 frames"; a clause may hold values, in their own wording."""
    template = "Heard{lost:if, and {lost:count frame} got lost}."
    assert words.say(template, {"lost": lost}) == said
    assert words.outline(template, {"lost": lost}) == said
    assert words.outline(template, {}) == "Heard."


@pytest.mark.parametrize(
    ("template", "outlined"),
    [
        ("It{fits:if likely} broke.", "It broke."),
        ("It is there, and{fits:if, as it seems,} full.", "It is there, and full."),
        ("{far:if The router }{who} said.", "The router <who> said."),
        ("Here.{far:if Late.} So wait.", "Here. Late. So wait."),
        ("It{far:if came}{near:if went}", "It came"),
        ("It was {none:list}.", "It was <none>."),
        ("It held {odd:count frame}.", "It held <odd> frames."),
    ],
)
def test_a_clause_is_outlined_where_the_example_has_it(template: str, outlined: str) -> None:
    assert words.outline(template, {"far": True, "none": []}) == outlined


@pytest.mark.parametrize("nobody", [None, False, "", []])
def test_a_clause_about_nobody_is_left_out(nobody: object) -> None:
    """The same for a value that is missing."""
    assert words.say("Heard.{who:if It was {who}.}", {"who": nobody}) == "Heard."
    assert words.say("Heard.{who:if It was {who}.}", {"who": "Z"}) == "Heard. It was Z."


def test_a_repetition_is_told_without_a_count() -> None:
    """The listed frames need not be all."""
    assert [words.again(number) for number in (1, 2, 3, 9)] == ["", " again", " again", " again"]


def test_slips_in_a_template_are_noticed() -> None:
    """An unknown name or wording is a mistake of the rule, never an empty sentence."""
    with pytest.raises(KeyError):
        words.say("{nobody}", {})
    with pytest.raises(ValueError, match="no wording"):
        words.say("{n:loudly}", {"n": 1})
    with pytest.raises(ValueError, match="no wording"):
        words.say("{n:iffy}", {"n": 1})
    with pytest.raises(KeyError):
        words.say("{n:if {nobody}}", {"n": 0})


@given(st.text())
def test_cleaned_text_is_printable_ascii(text: str) -> None:
    """Whatever a name holds, a terminal sees letters only."""
    assert all(" " <= letter <= "~" for letter in words.clean(text))


def test_protocols_and_units() -> None:
    """What is not known is said so."""
    assert words.say("speaks {p:protocol}{u:unit}", {"p": "Modbus/TCP", "u": 7}) == (
        "speaks Modbus/TCP to unit number 7"
    )
    assert "not known" in words.say("{p:protocol}{u:unit}", {"p": None, "u": None})
    assert words.outline("{p:protocol}{u:unit}", {}) == "<p>"
