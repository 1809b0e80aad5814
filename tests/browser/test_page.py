"""The page as people see it: in a real browser, at desk, phone and print size, light and dark."""

import io
import re
import shutil
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest

import analyzer
from analyzer import site
from analyzer.comparison import compare
from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.inputs import open_recording
from analyzer.planning import plan
from analyzer.reports import comparison
from analyzer.reports.blocks import Block
from analyzer.reports.document.page import page as page_of
from analyzer.reports.plan import plan_report
from analyzer.reports.ranking import ranking_page
from analyzer.reports.row import row_of
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


def pings_and_polls() -> Diagnosis:
    """Enough of both for a picture of how long they took."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    plant.resolve(pc, unit)
    for number in range(20):
        plant.ping(pc, unit.address, sequence=number, after=0.5)
        plant.pong(unit, pc, sequence=number, after=0.0003 + 0.0001 * number)
    plant.tcp(pc, unit).open().poll(300, every=0.05)
    plant.wait(8)
    plant.chatter()
    return judged(plant)


def a_plan() -> list[Block]:
    told = site.read(
        b"""
        [[adapter]]
        name = "cable adapter"
        address = "192.0.2.15"
        mask = "255.255.255.0"
        [[controller]]
        name = "press 3"
        address = "192.0.2.60"
        mask = "255.255.255.0"
        port = 502
        cable = "direct"
        [[controller]]
        name = "capping 7"
        address = "192.0.2.61"
        mask = "255.255.255.0"
        port = 502
        """,
        "site.toml",
    )
    return plan_report(plan(told, told.controllers))


def two_compared() -> list[Block]:
    works, fails = (analyzer.diagnose(CAPTURES[place]) for place in (0, 2))
    return comparison.document(compare(works, fails))


def many_reviewed() -> list[Block]:
    rows = [row_of(analyzer.diagnose(path), path.name) for path in CAPTURES]
    return ranking_page(rows, ("one",))


def reported(make: Callable[[], Diagnosis]) -> Callable[[], list[Block]]:
    return lambda: page_of([make()], made=("one",))


STORIES: dict[str, Callable[[], list[Block]]] = {
    "ten controllers": reported(ten_controllers),
    "six lifelines": reported(six_lifelines),
    "one lifeline": reported(one_lifeline),
    "pings and polls": reported(pings_and_polls),
    "nothing": reported(lambda: judged(Plant())),
    "plan": a_plan,
    "comparison": two_compared,
    "review": many_reviewed,
    **{path.name: reported(partial(analyzer.diagnose, path)) for path in CAPTURES},
}


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


class Pages:
    """Each story's page is made once and stays open: to be looked at again takes no new page.

    said: what the pages said on their consoles or asked for.
    """

    def __init__(self, browser: Any, folder: Path) -> None:
        self.browser, self.folder = browser, folder
        self.open: dict[tuple[str, bool], Any] = {}
        self.said: list[str] = []

    def page(self, name: str, html: str | None = None, bypass_csp: bool = False) -> Any:
        """The page of a story, or of a text; bypass_csp: so that axe-core may run in it."""
        known = self.open.get((name, bypass_csp))
        if known is None:
            file = self.folder / f"{len(self.open)}.html"
            file.write_text(html or told(name), "utf-8")
            page = self.browser.new_context(bypass_csp=bypass_csp).new_page()
            page.on("console", lambda message: self.said.append(message.text))
            page.on("pageerror", lambda error: self.said.append(str(error)))
            page.on("request", lambda request: self.said.append(request.url))
            known = self.open[name, bypass_csp] = page, file.as_uri()
        page, address = known
        page.goto(address)
        assert self.said.pop(0) == address
        return page


@cache
def told(name: str) -> str:
    """The page of a story."""
    return to_html(STORIES[name]())


@pytest.fixture(scope="session")
def pages(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Pages:
    return Pages(browser, tmp_path_factory.mktemp("pages"))


@pytest.fixture
def opened(pages: Pages) -> Iterator[Any]:
    """Opens a story's page; afterwards nothing may have been said or asked for."""

    def open_page(
        name: str, size: tuple[int, int] = DESK, scheme: str = "light", **more: Any
    ) -> Any:
        page = pages.page(name, **more)
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.emulate_media(media="screen", color_scheme=scheme)
        return page

    yield open_page
    said, pages.said = pages.said, []
    assert said == []


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


BRIEF = {"resultTypes": ["violations"]}
"""Telling all that is in order takes most of the time."""
COLOURS = {**BRIEF, "runOnly": ["color-contrast"]}
"""What may differ between light and dark."""


