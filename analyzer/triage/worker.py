"""One file -> its rows: what a worker does. Everything here can be pickled."""

import hashlib
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, tzinfo
from functools import cache
from pathlib import Path

from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.errors import NotARecording, Unusable
from analyzer.findings import Rule
from analyzer.inputs.envelopes import envelope
from analyzer.inputs.parcels import Limits, unpack
from analyzer.inputs.parcels.folders import on_disk
from analyzer.inputs.parcels.pieces import joined
from analyzer.inputs.records import Recording
from analyzer.inputs.strangers import WITHOUT_FRAMES
from analyzer.linkup import Told
from analyzer.reports.document.page import page
from analyzer.reports.over_files import Broken, broken_in
from analyzer.reports.row import NOT_READ, Row, beside, in_utc, not_read, row_of
from analyzer.triage.files import Sent, opened
from analyzer.triage.kept import recall

SLUG = 40
"""Letters of a file's own name in the name of its page: enough to know it by."""


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """What is wanted of every file.

    rules: gives the rules, a function that can be imported; made: by which version and with which
    options, in words; limit: how many times as much as is usual may be unpacked; judged_by: the
    fingerprint of the program text; keep: where results are kept; reports: where pages are written.
    None: not wanted. table: the address of the table from there, empty where it has none; zone:
    that of the times in pages, None for that of the machine that makes them.
    """

    rules: Callable[[], Sequence[Rule]]
    told: Told = field(default_factory=Told)
    made: tuple[str, ...] = ()
    limit: int = 1
    judged_by: str = ""
    keep: Path | None = None
    reports: Path | None = None
    table: str = ""
    zone: tzinfo | None = UTC


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """What came of one file. Rows are named from inside the file, a recording itself is "".

    pages: the HTML by file name, of reports that are not there yet; key: by which the rows are
    kept, empty where they are not to be; kept: whether they were kept before; broken: the link-ups
    that broke, which no row holds: such a file is judged anew each time.
    """

    rows: Sequence[Row]
    pages: Mapping[str, str] = field(default_factory=dict)
    key: str = ""
    kept: bool = False
    broken: Sequence[Broken] = ()


def review(sent: Sent, order: Order) -> Result:
    """Judge all recordings of a file. Raises nothing: what is wrong is told in the row."""
    try:
        return _review(sent, [_file_digest(path) for path in sent.paths], order)
    except Unusable as problem:
        why = _why(problem)
    except MemoryError:
        why = "It needs more memory than there is. Try it on a larger machine."
    except OSError as problem:
        why = f"It cannot be read: {problem.strerror or problem}. Check path and rights."
    except Exception as defect:
        why = (
            f"It stopped whynolink ({type(defect).__name__}). Tell those who look after whynolink."
        )
    return Result([not_read("", why)])


def _file_digest(path: Path) -> str:
    with opened(path) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _review(sent: Sent, digests: Sequence[str], order: Order) -> Result:
    key = _digest(" ".join(digests), order.judged_by, *order.made)
    known = recall(order.keep, key) if order.keep is not None else None
    if known is not None and all(_has_page(named(row, sent, order, key), order) for row in known):
        return Result(known, key=key, kept=True)
    rows: list[Row] = []
    pages: dict[str, str] = {}
    broken: list[Broken] = []
    strays = 0
    for one in _recordings(sent, Limits(order.limit)):
        if isinstance(one, NotARecording):
            if one.what in WITHOUT_FRAMES and one.where != sent.name:
                strays += 1
            else:
                rows.append(not_read(_inside(one.where, sent), _why(one)))
            continue
        diagnosis = diagnose(one, _rules(order.rules), order.told)
        rows.append(row_of(diagnosis, _inside(one.name, sent)))
        broken += broken_in(diagnosis, rows[-1].file)
        place = named(rows[-1], sent, order, key).report
        if place:
            pages[place] = _page(diagnosis, order)
    if any(row.verdict != NOT_READ for row in rows):
        rows = [beside(row) if row.verdict == NOT_READ else row for row in rows]
    return Result(
        _with_mail(rows or [not_read("", NOTHING)], sent, strays), pages, key, broken=broken
    )


NOTHING = "It holds no recording. Ask for the recording itself, packed as ZIP."


def _with_mail(rows: Sequence[Row], sent: Sent, strays: int) -> list[Row]:
    """The rows with what the mail says that they came with, and with what came along."""
    mail = None if sent.pieces else envelope(sent.path)
    if mail is not None:
        sender, when = mail.sender or mail.name, in_utc(mail.sent)
        rows = [replace(row, sender=sender, subject=mail.subject, sent=when) for row in rows]
    return [replace(rows[0], strays=strays), *rows[1:]]


def _recordings(sent: Sent, limits: Limits) -> Iterator[Recording | NotARecording]:
    if sent.pieces:
        return iter([joined([on_disk(one.path, one.name) for one in sent.pieces], limits)])
    return unpack(sent.path, sent.name, limits)


@cache
def _rules(given: Callable[[], Sequence[Rule]]) -> Sequence[Rule]:
    """Asked for once a worker: looking for rules that a team adds takes as long as a diagnosis."""
    return given()


def _inside(name: str, sent: Sent) -> str:
    """The name of a recording from inside its file."""
    return name.removeprefix(sent.name)


def _page(diagnosis: Diagnosis, order: Order) -> str:
    from analyzer.reports.to_html import to_html  # takes long to import

    return to_html(page([diagnosis], made=order.made, zone=order.zone), order.table)


def _digest(*texts: str) -> str:
    return hashlib.sha256("\n".join(texts).encode("utf-8", "surrogatepass")).hexdigest()


def named(row: Row, sent: Sent, order: Order, key: str) -> Row:
    """The row under the name that the reader knows, with the name of its page."""
    file = sent.name + row.file
    wanted = order.reports is not None and row.verdict != NOT_READ
    return replace(row, file=file, report=_page_name(file, key, order) if wanted else "")


def _page_name(file: str, key: str, order: Order) -> str:
    """A name made of a few plain letters, digits and dashes, the same for the same report."""
    own = re.split(r"[\\/]", file)[-1].lower()
    slug = re.sub(r"[^a-z0-9]+", "-", own)[:SLUG].strip("-")
    return f"{slug or 'recording'}-{_digest(key, file, order.table, str(order.zone))[:12]}.html"


def _has_page(row: Row, order: Order) -> bool:
    return order.reports is None or not row.report or (order.reports / row.report).is_file()


def _why(problem: Unusable) -> str:
    return f"It {problem.what} {problem.todo}"
