"""A recording while it goes on: frames go to the disk, and a diagnosis can be had at any moment."""

import platform
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from enum import StrEnum
from pathlib import Path
from threading import Event, Thread
from typing import Protocol, Self

import numpy as np

from analyzer.diagnosis import Diagnosis, Sign, Verdict, judge
from analyzer.errors import CannotRecord, Unusable
from analyzer.facts import Gatherer
from analyzer.findings import Rule
from analyzer.inputs.records import PADDING, Chunk, Interface, Recording
from analyzer.linkup import Told
from analyzer.outputs import pcapng
from analyzer.recorder.adapters import Adapter, has_link
from analyzer.recorder.capture import MOST_OCTETS, Frames
from analyzer.recorder.pieces import Pieces

WAIT = 0.1
"""Seconds that the recorder waits for a frame before it looks whether to stop."""
DRAIN = 3.0
"""Seconds at most for taking what the system has kept, when the recording ends."""
KEEP_EVERY = 1.0
"""Seconds between two requests to the disk to keep what was written."""
CHECK_EVERY = 0.5
"""Seconds between two looks whether the adapter is there: one that went away is told within a
second, and costs half a second of silence.
"""
COUNT_EVERY = 5.0
"""Seconds between two statistics blocks: what a power cut takes of the counts at most."""
LOOK_EVERY = 0.25
"""Seconds between two looks at the link-up: soon enough for a reader to call it at once."""
SHARE = 10
"""A look that took long is followed by a rest this many times as long: recording comes first. What
came is taken in all the same, a little at a time: a heap would hold up the recorder later."""
SETTLED = 30.0
"""Seconds for which a link-up has to stay complete before the recording ends by itself: the
advice for a good recording, in README.md."""


LASTS = 5.0
"""Seconds that a break has lasted, or it works again, before it counts: a frame that was lost is
sent again sooner, and embedded systems lag 3 s and more (common practice, no source)."""
BEHIND = 60.0
"""Seconds that are recorded behind a break; what breaks meanwhile belongs to it. A program that
wants its session has called again by then (common practice, no source)."""


GONE = "the adapter went away, or was made anew. Silence from then on tells nothing."


class Ended(StrEnum):
    """Why a recording ended."""

    TIME = "time"
    COMPLETE = "complete"
    BREAK = "break"
    PROBLEM = "problem"
    KEYBOARD = "keyboard"
    SIGNAL = "signal"


class Listener(Protocol):
    """Where frames come from."""

    def frames(self, wait: float) -> Frames:
        """What came; raises OSError where nothing can come any more."""
        ...

    def is_there(self) -> bool:
        """Whether the adapter is still there, and the same."""
        ...

    def counts(self) -> tuple[int, int | None]:
        """Frames that came in all, and those of them that were lost."""
        ...

    def close(self) -> None:
        """Stop listening."""
        ...


def described(adapter: Adapter, link: int) -> Interface:
    """What the recording says about the adapter that it is made on."""
    return Interface(
        link=link,
        snap_length=MOST_OCTETS,
        name=adapter.name,
        addresses=[(int(one.ip), int(one.netmask)) for one in adapter.addresses],
        hardware=adapter.hardware,
        speed=adapter.speed,
    )


def head(interface: Interface, program: str, comments: Sequence[str]) -> bytes:
    """What every piece begins with."""
    system = platform.platform()
    made = pcapng.section(platform.machine(), system, program, comments)
    return made + pcapng.interface(interface, system)


