"""Requests and answers: who sends data after whom, and how long it took."""

from dataclasses import dataclass

import numpy as np

from analyzer.columns import Flags, Floats, Ints
from analyzer.facts.session import CLIENT, SERVER, Session, Wait
from analyzer.facts.tcp.segments import Segments, counted, last_of_session
from analyzer.facts.tcp.sequence import Flow
from analyzer.facts.values import BINS, BINS_PER_OCTAVE, SMALLEST, Spread

LONG = 1.0
"""Seconds of an answer time from which on it is kept as a wait (common practice, no source)."""
MOST_WAITS = 256
"""Waits kept a session, the longest."""
GROWN, FLOOR = 4.0, 0.001
"""Answers grow slower and slower where the third takes so many times as long as the first, which
counts for so many seconds at least (common practice, no source)."""


@dataclass(slots=True, eq=False, repr=False)
class Turns:
    """For each row who sent data last before it, NOBODY where none came before, and when.

    row: the row that did, where it is of this chunk; inside: whether it is.
    """

    side: Ints
    seconds: Floats
    row: Ints
    inside: Flags


def take_turns(segments: Segments, flow: Flow) -> Turns:
    """Count and time the requests and answers of a chunk; tell who spoke before each row.

    An answer is timed only where no octets between it and its request are missing.
    """
    turns = _before(segments, flow.fresh)
    turn = flow.fresh & (turns.side != segments.side)
    request = turn & (segments.side == CLIENT)
    answer = turn & (segments.side == SERVER) & (turns.side == CLIENT)
    sessions = segments.sessions
    timed = answer & (flow.skipped == 0) & _nothing_missing(segments, flow.unseen, turns)
    pause = request & (turns.side == SERVER)
    took = segments.seconds - turns.seconds
    _time(segments, [one.answer_times for one in sessions], timed, took)
    _time(segments, [one.pauses for one in sessions], pause, took)
    _keep_waits(segments, turns, answer, np.flatnonzero(timed & (took >= LONG)))
    _follow_paces(segments, np.flatnonzero(timed), took)
    for number, count in counted(segments.part[request]):
        sessions[number].requests += count
    for number, count in counted(segments.part[answer]):
        sessions[number].answers += count
    for session, at in last_of_session(segments, flow.fresh & (segments.side == CLIENT)):
        session.asked = segments.moment(at)
    for session, at in last_of_session(segments, answer):
        session.answered = segments.moment(at)
    for session, at in last_of_session(segments, flow.fresh):
        session.last_turn = int(segments.side[at])
    return turns


def _keep_waits(segments: Segments, turns: Turns, answer: Flags, rows: Ints) -> None:
    """Keep the longest waits of each session. rows: of the late answers."""
    if not len(rows):
        return
    newest = np.maximum.accumulate(np.where(answer, np.arange(len(answer)), -1))
    earlier, first = np.append(-1, newest[:-1])[rows], segments.first[rows]
    for at, other, begin in zip(rows.tolist(), earlier.tolist(), first.tolist(), strict=True):
        session = segments.sessions[segments.part[at]]
        before = segments.moment(other) if other >= begin else session.answered
        asked = segments.moment(int(turns.row[at])) if turns.inside[at] else session.asked
        if before is not None and asked is not None:
            waits = (*session.waits, Wait(before, asked, segments.moment(at)))
            session.waits = waits if len(waits) <= MOST_WAITS else _without_shortest(waits)


def _without_shortest(waits: tuple[Wait, ...]) -> tuple[Wait, ...]:
    shortest = min(waits, key=lambda one: one.seconds)
    return tuple(one for one in waits if one is not shortest)


def _follow_paces(segments: Segments, rows: Ints, took: Floats) -> None:
    """Count answers that came slower and slower. rows: of all that are timed."""
    if not len(rows):
        return
    part, times = segments.part[rows], np.maximum(took[rows], 0.0)
    begins = np.append(True, part[1:] != part[:-1])
    paces = np.array([one.paces for one in segments.sessions])[part]
    before = np.where(begins, paces[:, 1], np.append(0.0, times[:-1]))
    first = np.where(begins, paces[:, 0], np.append(0.0, before[:-1]))
    grown = times >= GROWN * np.maximum(first, FLOOR)
    slower = (first < before) & (before < times) & grown
    for number, count in counted(part[slower]):
        segments.sessions[number].slowing += count
    for at in np.flatnonzero(np.append(begins[1:], True)).tolist():
        session = segments.sessions[part[at]]
        session.slows = bool(slower[at])
        session.paces = float(before[at]), float(times[at])


def _before(segments: Segments, fresh: Flags) -> Turns:
    place = np.arange(len(segments.part))
    newest = np.maximum.accumulate(np.where(fresh, place, -1))
    previous = np.where(segments.begins, -1, np.concatenate(([-1], newest[:-1])))
    inside = previous >= segments.first
    carried_side = np.array([one.last_turn for one in segments.sessions])
    carried_seconds = np.array([_last_data_seconds(one) for one in segments.sessions])
    side = np.where(inside, segments.side[previous], carried_side[segments.part])
    seconds = np.where(inside, segments.seconds[previous], carried_seconds[segments.part])
    return Turns(side, seconds, previous, inside)


def _nothing_missing(segments: Segments, unseen: Flags, turns: Turns) -> Flags:
    """Whether nobody confirmed octets that are not recorded since the last data before each row."""
    late = np.array([_misses_octets(one) for one in segments.sessions])
    if not (unseen.any() or late.any()):
        return np.ones(len(unseen), bool)
    lacking, begin = np.cumsum(unseen), segments.first
    since = np.where(turns.inside, lacking[turns.row], lacking[begin] - unseen[begin])
    whole: Flags = (lacking == since) & (turns.inside | ~late[segments.part])
    return whole


def _last_data_seconds(session: Session) -> float:
    moments = [side.last_data for side in session.sides if side.last_data]
    return max(moments).seconds if moments else 0.0


def _misses_octets(session: Session) -> bool:
    """Whether octets behind the last data were confirmed and are not in the recording."""
    data = [side.last_data for side in session.sides if side.last_data]
    return any(s.last_unseen > max(data) for s in session.sides if s.last_unseen and data)


def _time(segments: Segments, spreads: list[Spread], chosen: Flags, took: Floats) -> None:
    """Count how long chosen rows took, in a spread a session."""
    rows = np.flatnonzero(chosen)
    if not len(rows):
        return
    part, took = segments.part[rows], np.maximum(took[rows], 0.0)
    octave = np.log2(np.maximum(took, SMALLEST) / SMALLEST)
    bins = np.minimum((octave * BINS_PER_OCTAVE).astype(np.int64), BINS - 1)
    for cell, count in counted(part * BINS + bins):
        spreads[cell // BINS].put(cell % BINS, count)
    begin = np.flatnonzero(np.append(True, part[1:] != part[:-1]))
    least = np.minimum.reduceat(took, begin).tolist()
    most = np.maximum.reduceat(took, begin).tolist()
    for number, low, high in zip(part[begin].tolist(), least, most, strict=True):
        spread = spreads[number]
        spread.least, spread.most = min(spread.least, low), max(spread.most, high)
