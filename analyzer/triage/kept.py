"""Results of earlier runs, a small file each, so that nothing is judged twice."""

import hashlib
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import get_type_hints

from analyzer.diagnosis import Stage
from analyzer.errors import Unusable
from analyzer.findings import Rule
from analyzer.outputs.whole import write_whole
from analyzer.reports.row import WORST_STATUS, WORST_VERDICT, Row
from analyzer.triage.files import opened


def fingerprint(rules: Sequence[Rule]) -> str:
    """A digest of the program text that judges: results kept by another one are not used."""
    digest = hashlib.sha256()
    looks = [look for rule in rules for look in (rule.find, rule.survey) if look is not None]
    packages = {__name__, *(look.__module__ for look in looks)}
    for package in sorted({name.partition(".")[0] for name in packages}):
        for path in _sources(package):
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _sources(package: str) -> Iterator[Path]:
    module = sys.modules[package]
    for folder in getattr(module, "__path__", ()):
        yield from sorted(Path(folder).rglob("*.py"))
    if not hasattr(module, "__path__") and module.__file__:
        yield Path(module.__file__)


LARGEST = 1 << 23
"""Octets of one file at most: the rows of a parcel with 10,000 recordings fit."""
MOST = 1 << 53
"""No number in a row is larger: what every reader of JSON can tell apart (RFC 8259 6)."""


def recall(folder: Path, key: str) -> list[Row] | None:
    """The rows kept under a key; None where there are none, or what lies there is not what was
    written: it is input like any other.
    """
    try:
        with opened(_place(folder, key)) as stream:
            octets = stream.read(LARGEST + 1)
        digest, _, body = octets.partition(b"\n")
        if len(octets) > LARGEST or digest.decode("ascii") != hashlib.sha256(body).hexdigest():
            return None
        return [_row(entry) for entry in json.loads(body)]
    except (Unusable, OSError, ValueError, TypeError, RecursionError):
        return None


def _row(entry: dict[str, object]) -> Row:
    """Raises TypeError or ValueError where an entry is no row."""
    row = Row(**entry)  # type: ignore[arg-type]
    for name, kind in get_type_hints(Row).items():
        value = getattr(row, name)
        if isinstance(value, bool) or not isinstance(value, kind):
            raise TypeError(name)
        if isinstance(value, int) and not 0 <= value <= MOST:
            raise ValueError(name)
    for value, known in (
        (row.verdict, WORST_VERDICT),
        (row.stage, ("", *Stage)),
        (row.status, WORST_STATUS),
    ):
        if value not in known:
            raise ValueError(value)
    return row


def remember(folder: Path, key: str, rows: Sequence[Row]) -> None:
    """Keep rows under a key. Raises OSError where that cannot be done."""
    body = json.dumps([asdict(row) for row in rows]).encode("ascii")
    digest = hashlib.sha256(body).hexdigest().encode("ascii")
    write_whole(_place(folder, key), digest + b"\n" + body)


def _place(folder: Path, key: str) -> Path:
    return folder / f"{key}.kept"
