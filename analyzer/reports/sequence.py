"""One link-up as a sequence chart: who said what to whom, folded to what a person can read."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from analyzer.diagnosis import (
    Call,
    Diagnosis,
    Exchange,
    Finding,
    How,
    LinkUp,
    Moment,
    Outcome,
    Series,
    Session,
)
from analyzer.reports.blocks import Event, Lifeline, SequenceChart, Shape
from analyzer.words import clean, count, say, seconds

T = TypeVar("T")
PC, CONTROLLER = 0, 1
MOST_LIFELINES = 6
"""More do not fit side by side on a sheet of paper."""
MOST_EVENTS = 60
"""Rows of one chart: about two sheets of paper."""
LONG_PAUSE = 2.0
"""Seconds without an event that are told as a pause."""
ANSWER_WITHIN = 3.0
"""Seconds within which an answer belongs to a question."""
IN_A_ROW = 4
"""Rounds of alike events in a row from which on those in the middle are folded into one."""
SHORT = 0.1
"""Seconds that are told as one moment."""
BY_HARDWARE, BY_ADDRESS = "hardware", "address"
LONGEST_ROUND = 16
"""Events of one round: two sessions that are opened, used and closed have so many."""


class Charts:
    """The charts of a recording: what they tell is sorted once for all link-ups."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        self._heard = _Heard(diagnosis)

    def of(self, outcome: Outcome, name: str) -> SequenceChart | None:
        """The sequence chart of one link-up; None where nothing passed between any two.

        name begins the names of its events: two charts of one document need different ones.
        """
        about = self._heard.about(outcome)
        proof = {one.moment.frame for finding in about for one in finding.evidence}
        story = _Story(self._heard, outcome.linkup, proof)
        events = [event for tell in TOLD_BY for event in tell(story)]
        if not events:
            return None
        events += _remarks(story, about, {one.frame for one in events})
        events = [replace(one, proof=one.frame in proof) for one in events]
        events.sort(key=lambda one: (one.seconds, one.frame or 0))
        events = _with_pauses(_short(_folded(events)), self._heard.facts.coverage.seconds)
        events = list(_named(events, name))
        return SequenceChart(
            title="What passed between them",
            everybody="Everybody",
            header=("Seconds", "Frame", "From", "To", "What"),
            lifelines=story.lifelines,
            events=events,
            key=[(sign, words) for sign, words in KEY.items() if _occurs(sign, events)],
        )


PROOF = "proof"
KEY: Mapping[str, str] = {
    PROOF: "What the finding rests on",
    Shape.LOST: "Nothing answered it",
    Shape.TO_ALL: "Sent to everybody",
    Shape.LOOP: "Several, folded into one",
    Shape.ROUNDS: "What is in the bracket repeats",
    Shape.SILENCE: "The time without an answer",
    Shape.PAUSE: "The longer nothing happens, the taller",
    Shape.REMARK: "Something else that was seen",
}
"""What the signs of a chart mean."""


def _occurs(sign: str, events: Iterable[Event]) -> bool:
    return any(one.proof if sign == PROOF else one.shape == sign for one in events)


def _named(events: Iterable[Event], name: str) -> Iterator[Event]:
    """The first event of each frame gets its name."""
    seen: set[int | None] = {None}
    for one in events:
        yield one if one.frame in seen else replace(one, name=f"{name}-{one.frame}")
        seen.add(one.frame)


Placed = dict[object, list[tuple[int, T]]]
"""Things with their places, by whom they are about."""


def _by(things: Iterable[T], about: Callable[[T], Iterable[object]]) -> Placed[T]:
    found: Placed[T] = {}
    for place, one in enumerate(things):
        for key in about(one):
            found.setdefault(key, []).append((place, one))
    return found


def _both(entry: tuple[tuple[int, int], Series]) -> Iterable[object]:
    """By which an announcement or a probe is found: either address."""
    (hardware, address), _ = entry
    return (BY_HARDWARE, hardware), (BY_ADDRESS, address)


