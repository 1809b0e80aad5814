"""What has to hold for every report, whatever the recording was."""

import json
import re
from collections.abc import Callable, Iterator
from email.parser import BytesParser
from email.policy import default
from typing import Any

from analyzer.errors import Unusable
from analyzer.inputs.envelopes import Envelope

WIDEST = 80
TAGS = {
    "!doctype", "a", "blockquote", "body", "circle", "code", "dd", "details", "div", "dl", "dt",
    "figcaption", "figure", "g", "h1",
    "h2", "h3", "head", "html", "li", "line", "main", "meta", "ol", "p", "polygon", "pre", "rect",
    "span", "strong", "style", "summary", "svg", "table", "tbody", "td", "text", "th", "thead",
    "title", "tr", "ul",
}  # fmt: skip
"""All that a page is made of: a tag from a recording would be another one, sooner or later."""
SIGNS = {"39", "34", "8211", "10003", "10007"}
"""Character references of a page: quotes, and the signs of the stages."""


def is_plain(text: str) -> None:
    """No control character, no right-to-left mark, nothing that is not ASCII."""
    odd = re.search(r"[^\n -~]", text)
    assert odd is None, f"{odd[0]!r} in {text[max(0, odd.start() - 40) : odd.end() + 40]!r}"


def is_terminal_text(text: str) -> None:
    is_plain(text)
    long = [line for line in text.splitlines() if len(line) > WIDEST]
    assert not long, f"wider than a terminal: {long[0]!r}"


def is_page(page: str) -> None:
    is_plain(page)
    tags = {tag.lower() for tag in re.findall(r"<\s*/?\s*([^\s/>]+)", page)}
    assert tags <= TAGS, f"tags that no page has: {tags - TAGS}"
    signs = set(re.findall(r"&#(\w+);", page))
    assert signs <= SIGNS, f"characters that no page has: {signs - SIGNS}"


def is_json(text: str) -> Any:
    """The value of a text that is JSON by RFC 8259, which has no NaN and no infinity."""
    is_plain(text)
    return json.loads(text, parse_constant=_no_number)


WORDS = (
    b"busy", b"err", b"error", b"fail", b"failed", b"failure", b"refused", b"deny", b"denied",
    b"rejected", b"in use", b"taken", b"occupied", b"already", b"too many", b"no more",
    b"not allowed", b"unavailable", b"sorry",
)  # fmt: skip
"""What may stay of a text in a trimmed copy."""


def is_filled(payload: bytes) -> None:
    """Nothing but filler, one word that turns away, and how the line ends."""
    said = payload.rstrip(b"\r\n").strip(b".")
    assert not said or said.lower() in WORDS, f"{payload!r} stays"


def is_answer(draft: str, mail: Envelope | None) -> None:
    """A draft of two parts whose header says what it should, once; it goes to who sent the mail."""
    is_plain(draft)
    read = BytesParser(policy=default).parsebytes(draft.encode())
    names = [name.lower() for name, _ in read.items()]
    assert len(names) == len(set(names))
    assert set(names) <= HEADER, f"header fields that no draft has: {set(names) - HEADER}"
    to = [one.addr_spec for one in read["to"].addresses] if read["to"] is not None else []
    assert to == ([mail.sender] if mail is not None and mail.sender else [])
    kinds = [part.get_content_type() for part in read.walk()]
    assert kinds == ["multipart/mixed", "text/plain", "text/html"]
    assert not read.defects, read.defects


HEADER = {
    "content-type", "mime-version", "subject", "x-unsent", "to", "in-reply-to", "references",
}  # fmt: skip


def _no_number(text: str) -> None:
    raise AssertionError(f"{text} is no JSON")


def is_refusal(refusal: Unusable) -> None:
    """What it is, and what to do."""
    assert refusal.what
    assert refusal.todo


def names_its_frames(last: int, told: Any) -> None:
    """Every frame that a report names is one of the recording, whose last has that number."""
    for frame in _frames(told):
        assert 1 <= frame <= last, f"frame {frame} of {last}"


def _frames(value: Any, name: str = "") -> Iterator[int]:
    if isinstance(value, dict):
        for key, one in value.items():
            yield from _frames(one, key)
    elif isinstance(value, list):
        for one in value:
            yield from _frames(one, name)
    elif name in ("frame", "first_frame", "last_frame") and value is not None:
        yield value


def refused(read: Callable[[bytes], object], octets: bytes) -> bool:
    """Whether octets are refused in plain words; anything else that is raised gets out."""
    try:
        read(octets)
    except Unusable as refusal:
        is_refusal(refusal)
        return True
    return False
