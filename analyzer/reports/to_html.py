"""Blocks -> one HTML page that needs nothing else: no network, no script, no font.

Everything from a recording is escaped by the template engine; the page forbids itself to load or
run anything (Content Security Policy Level 3).
"""

from base64 import b64encode
from collections.abc import Sequence
from functools import cache
from hashlib import sha256
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined

from analyzer.cautions import Caution
from analyzer.diagnosis import State
from analyzer.reports.blocks import (
    AS_TABLE,
    Banner,
    Block,
    Heading,
    Labelled,
    Listing,
    Mood,
    Paragraph,
    Quote,
    SequenceChart,
    SpreadChart,
    StageChart,
    Table,
    TimeStrip,
    Typed,
)
from analyzer.reports.drawing import draw_sequence, draw_spread, draw_strip

NAMES = {
    Heading: "heading",
    Paragraph: "paragraph",
    Quote: "quote",
    Banner: "banner",
    Labelled: "labelled",
    Caution: "caution",
    Listing: "listing",
    Table: "table",
    Typed: "typed",
    StageChart: "stages",
    SequenceChart: "sequence",
    TimeStrip: "strip",
    SpreadChart: "spread",
}
MOODS = {
    Mood.WORKS: "\u2713",
    Mood.WARNED: "!",
    Mood.STOPPED: "\u2717",
    Mood.CANNOT_TELL: "?",
}
"""Signs, so that no verdict is told by its colour alone."""
SIGNS = {
    State.PASSED: "\u2713",
    State.FAILED: "\u2717",
    State.UNCLEAR: "?",
    State.NOT_REACHED: "\u2013",
}
DRAW = {"sequence": draw_sequence, "strip": draw_strip, "spread": draw_spread}


def to_html(blocks: Sequence[Block]) -> str:
    """The document as one page of HTML, in ASCII, which every terminal and file can hold."""
    style = (files("analyzer.reports") / "templates" / "page.css").read_text("utf-8")
    digest = b64encode(sha256(style.encode()).digest()).decode()
    named = [(NAMES[type(block)], block) for block in blocks]
    title = next((block.text for block in blocks if isinstance(block, Heading)), "")
    page = (
        _environment()
        .get_template("page.html")
        .render(
            style=style,
            digest=digest,
            title=title,
            blocks=named,
            moods=MOODS,
            signs=SIGNS,
            draw=DRAW,
            as_table=AS_TABLE,
            linked={
                name
                for block in blocks
                if isinstance(block, Table)
                for name in block.events
                if name
            },
        )
    )
    return page.encode("ascii", "xmlcharrefreplace").decode("ascii")


@cache
def _environment() -> Environment:
    """Made once: many pages share the template, which takes long to compile."""
    return Environment(
        loader=PackageLoader("analyzer.reports"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