def _in_order(placed: Placed[T], keys: Iterable[object]) -> list[T]:
    """What is about any of the keys, each once, in the order in which it was heard."""
    found = {place: one for key in set(keys) for place, one in placed.get(key, [])}
    return [one for _, one in sorted(found.items())]


class _Heard:
    """What a recording holds, by whom it is about.

    claimed: addresses that a station answers for, without those of controllers: each has a chart
    of its own.
    """

    def __init__(self, diagnosis: Diagnosis) -> None:
        facts = self.facts = diagnosis.facts
        self.findings = _by(diagnosis.findings, lambda one: [one.linkup])
        self.questions = _by(facts.index.questions, lambda one: [(one.asker, one.wanted)])
        self.announcements = _by(facts.arp.announcements.items(), _both)
        self.probes = _by(facts.arp.probes.items(), _both)
        self.leases = _by(facts.dhcp, lambda one: [one.client])
        self.stations = _by(facts.stations, lambda one: [one.hardware])
        self.servers = {one.sender for one in facts.dhcp if not one.from_client}
        controllers = {one.controller for one in diagnosis.case.linkups}
        self.claimed: dict[int, list[int]] = {}
        for address in facts.arp.claims.keys() - controllers:
            for hardware in facts.arp.claims[address].counts:
                self.claimed.setdefault(hardware, []).append(address)

    def about(self, outcome: Outcome) -> list[Finding]:
        """The findings whose frames belong into the chart of a link-up."""
        found = [one for _, one in self.findings.get(outcome.linkup, [])]
        return [outcome.fault, *found] if outcome.fault and outcome.fault not in found else found


@dataclass(slots=True, eq=False, repr=False)
class _Story:
    """The link-up, the frames that findings rest on, and who takes part in it so far."""

    heard: _Heard
    linkup: LinkUp
    proof: set[int]
    others: list[tuple[object, Lifeline]] = field(default_factory=list)
    disputed: list[int] = field(init=False)
    """Who claims the controller's address, the first first."""

    def __post_init__(self) -> None:
        claims = self.heard.facts.claims(self.linkup.controller)
        runs = claims.runs if claims is not None else []
        self.disputed = list(dict.fromkeys(run.hardware for run in runs))

    @property
    def lifelines(self) -> list[Lifeline]:
        linkup = self.linkup
        pc = _addresses(linkup.pc_address, linkup.pc.hardware)
        controller = _addresses(linkup.controller, linkup.hardware)
        others = [lifeline for _, lifeline in self.others]
        return [Lifeline("The PC", pc), Lifeline("The controller", controller), *others]

    def who(self, hardware: int | None, address: int | None) -> int:
        """The place of a station's lifeline; those beyond the last one share it."""
        linkup = self.linkup
        is_pc = hardware == linkup.pc.hardware if hardware else address in linkup.pc.addresses
        if is_pc:
            return PC
        if self._is_controller(hardware, address):
            return CONTROLLER
        key = hardware or address
        known = [one for one, _ in self.others]
        if key not in known:
            if len(known) + 2 >= MOST_LIFELINES:
                return MOST_LIFELINES - 1
            lifeline = Lifeline(self._name(hardware), _addresses(address, hardware))
            self.others.append((key, lifeline))
            return len(known) + 2
        return known.index(key) + 2

    def _is_controller(self, hardware: int | None, address: int | None) -> bool:
        linkup = self.linkup
        if hardware is not None and linkup.hardware is not None:
            return hardware == linkup.hardware
        if hardware is not None and self.disputed:
            return hardware == self.disputed[0]
        return address == linkup.controller

    def _name(self, hardware: int | None) -> str:
        found = self.heard.stations.get(hardware)
        station = found[0][1] if found else None
        if hardware is not None and hardware == self.linkup.router:
            return "The router"
        if hardware in self.disputed:
            return "A second device"
        if hardware in self.heard.servers:
            return "An address server"
        if station is not None and station.is_switch:
            return "The switch"
        return "The router" if station is not None and station.is_router else "Another station"


