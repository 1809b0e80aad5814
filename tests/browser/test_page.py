"""The page as people see it: in a real browser, at desk, phone and print size, light and dark."""

import io
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import analyzer
from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.inputs import open_recording
from analyzer.reports.document import report
from analyzer.reports.to_html import to_html
from captures.plant import Plant
from rules import ALL

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
FOLDER = Path(__file__).parents[2] / "captures"
CAPTURES = [
    FOLDER / name
    for name in (
        "healthy-first-contact.pcapng",
        "nobody-has-the-address.pcap",
        "session-reset.pcap",
        "two-units-one-address.pcap",
        "rival-address-servers.pcap",
        "late-answer-mixed-up.pcap",
    )
]
DESK, PHONE, PAPER = (1280, 900), (390, 800), (720, 1000)


def ten_controllers() -> Diagnosis:
    plant = Plant()
    pc = plant.pc()
    plant.wait(5)
    for number in range(60, 70):
        unit = plant.station(f"192.0.2.{number}")
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit)
        if number == 64:
            session.syn()
            session.refuse()
        else:
            session.open().poll(14)
    plant.wait(10)
    plant.chatter()
    return judged(plant)


def six_lifelines() -> Diagnosis:
    """Many events, and more devices with the controller's address than there is room for."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    plant.link_up(pc)
    for number in range(80, 90):
        plant.announce(plant.station(unit.address, hw=f"00:00:5e:00:53:{number}"))
    for number in range(60):
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit).open()
        session.poll(2)
        session.rst(unit, after=2.0) if number % 2 else session.close()
        plant.ping(pc, unit.address)
    plant.wait(10)
    plant.chatter()
    return judged(plant)


def one_lifeline() -> Diagnosis:
    plant = Plant()
    pc = plant.pc()
    plant.wait(3)
    plant.probe(pc)
    for _ in range(9):
        plant.ask(pc, "192.0.2.60", after=1.0)
    plant.wait(40)
    plant.announce(pc)
    return judged(plant)


def judged(plant: Plant) -> Diagnosis:
    name = "a-long-name-of-a-recording-from-the-capping-hall-second-attempt-" * 2 + ".pcap"
    return diagnose(open_recording(io.BytesIO(plant.pcap()), name), ALL)


STORIES = {
    "ten controllers": ten_controllers,
    "six lifelines": six_lifelines,
    "one lifeline": one_lifeline,
    "nothing": lambda: judged(Plant()),
    **{path.name: lambda path=path: analyzer.diagnose(path) for path in CAPTURES},
}


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="session")
def pages() -> dict[str, str]:
    """Each story's page, made once."""
    return {}


@pytest.fixture
def opened(browser: Any, pages: dict[str, str], tmp_path: Path) -> Iterator[Any]:
    """Opens a story's page; afterwards nothing may have been said or asked for."""
    said: list[str] = []
    contexts = []

    def open_page(name: str, size: tuple[int, int] = DESK, **settings: Any) -> Any:
        html = pages.get(name)
        if html is None:
            html = pages[name] = to_html(report([STORIES[name]()], pictures=True, made=("one",)))
        file = tmp_path / "page.html"
        file.write_text(html, "utf-8")
        viewport = {"width": size[0], "height": size[1]}
        context = browser.new_context(viewport=viewport, **settings)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: said.append(request.url))
        page.goto(file.as_uri())
        assert said.pop(0) == file.as_uri()
        return page

    yield open_page
    assert said == []
    for context in contexts:
        context.close()


@pytest.mark.parametrize("name", STORIES)
@pytest.mark.parametrize("size", [DESK, PHONE, PAPER], ids=["desk", "phone", "paper"])
def test_nothing_scrolls_sideways(opened: Any, name: str, size: tuple[int, int]) -> None:
    page = opened(name, size)
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


OVERLAPS = """
() => [...document.querySelectorAll('svg')].flatMap(svg => {
  const texts = [...svg.querySelectorAll('text')].filter(t => t.textContent.trim());
  const boxes = texts.map(t => t.getBoundingClientRect());
  const clashes = [];
  for (let i = 0; i < boxes.length; i++)
    for (let j = i + 1; j < boxes.length; j++) {
      const a = boxes[i], b = boxes[j];
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const tall = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (wide > 2 && tall > 4) clashes.push(texts[i].textContent + ' / ' + texts[j].textContent);
    }
  return clashes;
})
"""


