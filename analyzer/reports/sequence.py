"""One link-up as a sequence chart: who said what to whom, folded to what a person can read."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from analyzer.diagnosis import Diagnosis, Finding, LinkUp, Outcome, Session
from analyzer.reports.blocks import Event, Lifeline, SequenceChart, Shape
from analyzer.words import clean, say, seconds

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
"""Alike events in a row that are folded into one."""


def chart(diagnosis: Diagnosis, outcome: Outcome, name: str) -> SequenceChart | None:
    """The sequence chart of one link-up; None where nothing passed between any two.

    name begins the names of its events: two charts of one document need different ones.
    """
    story = _Story(diagnosis, outcome.linkup)
    events = [event for tell in TOLD_BY for event in tell(story)]
    if not events:
        return None
    proof = {one.moment.frame for finding in _about(diagnosis, outcome) for one in finding.evidence}
    events = [replace(one, proof=one.frame in proof) for one in events]
    events += _remarks(_about(diagnosis, outcome), {one.frame for one in events})
    events.sort(key=lambda one: (one.seconds, one.frame or 0))
    events = _with_pauses(_short(_folded(events)), diagnosis.facts.coverage.seconds)
    events = list(_named(events, name))
    return SequenceChart(
        title="What passed between them",
        everybody="Everybody",
        header=("Seconds", "Frame", "From", "To", "What"),
        lifelines=story.lifelines,
        events=events,
    )


def _named(events: Iterable[Event], name: str) -> Iterator[Event]:
    """The first event of each frame gets its name."""
    seen: set[int | None] = {None}
    for one in events:
        yield one if one.frame in seen else replace(one, name=f"{name}-{one.frame}")
        seen.add(one.frame)


def _about(diagnosis: Diagnosis, outcome: Outcome) -> list[Finding]:
    """The findings whose frames belong into the chart of a link-up."""
    found = [one for one in diagnosis.findings if one.linkup is outcome.linkup]
    return [outcome.fault, *found] if outcome.fault and outcome.fault not in found else found


@dataclass(slots=True, eq=False)
class _Story:
    """The link-up, and who takes part in it so far."""

    diagnosis: Diagnosis
    linkup: LinkUp
    others: list[tuple[object, Lifeline]] = field(default_factory=list)

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
        if hardware is not None and self._disputed:
            return hardware == self._disputed[0]
        return address == linkup.controller

    @property
    def _disputed(self) -> list[int]:
        claims = self.diagnosis.facts.arp.claims.get(self.linkup.controller)
        return [run.hardware for run in claims.runs] if claims is not None else []

    def _name(self, hardware: int | None) -> str:
        station = next(
            (one for one in self.diagnosis.facts.stations if one.hardware == hardware), None
        )
        if hardware is not None and hardware == self.linkup.router:
            return "The router"
        if hardware in self._disputed:
            return "A second device"
        if any(one.sender == hardware for one in self.diagnosis.facts.dhcp if not one.from_client):
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


def _questions(story: _Story) -> Iterator[Event]:
    """ARP between the PC and the controller, and with the router."""
    facts, linkup = story.diagnosis.facts, story.linkup
    wanted = {linkup.controller}
    wanted |= {a for a, claims in facts.arp.claims.items() if linkup.router in claims.counts}
    for question in facts.arp.questions.values():
        if question.asker != linkup.pc.hardware or question.wanted not in wanted:
            continue
        told = {"wanted": question.wanted}
        for moment in question.asked.moments:
            silent = not _answered(moment, [answer for answer, _ in question.answers])
            to = story.who(None, question.wanted)
            text = say("asks for the hardware address of {wanted}", told)
            yield _event(moment, PC, to, text, Shape.LOST if silent else Shape.MESSAGE)
        for moment, hardware in question.answers:
            by = story.who(hardware, question.wanted)
            yield _event(moment, by, PC, say("says that it is {wanted}", told))


def _answered(moment: tuple[int, float], answers: Iterable[tuple[int, float]]) -> bool:
    return any(moment[0] < one[0] and one[1] - moment[1] <= ANSWER_WITHIN for one in answers)


def _claims(story: _Story) -> Iterator[Event]:
    """Who says of itself that it has the PC's or the controller's address."""
    linkup, arp = story.linkup, story.diagnosis.facts.arp
    own = {linkup.controller, *linkup.pc.addresses}
    for (hardware, address), series in arp.announcements.items():
        if address in own or hardware in (linkup.pc.hardware, linkup.hardware):
            by, text = story.who(hardware, address), say("I am {a}", {"a": address})
            yield from (_event(one, by, by, text, Shape.TO_ALL) for one in series.moments)
    for (hardware, address), series in arp.probes.items():
        if address in own or hardware in (linkup.pc.hardware, linkup.hardware):
            by = story.who(hardware, None)
            text = say("is {a} free?", {"a": address})
            yield from (_event(one, by, by, text, Shape.TO_ALL) for one in series.moments)


def _leases(story: _Story) -> Iterator[Event]:
    """DHCP of the PC and of the controller."""
    linkup = story.linkup
    for message in story.diagnosis.facts.dhcp:
        if message.client not in (linkup.pc.hardware, linkup.hardware):
            continue
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
    for moment in pings.requests.moments:
        silent = not _answered(moment, pings.replies.moments)
        shape = Shape.LOST if silent else Shape.MESSAGE
        yield _event(moment, PC, CONTROLLER, "ping", shape)
    for moment in pings.replies.moments:
        yield _event(moment, CONTROLLER, PC, "ping answered")


def _errors(story: _Story) -> Iterator[Event]:
    """What routers, filters and the controller say about the PC's packets."""
    for error in story.linkup.errors:
        by = story.who(error.sender_hw, error.sender)
        told = {"meaning": error.meaning, "wanted": error.about_dst}
        yield _event(error.moment, by, PC, say("{wanted}: {meaning}", told))


