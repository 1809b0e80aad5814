"""Messages of known protocols in the segments of all sessions of a chunk at once.

Counting is done for all messages together. Refusals, answers with an odd number and segments with
several requests are looked at singly, and of those only a few a session.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from analyzer.columns import Flags, Floats, Ints, Keys, Records, among
from analyzer.facts.dialogue import (
    NEVER,
    NOT_HEARD,
    NOTHING_SAID,
    RECENT,
    UNKNOWN,
    Dialogue,
    No,
    Request,
)
from analyzer.facts.groups import groups
from analyzer.facts.owed import Said, settle
from analyzer.facts.protocols import FRAMINGS, Framing, Heads, Kind
from analyzer.facts.session import CLIENT, SERVER, Session
from analyzer.facts.steps import add_steps
from analyzer.facts.values import KEPT, Moment, Series
from analyzer.frames import Frames

IN_ONE_SEGMENT = 64
"""Messages looked for in one segment."""
ODD_ANSWERS = 64
"""Answers with another number than the last request's that are looked at, a session."""
SMALL = 536
"""Octets that every segment can take (RFC 9293 3.7.1)."""


class _Segments(NamedTuple):
    """Segments with data that is all new, sorted by session; at, end, limit: positions of the
    payload, behind what is stored of it, and behind what was sent.
    """

    part: Ints
    side: Ints
    at: Ints
    end: Ints
    limit: Ints
    seconds: Floats
    number: Ints

    def moment(self, row: int) -> Moment:
        return Moment(int(self.number[row]), float(self.seconds[row]))


class _Messages(NamedTuple):
    """Messages of one protocol that ask for an answer or are one; row: of its segment; place:
    its number in the segment, from 0; short: whether the segment lacks some of it.
    """

    row: Ints
    part: Ints
    client: Flags
    place: Ints
    short: Flags
    size: Ints
    id: Keys
    kind: Ints
    code: Ints
    unit: Ints
    function: Ints


def hear(parts: list[Session], part: Ints, side: Ints, index: Ints, frames: Frames) -> None:
    """Follow the dialogues of one chunk.

    part, side, index: session, side and row in the TCP table of segments that carry nothing but new
    data, sorted by session, in file order inside.
    """
    if not len(part):
        return
    table = frames.tcp
    row = table.row[index]
    at = table.payload[index]
    limit = at + table.length[index]
    segments = _Segments(
        part, side, at, np.minimum(limit, frames.end[row]), limit,
        frames.seconds[row], frames.number[row],
    )  # fmt: skip
    for number in np.flatnonzero(np.bincount(part)).tolist():
        if parts[number].dialogue is NOTHING_SAID:
            parts[number].dialogue = Dialogue()
    dialogues = [session.dialogue for session in parts]
    add_steps(dialogues, part, side, segments.seconds)
    _recognise(parts, segments, frames)
    framings = [one.framing for one in dialogues]
    framing = np.array(framings)[part]
    strange = np.flatnonzero((framing < 0) & (side == CLIENT))
    if len(strange):
        none = np.full(len(strange), -1)
        size = (limit - at)[strange]
        _count_kinds(dialogues, part[strange], size, none, none)
    for known in sorted(one for one in set(framings) if one >= 0):
        rows = np.flatnonzero(framing == known)
        messages = _messages(FRAMINGS[known], segments, rows, frames)
        if len(messages.row):
            _follow(FRAMINGS[known], dialogues, segments, messages)


def _recognise(parts: list[Session], segments: _Segments, frames: Frames) -> None:
    """Find the protocol of each side from its first data; both sides have to agree, unless the
    server refuses in its own.
    """
    new = np.array([[voice == NOT_HEARD for voice in one.dialogue.voices] for one in parts])
    rows = np.flatnonzero(new[segments.part, segments.side] & (segments.end > segments.at))
    if not len(rows):
        return
    lane = segments.part[rows] * 2 + segments.side[rows]
    rows = rows[_is_first(lane)]
    voice, refuses = np.full(len(rows), UNKNOWN), np.zeros(len(rows), bool)
    for number in reversed(range(len(FRAMINGS))):
        speaks, kind = _speaks(FRAMINGS[number], parts, segments, rows, frames)
        voice[speaks], refuses[speaks] = number, kind[speaks] == Kind.REFUSE
    refuses &= segments.side[rows] == SERVER
    for row, heard, no in zip(rows.tolist(), voice.tolist(), refuses.tolist(), strict=True):
        dialogue = parts[segments.part[row]].dialogue
        dialogue.hear(int(segments.side[row]), heard)
        agreed = {one for one in dialogue.voices if one != NOT_HEARD}
        dialogue.framing = agreed.pop() if len(agreed) == 1 else UNKNOWN
        dialogue.protocol = _name(dialogue.framing)
        if no and dialogue.framing == UNKNOWN:
            dialogue.framing, dialogue.refused_in = heard, _name(heard)
            dialogue.protocol = _name(dialogue.voices[CLIENT])