def _addresses(address: object, hardware: object) -> str:
    return ", ".join(clean(str(one)) for one in (address, hardware) if one)


def _event(
    moment: tuple[int, float], by: int, to: int, text: str, shape: Shape = Shape.MESSAGE
) -> Event:
    return Event(moment[1], moment[0], by, to, shape, text)


def _events(
    series: Series, by: int, to: int, text: str, shape: Shape = Shape.MESSAGE
) -> Iterator[Event]:
    """An event a kept moment; the last one before the gap stands for those that were not kept."""
    missing = series.count - len(series.moments)
    for place, moment in enumerate(series.moments, 1):
        event = _event(moment, by, to, text, shape)
        if missing and place == len(series.early):
            event = replace(event, times=1 + missing, until=series.late[0].seconds)
        yield event


def _questions(story: _Story) -> Iterator[Event]:
    """ARP between the PC and the controller, and with the router."""
    heard, linkup = story.heard, story.linkup
    by_router = heard.claimed.get(linkup.router, []) if linkup.router is not None else []
    wanted = [linkup.controller, *by_router]
    for question in _in_order(heard.questions, [(linkup.pc.hardware, one) for one in wanted]):
        told = {"wanted": question.wanted}
        to = story.who(None, question.wanted)
        text = say("asks for the hardware address of {wanted}", told)
        answers = [answer for answer, _ in question.answers]
        yield from _asked(_events(question.asked, PC, to, text), answers)
        for moment, hardware in question.answers:
            by = story.who(hardware, question.wanted)
            yield _event(moment, by, PC, say("says that it is {wanted}", told))


def _asked(questions: Iterable[Event], answers: Sequence[Moment]) -> Iterator[Event]:
    """Those without an answer are lost."""
    for one in questions:
        late = one.seconds + ANSWER_WITHIN
        is_answered = any(one.frame < frame and at <= late for frame, at in answers if one.frame)
        yield one if is_answered else replace(one, shape=Shape.LOST)


def _claims(story: _Story) -> Iterator[Event]:
    """Who says of itself that it has the PC's or the controller's address."""
    linkup, heard = story.linkup, story.heard
    keys: list[object] = [(BY_ADDRESS, one) for one in (linkup.controller, *linkup.pc.addresses)]
    keys += [(BY_HARDWARE, one) for one in (linkup.pc.hardware, linkup.hardware)]
    for (hardware, address), series in _in_order(heard.announcements, keys):
        by, text = story.who(hardware, address), say("I am {a}", {"a": address})
        yield from _events(series, by, by, text, Shape.TO_ALL)
    for (hardware, address), series in _in_order(heard.probes, keys):
        by, text = story.who(hardware, None), say("is {a} free?", {"a": address})
        yield from _events(series, by, by, text, Shape.TO_ALL)


def _leases(story: _Story) -> Iterator[Event]:
    """DHCP of the PC and of the controller."""
    linkup = story.linkup
    for message in _in_order(story.heard.leases, [linkup.pc.hardware, linkup.hardware]):
        client = story.who(message.client, None)
        told = {"kind": message.kind, "address": message.offered}
        if message.from_client:
            yield _event(message.moment, client, client, say("DHCP {kind}", told), Shape.TO_ALL)
        else:
            server = story.who(message.sender, message.server)
            yield _event(message.moment, server, client, say("DHCP {kind}: {address}", told))


def _pings(story: _Story) -> Iterator[Event]:
    pings = story.linkup.pings
    if pings is None:
        return
    asked = _events(pings.requests, PC, CONTROLLER, "ping")
    yield from _asked(asked, pings.replies.moments)
    yield from _events(pings.replies, CONTROLLER, PC, "ping answered")


def _errors(story: _Story) -> Iterator[Event]:
    """What routers, filters and the controller say about the PC's packets."""
    for error in story.linkup.errors:
        by = story.who(error.sender_hw, error.sender)
        told = {"meaning": error.meaning, "wanted": error.about_dst}
        yield _event(error.moment, by, PC, say("{wanted}: {meaning}", told))


