"""Many recordings side by side: files -> plain rows, each file by itself in a process of its own.

What workers are handed and hand back is plain data that can be pickled. Only this process writes:
the pages, and the results that are kept.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analyzer.errors import BadOption
from analyzer.outputs.whole import write_whole
from analyzer.reports.over_files import Broken, renamed
from analyzer.reports.row import Row, not_read
from analyzer.triage.files import Sent, files_in
from analyzer.triage.joining import Looked, joined, look_through
from analyzer.triage.kept import fingerprint, remember
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
    from an earlier run; unkept: why they cannot be kept, empty where they are or are not to be;
    broken: the link-ups that broke.
    """

    rows: Sequence[Row]
    kept: bool
    unkept: str = ""
    broken: Sequence[Broken] = ()


def triage(files: Sequence[Sent], order: Order, workers: Workers) -> Iterator[Reviewed]:
    """Review the files, and tell each as soon as it is done, in any order.

    Raises BadOption where a page cannot be written; a result that cannot be kept is told.
    """
    for sent, answer in workers.answers(review, files, order):
        if isinstance(answer, Exception):
            yield Reviewed([not_read(sent.name, _no_answer(answer))], kept=False)
            continue
        _write(answer, order)
        rows = [named(row, sent, order, answer.key) for row in answer.rows]
        broken = renamed(answer.broken, sent.name)
        yield Reviewed(rows, answer.kept, _keep(answer, order), broken)


def _no_answer(problem: Exception) -> str:
    return (
        f"No answer: the process that was to read it ended ({type(problem).__name__}). It may need "
        "more memory than there is: try it on a larger machine."
    )


def _write(result: Result, order: Order) -> None:
    if order.reports is None:
        return
    try:
        for name, page in result.pages.items():
            write_whole(order.reports / name, page.encode("ascii"))
    except OSError as problem:
        what, todo = (
            f"cannot be written: {problem.strerror}.",
            "Make room, or choose another --reports.",
        )
        raise BadOption(what, str(order.reports), todo) from None


def _keep(result: Result, order: Order) -> str:
    """Keep rows for the next time; why that cannot be done."""
    if order.keep is None or not result.key or result.kept or result.broken:
        return ""
    try:
        remember(order.keep, result.key, result.rows)
    except OSError as problem:
        return problem.strerror or str(problem)
    return ""