def _name(framing: int) -> str | None:
    return FRAMINGS[framing].name if framing >= 0 else None


def _is_first(lane: Ints) -> Flags:
    """Whether a row is the first of its lane."""
    order = np.argsort(lane, kind="stable")
    first = np.zeros(len(lane), bool)
    first[order] = np.append(True, lane[order][1:] != lane[order][:-1])
    return first


def _speaks(
    framing: Framing, parts: list[Session], segments: _Segments, rows: Ints, frames: Frames
) -> tuple[Flags, Ints]:
    """Whether segments begin in a protocol, and the kind of their first message in it."""
    heads = _heads(framing, segments, rows, segments.at[rows], frames)
    known: Flags = heads.size > 0
    if not framing.is_sure:
        port = np.array([parts[number].server.port for number in segments.part[rows].tolist()])
        filled = heads.size == (segments.limit - segments.at)[rows]
        known &= filled | among(port, framing.ports)
    return known, heads.kind


def _heads(framing: Framing, segments: _Segments, rows: Ints, at: Ints, frames: Frames) -> Heads:
    return framing.heads(frames.octets, at, segments.end[rows], segments.side[rows] == SERVER)


def _messages(framing: Framing, segments: _Segments, rows: Ints, frames: Frames) -> _Messages:
    """Walk through all segments together, message by message."""
    found: list[tuple[Records, ...]] = []
    at = segments.at[rows]
    for place in range(IN_ONE_SEGMENT):
        heads = _heads(framing, segments, rows, at, frames)
        behind = at + heads.size
        wanted = (heads.size > 0) & (heads.kind != Kind.ASIDE)
        short = behind > segments.limit[rows]
        columns = (
            rows, segments.part[rows], segments.side[rows] == CLIENT, np.full(len(rows), place),
            short, *heads,
        )  # fmt: skip
        found.append(columns if wanted.all() else tuple(column[wanted] for column in columns))
        more = np.flatnonzero((heads.size > 0) & (behind < segments.end[rows]))
        rows, at = rows[more], behind[more]
        if not len(rows):
            break
    if len(found) == 1:
        return _Messages(*found[0])
    joined = [np.concatenate(column) for column in zip(*found, strict=True)]
    order = np.argsort(joined[0], kind="stable")
    return _Messages(*(column[order] for column in joined))


def _follow(
    framing: Framing, dialogues: list[Dialogue], segments: _Segments, messages: _Messages
) -> None:
    """Update the dialogues with the messages of one protocol in one chunk."""
    declines = messages.client & (messages.kind == Kind.REFUSE)
    if declines.any():
        _keep_declines(framing, dialogues, segments, messages, np.flatnonzero(declines))
        messages = _Messages(*(column[~declines] for column in messages))
        if not len(messages.row):
            return
    begins = np.append(True, messages.part[1:] != messages.part[:-1])
    _keep_refusals(framing, dialogues, segments, messages, begins)
    if framing.has_answers:
        _keep_pieces(dialogues, segments, messages, begins)
        _keep_hurry(dialogues, segments, messages, begins)
        _keep_late_answers(dialogues, segments, messages, begins)
        settle(dialogues, _said(segments, messages))
    _count(dialogues, segments, messages)
    _remember(dialogues, segments, messages)


def _begin(begins: Flags) -> Ints:
    """For each row the first row of its session."""
    return np.maximum.accumulate(np.where(begins, np.arange(len(begins)), 0))


def _keep_declines(
    framing: Framing,
    dialogues: list[Dialogue],
    segments: _Segments,
    messages: _Messages,
    rows: Ints,
) -> None:
    """The first no of each client, which wants no answer."""
    for at in rows[_is_first(messages.part[rows])].tolist():
        dialogue, moment = dialogues[messages.part[at]], segments.moment(messages.row[at])
        if dialogue.declined is None:
            dialogue.declined = No(moment, None, *framing.explain(int(messages.code[at])))