def _sessions(story: _Story) -> Iterator[Event]:
    for call in (*story.linkup.on_port, *story.linkup.on_others):
        yield from _call(story, call)


def _call(story: _Story, call: Call) -> Iterator[Event]:
    session = call.session
    client, server = session.from_client, session.from_server
    told: dict[str, object] = {"port": session.server.port, "answers": session.answers}
    lost = Shape.LOST if call.how is How.IGNORED else Shape.MESSAGE
    yield from _events(session.syns, PC, CONTROLLER, say("calls port {port}", told), lost)
    if session.syn_ack is not None:
        yield _event(session.syn_ack, CONTROLLER, PC, say("port {port} opens", told))
    if server.first_data is not None and not session.requests:
        yield _event(server.first_data.moment, CONTROLLER, PC, "sends by itself")
    late = session.dialogue.late.moments
    told_singly = any(one.frame in story.proof for one in late)
    yield from _late_answers(call) if told_singly else _requests(call)
    heard = server.last_ack_at
    for one in _events(client.repeats, PC, CONTROLLER, "sends it again"):
        is_lost = heard is None or one.seconds > heard.seconds
        yield replace(one, shape=Shape.LOST) if is_lost else one
    yield from _events(server.repeats, CONTROLLER, PC, "sends it again")
    for end in session.ends:
        by, to = (CONTROLLER, PC) if end.side else (PC, CONTROLLER)
        refused = call.how is How.REFUSED and end is call.end
        text = "turns the call down" if refused else "resets" if end.reset else "closes"
        yield _event(end.moment, by, to, text)


def _requests(call: Call) -> Iterator[Event]:
    """The first and the last request; what lies between is one loop."""
    session = call.session
    unanswered = call.asks_last and not session.lacks_answer
    if session.answers:
        text = "{requests:count request}, {answers:count answer}"
        text += ", typically after {typically:seconds}" if session.is_timed else ""
        told = {
            "requests": session.requests - unanswered,
            "answers": session.answers,
            "typically": session.answer_times.median,
        }
        yield from _loop(session, say(text, told), session.requests - unanswered)
    if unanswered and session.asked is not None:
        shape = Shape.MESSAGE if call.ended_by_server else Shape.LOST
        yield _event(session.asked, PC, CONTROLLER, "asks", shape)


def _late_answers(call: Call) -> Iterator[Event]:
    """Where answers belong to older requests: those and the requests behind them one by one, and
    the others as one loop. Each is told once.
    """
    session = call.session
    dialogue, last = session.dialogue, session.asked
    behind = dialogue.shifted
    asks_last = call.asks_last and last is not None and last not in behind.moments
    requests = dialogue.asked - behind.count - asks_last
    told = {"requests": requests, "answers": dialogue.told - dialogue.late.count}
    text = say("{requests:count request}, {answers:count answer} in step with them", told)
    yield from _loop(session, text, requests)
    yield from _events(dialogue.late, CONTROLLER, PC, "answers an older request")
    for one in _events(behind, PC, CONTROLLER, "asks on behind it"):
        silent = call.asks_last and last is not None and one.frame == last.frame
        yield replace(one, shape=Shape.LOST) if silent else one
    if asks_last and last is not None:
        yield _event(last, PC, CONTROLLER, "asks", Shape.LOST)


def _loop(session: Session, text: str, requests: int) -> Iterator[Event]:
    first, last = session.from_client.first_data, session.answered or session.asked
    if first is not None and last is not None:
        shape = Shape.LOOP if requests > 1 else Shape.MESSAGE
        event = _event(first.moment, PC, CONTROLLER, text, shape)
        yield replace(event, until=last.seconds)


DATAGRAMS = "UDP port {port}: {n:count datagram}{answers:if , {answers:count answer}}"


def _exchanges(story: _Story) -> Iterator[Event]:
    for one in story.linkup.exchanges:
        told = {"port": one.server[1], "n": one.asked.count, "answers": one.answered.count}
        text = say(DATAGRAMS, told)
        shape = Shape.LOOP if one.answered.count else Shape.LOST
        yield replace(_event(one.first, PC, CONTROLLER, text, shape), until=_over(one))


