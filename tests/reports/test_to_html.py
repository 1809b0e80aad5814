"""The page without a browser: self-contained, escaped, small, the same each time."""

import re
from hashlib import sha256
from pathlib import Path

import pytest

import analyzer
from analyzer.reports.document.page import page as page_of
from analyzer.reports.to_html import to_html
from tests.support import acquainted, diagnosed, ended

CAPTURES = Path(__file__).parents[2] / "captures"
NAMES = sorted(path.name for path in CAPTURES.iterdir() if ".pcap" in path.name)
MOST_OCTETS = 1 << 20


def page(name: str) -> str:
    return to_html(page_of([analyzer.diagnose(CAPTURES / name)]))


@pytest.mark.parametrize("name", NAMES)
def test_a_page_loads_nothing_and_runs_nothing(name: str) -> None:
    html = page(name)
    assert not re.search(
        r"<script|<link|<img|<iframe|<object|<embed| on[a-z]+=|url\(|@import", html
    )
    assert not re.search(r"(?:href|src)=\"(?!#)", html)
    assert html.isascii()
    assert len(html) < MOST_OCTETS


@pytest.mark.parametrize("name", NAMES)
def test_names_of_links_are_unique_and_lead_somewhere(name: str) -> None:
    html = page(name)
    names = re.findall(r' id="([^"]+)"', html)
    assert len(names) == len(set(names))
    assert set(re.findall(r'href="#([^"]+)"', html)) <= set(names)


def test_several_recordings_share_no_names() -> None:
    diagnoses = [analyzer.diagnose(CAPTURES / "session-reset.pcap")] * 2
    names = re.findall(r' id="([^"]+)"', to_html(page_of(diagnoses)))
    assert len(names) == len(set(names)) > 10


def test_a_busy_recording_makes_a_small_page() -> None:
    plant, pc, unit = acquainted()
    for number in range(300):
        session = plant.tcp(pc, unit).open()
        session.poll(number % 4 + 1, every=0.01)
        session.rst(unit) if number % 3 else session.close()
    html = to_html(page_of([diagnosed(ended(plant))]))
    assert len(html) < MOST_OCTETS // 4


def test_the_style_is_the_one_that_the_policy_names() -> None:
    from base64 import b64encode

    html = page(NAMES[0])
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)
    assert style is not None
    digest = b64encode(sha256(style[1].encode()).digest()).decode()
    assert f"'sha256-{digest}'".replace("+", "&#43;") in html or f"'sha256-{digest}'" in html


@pytest.mark.parametrize(
    "text", ["<b>bold</b>", '"><script>1</script>', "{{ 7*7 }}", "\u202e\x1b[31m"]
)
def test_foreign_text_is_escaped(text: str) -> None:
    diagnosis = analyzer.diagnose(CAPTURES / NAMES[0])
    diagnosis.facts.file = text
    html = to_html(page_of([diagnosis]))
    assert text not in html or text == "{{ 7*7 }}"
    assert "49" not in re.search(r"<h1[^>]*>(.*?)</h1>", html, re.DOTALL)[1]
