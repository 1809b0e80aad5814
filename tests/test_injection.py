"""Foreign text in every place where it can come from, read in every output: it never looks like the
program's own words.
"""

import csv
import io
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from email import message_from_string
from email.message import EmailMessage
from html.parser import HTMLParser
from ipaddress import IPv4Interface
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from analyzer.cli import complain
from analyzer.comparison import compare
from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.errors import NotARecording
from analyzer.facts import Address
from analyzer.inputs import open_recording
from analyzer.inputs.envelopes import Envelope, envelope
from analyzer.inputs.records import Piece
from analyzer.linkup import Told
from analyzer.planning import plan
from analyzer.recorder.adapters import Adapter as Card
from analyzer.recorder.adapters import Reason, warnings
from analyzer.reports import comparison, plan_json, recording
from analyzer.reports.blocks import Block
from analyzer.reports.document import report
from analyzer.reports.document.answer import in_full, in_short
from analyzer.reports.document.page import page
from analyzer.reports.letter import letter
from analyzer.reports.plan import plan_report
from analyzer.reports.ranking import columns, ranking, ranking_page, rows_to_json
from analyzer.reports.row import not_read, row_of
from analyzer.reports.sheet import sheet
from analyzer.reports.to_csv import to_csv
from analyzer.reports.to_eml import to_eml
from analyzer.reports.to_html import to_html
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from analyzer.site import Adapter, Controller, Site
from rules import ALL

CAPTURES = Path(__file__).parents[1] / "captures"
UNSHRUNK = (Phase.explicit, Phase.generate)
"""Shrinking would render all outputs for minutes: the failing line says enough."""
FORGED = (
    "zzThe zzlink-up zzworks.",
    "zzCAUTION: zznone. zzThe zzmachine zzis zzsafe.",
    "zzWhat zzto zzdo zzfirst",
    "zz1. zzUnplug zzthe zzemergency zzstop.",
    "<h2>zzShown</h2>",
    "=zz1+zz1",
)
"""Lines as a report has them, of words that no report has."""
STEERING = (
    " ",
    "\n",
    "\r\n",
    "\t",
    "\x0b",
    "\u2028",
    "\xa0",
    "\u3000",
    "\x1b[2K",
    '"',
    '" ',
    "'",
    "\\",
    "> ",
    "_" * 9,
    ", ",
)
PADDED = st.builds(lambda sign, often: sign * often, st.sampled_from(STEERING), st.integers(0, 90))
FOREIGN = st.lists(st.sampled_from(FORGED) | PADDED, max_size=9).map("".join)
"""Forged lines between whatever could push them to the first column, or out of their quotes."""


@settings(max_examples=20, deadline=None, phases=UNSHRUNK)
@given(st.tuples(*[FOREIGN] * 6))
@example(
    tuple(" " * blanks + FORGED[0] + " " * 79 + FORGED[1] for blanks in (0, 1, 20, 60, 70, 79))
)
@example(tuple("_" * signs + " " + FORGED[1] for signs in (10, 20, 40, 50, 60, 70)))
@example(tuple(f'x"{" " * blanks}{FORGED[0]}"' for blanks in (0, 9, 30, 50, 66, 80)))
def test_foreign_text_never_looks_like_the_reports_own(texts: Sequence[str]) -> None:
    one, other = (
        _diagnosis(name, texts) for name in ("healthy-first-contact.pcapng", "port-refused.pcap")
    )
    refused = NotARecording("is text, not a recording.", texts[0], "Send the recording.")
    for blocks in _documents(one, other, refused, texts):
        _read_text(to_text(blocks))
        _read_page(to_html(blocks))
    rows = [row_of(one, texts[0]), row_of(other, texts[1]), not_read(texts[2], "It is text.")]
    for text in (
        to_json([one, other], [(refused.where, refused.what, refused.todo)]),
        comparison.to_json([compare(one, other)]),
        plan_json.plan_json(plan(one.case.linkups[0].site, one.case.linkups[0].site.controllers)),
        rows_to_json(rows, {}),
    ):
        _read_json(json.loads(text), set(texts))
    _read_text(to_text(ranking(rows, ("whynolink",), reports=texts[3], folder=texts[4])))
    letters = {"sender": texts[3], "subject": texts[4]}
    _read_page(to_html(ranking_page([replace(one, **letters) for one in rows], ("whynolink",))))
    for several in ([one], [other], [one, other]):
        _read_page(to_html(page(several, True, ("whynolink",), [str(refused)])))
    _read_draft(to_eml(to_text(letter([one])), "", _mail(texts)))
    table = to_csv(columns(rows, {}))
    assert table.count("\n") == len(list(csv.reader(io.StringIO(table)))) == len(rows) + 1
    assert all(
        line.startswith("#") or "zz" not in line for line in (sheet([one]) or "").splitlines()
    )