def _streams(story: _Story) -> Iterator[Event]:
    """Datagrams that the controller began to send to the PC."""
    linkup = story.linkup
    for one in story.heard.facts.index.exchanges_from[linkup.controller]:
        if one.server[0] not in linkup.pc.addresses or one.is_office:
            continue
        told = {"port": one.server[1], "n": one.asked.count, "answers": one.answered.count}
        text = say(DATAGRAMS, told)
        shape = Shape.LOOP if one.asked.count > 1 else Shape.MESSAGE
        event = _event(one.first, CONTROLLER, PC, text, shape)
        yield replace(event, until=_over(one), one_way=not one.answered.count)


def _over(exchange: Exchange) -> float:
    return max(way.last.seconds for way in (exchange.asked, exchange.answered) if way.last)


TOLD_BY: Sequence[Callable[[_Story], Iterator[Event]]] = (
    _questions, _claims, _leases, _pings, _errors, _sessions, _exchanges, _streams,
)  # fmt: skip
"""Everything that is told, in no order: the events are sorted by time."""


def _remarks(story: _Story, findings: Iterable[Finding], told: set[int | None]) -> list[Event]:
    """Frames that a finding rests on and nothing else tells: in the finding's own words, as a
    message where it is known who sent it.
    """
    evidence = (one for finding in findings for one in finding.evidence)
    remarks = {one.moment.frame: one for one in evidence if one.moment.frame not in told}
    ways = _ways(story.linkup) if remarks else {}
    return [
        Event(one.moment.seconds, frame, *ways[frame], Shape.MESSAGE, one.text)
        if frame in ways
        else Event(one.moment.seconds, frame, PC, PC, Shape.REMARK, one.text)
        for frame, one in remarks.items()
    ]


def _ways(linkup: LinkUp) -> dict[int, tuple[int, int]]:
    """Who sent the frames of sessions of which the facts keep the moment, and to whom."""
    ways = {}
    for call in (*linkup.on_port, *linkup.on_others):
        for place, side in enumerate(call.session.sides):
            data = side.first_data.moment if side.first_data else None
            moments = [side.first, side.last, side.last_data, side.last_ack_at, data]
            moments += [*side.repeats.moments, *side.shut.moments]
            way = (CONTROLLER, PC) if place else (PC, CONTROLLER)
            ways.update({one.frame: way for one in moments if one is not None})
    return ways


COUNTED = re.compile(r"[0-9.,]+ (requests?|answers?|datagrams?|m?s)\b")
"""What may differ between two loops that are alike."""
AGAIN = " again"
"""How the words of a frame end that is not the first of its kind."""


def _folded(events: list[Event]) -> list[list[Event]]:
    """Alike events in a row: those in the middle as one. Rounds of several events: the first one,
    below a line that says how often. What belongs together is one list.
    """
    folded: list[list[Event]] = []
    looks = [_look(one) for one in events]
    at = 0
    while at < len(events):
        size, rounds = _repeated(looks, at)
        run = events[at : at + size * rounds]
        if size > 1:
            folded.append(_rounds(run, size))
        elif rounds > IN_A_ROW:
            folded += [[one] for one in (*run[:2], _more(run[2:-1], run), run[-1])]
        else:
            folded += [[one, *([_more([], [one])] if one.times > 1 else [])] for one in run]
        at += len(run)
    return [[replace(one, times=1) if one.frame else one for one in unit] for unit in folded]


Look = tuple[int, int, Shape, str]


def _look(event: Event) -> Look:
    """What is the same in alike events."""
    text = COUNTED.sub(r"\1", event.text) if event.shape is Shape.LOOP else event.text
    return event.by, event.to, event.shape, text.removesuffix(AGAIN)


