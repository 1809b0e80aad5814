"""What is said about adapters and about a recording: plain, narrow, nothing foreign unescaped."""

import re
from collections import deque
from ipaddress import IPv4Address, IPv4Interface
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from analyzer.recorder.adapters import Adapter, Reason, Trouble, Warned, warnings
from analyzer.recorder.running import Ended
from analyzer.reports import recording
from analyzer.reports.recording import (
    REASONS,
    WORDS,
    adapter_list,
    begins,
    choice,
    comments,
    ended,
    warned,
)
from analyzer.reports.to_text import to_text
from tests.test_wording import STEP_WITH_RISK, badly_said

CABLE = Adapter("cable", (IPv4Interface("192.0.2.15/24"),), 0x00005E005315, True, 10**8)
ODD = Adapter("odd\x1b[2J\u00e9", (), None, False)
VALUES: dict[str, Any] = {
    "adapter": "cable",
    "other": "wireless",
    "address": IPv4Address("169.254.1.2"),
    "controller": IPv4Address("192.0.2.60"),
    "network": IPv4Interface("192.0.2.15/24").network,
    "networks": [IPv4Interface("192.0.2.15/24").network],
    "elsewhere": ["wireless"],
}


@pytest.mark.parametrize("trouble", Trouble)
def test_every_trouble_is_told_plainly_with_its_caution(trouble: Trouble) -> None:
    what, todo, caution = WORDS[trouble]
    for text in filter(None, (what.replace(" {elsewhere}", "").replace("{elsewhere}", ""), todo)):
        assert badly_said(text) == []
    assert caution or not STEP_WITH_RISK.search(todo)
    assert "{" not in to_text(warned([Warned(trouble, VALUES)]))


def test_no_trouble_no_words() -> None:
    assert list(warned([])) == []


def test_the_other_adapter_is_named() -> None:
    other = Adapter("office", (IPv4Interface("198.51.100.7/24"),))
    text = to_text(warned(list(warnings(other, [other, CABLE], [IPv4Address("192.0.2.60")]))))
    assert 'Another adapter is in that network: "cable".' in " ".join(text.split())


def test_adapters_as_a_table_of_plain_characters() -> None:
    text = to_text(adapter_list([CABLE, ODD], chosen=CABLE))
    assert text.isascii()
    assert "\x1b" not in text
    (line,) = re.findall(r'-> "cable"\n(.*)', text)
    for cell in ("192.0.2.15/24", "00-00-5E-00-53-15", "yes", "100 Mbit/s"):
        assert cell in line


@pytest.mark.parametrize("why", Reason)
def test_the_choice_of_an_adapter_is_given_its_reason(why: Reason) -> None:
    text = " ".join(to_text(choice(ODD, why)).split())
    assert REASONS[why] in text
    assert "\x1b" not in text


def test_the_beginning_says_what_will_happen() -> None:
    text = to_text(begins(CABLE, Path("a.pcapng"), "14:03:01", 600, 10**8))
    for words in (
        "cable",
        "a.pcapng",
        "14:03:01",
        "10 min",
        "100 MB",
        "Nothing is sent",
        "safe",
    ):
        assert words in " ".join(text.split())


@pytest.mark.parametrize(
    ("lost", "words"), [(0, "none lost"), (1, "1 frame lost"), (None, "does not say")]
)
def test_the_end_says_where_it_lies_and_what_was_lost(lost: int | None, words: str) -> None:
    paths = deque([Path("a-2.pcapng"), Path("a-3.pcapng")])
    pieces = SimpleNamespace(paths=paths, removed=1)
    recorder: Any = SimpleNamespace(pieces=pieces, frames=1234, lost=lost, problem=None)
    text = to_text(ended(Ended.TIME, recorder))
    for part in ("1,234 frames", words, "1 older piece", '- "a-2.pcapng"', '- "a-3.pcapng"'):
        assert part in text


def test_every_ending_has_words() -> None:
    assert set(recording.ENDED) == set(Ended)


def test_what_no_frame_shows_goes_into_the_recording() -> None:
    other = Adapter("office", (IPv4Interface("198.51.100.7/24"),))
    loop = Adapter("loop", (IPv4Interface("127.0.0.1/8"),))
    said = list(comments([CABLE, other, ODD, loop], CABLE, ["192.0.2.60:502"]))
    assert len(said) == 2
    assert "192.0.2.60:502" in said[0]
    assert '"office", 198.51.100.7/24, link' in said[1]
