"""Many recordings side by side: files -> plain rows, each file by itself in a process of its own.

What workers are handed and hand back is plain data that can be pickled. Only this process writes:
the pages, and the results that are kept.
"""

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from analyzer.errors import BadOption
from analyzer.reports.row import Row, not_read
from analyzer.triage.files import Sent, files_in
from analyzer.triage.kept import fingerprint, remember, write_whole
from analyzer.triage.worker import Order, Result, named, review

__all__ = ["Order", "Reviewed", "Sent", "files_in", "fingerprint", "triage"]

AHEAD = 256
"""Files handed out at once to an executor of unknown size: enough for a cluster, flat in memory."""
MOST_PROCESSES = 61
"""More processes cannot be waited for together on Windows (the manual of concurrent.futures)."""

_Answer = tuple[Sent, Result | Exception]


@dataclass(frozen=True, slots=True)
class Reviewed:
    """One file that is done. kept: whether its rows were taken from an earlier run."""

    rows: Sequence[Row]
    kept: bool


def triage(
    files: Sequence[Sent], order: Order, executor: Executor | None = None
) -> Iterator[Reviewed]:
    """Review the files, and tell each as soon as it is done, in any order.

    executor: one of the kind of concurrent.futures, whose workers see the same files under the same
    paths; without it, a process for each core. Raises BadOption where a page or a result to keep
    cannot be written.
    """
    if executor is None:
        answers = _by_processes(deque(files), order)
    else:
        answers = _by_executor(deque(files), order, executor)
    for sent, answer in answers:
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


def _by_executor(waiting: deque[Sent], order: Order, executor: Executor) -> Iterator[_Answer]:
    yield from _handed_out(waiting, order, executor, AHEAD)
    for sent in waiting:
        yield sent, BrokenExecutor()


def _by_processes(waiting: deque[Sent], order: Order) -> Iterator[_Answer]:
    """Where a process dies, all that were under way are lost with it. Each of them is then tried
    by itself, so that only the one that is to blame stays without an answer.
    """
    while waiting:
        processes = min(len(waiting), os.cpu_count() or 1, MOST_PROCESSES)
        lost = []
        with _pool(processes) as pool:
            for sent, answer in _handed_out(waiting, order, pool, 2 * processes):
                if isinstance(answer, BrokenExecutor):
                    lost.append(sent)
                else:
                    yield sent, answer
        for sent in lost:
            with _pool(1) as pool:
                yield from _handed_out(deque([sent]), order, pool, 1)


def _handed_out(
    waiting: deque[Sent], order: Order, executor: Executor, ahead: int
) -> Iterator[_Answer]:
    """Hand out what is waiting, a few ahead of the answers, until all is done or the executor is
    broken.
    """
    running: dict[Future[Result], Sent] = {}
    broken = False
    while running or (waiting and not broken):
        while waiting and len(running) < ahead and not broken:
            sent = waiting.popleft()
            try:
                running[executor.submit(review, sent, order)] = sent
            except BrokenExecutor as problem:
                broken = True
                yield sent, problem
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in done:
            answer = _answer(future)
            broken = broken or isinstance(answer, BrokenExecutor)
            yield running.pop(future), answer


def _answer(future: Future[Result]) -> Result | Exception:
    try:
        return future.result()
    except Exception as problem:
        return problem


@contextmanager
def _pool(processes: int) -> Iterator[ProcessPoolExecutor]:
    """Processes that start afresh on every system, and end at once at Ctrl-C without a word."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(processes, context, initializer=_end_at_once)
    try:
        with _uninterrupted(), suppress(BrokenExecutor):
            for _ in range(processes):
                pool.submit(int)
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Processes started now know no Ctrl-C until `_end_at_once` (POSIX: ignored signals are
    inherited, IEEE Std 1003.1, exec).
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _end_at_once() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
