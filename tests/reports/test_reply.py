"""A reply to a mail: offers, house wording, and the draft."""

from email import message_from_string
from email.policy import default

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.errors import BadOption
from analyzer.inputs.envelopes import Envelope
from analyzer.reports import house
from analyzer.reports.letter import QUESTIONS, STEPS, Style, letter
from analyzer.reports.offers import Offers, offers
from analyzer.reports.to_eml import to_eml
from analyzer.reports.to_text import to_text
from captures.plant import START, Plant
from tests.support import diagnosed, ended


def mail(words: str = "", subject: str = "No link", number: str = "<1@plant.example>") -> Envelope:
    return Envelope("site@plant.example", "Site", subject, None, number, ("<0@x>",), words)


def plant(address: str = "192.0.2.60", works: bool = True, start: float = START) -> Plant:
    made = Plant(start)
    pc, unit = made.pc(), made.station(address)
    made.wait(5)
    made.resolve(pc, unit)
    session = made.tcp(pc, unit)
    if works:
        session.open().poll(5)
    else:
        session.syn()
        session.refuse()
    return ended(made)


def written(*plants: Plant, words: str = "", style: Style = Style()) -> str:  # noqa: B008
    diagnoses = [diagnosed(one) for one in plants]
    for number, one in enumerate(diagnoses):
        one.facts.file = f"{number}.pcap"
    return " ".join(to_text(letter(diagnoses, (), style, mail(words))).split())


def test_words_offer_addresses_ports_masks_and_labels() -> None:
    words = (
        "PC 192.0.2.15 / 255.255.255.0 to 192.0.2.60:502, TCP 44818, port: 502, panel 192.0.2.7. "
        "Label 00:00:5e:00:53:60. Again 192.0.2.15."
    )
    assert offers(words) == Offers(
        addresses=("192.0.2.15", "192.0.2.60:502", "192.0.2.7"),
        masks=("255.255.255.0",),
        hardware=("00-00-5E-00-53-60",),
        ports=("44818", "502"),
    )


@pytest.mark.parametrize(
    "words",
    [
        "Version 1.2.3.4.5, 300.1.1.1, 1.2.3, 0.0.0.1, v10.2.3.4x",
        "switch port 12, port 99999, transport 502, port 0, on 10:42",
        "00-00-5E-00-53-60-61",
    ],
)
def test_other_numbers_are_no_offers(words: str) -> None:
    assert offers(words) == Offers()


def test_what_a_mail_names_is_an_offer_and_no_fact() -> None:
    """It is told back, with what no frame has; it judges nothing."""
    told = written(plant(), words="The controller is 192.0.2.61, the PC 192.0.2.15.")
    assert "Your mail names 192.0.2.61 and 192.0.2.15." in told
    assert "as an offer, not as a fact" in told
    assert "192.0.2.61 is in no frame of the recording." in told
    assert "Your mail names" not in written(plant())


def test_what_a_mail_speaks_of_is_not_asked_again() -> None:
    told = written(plant(works=False), words="It worked yesterday. I can stop the machine.")
    asked, thanked = QUESTIONS["worked"], QUESTIONS["machine"]
    assert asked.text not in told
    assert f"add it: {asked.short}." in told
    assert thanked.text in told, "who may stop the machine is always asked"


def test_every_question_but_that_of_the_machine_can_be_answered_by_a_mail() -> None:
    silent = [key for key, one in QUESTIONS.items() if one.words == QUESTIONS["machine"].words]
    assert silent == ["machine"]


def test_several_recordings_make_one_letter_in_order_of_time_and_compared() -> None:
    later, before = plant(works=False, start=START + 3600), plant()
    told = written(later, before, later)
    assert told.count("Thank you") == 1
    assert "the 3 recordings. The connection works in 1 of them" in told
    places = [told.index(f'- "{name}": ') for name in ("1.pcap", "0.pcap", "2.pcap")]
    assert places == sorted(places)
    assert '"1.pcap", where it works, compared with "0.pcap", where it does not.' in told
    assert "First difference that matters: the port." in told
    assert told.count(STEPS) == 1
    assert told.count("causes and steps are those under") == 1


def unheard(start: float = START) -> Plant:
    """The controller's hardware address is asked for in vain."""
    made = Plant(start)
    pc = made.pc()
    made.wait(5)
    for _ in range(9):
        made.ask(pc, "192.0.2.60", after=1.0)
    return ended(made)


def cut_off(start: float = START) -> Plant:
    """The recording ends with the PC's call."""
    made = Plant(start)
    pc, unit = made.pc(), made.station()
    made.chatter()
    made.resolve(pc, unit)
    made.tcp(pc, unit).syn()
    return made


def test_where_none_works_the_letter_tells_whether_it_is_better() -> None:
    """In the words of a comparison of the first and the last one, whatever order they came in."""
    late = START + 7200
    told = written(plant(works=False, start=late), unheard(START + 60), unheard())
    assert "None of them shows a connection that works" in told
    assert '"0.pcap", the last, compared with "2.pcap", the first. It does not work yet' in told
    assert "gets further: the hardware address and the route came up." in told
    assert "New: 192.0.2.60 refuses port 502." in told
    told = written(plant(works=False), unheard(late))
    assert "gets less far: the hardware address and the route did not come up again." in told
    told = written(unheard(), unheard(late))
    assert "Neither works, and the later one is not clearly better or worse." in told
    assert "compared" not in written(unheard(), plant("192.0.2.61", works=False, start=late))
    assert "compared" not in written(unheard(), unheard())


