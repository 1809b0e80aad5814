"""Questions for hardware addresses, and who claims which address (RFC 826, RFC 5227; RFC 4861)."""

from dataclasses import dataclass, field

import numpy as np

from analyzer.columns import Ints
from analyzer.facts.values import KEPT, Address, Hardware, Moment, Series
from analyzer.frames import BROADCAST, SHORTEST, ArpTable, Frames
from analyzer.inputs.records import Direction

REQUEST, REPLY = 1, 2
TIME_TO_REPLY = 3.0
"""Seconds within which a reply belongs to a question; the slowest stacks need about one."""
SWEEP = 16
"""Different addresses asked for by one station that make a search of the network."""
MANY = 3
"""Addresses on one hardware address that a device of its own seldom has (common practice)."""
TOGETHER = 1.0
"""Seconds within which claims of two devices answer the same question."""
GROUP6 = 0x3333
"""Hardware addresses to which questions of IPv6 go (RFC 2464 7): their first half-words."""
MAX_RUNS = 256
"""Changes of claimant kept for one address."""


@dataclass(slots=True, eq=False, repr=False)
class Question:
    """One station asking for one address, however often.

    asked: all requests; broadcasts: those sent to everybody; answers: (moment, hardware
    address given); since_answer: requests after the last answer; has_left: whether this host sent
    one; came_back: requests that this host sent and received again, as in a loop: they are no
    further questions.
    """

    asker: Hardware
    asker_ip: Address
    wanted: Address
    asked: Series = field(default_factory=Series)
    broadcasts: int = 0
    answered: int = 0
    answers: list[tuple[Moment, Hardware]] = field(default_factory=list)
    since_answer: Series = field(default_factory=Series)
    has_left: bool = False
    came_back: Series = field(default_factory=Series)

    @property
    def ignored(self) -> list[Moment]:
        """The kept requests that no reply followed within TIME_TO_REPLY."""
        replies = [at.seconds for at, _ in self.answers]
        return [
            asked
            for asked in self.asked.moments
            if not any(0 <= at - asked.seconds <= TIME_TO_REPLY for at in replies)
        ]


@dataclass(slots=True, eq=False, repr=False)
class Run:
    """One hardware address claiming an address again and again, nobody else in between."""

    hardware: Hardware
    first: Moment
    last: Moment
    count: int = 1


@dataclass(slots=True, eq=False, repr=False)
class Claims:
    """Everyone who named an address as its own in ARP, as runs in time order. A probe is no claim
    (RFC 5227 2.1.1). counts: claims a hardware address; unasked: those that no question was before,
    at most MAX_RUNS.
    """

    runs: list[Run] = field(default_factory=list)
    counts: dict[Hardware, int] = field(default_factory=dict)
    unasked: list[tuple[Moment, Hardware]] = field(default_factory=list)

    @property
    def are_disputed(self) -> bool:
        """Whether one claims the address again after another did, or two claim it together."""
        returned = len({run.hardware for run in self.runs}) < len(self.runs)
        together = len(self.runs) > 1 and (
            self.runs[-1].first.seconds - self.runs[-2].last.seconds <= TOGETHER
        )
        return returned or together

    def by(self, hardware: Hardware) -> list[Run]:
        """The runs of one claimant."""
        return [run for run in self.runs if run.hardware == hardware]

    def add(self, hardware: Hardware, moment: Moment, unasked: bool) -> None:
        """Count one claim. unasked: whether no question was before it."""
        if unasked and len(self.unasked) < MAX_RUNS:
            self.unasked.append((moment, hardware))
        self.counts[hardware] = self.counts.get(hardware, 0) + 1
        if self.runs and self.runs[-1].hardware == hardware:
            self.runs[-1].last = moment
            self.runs[-1].count += 1
        elif len(self.runs) < MAX_RUNS:
            self.runs.append(Run(hardware, moment, moment))