def _keep_refusals(
    framing: Framing,
    dialogues: list[Dialogue],
    segments: _Segments,
    messages: _Messages,
    begins: Flags,
) -> None:
    rows = np.flatnonzero(~messages.client & (messages.kind >= Kind.LATER))
    if not len(rows):
        return
    request = np.maximum.accumulate(np.where(messages.client, np.arange(len(begins)), -1))
    inside = request >= _begin(begins)
    for at in rows.tolist():
        dialogue = dialogues[messages.part[at]]
        refuses = messages.kind[at] == Kind.REFUSE
        if len(dialogue.refusals if refuses else dialogue.rejections) >= KEPT:
            continue
        asked = dialogue.recent[-1][1] if dialogue.recent else None
        if inside[at]:
            asked = segments.moment(messages.row[request[at]])
        moment = segments.moment(messages.row[at])
        no = No(moment, asked, *framing.explain(int(messages.code[at])))
        if refuses:
            dialogue.refusals += (no,)
        else:
            dialogue.rejections += (no,)


def _keep_pieces(
    dialogues: list[Dialogue], segments: _Segments, messages: _Messages, begins: Flags
) -> None:
    """Segments with several requests, and requests cut over several segments."""
    client = messages.client
    second = client & (messages.place == 1)
    cut = client & messages.short & (messages.size <= SMALL)
    chosen = np.flatnonzero(second | cut)
    if not len(chosen):
        return
    asked = np.cumsum(client)
    before: Ints = (asked - client)[_begin(begins)]
    last = np.searchsorted(messages.row, messages.row[chosen], side="right") - 1
    for at, end in zip(chosen.tolist(), last.tolist(), strict=True):
        dialogue = dialogues[messages.part[at]]
        moment = segments.moment(messages.row[at])
        if second[at]:
            dialogue.joined = _more(dialogue.joined, moment)
        else:
            dialogue.split = _more(dialogue.split, moment)
        dialogue.behind = dialogue.asked + int(asked[end] - before[at])


def _keep_hurry(
    dialogues: list[Dialogue], segments: _Segments, messages: _Messages, begins: Flags
) -> None:
    seconds = segments.seconds[messages.row]
    before = np.append(0.0, seconds[:-1])
    again = np.append(False, messages.client[:-1]) & messages.client
    for at in np.flatnonzero(begins).tolist():
        dialogue = dialogues[messages.part[at]]
        again[at] = messages.client[at] and dialogue.speaker == CLIENT
        if again[at]:
            before[at] = dialogue.recent[-1][1].seconds
    for first, last in _runs(messages.part, rows := np.flatnonzero(again)):
        dialogue = dialogues[messages.part[rows[first]]]
        chosen = rows[first : last + 1]
        dialogue.hurry = min(dialogue.hurry, float((seconds - before)[chosen].min()))


def _keep_late_answers(
    dialogues: list[Dialogue], segments: _Segments, messages: _Messages, begins: Flags
) -> None:
    """Answers with the number of an older request than the last one's; and what follows them."""
    client, places = messages.client, np.arange(len(begins))
    begin = _begin(begins)
    request = np.maximum.accumulate(np.where(client, places, -1))
    last = messages.id[request]
    for at in np.flatnonzero(begins).tolist():
        dialogue = dialogues[messages.part[at]]
        if client[at] and dialogue.late_last:
            dialogue.shifted = _more(dialogue.shifted, segments.moment(messages.row[at]))
        dialogue.late_last = False
    carried = np.array([one.recent[-1][0] if one.recent else 0 for one in dialogues], np.uint64)
    last = np.where(request >= begin, last, carried[messages.part])
    odd = ~client & (messages.id != last) & (messages.id != 0) & (last != 0)
    asks = np.flatnonzero(client)
    for at in np.flatnonzero(odd).tolist():
        dialogue = dialogues[messages.part[at]]
        if dialogue.odd >= ODD_ANSWERS:
            continue
        dialogue.odd += 1
        low, high = np.searchsorted(asks, (begin[at], at)).tolist()
        recent = [number for number, _ in dialogue.recent] + messages.id[asks[low:high]].tolist()
        if int(messages.id[at]) not in recent[-RECENT:]:
            continue
        dialogue.late = _more(dialogue.late, segments.moment(messages.row[at]))
        behind = at + 1
        if behind == len(begins) or begins[behind]:
            dialogue.late_last = True
        elif client[behind]:
            dialogue.shifted = _more(dialogue.shifted, segments.moment(messages.row[behind]))