@pytest.mark.parametrize("name", STORIES)
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_label_lies_on_another(opened: Any, name: str, size: tuple[int, int]) -> None:
    assert opened(name, size).evaluate(OVERLAPS) == []


OUTSIDE = """
() => [...document.querySelectorAll('svg')].flatMap(svg => {
  const frame = svg.getBoundingClientRect();
  return [...svg.querySelectorAll('text')].filter(t => {
    const box = t.getBoundingClientRect();
    return box.left < frame.left - 1 || box.right > frame.right + 1;
  }).map(t => t.textContent);
})
"""


@pytest.mark.parametrize("name", STORIES)
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_label_leaves_its_picture(opened: Any, name: str, size: tuple[int, int]) -> None:
    assert opened(name, size).evaluate(OUTSIDE) == []


@pytest.mark.parametrize("name", STORIES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessible_by_axe(opened: Any, name: str, scheme: str) -> None:
    """axe-core finds no violation of any of its rules, WCAG 2 AA contrast included."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = opened(name, color_scheme=scheme, bypass_csp=True)
    violations = axe.Axe().run(page).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in violations] == []


def test_the_verdict_comes_first_and_the_steps_before_the_stations(opened: Any) -> None:
    page = opened("session-reset.pcap")
    text = page.inner_text("main")
    parts = (
        "The link came up, then broke at stage 6 of 7",
        "Why we think so",
        "What to do",
        "What passed between them",
        "Stations in this recording",
        "What this recording cannot tell",
        "How this report was made",
    )
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_a_caution_stands_above_its_step(opened: Any) -> None:
    page = opened("session-reset.pcap")
    item = page.locator("li", has=page.locator(".caution")).first
    assert item.inner_text().startswith("CAUTION:")


def test_proof_and_picture_lead_to_each_other(opened: Any) -> None:
    page = opened("session-reset.pcap")
    there = page.locator("tr[id^=proof-] a").first
    target = there.get_attribute("href")
    there.click()
    assert page.evaluate("document.querySelector(':target').id") == target.removeprefix("#")
    page.locator(f"{target} a").first.focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.querySelector(':target').tagName") == "TR"


def test_keyboard_reaches_links_and_wide_parts(opened: Any) -> None:
    page = opened("session-reset.pcap", PHONE)
    reached = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate("document.activeElement.tagName + document.activeElement.className")
        )
    assert {"SUMMARY", "A", "DIVscroll"} <= reached


def test_a_question_without_answer_is_drawn_as_such(opened: Any) -> None:
    page = opened("nobody-has-the-address.pcap")
    assert page.locator("svg.sequence circle.hole").count() >= 3
    assert "no answer for" in page.locator("svg.sequence").text_content()


def test_repeated_requests_are_folded_with_their_answers(opened: Any) -> None:
    page = opened("ten controllers")
    assert "14 answers" in page.inner_text("main")
    assert page.locator("svg.sequence").count() == 1


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_printed_in_full_on_paper(opened: Any, paper: str) -> None:
    page = opened("session-reset.pcap", PAPER)
    page.emulate_media(media="print")
    assert page.locator("details").first.is_hidden()
    assert page.locator(".verdict").first.is_visible()
    for picture in page.locator("svg").all():
        assert picture.bounding_box()["width"] <= PAPER[0]
    assert page.pdf(format=paper).startswith(b"%PDF")


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\u202e{{ 7*7 }}"


def test_names_from_outside_stay_text(opened: Any, pages: dict[str, str]) -> None:
    diagnosis = analyzer.diagnose(CAPTURES[0])
    diagnosis.facts.file = HOSTILE
    diagnosis.facts.comments.append(HOSTILE)
    pages["hostile"] = to_html(report([diagnosis], pictures=True))
    page = opened("hostile")
    assert page.locator("script, img").count() == 0
    assert page.inner_text("main").count("<script>alert(1)</script>") == 2
    assert "{{ 7*7 }}" in page.inner_text("h1")


def test_the_page_forbids_itself_to_load_or_run_anything(opened: Any) -> None:
    page = opened("nothing")
    policy = page.locator("meta[http-equiv=Content-Security-Policy]").get_attribute("content")
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