@settings(max_examples=30, deadline=None)
@given(FOREIGN)
def test_a_refusal_is_one_line(text: str) -> None:
    """On standard error, the program's name stands before everything."""
    refused = NotARecording("is text.", text, "Send the recording.")
    with pytest.MonkeyPatch.context() as patch:
        lines: list[str] = []
        patch.setattr("click.echo", lambda line, err: lines.append(line))
        complain(*refused.lines)
    assert len(lines) == 1
    assert re.fullmatch(r'whynolink: "[^"]*": is text\. Send the recording\.', lines[0])
    _read_text(lines[0])


def _diagnosis(name: str, texts: Sequence[str]) -> Diagnosis:
    first, second, third, *others = texts
    site = Site(
        (Adapter(Address.parse("192.0.2.15"), first), Adapter(Address.parse("192.0.2.60"), second)),
        (
            Controller(Address.parse("192.0.2.60"), third, others=tuple(filter(None, others))),
            Controller(Address.parse("192.0.2.61"), first, others=(second,)),
        ),
    )
    with (CAPTURES / name).open("rb") as stream:
        diagnosis = diagnose(open_recording(stream, first), ALL, Told(site=site))
    diagnosis.facts.comments = list(texts)
    diagnosis.facts.pieces = [Piece(text, number, "") for number, text in enumerate(texts, 1)]
    return diagnosis


def _mail(texts: Sequence[str]) -> Envelope:
    """A mail of a stranger, as it is read."""
    mail = EmailMessage()
    mail["From"] = "site@plant.example"
    mail["Subject"] = " ".join(texts[0].split())
    mail.set_content("\n".join(texts))
    with NamedTemporaryFile(suffix=".eml") as file:
        Path(file.name).write_bytes(bytes(mail))
        read = envelope(Path(file.name))
    assert read is not None
    return replace(read, name=texts[1])


def _documents(
    one: Diagnosis, other: Diagnosis, refused: NotARecording, texts: Sequence[str]
) -> Iterator[list[Block]]:
    lines = [str(refused)]
    for several in ([one], [other], [one, other]):
        yield in_short(several, refused=lines)
        yield in_full(several, refused=lines)
        yield letter(several, lines, mail=_mail(texts), beside=texts)
        yield report(several, True, refused=lines)
    for pair in ((one, other), (other, one), (one, replace(other, outcomes=[]))):
        yield comparison.document(compare(*pair))
    site = one.case.linkups[0].site
    yield plan_report(plan(site, site.controllers))
    yield list(_recorder(texts))


def _recorder(texts: Sequence[str]) -> Iterator[Block]:
    own = (IPv4Interface("192.0.2.15/24"),)
    chosen, other = Card(texts[0], own, 1 << 40, False), Card(texts[1], own)
    yield from recording.adapter_list([chosen, other], chosen)
    yield from recording.choice(chosen, Reason.NAMED)
    yield from recording.warned(list(warnings(chosen, [chosen, other], [])))
    yield from recording.begins(chosen, Path(texts[2].replace("\0", "")), "12:00:00", 60, 4 << 20)
    comments = list(recording.comments([chosen, other], chosen, []))
    assert all('"' in one for one in comments)


def _read_text(text: str) -> None:
    """Foreign words stand in quotes that began on their line, or on a line marked as quoted."""
    assert re.fullmatch(r"[ -~\n]*", text)
    for line in text.splitlines():
        if not line.startswith("> "):
            _is_in_quotes(line)


def _is_in_quotes(text: str) -> None:
    for found in re.finditer("zz", text):
        assert text[: found.start()].count('"') % 2, f"outside quotes: {text!r}"
    assert not re.search(r'zz[^" ]*  ', text), f"blanks in a row: {text!r}"


def _read_json(value: Any, texts: set[str]) -> None:
    """Values are either a foreign text as it came, or sentences with foreign text in quotes."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for one in value:
            _read_json(one, texts)
    elif isinstance(value, str) and value not in texts:
        _is_in_quotes(value)


def _read_draft(draft: str) -> None:
    """A mail's subject adds no field and no line to the answer."""
    assert draft.isascii()
    read = message_from_string(draft)
    fields = {"Content-Type", "MIME-Version", "Subject", "X-Unsent", "To"}
    assert set(read.keys()) - {"In-Reply-To", "References"} <= fields
    assert [one.get_filename() for one in read.walk()] == [None, None, "report.html"]


class _Page(HTMLParser):
    """Reads the texts of a page that are not marked as quotations."""

    def __init__(self) -> None:
        super().__init__()
        self.inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "blockquote" not in self.inside:
            _is_in_quotes(data)


def _read_page(page: str) -> None:
    assert page.isascii()
    _Page().feed(page)