class Recorder:
    """Records from a listener into pieces, in a thread of its own, while the `with` block lasts.

    problem: why it ended by itself; frames, lost: how many it wrote and how many got lost.
    """

    def __init__(self, listener: Listener, pieces: Pieces) -> None:
        self.problem: Unusable | None = None
        self.frames = 0
        self.lost: int | None = None
        self.began = self._seen = time.time_ns()
        self.pieces = pieces
        self._listener = listener
        self._fresh: deque[Frames] = deque()
        self._piece_began = self.began
        self._counted_before = (0, 0)
        self._counted_at = self._kept_at = self._looked_at = time.monotonic()
        self._stop = Event()
        self._thread = Thread(target=self._run, name="recorder")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *raised: object) -> None:
        self._stop.set()
        self._thread.join()

    def fresh(self) -> list[Frames]:
        """The frames that came since the last call."""
        return [self._fresh.popleft() for _ in range(len(self._fresh))]

    def heard_until(self) -> int:
        """Until when the adapter was listened on, in nanoseconds since 1970: now, unless it went
        away.
        """
        return self._seen if self.problem is not None else time.time_ns()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._take(WAIT)
            until = time.monotonic() + DRAIN
            while self._take(0) and time.monotonic() < until:
                pass
        except OSError as gone:
            what = f"the adapter can no longer be recorded on: {gone.strerror}."
            self.problem = CannotRecord(what, "record", "Look at it, then record again.")
        except Unusable as problem:
            self.problem = problem
        except Exception as problem:
            self.problem = CannotRecord(f"it broke off: {problem!r}.", "record", "Record again.")
        try:
            with suppress(Unusable):
                self.pieces.write(self._statistics(at_end=True))
        finally:
            self._listener.close()
            self.pieces.close()

    def _take(self, wait: float) -> bool:
        """Write what came; whether anything did."""
        self._look_after_adapter()
        frames = self._listener.frames(wait)
        if frames.octets:
            blocks = b"".join(map(pcapng.packet, *frames))
            if not self.pieces.fits(blocks):
                self._next_piece()
            self.pieces.write(blocks)
            self.frames += len(frames.octets)
            self._fresh.append(frames)
        now = time.monotonic()
        if now - self._counted_at > COUNT_EVERY:
            self._counted_at = now
            self.pieces.write(self._statistics())
        if now - self._kept_at > KEEP_EVERY:
            self._kept_at = now
            self.pieces.sync()
        return bool(frames.octets)

    def _look_after_adapter(self) -> None:
        """Raises CannotRecord where it is gone: the system goes on handing out nothing."""
        if time.monotonic() - self._looked_at < CHECK_EVERY:
            return
        if not self._listener.is_there():
            raise CannotRecord(GONE, "record", "Plug it in, or look at it, then record again.")
        self._seen, self._looked_at = time.time_ns(), time.monotonic()

    def _next_piece(self) -> None:
        self.pieces.write(self._statistics())
        received, lost = self._listener.counts()
        self._counted_before = (received, lost or 0)
        self._piece_began = time.time_ns()
        self.pieces.go_on()

    def _statistics(self, at_end: bool = False) -> bytes:
        """The counts of this piece so far. at_end: what was not taken by now is lost."""
        now = self.heard_until()
        received, self.lost = self._listener.counts()
        if at_end and self.lost is not None:
            self.lost = max(self.lost, received - self.frames)
        before = self._counted_before
        lost = None if self.lost is None else self.lost - before[1]
        why = "" if self.problem is None else f"The recording ended: {self.problem.what}"
        return pcapng.statistics(
            now, self._piece_began, now, received - before[0], lost, comment=why
        )


def chunk_of(fresh: Sequence[Frames], first: int) -> Chunk:
    """Frames as the readers of recordings hand them on."""
    octets = [one for frames in fresh for one in frames.octets]
    stored = np.fromiter(map(len, octets), np.int64, len(octets))
    return Chunk(
        data=np.frombuffer(b"".join([*octets, PADDING]), np.uint8),
        start=np.cumsum(stored) - stored,
        stored=stored,
        original=stored,
        fcs=np.zeros(len(octets), np.int64),
        time=np.array([one for frames in fresh for one in frames.times], np.int64),
        interface=np.zeros(len(octets), np.int32),
        direction=np.zeros(len(octets), np.uint8),
        first=first,
    )