@pytest.mark.parametrize("name", STORIES)
@pytest.mark.parametrize(
    ("scheme", "rules"), [("light", BRIEF), ("dark", COLOURS)], ids=("light", "dark")
)
def test_accessible_by_axe(opened: Any, name: str, scheme: str, rules: dict[str, Any]) -> None:
    """axe-core finds no violation of any of its rules, WCAG 2 AA contrast included."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = opened(name, scheme=scheme, bypass_csp=True)
    violations = axe.Axe().run(page, options=rules).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in violations] == []


def test_the_answer_comes_first_and_the_stations_last(opened: Any) -> None:
    diagnosis = analyzer.diagnose(FOLDER / "idle-limit.pcap")
    page = opened("idle limit", html=to_html(page_of([diagnosis], made=("whynolink",))))
    text = page.inner_text("main")
    parts = (
        "The connection came up, then failed 3 times, at the session",
        "What to do first",
        "How far it got",
        "What passed between them",
        "Why we think so",
        "Likely causes",
        "What to do next",
        "Stations in this recording",
        "What this recording cannot tell",
        "How this report was made",
    )
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


ALL_CAPTURES = sorted(path.name for path in FOLDER.iterdir() if ".pcap" in path.name)
FIRST_SCREEN = (390, 844)


@pytest.mark.parametrize("name", ALL_CAPTURES)
def test_the_first_step_stands_on_the_first_screen_of_a_phone(opened: Any, name: str) -> None:
    page = opened(name, FIRST_SCREEN, html=to_html(page_of([analyzer.diagnose(FOLDER / name)])))
    first = page.locator("main > ol:not(.stages) > li").first
    alone = first.locator(".step")
    step = (alone if alone.count() else first).bounding_box()
    assert step["y"] + step["height"] <= FIRST_SCREEN[1]


def test_an_index_leads_to_each_of_several_recordings(opened: Any) -> None:
    diagnoses = [analyzer.diagnose(path) for path in CAPTURES[:3]]
    page = opened("several", html=to_html(page_of(diagnoses)))
    links = page.locator("table").first.locator("a").all()
    assert len(links) == len(diagnoses)
    for link in links:
        link.click()
        heading = page.evaluate("document.querySelector(':target').innerText")
        assert heading == link.inner_text()


VERDICTS = {
    "healthy-first-contact.pcapng": "Works",
    "late-answer-mixed-up.pcap": "Works, with a warning",
    "nobody-has-the-address.pcap": "Stopped",
    "stopped-early.pcap": "Cannot tell",
}


def test_no_verdict_is_told_by_its_colour_alone(opened: Any) -> None:
    """Each has a word, a sign and a colour that no other one has."""
    looks = []
    for name, word in VERDICTS.items():
        page = opened(name, html=to_html(page_of([analyzer.diagnose(FOLDER / name)])))
        banner = page.locator(".banner").first
        assert banner.locator(".word").text_content().endswith(word)
        colour = banner.evaluate("one => getComputedStyle(one).borderLeftColor")
        looks.append((banner.locator(".sign").inner_text(), colour))
    assert all(len(set(kind)) == len(VERDICTS) for kind in zip(*looks, strict=True))


def test_a_comparison_fits_a_phone(opened: Any) -> None:
    """What matters stands in the last column: it is in sight without scrolling."""
    page = opened("comparison", PHONE)
    for table in page.locator(".scroll").all():
        assert table.evaluate("one => one.scrollWidth <= one.clientWidth")


@pytest.mark.parametrize("name", [path.name for path in CAPTURES])
def test_tables_that_are_not_folded_fit_a_phone(opened: Any, name: str) -> None:
    page = opened(name, PHONE)
    boxes = [one for one in page.locator(".scroll:has(> table)").all() if one.is_visible()]
    assert boxes
    for one in boxes:
        assert one.evaluate("one => one.scrollWidth <= one.clientWidth")


TWO = ("session-reset.pcap", "late-answer-mixed-up.pcap")


@pytest.mark.parametrize("name", [*TWO, "two-units-one-address.pcap", "six lifelines"])
def test_both_ends_are_in_sight_on_a_phone(opened: Any, name: str) -> None:
    page = opened(name, PHONE)
    scroller = page.locator(".sequence").first
    if name in TWO:
        assert scroller.evaluate("one => one.scrollWidth <= one.clientWidth")
    edges = scroller.bounding_box()
    for head in scroller.locator(".name").all()[:2]:
        box = head.bounding_box()
        middle = box["x"] + box["width"] / 2
        assert edges["x"] <= middle <= edges["x"] + edges["width"]


def test_a_caution_stands_above_its_step(opened: Any) -> None:
    page = opened("session-reset.pcap")
    item = page.locator("li", has=page.locator(".caution")).first
    assert re.search(r"\n+(WARNING|NOTICE):", item.inner_text())
    general = page.locator("h2:text('What to do first') + .caution + .caution + ol")
    assert general.count() == 1


@pytest.mark.parametrize(
    "name", ["late-answer-mixed-up.pcap", "two-units-one-address.pcap", "plan"]
)
def test_every_caution_of_a_kind_is_boxed_alike(opened: Any, name: str) -> None:
    page = opened(name)
    boxes = """all => all.map(one => [
        one.tagName, one.firstChild.innerText, getComputedStyle(one).borderTopWidth,
    ])"""
    looks = page.locator(".caution").evaluate_all(boxes)
    assert looks
    known = (["P", "WARNING:", "2px"], ["P", "NOTICE:", "0px"])
    assert all(look in known for look in looks)
    assert len(re.findall("(?:WARNING|NOTICE):", page.inner_text("main"))) == len(looks)
    assert "Be careful" not in page.inner_text("main")


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
    assert page.locator(".sequence circle.hole").count() >= 3
    assert "no answer for" in page.locator(".sequence").text_content()


def test_repeated_requests_are_folded_with_their_answers(opened: Any) -> None:
    page = opened("ten controllers")
    assert "14 answers" in page.inner_text("main")
    assert page.locator(".sequence").count() == 1


SHEETS = {"A4": (210, 297), "Letter": (216, 279)}
"""Width and height in millimetres (ISO 216; ANSI/ASME Y14.1)."""
EDGE = 15
"""Margin of every page in millimetres, as the style sheet has it."""
TOO_WIDE = """
wide => [...document.querySelectorAll('main *')].filter(one => {
  const box = one.getBoundingClientRect();
  return box.width && (box.right > wide + 1 || box.left < -1);
}).map(one => one.outerHTML.slice(0, 80))
"""
LONGEST = {
    "healthy-first-contact.pcapng": 4,
    "six lifelines": 10,
    "ten controllers": 6,
    "plan": 10,
    "review": 2,
}
"""Pages on either paper: one more than there were when somebody looked at them."""


@pytest.mark.parametrize("paper", SHEETS)
@pytest.mark.parametrize("name", LONGEST)
def test_printed_in_full_on_paper(opened: Any, name: str, paper: str) -> None:
    """Nothing beyond the margins, nothing folded away, no piece of a picture that has to be cut."""
    wide, tall = (int((side - 2 * EDGE) * 96 / 25.4) for side in SHEETS[paper])
    page = opened(name, (wide, tall))
    page.emulate_media(media="print")
    assert page.evaluate(TOO_WIDE, wide) == []
    assert all(one.is_hidden() for one in page.locator("details").all())
    for picture in page.locator("svg").all():
        assert picture.bounding_box()["height"] < tall / 2
    sheets = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper)))
    assert 1 <= sheets <= LONGEST[name]


def test_no_heading_and_no_row_stays_behind_alone_on_paper(opened: Any) -> None:
    page = opened("ten controllers")
    page.emulate_media(media="print")
    kept = "one => getComputedStyle(one).breakAfter"
    for one in ("h1", "h2", "h3", "figcaption", "tbody tr:first-child"):
        assert set(page.locator(one).evaluate_all(f"all => all.map({kept})")) == {"avoid"}
    whole = "all => all.map(one => getComputedStyle(one).breakInside)"
    for one in ("li", "tr", "svg", ".stages", "figure.strip"):
        assert set(page.locator(one).evaluate_all(whole)) == {"avoid"}


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\u202e{{ 7*7 }}"


def test_many_can_be_filtered_and_sorted(opened: Any) -> None:
    """By the page's own script, with the keyboard alone; what is hidden is counted."""
    page = opened("review")
    rows = page.locator("tbody tr:not(.title):visible")
    assert rows.count() == len(CAPTURES)
    page.locator("input").focus()
    page.keyboard.type("stopped 192.0.2.60")
    few = rows.count()
    assert 0 < few < len(CAPTURES)
    assert page.inner_text("output") == f"{few} of {len(CAPTURES)} rows"
    kinds = page.locator("tr.title:visible").all_inner_texts()
    assert [one.split(" at ")[0] for one in kinds] == ["Stopped"] * len(kinds)
    assert sum(int(re.search(r"\((\d+)\)|$", one)[1] or 1) for one in kinds) == few
    assert page.locator("td[data-name=Verdict]:visible, td[data-name=Stage]:visible").count() == 0
    page.locator("input").fill("")
    page.keyboard.press("Tab")
    page.keyboard.type("unstable")
    kinds = page.locator("tr.title:visible").all_inner_texts()
    assert {one.split(" at ")[0] for one in kinds} == {"Unstable"}
    page.locator("select").nth(0).select_option("")
    page.locator("select").nth(1).select_option(label="File")
    files = page.locator("td[data-name=File]:visible").all_inner_texts()
    told = [name.removeprefix("File: ") for name in files]
    assert told == sorted(f'"{one.name}"' for one in CAPTURES)
    assert page.locator("tr.title:visible").count() == 0
    assert page.locator("td[data-name=Verdict]:visible").count() == len(CAPTURES)
    page.locator("select").nth(1).select_option("")
    every = page.locator("tr.title:visible").all_inner_texts()
    assert len(every) == len(set(every)), "each verdict at each stage has one heading"


def test_names_from_outside_stay_text(opened: Any) -> None:
    diagnosis = analyzer.diagnose(CAPTURES[0])
    diagnosis.facts.file = HOSTILE
    diagnosis.facts.comments.append(HOSTILE)
    page = opened("hostile", html=to_html(page_of([diagnosis])))
    assert page.locator("script, img").count() == 0
    assert "<script>alert(1)</script>" in page.inner_text("main")
    assert "{{ 7*7 }}" in page.inner_text("h1")


def test_the_page_forbids_itself_to_load_or_run_anything(opened: Any) -> None:
    page = opened("nothing")
    policy = page.locator("meta[http-equiv=Content-Security-Policy]").get_attribute("content")
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