def _repeated(looks: Sequence[Look], at: int) -> tuple[int, int]:
    """How many events make a round that is repeated from a place on, and how many rounds."""
    for size in range(1, LONGEST_ROUND + 1):
        rounds, first = 1, looks[at : at + size]
        while first == looks[at + size * rounds : at + size * (rounds + 1)]:
            rounds += 1
        if rounds > IN_A_ROW:
            return size, rounds
    return 1, 1


def _rounds(run: Sequence[Event], size: int) -> list[Event]:
    """The first round of a run, and above it how many there are. What is proof in any of them is
    marked in the first.
    """
    missing = Counter[int]()
    for place, one in enumerate(run):
        missing[place % size] += one.times - 1
    rounds = len(run) // size + max(missing.values())
    shown = [
        replace(one, inside=True, proof=any(other.proof for other in run[place::size]))
        for place, one in enumerate(run[:size])
    ]
    begin, end = run[0].seconds, max(one.ends for one in run)
    numbers = {one.text.removesuffix(AGAIN) for one in run}
    told = {"size": size, "n": rounds, "differ": len(numbers) > len({_look(one) for one in run})}
    text = say("the next {size} events: {n:times}{differ:if, with other counts}", told)
    when = f", from {begin:.1f} s to {end:.1f} s"
    head = Event(begin, None, PC, CONTROLLER, Shape.ROUNDS, text + when, until=end)
    return [replace(head, times=(rounds - 1) * size), *shown]


def _more(hidden: Sequence[Event], run: Sequence[Event]) -> Event:
    """What stands for hidden events of a run, and for those that its events stand for."""
    begin = (hidden or run)[0]
    times = len(hidden) + sum(one.times - 1 for one in run)
    covered = [*hidden, *(one for one in run if one.times > 1)]
    return replace(
        begin,
        frame=None,
        shape=begin.shape if begin.shape is not Shape.MESSAGE else Shape.LOOP,
        one_way=begin.one_way or begin.shape is Shape.MESSAGE,
        text=say("{n:times} more", {"n": times}),
        until=max(one.ends for one in covered),
        proof=any(one.proof for one in hidden),
        times=times,
    )


def _short(units: Sequence[Sequence[Event]]) -> list[Event]:
    """Of too many events those at both ends and the proof; where others are left out, it is said
    how many, and from when to when.
    """
    total = sum(map(len, units))
    half = MOST_EVENTS // 2
    kept: list[Event] = []
    dropped: list[Event] = []
    place = 0
    for unit in units:
        is_middle = total > MOST_EVENTS and half <= place < total - half
        place += len(unit)
        if is_middle and not any(one.proof for one in unit):
            dropped += unit
            continue
        if dropped:
            kept.append(_left_out(dropped))
            dropped = []
        kept += unit
    return kept


def _left_out(events: Sequence[Event]) -> Event:
    begin, end = events[0].seconds, max(one.ends for one in events)
    number = count(sum(one.times for one in events), "event")
    when = f"at {begin:.1f} s" if end - begin < SHORT else f"from {begin:.1f} s to {end:.1f} s"
    text = f"{number} {when} left out here"
    return Event(begin, None, PC, CONTROLLER, Shape.PAUSE, text, until=end)


def _with_pauses(events: Sequence[Event], ends: float) -> list[Event]:
    """Long times without an event, and the silence behind a question that nobody answered."""
    following = [*events[1:], None]
    told: list[Event] = []
    over = rounds_end = 0.0
    for event, after in zip(events, following, strict=True):
        told.append(event)
        if event.shape is Shape.ROUNDS:
            rounds_end = event.ends
            continue
        goes_on = event.inside and after is not None and after.inside
        over = max(over, event.ends, rounds_end if event.inside and not goes_on else 0.0)
        then = after.seconds if after is not None else ends
        gap = then - over
        if gap < LONG_PAUSE:
            continue
        silent = event.shape is Shape.LOST
        text = f"{'no answer' if silent else 'nothing new between the two'} for {seconds(gap)}"
        shape = Shape.SILENCE if silent else Shape.PAUSE
        pause = Event(over, None, event.to, event.by, shape, text, until=then, inside=goes_on)
        told.append(pause)
    return told
