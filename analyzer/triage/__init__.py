"""Many recordings side by side: files -> plain rows, each file by itself in a process of its own.

What workers are handed and hand back is plain data that can be pickled. Only this process writes:
the pages, and the results that are kept.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from analyzer.errors import BadOption
from analyzer.reports.row import Row, not_read
from analyzer.triage.files import Sent, files_in
from analyzer.triage.joining import Looked, joined, look_through
from analyzer.triage.kept import fingerprint, remember, write_whole
from analyzer.triage.worker import Order, Result, named, review
from analyzer.triage.workers import Workers

__all__ = [
    "Looked",
    "Order",
    "Reviewed",
    "Sent",
    "Workers",
    "files_in",
    "fingerprint",
    "joined",
    "look_through",
    "triage",
]


@dataclass(frozen=True, slots=True)
class Reviewed:
    """What is done: one file, or the pieces of one recording. kept: whether its rows were taken
    from an earlier run.
    """

    rows: Sequence[Row]
    kept: bool


def triage(files: Sequence[Sent], order: Order, workers: Workers) -> Iterator[Reviewed]:
    """Review the files, and tell each as soon as it is done, in any order.

    Raises BadOption where a page or a result to keep cannot be written.
    """
    for sent, answer in workers.answers(review, files, order):
        if isinstance(answer, Exception):
            yield Reviewed([not_read(sent.name, _no_answer(answer))], kept=False)
            continue
        _write(answer, order)
        yield Reviewed(
            [named(row, sent, order, answer.key) for row in answer.rows], kept=answer.kept
        )


def _no_answer(problem: Exception) -> str:
    return (
        f"No answer: the process that was to read it ended ({type(problem).__name__}). It may need "
        "more memory than there is: try it on a larger machine."
    )


def _write(result: Result, order: Order) -> None:
    if order.reports is not None:
        with _writing(order.reports, "--reports"):
            for name, page in result.pages.items():
                write_whole(order.reports / name, page.encode("ascii"))
    if order.keep is not None and result.key and not result.kept:
        with _writing(order.keep, "--keep"):
            remember(order.keep, result.key, result.rows)


@contextmanager
def _writing(folder: Path, option: str) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        todo = f"Make room, or name another folder with {option}."
        raise BadOption(f"cannot be written: {problem.strerror}.", str(folder), todo) from None