def _said(segments: _Segments, messages: _Messages) -> Said:
    return Said(
        part=messages.part,
        client=messages.client,
        id=messages.id,
        function=messages.function,
        unit=messages.unit,
        octets=np.where(messages.short, 0, messages.size),
        seconds=segments.seconds[messages.row],
        number=segments.number[messages.row],
    )


def _count(dialogues: list[Dialogue], segments: _Segments, messages: _Messages) -> None:
    def each(chosen: Flags) -> Iterator[tuple[Dialogue, int, Moment, Moment]]:
        """The dialogues with chosen messages: how many, the first and the last one."""
        rows = np.flatnonzero(chosen)
        for first, last in _runs(messages.part, rows):
            ends = (segments.moment(messages.row[rows[one]]) for one in (first, last))
            yield dialogues[messages.part[rows[first]]], last - first + 1, *ends

    client, kind = messages.client, messages.kind
    for dialogue, count, _, _ in each(client):
        dialogue.asked += count
    for dialogue, count, _, _ in each(~client):
        dialogue.told += count
    for dialogue, count, first, last in each(~client & (kind == Kind.DATA)):
        dialogue.good += count
        dialogue.good_since = dialogue.good_since or first
        dialogue.last_good = last
    for dialogue, _, _, last in each(~client & (kind == Kind.OPEN)):
        dialogue.accepted = last
    for dialogue, count, _, _ in each(~client & (kind == Kind.LATER)):
        dialogue.put_off += count
    for dialogue, count, _, last in each(~client & (kind == Kind.REJECT)):
        dialogue.rejected += count
        dialogue.last_rejected = last
    for dialogue, count, _, last in each(~client & (kind == Kind.REFUSE)):
        dialogue.refused += count
        dialogue.last_refused = last


def _remember(dialogues: list[Dialogue], segments: _Segments, messages: _Messages) -> None:
    """What the next chunk has to know."""
    asks = np.flatnonzero(messages.client)
    for first, last in _runs(messages.part, asks):
        dialogue = dialogues[messages.part[asks[last]]]
        kept = asks[max(first, last + 1 - RECENT) : last + 1].tolist()
        new = [(int(messages.id[at]), segments.moment(messages.row[at])) for at in kept]
        dialogue.recent = (*dialogue.recent, *new)[-RECENT:]
        unit = int(messages.unit[asks[last]])
        dialogue.unit = None if unit < 0 else unit
    if len(asks):
        columns = (messages.size, messages.function, messages.unit)
        _count_kinds(dialogues, messages.part[asks], *(one[asks] for one in columns))
    for _, last in _runs(messages.part, np.arange(len(messages.part))):
        dialogue = dialogues[messages.part[last]]
        dialogue.speaker = CLIENT if messages.client[last] else SERVER


def _count_kinds(
    dialogues: list[Dialogue], part: Ints, size: Ints, function: Ints, unit: Ints
) -> None:
    """Count requests by kind; rows are those of requests, in order inside a session."""
    first, group = groups(part, size, function, unit)
    counts = np.bincount(group, minlength=len(first)).tolist()
    kinds = [Request(*(int(column[at]) for column in (size, function, unit))) for at in first]
    for one in np.argsort(first).tolist():
        dialogues[part[first[one]]].ask(kinds[one], counts[one])
    for row in np.flatnonzero(np.append(part[1:] != part[:-1], True)).tolist():
        dialogues[part[row]].last_kind = kinds[group[row]]


def _more(series: Series, moment: Moment) -> Series:
    """The series with one more moment; the empty one is everybody's."""
    series = Series() if series is NEVER else series
    series.add(moment)
    return series


def _runs(part: Ints, rows: Ints) -> list[tuple[int, int]]:
    """For each session with chosen rows: the first and the last of its rows in the choice."""
    if not len(rows):
        return []
    of = part[rows]
    ends = np.flatnonzero(np.append(of[1:] != of[:-1], True))
    starts = np.append(0, ends[:-1] + 1)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))