class Watch:
    """Looks at a recording that goes on, by the same facts and rules as at a finished one.

    breaks: how often a connection, or the link, broke so far.
    """

    def __init__(
        self, recorder: Recorder, interface: Interface, rules: Sequence[Rule], told: Told
    ) -> None:
        self.ended = Ended.KEYBOARD
        self._recorder, self._rules, self._told = recorder, rules, told
        self._interface = interface
        self._interface.began = recorder.began
        self._gatherer = Gatherer(Recording("", "pcapng", interfaces=[interface]))
        self._seen = 0
        self.breaks = 0
        self._broken = 0
        self._broke_at = float("-inf")
        self._had_link = False

    def look(self) -> Diagnosis:
        """The diagnosis of what came until now."""
        self._gather()
        return judge(self._gatherer.facts(), self._rules, self._told)

    def _gather(self) -> None:
        self._interface.ended = self._recorder.heard_until()
        fresh = self._recorder.fresh()
        if fresh:
            chunk = chunk_of(fresh, self._seen + 1)
            self._gatherer.take(chunk)
            self._seen += len(chunk.time)

    def looks(
        self, seconds: float, keep_on: bool, breaks: int = 0
    ) -> Iterator[tuple[float, bool, Diagnosis]]:
        """Seconds since the beginning, and link and diagnosis then, again and again until so many
        seconds are over, the recorder has to end, or the link-up stays complete (unless keep_on);
        with breaks, until BEHIND seconds after so many. The pieces around each break are kept.
        `ended` says which; it is KEYBOARD where the caller stops looking.
        """
        began = due = time.monotonic()
        settled: float | None = None
        while True:
            looked, has_ended = time.monotonic(), self._recorder.problem is not None
            is_over = looked - began >= seconds
            if not (looked >= due or has_ended or is_over):
                self._gather()
                time.sleep(LOOK_EVERY)
                continue
            diagnosis = self.look()
            now = time.monotonic()
            due = now + SHARE * (now - looked)
            linked = has_link(self._interface.name)
            if breaks:
                self._watch_breaks(diagnosis, linked, now)
            yield now - began, linked, diagnosis
            settled = (settled or now) if _is_complete(diagnosis) else None
            if has_ended:
                self.ended = Ended.PROBLEM
            elif is_over:
                self.ended = Ended.TIME
            elif 0 < breaks <= self.breaks and now - self._broke_at >= BEHIND:
                self.ended = Ended.BREAK
            elif settled is not None and now - settled >= SETTLED and not keep_on:
                self.ended = Ended.COMPLETE
            else:
                time.sleep(LOOK_EVERY)
                continue
            return

    def _watch_breaks(self, diagnosis: Diagnosis, linked: bool, now: float) -> None:
        """Count a break that is new, and keep the pieces from before it to BEHIND seconds after."""
        broken = _broken(diagnosis)
        is_new = broken > self._broken or (self._had_link and not linked)
        self._broken, self._had_link = max(broken, self._broken), linked
        if is_new and now - self._broke_at >= BEHIND:
            self.breaks += 1
            self._broke_at = now
        if now - self._broke_at <= BEHIND:
            self._recorder.pieces.keep()


def _broken(diagnosis: Diagnosis) -> int:
    """How many breaks have lasted, or are over; a late answer is none."""
    return sum(
        one.again is not None or diagnosis.facts.heard_after(one.began) >= LASTS
        for outcome in diagnosis.outcomes
        for one in outcome.incidents.kept
        if one.sign is not Sign.LATE
    )


def _is_complete(diagnosis: Diagnosis) -> bool:
    verdicts = {one.verdict for one in diagnosis.outcomes}
    return verdicts == {Verdict.COMPLETE} and not diagnosis.status


class Together:
    """The octets of several files as if they were one."""

    def __init__(self, paths: Sequence[Path]) -> None:
        self._streams = [path.open("rb") for path in paths]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        for stream in self._streams:
            stream.close()

    def read(self, size: int, /) -> bytes:
        """Up to size octets; none at the end of the last file."""
        return next((data for one in self._streams if (data := one.read(size))), b"")