def _sessions(story: _Story) -> Iterator[Event]:
    for session in (*story.linkup.sessions, *story.linkup.other_sessions):
        yield from _session(session)


def _session(session: Session) -> Iterator[Event]:
    client, server = session.from_client, session.from_server
    told: dict[str, object] = {"port": session.server.port, "answers": session.answers}
    lost = Shape.LOST if session.is_silent else Shape.MESSAGE
    for moment in session.syns.moments:
        yield _event(moment, PC, CONTROLLER, say("calls port {port}", told), lost)
    if session.syn_ack is not None:
        yield _event(session.syn_ack, CONTROLLER, PC, say("port {port} opens", told))
    if server.first_data is not None and not session.requests:
        yield _event(server.first_data.moment, CONTROLLER, PC, "sends by itself")
    yield from _requests(session)
    for moment in client.repeats.moments:
        yield _event(moment, PC, CONTROLLER, "sends it again", Shape.LOST)
    for moment in server.repeats.moments:
        yield _event(moment, CONTROLLER, PC, "sends it again")
    for end in session.ends:
        by, to = (CONTROLLER, PC) if end.side else (PC, CONTROLLER)
        refused = session.refused is not None and end.moment == session.refused.moment
        text = "turns the call down" if refused else "resets" if end.reset else "closes"
        yield _event(end.moment, by, to, text)


def _requests(session: Session) -> Iterator[Event]:
    """The first and the last request; what lies between is one loop."""
    first, last = session.from_client.first_data, session.asked
    if first is None or last is None:
        return
    unanswered = session.is_waiting and not session.lacks_answer
    told = {
        "requests": session.requests,
        "answers": session.answers,
        "typically": session.answer_times.median,
    }
    if session.answers:
        text = "{requests:count request}, {answers:count answer}"
        text += ", typically after {typically:seconds}" if session.is_timed else ""
        answered = session.requests - unanswered
        shape = Shape.LOOP if answered > 1 else Shape.MESSAGE
        said = say(text, {**told, "requests": answered})
        until = session.answered.seconds if session.answered else last.seconds
        yield replace(_event(first.moment, PC, CONTROLLER, said, shape), until=until)
    if unanswered:
        shape = Shape.MESSAGE if session.server_ended else Shape.LOST
        yield _event(last, PC, CONTROLLER, "asks", shape)


