"""Requests and answers: who sends data after whom, and how long it took."""

from dataclasses import dataclass

import numpy as np

from analyzer.columns import Flags, Floats, Ints
from analyzer.facts.session import CLIENT, SERVER, Session
from analyzer.facts.tcp.segments import Segments, counted, last_of_session
from analyzer.facts.tcp.sequence import Flow
from analyzer.facts.values import BINS, BINS_PER_OCTAVE, SMALLEST, Spread


@dataclass(slots=True, eq=False)
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