@dataclass(slots=True, eq=False, repr=False)
class Arp:
    """All that ARP says in a recording, or neighbour discovery of IPv6, which is read as ARP.

    questions: by (asker, asker's address, wanted address); claims: by address; probes,
    announcements: by (hardware address, address); unasked: replies to no question that is recorded,
    and to one that the same station has answered, by the same; replied: addresses that each
    hardware address gave as its own in replies.
    """

    frames: int = 0
    questions: dict[tuple[Hardware, Address, Address], Question] = field(default_factory=dict)
    claims: dict[Address, Claims] = field(default_factory=dict)
    probes: dict[tuple[Hardware, Address], Series] = field(default_factory=dict)
    announcements: dict[tuple[Hardware, Address], Series] = field(default_factory=dict)
    unasked: dict[tuple[Hardware, Address], Series] = field(default_factory=dict)
    replied: dict[Hardware, set[Address]] = field(default_factory=dict)

    def add(self, frames: Frames) -> None:
        """Take in the ARP frames of one chunk."""
        self.take(frames, frames.arp)

    def take(self, frames: Frames, arp: ArpTable) -> None:
        """Take in such frames of one chunk."""
        self.frames += len(arp.row)
        columns = (arp.operation, arp.sha, arp.spa, arp.tha, arp.tpa)
        for number, seconds, dst, way, operation, sha, spa, tha, tpa in zip(
            frames.number[arp.row].tolist(),
            frames.seconds[arp.row].tolist(),
            frames.dst[arp.row].tolist(),
            _ways(frames, arp.row).tolist(),
            *(column.tolist() for column in columns),
            strict=True,
        ):
            moment, sender = Moment(number, seconds), Hardware(sha)
            source, target = (Address(frames.listed.address(one)) for one in (spa, tpa))
            unasked = False
            if operation == REQUEST:
                to_all = dst == BROADCAST or dst >> 32 == GROUP6
                unasked = source == target
                self._request(moment, sender, source, target, to_all, way)
            elif operation == REPLY:
                unasked = self._reply(moment, sender, source, Hardware(tha), target)
            if source:
                self.claims.setdefault(source, Claims()).add(sender, moment, unasked)

    def _request(
        self,
        moment: Moment,
        sender: Hardware,
        source: Address,
        wanted: Address,
        broadcast: bool,
        way: int,
    ) -> None:
        if not source:
            self.probes.setdefault((sender, wanted), Series()).add(moment)
            return
        if source == wanted:
            self.announcements.setdefault((sender, source), Series()).add(moment)
            return
        key = (sender, source, wanted)
        question = self.questions.get(key)
        if question is None:
            question = self.questions[key] = Question(sender, source, wanted)
        if question.has_left and way == Direction.IN:
            question.came_back.add(moment)
            return
        question.has_left |= way == Direction.OUT
        question.asked.add(moment)
        question.since_answer.add(moment)
        question.broadcasts += broadcast

    def _reply(
        self, moment: Moment, sender: Hardware, source: Address, asker: Hardware, target: Address
    ) -> bool:
        """Take in a reply; whether it answers no question."""
        if source == target:
            self.announcements.setdefault((sender, source), Series()).add(moment)
            return True
        self.replied.setdefault(sender, set()).add(source)
        question = self.questions.get((asker, target, source))
        if question is None or moment.seconds - question.asked.last.seconds > TIME_TO_REPLY:
            self.unasked.setdefault((sender, source), Series()).add(moment)
            return True
        has_answered = any(at > question.asked.last and by == sender for at, by in question.answers)
        if has_answered:
            self.unasked.setdefault((sender, source), Series()).add(moment)
        question.answered += 1
        question.since_answer = Series()
        question.answers.append((moment, sender))
        if len(question.answers) > KEPT:
            del question.answers[KEPT // 2]
        return has_answered


@dataclass(slots=True, eq=False, repr=False)
class Neighbours(Arp):
    """The same of neighbour solicitations and advertisements (RFC 4861)."""

    def add(self, frames: Frames) -> None:
        """Take in the neighbour discovery of one chunk."""
        self.take(frames, frames.neighbours)


def _ways(frames: Frames, row: Ints) -> Ints:
    """The Direction of each ARP frame. Where the recording does not tell it, the length does."""
    by_length = np.where(frames.wire[row] < SHORTEST, Direction.OUT, Direction.IN)
    told = frames.direction[row].astype(np.int64)
    return np.where(told == Direction.UNKNOWN, by_length, told)