def _exchanges(story: _Story) -> Iterator[Event]:
    for one in story.linkup.exchanges:
        if one.asked.first is None:
            continue
        told = {"port": one.server[1], "n": one.asked.count, "answers": one.answered.count}
        text = say("UDP port {port}: {n:count datagram}, {answers:count answer}", told)
        shape = Shape.LOOP if one.answered.count else Shape.LOST
        until = max(way.last.seconds for way in (one.asked, one.answered) if way.last)
        yield replace(_event(one.asked.first, PC, CONTROLLER, text, shape), until=until)


TOLD_BY: Sequence[Callable[[_Story], Iterator[Event]]] = (
    _questions, _claims, _leases, _pings, _errors, _sessions, _exchanges,
)  # fmt: skip
"""Everything that is told, in no order: the events are sorted by time."""


def _remarks(findings: Iterable[Finding], told: set[int | None]) -> list[Event]:
    """Frames that a finding rests on and nothing else tells: in the finding's own words."""
    evidence = (one for finding in findings for one in finding.evidence)
    remarks = {one.moment.frame: one for one in evidence if one.moment.frame not in told}
    return [
        Event(one.moment.seconds, frame, PC, PC, Shape.REMARK, one.text, proof=True)
        for frame, one in remarks.items()
    ]


def _folded(events: Sequence[Event]) -> list[Event]:
    """Alike events in a row: the first ones and the last, and how many lie between."""
    folded: list[Event] = []
    for _, alike in groupby(events, key=lambda one: (one.by, one.to, one.shape, one.text)):
        run = list(alike)
        if len(run) > IN_A_ROW:
            hidden = run[2:-1]
            text = say("{n:times} more", {"n": len(hidden)})
            proof = any(one.proof for one in hidden)
            shape = Shape.LOOP if run[0].shape is Shape.MESSAGE else run[0].shape
            more = replace(hidden[0], frame=None, shape=shape, text=text, proof=proof)
            more = replace(more, until=hidden[-1].ends)
            run = [*run[:2], more, run[-1]]
        folded += run
    return folded


def _short(events: Sequence[Event]) -> list[Event]:
    """Of too many events the proof, and as many others as fit, from both ends."""
    if len(events) <= MOST_EVENTS:
        return list(events)
    half = MOST_EVENTS // 2
    kept = list(events[:half]) + list(events[-half:])
    middle = [one for one in events[half:-half] if one.proof][:half]
    left_out = len(events) - len(kept) - len(middle)
    text = say("{n:count event} left out here", {"n": left_out})
    gap = Event(events[half].seconds, None, PC, CONTROLLER, Shape.PAUSE, text)
    return [*kept[:half], gap, *middle, *kept[half:]]


def _with_pauses(events: Sequence[Event], ends: float) -> list[Event]:
    """Long times without an event, and the silence behind a question that nobody answered."""
    following = [one.seconds for one in events[1:]] + [ends]
    told: list[Event] = []
    over = 0.0
    for event, then in zip(events, following, strict=True):
        told.append(event)
        over = max(over, event.ends)
        gap = then - over
        if gap < LONG_PAUSE:
            continue
        silent = event.shape is Shape.LOST
        text = f"{'no answer' if silent else 'nothing'} for {seconds(gap)}"
        shape = Shape.SILENCE if silent else Shape.PAUSE
        told.append(Event(over, None, event.to, event.by, shape, text))
    return told
