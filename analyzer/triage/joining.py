"""Pieces of one rotating recording that lie side by side in a folder become one thing to review."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from analyzer.errors import NotARecording
from analyzer.inputs.parcels import Limits
from analyzer.inputs.parcels.folders import on_disk
from analyzer.inputs.parcels.pieces import Surveyed, called, in_time, survey
from analyzer.triage.files import Sent, opened
from analyzer.triage.worker import Order
from analyzer.triage.workers import Workers


@dataclass(frozen=True, slots=True)
class Looked:
    """A file that was looked at before it is reviewed; place: its number among the files; found:
    None where it is no recording with frames in it.
    """

    place: int
    sent: Sent
    found: Surveyed | None


def look_through(files: Sequence[Sent], order: Order, workers: Workers) -> Iterator[Looked]:
    """Look at every file, in any order: whose recording it is, when it begins and ends. Files
    alone in their folder are not opened.
    """
    company = Counter(sent.path.parent for sent in files)
    places = {sent: place for place, sent in enumerate(files)}
    alone = [sent for sent in files if company[sent.path.parent] == 1]
    yield from (Looked(places[sent], sent, None) for sent in alone)
    others = [sent for sent in files if company[sent.path.parent] > 1]
    for sent, found in workers.answers(look, others, order):
        yield Looked(places[sent], sent, None if isinstance(found, Exception) else found)


def look(sent: Sent, order: Order) -> Surveyed | None:
    """Look at one file. Raises nothing: what cannot be read is told when it is reviewed."""
    with suppress(NotARecording, OSError):
        opened(sent.path).close()
        return survey(on_disk(sent.path, sent.name), Limits(order.limit))
    return None


def joined(looked: Iterable[Looked]) -> list[Sent]:
    """What to review: the pieces of a recording together, if they lie in one folder; the order of
    the files stays.
    """
    folders: dict[Path, list[Looked]] = {}
    for one in sorted(looked, key=lambda one: one.place):
        folders.setdefault(one.sent.path.parent, []).append(one)
    found: dict[int, Sent] = {}
    for beside in folders.values():
        for chain in in_time([one.found for one in beside]):
            pieces = [beside[number] for number in chain]
            found[min(one.place for one in pieces)] = _together([one.sent for one in pieces])
    return [sent for _, sent in sorted(found.items())]


def _together(pieces: Sequence[Sent]) -> Sent:
    if len(pieces) == 1:
        return pieces[0]
    return Sent(called([one.name for one in pieces]), pieces[0].path, tuple(pieces))
