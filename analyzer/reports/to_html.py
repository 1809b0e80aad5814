"""Blocks -> one HTML page that needs nothing else: no network, no font, and no script but one for
a table in groups, which filters and sorts it; without it, the table is read as it stands.

Everything from a recording is escaped by the template engine; the page forbids itself to load
anything, and to run anything but that script (Content Security Policy Level 3).
"""

from base64 import b64encode
from collections.abc import Callable, Sequence
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
    Groups,
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
from analyzer.reports.drawing import draw_sequence, draw_sign, draw_spread, draw_strip

NAMES = {
    Heading: "heading",
    Paragraph: "paragraph",
    Quote: "quote",
    Banner: "banner",
    Labelled: "labelled",
    Caution: "caution",
    Listing: "listing",
    Table: "table",
    Groups: "groups",
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
    State.AT_TIMES: "!",
    State.AT_FIRST: "!",
    State.UNCLEAR: "?",
    State.NOT_SHOWN: "?",
    State.NOT_REACHED: "\u2013",
}
DRAW: dict[str, Callable[..., object]] = {
    "sequence": draw_sequence,
    "strip": draw_strip,
    "spread": draw_spread,
}


def to_html(blocks: Sequence[Block], back: str = "") -> str:
    """The document as one page of HTML, in ASCII, which every terminal and file can hold. back: the
    address of the table that leads to it.
    """
    style = _template("page.css")
    script = _template("groups.js") if any(isinstance(one, Groups) for one in blocks) else ""
    named = [(NAMES[type(block)], block) for block in blocks]
    title = next((block.text for block in blocks if isinstance(block, Heading)), "")
    page = (
        _environment()
        .get_template("page.html")
        .render(
            style=style,
            digest=_digest(style),
            script=script,
            script_digest=_digest(script),
            back=back,
            title=title,
            blocks=named,
            moods=MOODS,
            signs=SIGNS,
            draw=DRAW,
            draw_sign=draw_sign,
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


def _template(name: str) -> str:
    return (files("analyzer.reports") / "templates" / name).read_text("utf-8")


def _digest(text: str) -> str:
    """By which the page allows itself a style or a script."""
    return b64encode(sha256(text.encode()).digest()).decode()


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
