"""Who does the work: an executor that was handed in, or a process for each core."""

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import ExitStack, contextmanager
from functools import partial
from typing import TypeVar

from analyzer.triage.files import Sent
from analyzer.triage.worker import Order

T = TypeVar("T")
AHEAD = 256
"""Files handed out at once to an executor of unknown size: enough for a cluster, flat in memory."""
HEEDS = 0.1
"""Seconds within which Ctrl-C is heeded: at once, for people."""
MOST_PROCESSES = 61
"""More processes cannot be waited for together on Windows (the manual of concurrent.futures)."""


class Workers:
    """Has work done file by file, and gives the answers in any order.

    executor: one of the kind of concurrent.futures, whose workers see the same files under the same
    paths; without it, a process for each core. To be used in a with statement, within which Ctrl-C
    is heeded between two answers only: inside `wait` it would leave locks behind that nobody opens,
    and processes that are started or ended by halves would stay.
    """

    def __init__(self, executor: Executor | None = None) -> None:
        self.executor = executor
        self.own: ProcessPoolExecutor | None = None
        self.closing = ExitStack()
        self.is_stopped = False

    def __enter__(self) -> "Workers":
        self.closing.enter_context(_at_ctrl_c(self._stop))
        return self

    def __exit__(self, *trouble: object) -> None:
        self._end()
        self.closing.close()

    def _stop(self, *_: object) -> None:
        self.is_stopped = True

    def answers(
        self, work: Callable[[Sent, Order], T], files: Sequence[Sent], order: Order
    ) -> Iterator[tuple[Sent, T | Exception]]:
        """Each file with what came of it, or with what ended the process that had it."""
        waiting = deque(files)
        if self.executor is None:
            yield from self._by_processes(work, waiting, order)
            return
        yield from self._handed_out(work, waiting, order, self.executor, AHEAD)
        for sent in waiting:
            yield sent, BrokenExecutor()

    def _by_processes(
        self, work: Callable[[Sent, Order], T], waiting: deque[Sent], order: Order
    ) -> Iterator[tuple[Sent, T | Exception]]:
        """Where a process dies, all that were under way are lost with it. Each of them is then
        tried by itself, so that only the one that is to blame stays without an answer.
        """
        processes = min(len(waiting), os.cpu_count() or 1, MOST_PROCESSES)
        stoppable = partial(_stoppable, work)
        while waiting:
            lost = []
            pool = self._pool(processes)
            for sent, answer in self._handed_out(stoppable, waiting, order, pool, 2 * processes):
                if isinstance(answer, BrokenExecutor):
                    lost.append(sent)
                else:
                    yield sent, answer
            if lost:
                self._end()
            for sent in lost:
                yield from self._handed_out(stoppable, deque([sent]), order, self._pool(1), 1)
                self._end()

    def _pool(self, processes: int) -> ProcessPoolExecutor:
        """The processes there are; where there are none, new ones, which start afresh on every
        system.
        """
        if self.own is None:
            context = multiprocessing.get_context("spawn")
            self.own = ProcessPoolExecutor(processes, context, initializer=_take_notice)
        return self.own

    def _end(self) -> None:
        if self.own is not None:
            self.own.shutdown(cancel_futures=True)
            self.own = None

    def _handed_out(
        self,
        work: Callable[[Sent, Order], T],
        waiting: deque[Sent],
        order: Order,
        executor: Executor,
        ahead: int,
    ) -> Iterator[tuple[Sent, T | Exception]]:
        """Hand out what is waiting, a few ahead of the answers, until all is done or the executor
        is broken. Raises KeyboardInterrupt.
        """
        running: dict[Future[T], Sent] = {}
        broken = False
        while running or (waiting and not broken):
            while waiting and len(running) < ahead and not broken:
                sent = waiting.popleft()
                try:
                    with _held_back():
                        future = executor.submit(work, sent, order)
                    running[future] = sent
                except BrokenExecutor as problem:
                    broken = True
                    yield sent, problem
            done, _ = wait(running, HEEDS, FIRST_COMPLETED)
            if self.is_stopped:
                raise KeyboardInterrupt
            for future in done:
                answer = _answer(future)
                broken = broken or isinstance(answer, BrokenExecutor)
                yield running.pop(future), answer


def _answer(future: Future[T]) -> T | Exception:
    try:
        return future.result()
    except Exception as problem:
        return problem


@contextmanager
def _at_ctrl_c(does: Callable[..., None]) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, does)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _held_back() -> Iterator[None]:
    """Ctrl-C waits, here until the end of this, and in processes that are started meanwhile until
    they take notice: what is blocked is inherited (POSIX: IEEE Std 1003.1, exec).
    """
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


# --- in the processes ---------------------------------------------------------------------------

_STOPPED, _WORKING = threading.Event(), threading.Event()


def _take_notice() -> None:
    signal.signal(signal.SIGINT, _notice)
    if sys.platform != "win32":
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """Whoever waits for answers may be killed, and tells nobody."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _notice(*_: object) -> None:
    """Ctrl-C ends the work, and never the process: half an answer in the pipe would keep the reader
    waiting for ever.
    """
    first = not _STOPPED.is_set()
    _STOPPED.set()
    if first and _WORKING.is_set():
        raise KeyboardInterrupt


def _stoppable(work: Callable[[Sent, Order], T], sent: Sent, order: Order) -> T:
    if _STOPPED.is_set():
        raise KeyboardInterrupt
    _WORKING.set()
    try:
        return work(sent, order)
    finally:
        _WORKING.clear()