def test_a_recording_that_cannot_tell_is_no_progress_and_no_fall() -> None:
    late = START + 7200
    for one, other, which in ((cut_off(), plant(works=False, start=late), "earlier"),
                              (plant(works=False), cut_off(late), "later")):  # fmt: skip
        told = written(one, other)
        assert f"Neither is seen working, and the {which} one cannot tell how far it got." in told
        assert not [word for word in ("Gone:", "New:", "further", "less far") if word in told]


def test_recordings_of_other_controllers_are_not_compared() -> None:
    told = written(plant(), plant("192.0.2.61", works=False))
    assert "compared with" not in told
    assert "None of them" not in told
    assert "None of them" in written(plant(works=False), plant(works=False))
    assert "works in all of them" in written(plant(), plant())


def test_steps_that_are_left_out_are_counted() -> None:
    assert "more steps: ask us for them." in written(plant(works=False))
    attached = Style(attached=True)
    assert "more steps: the page attached has them." in written(plant(works=False), style=attached)
    assert "more step" not in written(plant(works=False), style=Style(everything=True))


def test_house_wording_begins_and_ends_a_letter() -> None:
    told = house.read(
        b'greeting = "Dear all,"\nsignature = """\nKind regards\nThe desk"""\nnotes = ["N 1."]',
        "h",
    )
    text = to_text(letter([diagnosed(plant())], (), Style(house=told)))
    assert text.startswith("Dear all,\n")
    assert text.endswith("N 1.\n\nKind regards\nThe desk\n")
    assert house.read(b"", "h") == house.House()
    assert house.read(b'notes = "one"', "h").notes == ("one",)


@pytest.mark.parametrize(
    ("octets", "said"),
    [
        (b"greeting", "is not TOML"),
        (b"greeting = 1", "no text of that kind as greeting"),
        (b'greeting = ""', "no text of that kind as greeting"),
        (b'greeting = "a\\u001b[2J"', "no text of that kind as greeting"),
        (b'greeting = "a\\nb"', "no text of that kind as greeting"),
        (b'notes = ["a", 1]', "no text of that kind as notes"),
        (b"notes = " + b"[" * 9000, "is not TOML"),
        (b'colour = "red"', "has no use for 'colour'"),
        (b"\xff", "is not UTF-8"),
        (b"#" * (house.LARGEST + 1), "is larger than"),
    ],
)
def test_house_wording_that_cannot_be_used_gets_one_line(octets: bytes, said: str) -> None:
    with pytest.raises(BadOption, match=said) as caught:
        house.read(octets, "house.toml")
    assert str(caught.value).startswith("house.toml: ")
    assert "\n" not in str(caught.value)


def test_a_draft_answers_its_mail() -> None:
    text = to_eml("Hello\n", "<p>page</p>", mail())
    draft = message_from_string(text, policy=default)
    assert draft["X-Unsent"] == "1"
    assert draft["To"] == "site@plant.example"
    assert draft["Subject"] == "Re: No link"
    assert draft["In-Reply-To"] == "<1@plant.example>"
    assert draft["References"] == "<0@x> <1@plant.example>"
    assert draft["From"] is None
    words, page = draft.iter_parts()
    assert (words.get_content(), words.get_content_type()) == ("Hello\n", "text/plain")
    assert page.get_content_type() == "text/html"
    assert (page.get_filename(), page.get_content()) == ("report.html", "<p>page</p>")
    assert to_eml("Hello\n", "<p>page</p>", mail()) == text


def test_a_draft_without_a_mail_answers_nobody() -> None:
    draft = message_from_string(to_eml("Hello\n", "", None), policy=default)
    assert draft["Subject"] == "Your recording"
    assert {draft[name] for name in ("To", "In-Reply-To", "References")} == {None}
    again = message_from_string(to_eml("", "", mail(subject="RE: x")))
    assert again["Subject"] == "RE: x"


@given(
    subject=st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=200),
    number=st.from_regex(r"<[!-;=?-~]{1,240}@x>", fullmatch=True),
    text=st.text(st.characters(exclude_categories=["C"]), max_size=80),
)
def test_a_draft_is_ascii_and_keeps_what_it_says(subject: str, number: str, text: str) -> None:
    """Whatever the subject says, no field is added; an identifier is never broken."""
    told = to_eml(text, "", mail(subject=subject, number=number))
    assert told.isascii()
    draft = message_from_string(told)
    assert draft["In-Reply-To"] == number
    assert draft["References"].split() == ["<0@x>", number]
    assert set(draft.keys()) == {
        "Content-Type", "MIME-Version", "Subject", "X-Unsent", "To", "In-Reply-To", "References",
    }  # fmt: skip
    assert max(map(len, told.splitlines())) < 998
