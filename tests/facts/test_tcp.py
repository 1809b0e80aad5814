"""facts.tcp: sessions out of segments, against a slow reading of RFC 9293 frame by frame."""

import io
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field

import dpkt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import analyzer.inputs.pcap
from analyzer.facts import CLIENT, SERVER, Moment, Session, gather
from analyzer.facts.session import NOBODY
from analyzer.facts.tcp.checksum import internet_checksum
from analyzer.facts.tcp.turns import MOST_WAITS
from analyzer.inputs import open_recording
from captures.plant import Plant, Station
from captures.plant import Session as Told


def sessions(recording: Plant | bytes, block: int = 1 << 20, **layout: int) -> list[Session]:
    """The sessions of a recording that is read in pieces of `block` octets."""
    octets = recording if isinstance(recording, bytes) else recording.pcap(**layout)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(analyzer.inputs.pcap, "BLOCK", block)
        return gather(open_recording(io.BytesIO(octets), "test")).sessions


def only(recording: Plant | bytes, **layout: int) -> Session:
    (session,) = sessions(recording, **layout)
    return session


def begun(**numbers: int) -> tuple[Plant, Station, Told]:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    return plant, unit, plant.tcp(pc, unit, **numbers)


# --- the slow oracle ----------------------------------------------------------------------------


@dataclass
class Direction:
    """One side: sequence numbers run on without end here, so that 2^32 is no border."""

    behind: int | None = None
    frames: int = 0
    octets: int = 0
    repeats: list[int] = field(default_factory=list)
    keep_alives: int = 0
    last_data: int | None = None
    data_end: int = 0
    confirmed_at: int | None = None
    last_ack: int | None = None
    acked_at: float = 0.0
    unseen: int = 0
    segments: int = 0
    record: list[int] = field(default_factory=lambda: [0])
    skipped: dict[int, float] = field(default_factory=dict)
    resent: dict[int, list[int]] = field(default_factory=dict)
    kinds: Counter[str] = field(default_factory=Counter)
    is_shut: bool = False
    shut: list[int] = field(default_factory=list)
    probes: int = 0

    def take(self, seq: int, size: int, syn: bool, fin: bool, frame: int) -> bool:
        """Whether the segment brings new data (RFC 9293 3.4, 3.8.4)."""
        if self.behind is None:
            if not (size or syn or fin):
                return False
            start = seq
            probe = size == 1 and not syn and not fin
            self.behind = start
        else:
            start = self.behind + (seq - self.behind + 2**31) % 2**32 - 2**31
            probe = size <= 1 and not syn and not fin and start == self.behind - 1
        self.before = self.behind
        new = min(size, start + size - self.behind) if size and not syn else 0
        if size or syn or fin:
            self.behind = max(self.behind, start + size + syn + fin)
        self.seq, self.size, self.probe, self.gap = start, size, probe, False
        if probe:
            self.keep_alives += 1
            return False
        self.segments += bool(size and not syn)
        if size and not syn and new <= 0:
            self.repeats.append(frame)
        if new > 0:
            self.octets += new
            self.last_data, self.data_end, self.confirmed_at = frame, start + size, None
            if size > self.record[-1]:
                self.record.append(size)
        return new > 0

    def receive(
        self, repeated: bool, ack: int | None, acked_at: float, frame: int, at: float
    ) -> None:
        """The octets of a segment with data, one by one; ack: the other side's latest."""
        octets = range(self.seq, self.seq + self.size)
        if repeated:
            confirmed = ack is not None and (ack - octets.stop) % 2**32 < 2**31
            missing = [] if confirmed else [one for one in octets if one in self.skipped]
            early = any(at - self.skipped[one] < 0.003 for one in missing)
            if not early:
                kind = "missing" if missing else "unconfirmed"
                kind = "confirmed" if confirmed and at - acked_at >= 0.05 else kind
                self.kinds[kind] += octets[0] not in self.resent
                self.resent.setdefault(octets[0], []).append(frame)
            if confirmed:
                return
        elif octets[0] > self.before:
            self.gap = True
            self.skipped |= dict.fromkeys(range(self.before, octets[0]), at)
        self.skipped = {one: when for one, when in self.skipped.items() if one not in octets}


@dataclass
class Oracle:
    """One session, segment by segment."""

    client: tuple[bytes, int]
    isn: int | None
    first: int
    syns: int = 0
    syn_ack: int | None = None
    completed: int | None = None
    sides: tuple[Direction, Direction] = field(default_factory=lambda: (Direction(), Direction()))
    ends: list[tuple[int, bool, int, int]] = field(default_factory=list)
    requests: int = 0
    answers: int = 0
    asked: int | None = None
    answered: int | None = None
    turn: int = NOBODY
    turned: float = 0.0
    times: list[float] = field(default_factory=list)
    lacking: bool = False

    def take(self, sender: tuple[bytes, int], tcp: dpkt.tcp.TCP, frame: int, at: float) -> None:
        side = CLIENT if sender == self.client else SERVER
        mine, theirs = self.sides[side], self.sides[1 - side]
        syn, fin, rst, ack = (bool(tcp.flags & bit) for bit in (2, 1, 4, 16))
        mine.frames += 1
        repeats = len(mine.repeats)
        new = not rst and mine.take(tcp.seq, len(tcp.data), syn, fin, frame)
        self._windows(mine, theirs, tcp, new, len(mine.repeats) > repeats, frame, at)
        if ack and not rst:
            mine.last_ack, mine.acked_at = tcp.ack, at
            if theirs.last_data is not None and (tcp.ack - theirs.data_end) % 2**32 < 2**31:
                theirs.confirmed_at = theirs.confirmed_at or frame
            if theirs.behind is not None and 0 < (tcp.ack - theirs.behind) % 2**32 < 2**31:
                mine.unseen += 1
                self.lacking = True
        if rst or fin:
            self.ends.append((frame, rst, side, side if new else self.turn))
        elif syn and ack and side == SERVER and self.syn_ack is None:
            if self.isn is None or tcp.ack == (self.isn + 1) % 2**32:
                self.syn_ack = frame
        elif syn and not ack:
            self.syns += 1
        elif side == CLIENT and self.syn_ack and not self.completed:
            self.completed = frame
        if new:
            self._turn(side, frame, at)

    def _windows(
        self,
        mine: Direction,
        theirs: Direction,
        tcp: dpkt.tcp.TCP,
        new: bool,
        repeated: bool,
        frame: int,
        at: float,
    ) -> None:
        told = not tcp.flags & 7
        small = repeated or (new and len(tcp.data) == 1) or (mine.behind is not None and mine.probe)
        probe = told and theirs.is_shut and small
        mine.probes += probe
        if new or (repeated and not probe):
            mine.receive(repeated, theirs.last_ack, theirs.acked_at, frame, at)
        if told and (tcp.win == 0) != mine.is_shut:
            mine.is_shut = tcp.win == 0
            mine.shut += [frame] * mine.is_shut

    def _turn(self, side: int, frame: int, at: float) -> None:
        if side == CLIENT:
            self.asked = frame
            self.requests += self.turn != CLIENT
        elif self.turn == CLIENT:
            self.answers += 1
            self.answered = frame
            if not (self.lacking or self.sides[side].gap):
                self.times.append(at - self.turned)
        self.turn, self.turned, self.lacking = side, at, False


def oracles(octets: bytes) -> list[Oracle]:
    told: list[Oracle] = []
    current: dict[frozenset[tuple[bytes, int]], Oracle] = {}
    for frame, (at, data) in enumerate(dpkt.pcap.Reader(io.BytesIO(octets)), 1):
        ip = dpkt.ethernet.Ethernet(data).data
        tcp = ip.data
        sender, receiver = (ip.src, tcp.sport), (ip.dst, tcp.dport)
        pair = frozenset((sender, receiver))
        opens = tcp.flags & 0x17 == 2
        known = current.get(pair)
        if known is None or (opens and (known.isn, known.client) != (tcp.seq, sender)):
            client = sender if opens or tcp.dport < tcp.sport else receiver
            known = current[pair] = Oracle(client, tcp.seq if opens else None, frame)
            told.append(known)
        known.take(sender, tcp, frame, float(at))
    return told


def numbers(moments: Iterable[Moment | None]) -> list[int | None]:
    return [None if moment is None else moment.frame for moment in moments]


def assert_alike(session: Session, oracle: Oracle) -> None:
    assert session.isn == oracle.isn
    assert session.syns.count == oracle.syns
    assert numbers(
        [session.first, session.syn_ack, session.completed, session.asked, session.answered]
    ) == [oracle.first, oracle.syn_ack, oracle.completed, oracle.asked, oracle.answered]
    assert (session.requests, session.answers) == (oracle.requests, oracle.answers)
    assert session.last_turn == oracle.turn
    for side, slow in zip(session.sides, oracle.sides, strict=True):
        assert (side.frames, side.octets) == (slow.frames, slow.octets)
        assert side.repeats.count == len(slow.repeats)
        assert side.keep_alives == slow.keep_alives
        assert side.next_seq == (None if slow.behind is None else slow.behind % 2**32)
        assert side.last_ack == slow.last_ack
        assert side.unseen == slow.unseen
        assert numbers([side.last_data]) == [slow.last_data]
        assert numbers([side.confirmed_at]) == [slow.confirmed_at]
        assert side.segments == slow.segments
        assert [one.size for one in side.record] == slow.record[1:]
        kinds = ("missing", "confirmed", "unconfirmed")
        assert all(getattr(side, kind) == slow.kinds[kind] for kind in kinds)
        again = {one.seq: numbers(one.again.moments) for one in side.resent}
        assert again == {seq % 2**32: frames for seq, frames in slow.resent.items()}
        assert sum(hole.size for hole in side.holes) == len(slow.skipped)
        assert numbers(side.shut.moments) == slow.shut
        assert (side.shut_since is not None) == slow.is_shut
        assert side.probes == slow.probes
    ends = [(end.moment.frame, end.reset, end.side, end.after) for end in session.ends]
    assert ends == oracle.ends[:16]
    assert session.answer_times.count == len(oracle.times)
    if oracle.times:
        assert session.answer_times.least == pytest.approx(min(oracle.times), abs=2e-6)
        assert session.answer_times.most == pytest.approx(max(oracle.times), abs=2e-6)


OPENINGS = ("open", "refuse", "half-open", "reuse")
OF_THE_PC = ("ask", "overlap", "again", "keep-alive", "ack", "fin", "last", "rst")
OF_THE_UNIT = ("answer", "lose", "again-server", "keep-alive-server", "ack-server")
LOSSES = ("drop", "drop", "refill", "shut", "shut-server")
ENDS = ("fin-server", "rst-server")
SAY = st.sampled_from(
    ("talk", "ask", "answer") * 3 + OPENINGS + OF_THE_PC + OF_THE_UNIT + LOSSES + ENDS
)
STEPS = st.lists(
    st.tuples(st.integers(0, 2), SAY, st.sampled_from([1, 2, 7, 300]), st.floats(0.001, 2)),
    min_size=12,
    max_size=40,
)
STARTS = st.sampled_from([0, 1, 2**31, 2**32 - 2, 2**32 - 301, 77_777])


class Tellers:
    """Three session stories that are told in turns, on one cable."""

    def __init__(self, starts: list[int]) -> None:
        self.plant = Plant()
        self.pc, self.unit = self.plant.pc(), self.plant.station()
        self.starts = starts
        self.stories = [self._new(number) for number in range(3)]
        self.dropped: dict[int, tuple[int, bytes]] = {}

    def _new(self, number: int, later: int = 0) -> Told:
        seq = (self.starts[number] + later) % 2**32
        return self.plant.tcp(
            self.pc, self.unit, sport=50_000 + number, client_seq=seq, server_seq=(seq * 5) % 2**32
        )

    def tell(self, number: int, what: str, size: int, after: float) -> None:
        told, unit = self.stories[number], self.unit
        match what:
            case "open":
                told.open(after=after)
            case "refuse":
                told.syn(after=after)
                told.refuse()
            case "half-open":
                told.syn(after=after)
                told.ack(unit, seq=told.server.next ^ 0x5A5A_0000, ack=99)
                told.rst(bare=True, seq=99)
            case "reuse":
                told = self.stories[number] = self._new(number, later=size * 1_000_003)
                told.open(after=after)
            case "talk":
                told.exchange(b"q" * size, b"a" * size, think=after)
            case "ask":
                told.send(b"q" * size, after=after)
            case "answer":
                told.send(b"a" * size, unit, after=after)
            case "lose":
                self.plant.lose(told.send(b"a" * size, unit, after=after))
                told.ack()
            case "drop":
                self.dropped[number] = (told.server.next, b"a" * size)
                told.send(b"a" * size, unit, lost=True, after=after)
                told.send(b"a", unit)
            case "refill" if number in self.dropped:
                seq, octets = self.dropped[number]
                told.segment("PA", octets, unit, seq=seq, after=after / 100)
            case "shut" | "shut-server":
                told.ack(unit if what == "shut-server" else None, window=0, after=after)
            case "again" | "again-server":
                by = unit if what == "again-server" else None
                if told.side(by)[0].last[0]:
                    told.again(by, after=after)
            case "overlap":
                told.segment(
                    "PA", b"o" * (size + 2), seq=(told.client.next - 2) % 2**32, after=after
                )
            case "keep-alive" | "keep-alive-server":
                told.keep_alive(unit if what == "keep-alive-server" else None, after=after)
            case "ack" | "ack-server":
                told.ack(unit if what == "ack-server" else None, after=after)
            case "fin" | "fin-server":
                told.fin(unit if what == "fin-server" else None, after=after)
            case "last":
                told.segment("FPA", b"z" * size, after=after)
            case "rst" | "rst-server":
                told.rst(unit if what == "rst-server" else None, after=after)


@settings(deadline=None, database=None, max_examples=60)
@given(STEPS, st.lists(STARTS, min_size=3, max_size=3), st.integers(1, 400))
def test_sessions_are_as_the_slow_oracle_says_in_one_piece_and_in_many(
    steps: list[tuple[int, str, int, float]], starts: list[int], block: int
) -> None:
    tellers = Tellers(starts)
    for step in steps:
        tellers.tell(*step)
    octets = tellers.plant.pcap()
    whole = sessions(octets)
    assert [asdict(one) for one in sessions(octets, block)] == [asdict(one) for one in whole]
    slow = oracles(octets)
    assert len(whole) == len(slow)
    for session, oracle in zip(whole, slow, strict=True):
        assert_alike(session, oracle)


# --- stories one by one -------------------------------------------------------------------------


def test_pauses_run_from_an_answer_to_the_next_request() -> None:
    plant, _, told = begun()
    told.open()
    for pause in (0.5, 2.0, 30.0):
        told.exchange(b"q", b"a", after=pause)
    told.close(after=90)
    pauses = only(plant).pauses
    assert (pauses.count, pauses.least) == (2, pytest.approx(2.04, abs=0.001))
    assert pauses.most == pytest.approx(30.04, abs=0.001)


def test_a_plain_session() -> None:
    plant, _, told = begun(server_seq=2**32 - 3)
    told.syn()
    told.syn_ack(after=0.02)
    told.ack()
    told.exchange(b"q" * 12, b"a" * 90, think=0.25)
    told.close()
    session = only(plant)
    assert (str(session.client), str(session.server)) == (
        "192.0.2.15 port 49152",
        "192.0.2.60 port 502",
    )
    assert session.handshake_seconds == pytest.approx(0.02)
    assert session.is_open
    assert session.answer_times.median == pytest.approx(0.25, rel=0.1)
    assert session.pauses.count == 0
    assert (session.from_client.octets, session.from_server.octets) == (12, 90)
    first_data = session.from_server.first_data
    assert first_data is not None
    assert first_data.octets == b"a" * 64
    assert (session.segment_size, session.checksum_filled) == (1460, False)
    assert [(end.reset, end.side) for end in session.ends] == [(False, CLIENT), (False, SERVER)]
    assert session.request_acknowledged
    assert not any((session.server_ended, session.is_waiting, session.lacks_answer))


def test_the_handshake_is_timed_from_the_last_call_before_the_acceptance() -> None:
    plant, _, told = begun()
    told.syn((1, 2))
    told.syn_ack(after=0.05)
    told.ack()
    session = only(plant)
    assert session.syns.count == 3
    assert session.handshake_seconds == pytest.approx(0.05)


def test_an_answer_is_timed_from_the_last_octet_asked_to_the_first_answered() -> None:
    plant, unit, told = begun()
    told.open()
    told.send(b"first half")
    told.send(b"second half", after=0.5)
    told.send(b"answer", unit, after=0.25)
    told.send(b"and its rest", unit, after=3.0)
    session = only(plant)
    assert (session.requests, session.answers) == (1, 1)
    assert session.answer_times.most == pytest.approx(0.25)


@pytest.mark.parametrize("block", [256, 1 << 20])
def test_a_long_wait_is_kept_with_the_answer_before_it(block: int) -> None:
    plant, _, told = begun()
    told.open()
    told.exchange(b"q", b"a", think=2.0)  # nothing had worked before
    told.poll(3)
    told.exchange(b"q", b"a", think=1.5, after=0.5)
    told.poll(3)
    (session,) = sessions(plant, block)
    (wait,) = session.waits
    assert wait.seconds == pytest.approx(1.5, abs=1e-6)
    assert wait.asked.seconds - wait.before.seconds == pytest.approx(0.54, abs=0.01)


def test_the_longest_waits_are_kept() -> None:
    plant, _, told = begun()
    told.open()
    told.poll(1)
    for number in range(MOST_WAITS + 20):
        told.exchange(b"q", b"a", think=1.0 + (number * 7 % 301) / 100)
    waits = sorted(one.seconds for one in only(plant).waits)
    assert len(waits) == MOST_WAITS
    took = sorted(1.0 + (number * 7 % 301) / 100 for number in range(MOST_WAITS + 20))
    assert waits == pytest.approx(took[20:], abs=1e-5)


@pytest.mark.parametrize("block", [256, 1 << 20])
@pytest.mark.parametrize(
    ("thinks", "slowing"),
    [
        ([0.01, 0.01, 0.03, 0.09], [False, False, False, True]),
        ([0.01, 0.02, 0.03], [False, False, False]),
        ([0.04, 0.01, 0.09], [False, False, False]),
        ([0.01, 0.02, 0.05, 0.01], [False, False, True, False]),
    ],
)
def test_answers_that_come_slower_and_slower(
    block: int, thinks: list[float], slowing: list[bool]
) -> None:
    plant, _, told = begun()
    told.open()
    for think in thinks:
        told.exchange(b"q", b"a", think=think, after=1.0)
    (session,) = sessions(plant, block)
    assert (session.slowing, session.slows) == (sum(slowing), slowing[-1])


@pytest.mark.parametrize("waited", [None, 0.5, 21.0])
def test_a_call_without_any_answer_is_silent(waited: float | None) -> None:
    plant, _, told = begun()
    told.syn(() if waited is None else (waited,))
    session = only(plant)
    assert session.is_silent
    assert not session.is_open
    assert session.waits_since == session.syns.last


def test_a_client_that_goes_on_was_answered_in_the_missing_direction() -> None:
    plant, _, told = begun()
    told.syn()
    plant.lose(told.syn_ack())
    told.ack()
    told.send(b"ask")
    session = only(plant)
    assert session.is_one_sided
    assert not any((session.is_silent, session.is_open))


def test_a_refusal_and_its_repeats_are_one_session() -> None:
    plant, _, told = begun()
    told.syn()
    told.refuse()
    told.again(after=0.5)
    told.refuse()
    session = only(plant)
    assert session.syns.count == 2
    assert session.refused == session.ends[0]
    assert session.refused.hardware == session.from_server.hardware.pop()
    assert session.broken_by is None


def test_a_reset_behind_data_refuses_nothing() -> None:
    plant, unit, told = begun()
    told.syn()
    plant.lose(told.syn_ack())
    told.ack()
    told.send(b"ask")
    told.rst(unit)
    session = only(plant)
    assert session.refused is None
    assert session.broken_by == session.ends[0]


def test_what_came_before_the_acceptance_does_not_end_the_session() -> None:
    plant, _, told = begun()
    told.syn()
    told.refuse()
    told.again(after=0.5)
    told.syn_ack()
    told.ack()
    told.send(b"ask")
    session = only(plant)
    assert session.is_open
    assert session.refused is None
    assert (len(session.ends), session.closing) == (1, [])
    assert session.waits_since == session.asked


def test_a_held_session_is_cleared_and_the_new_one_counts_from_its_own_numbers() -> None:
    plant, unit, told = begun()
    told.syn()
    told.ack(unit, seq=(told.server.next + 2**31 - 5) % 2**32, ack=77)
    told.rst(bare=True, seq=77)
    told.again(after=1.0)
    told.syn_ack()
    told.ack()
    told.exchange(b"ask", b"answer")
    session = only(plant)
    assert (session.requests, session.answers, session.from_server.octets) == (1, 1, 6)


@pytest.mark.parametrize(("reset_first", "broken"), [(True, True), (False, False)])
def test_only_a_reset_before_any_close_breaks_a_session(reset_first: bool, broken: bool) -> None:
    plant, unit, told = begun()
    told.open()
    if not reset_first:
        told.fin(unit)
    told.rst(unit)
    session = only(plant)
    assert (session.broken_by is not None) is broken
    assert session.server_ended


def test_the_pcs_own_reset_breaks_nothing() -> None:
    plant, unit, told = begun()
    told.open()
    told.rst()
    told.rst(unit, bare=True)
    session = only(plant)
    assert session.broken_by is None
    assert not session.server_ended


def test_an_end_tells_how_long_the_last_data_is_ago() -> None:
    plant, unit, told = begun()
    told.open()
    told.rst(unit)
    plant.wait(1)
    other = plant.tcp(told.client.station, unit).open()
    other.send(b"ask")
    other.segment("FPA", b"last", after=5.0)
    other.rst(unit, after=2.0)
    first, second = sessions(plant)
    assert [(end.since_data, end.after) for end in first.ends] == [(None, NOBODY)]
    assert [(end.since_data, end.after) for end in second.ends] == [
        (0.0, CLIENT),
        (pytest.approx(2.0), CLIENT),
    ]


@pytest.mark.parametrize("size", [0, 1])
@pytest.mark.parametrize("opened", [True, False])
def test_keep_alives_are_neither_data_nor_repeats(size: int, opened: bool) -> None:
    plant, unit, told = begun()
    if opened:
        told.open()
    for _ in range(3):
        told.segment("A", b"\0" * size, seq=told.client.next - 1, after=10.0)
        told.ack(unit, ack=told.client.next)
    session = only(plant)
    side = session.from_client
    assert (side.octets, side.repeats.count, session.requests) == (0, 0, 0)
    assert side.keep_alives == (3 if opened or size else 0)
    assert not session.is_waiting


def test_a_window_probe_with_a_new_octet_is_data() -> None:
    plant, unit, told = begun()
    told.open()
    told.send(b"abc")
    told.ack(unit, window=0)
    told.segment("A", b"d")
    assert only(plant).from_client.octets == 4


def test_a_segment_that_overlaps_brings_only_its_new_octets() -> None:
    plant, _, told = begun()
    told.open()
    start = told.client.next
    told.send(b"abcdef")
    told.segment("PA", b"defghi", seq=start + 3)
    side = only(plant).from_client
    assert (side.octets, side.repeats.count) == (9, 0)


def test_data_repeated_with_a_new_close_is_repeated() -> None:
    plant, _, told = begun()
    told.open()
    start = told.client.next
    told.send(b"abc")
    told.segment("FPA", b"abc", seq=start, after=1.0)
    session = only(plant)
    assert session.from_client.repeats.count == 1
    assert [end.after for end in session.ends] == [CLIENT]


def test_confirmed_data_that_is_not_in_the_recording_is_noticed() -> None:
    plant, unit, told = begun()
    told.open()
    told.send(b"ask")
    plant.lose(told.send(b"answer", unit))
    told.ack()
    told.fin()
    told.fin(unit)
    told.ack()
    session = only(plant)
    assert session.lacks_answer
    assert session.from_client.unseen == 2
    assert session.from_server.unseen == 0


@pytest.mark.parametrize("lost", ["the answer before", "a piece of the answer", None])
def test_an_answer_is_not_timed_across_octets_that_are_missing(lost: str | None) -> None:
    plant, unit, told = begun()
    told.open()
    told.send(b"ask")
    if lost == "the answer before":
        plant.lose(told.send(b"answer", unit))
        told.ack()
        plant.lose(told.send(b"ask again", after=5.0))
    if lost == "a piece of the answer":
        plant.lose(told.send(b"an", unit))
    told.send(b"swer", unit, after=0.5)
    told.exchange(b"ask", b"answer", think=0.25)
    octets = plant.pcap()
    for block in (60, 1 << 20):
        (session,) = sessions(octets, block)
        assert session.answers == 2
        assert session.answer_times.count == (1 if lost else 2)
        assert session.answer_times.least == pytest.approx(0.25)


def test_a_segment_sent_again_is_kept_until_it_is_confirmed() -> None:
    plant, unit, told = begun(client_seq=2**32 - 3)
    told.open()
    told.send(b"first", lost=True)
    told.again(after=0.3, lost=True)
    told.again(after=0.6)
    session = only(plant)
    stuck = session.stuck(CLIENT)
    assert stuck is not None
    assert (stuck.seq, stuck.size) == (2**32 - 2, 5)
    assert [moment.seconds for moment in stuck.again.moments] == pytest.approx([0.3009, 0.9009])
    assert session.from_client.unconfirmed == 1
    told.ack(unit)
    assert only(plant).stuck(CLIENT) is None


@pytest.mark.parametrize(("pause", "kinds"), [(0.2, (1, 0, 0)), (0.001, (0, 0, 0))])
def test_a_piece_that_is_missing_and_then_comes(pause: float, kinds: tuple[int, ...]) -> None:
    """Lost on the way if it comes late, out of order if it comes at once."""
    plant, unit, told = begun(server_seq=2**32 - 4)
    told.open()
    told.send(b"ask")
    start = told.server.next
    told.send(b"first", unit, lost=True)
    told.send(b"second", unit)
    told.ack()
    hole = only(plant).hole(SERVER)
    assert hole is not None
    assert (hole.seq, hole.size) == (start, 5)
    told.segment("PA", b"first", unit, seq=start, after=pause)
    session = only(plant)
    side = session.from_server
    assert session.hole(SERVER) is None
    assert (side.missing, side.confirmed, side.unconfirmed) == kinds


@pytest.mark.parametrize("late", [True, False])
def test_what_was_confirmed_long_before_it_is_sent_again_is_told(late: bool) -> None:
    plant, unit, told = begun()
    told.open()
    told.send(b"ask")
    told.send(b"answer", unit)
    told.ack()
    told.again(unit, after=0.3 if late else 0.001)
    side = only(plant).from_server
    assert (side.confirmed, side.unconfirmed) == (late, not late)


def test_a_window_of_zero_its_length_and_its_probes() -> None:
    plant, unit, told = begun()
    told.open()
    told.send(b"ask")
    told.ack(unit, window=0)
    start = told.client.next
    for pause in (1.0, 2.0):
        told.segment("A", b"x", seq=start, after=pause)
        told.ack(unit, window=0, ack=start)
    session = only(plant)
    assert (session.from_server.shut.count, session.from_client.probes) == (1, 2)
    assert session.from_server.shut_since == session.from_server.shut.first
    assert session.stuck(CLIENT) is None
    told.ack(unit, ack=start, after=1.5)
    side = only(plant).from_server
    assert side.shut_since is None
    assert side.shut_longest == pytest.approx(4.5, abs=0.01)


def test_data_sent_again_into_a_closed_window_is_a_probe_and_no_repeat() -> None:
    plant, unit, told = begun()
    told.open()
    told.send(b"ask")
    told.ack(unit, window=0, ack=told.client.next - 3)
    for pause in (1.0, 2.0):
        told.again(after=pause)
        told.ack(unit, window=0, ack=told.client.next - 3)
    session = only(plant)
    assert session.from_client.probes == 2
    assert session.from_client.resent == []
    assert session.stuck(CLIENT) is None


@pytest.mark.parametrize("flags", ["S", "FA", "RA"])
def test_a_zero_where_it_means_nothing(flags: str) -> None:
    plant, _, told = begun()
    told.segment(flags, window=0)
    assert only(plant).from_client.shut.count == 0


def test_the_largest_segment_that_was_confirmed() -> None:
    plant, unit, told = begun(client_seq=2**32 - 20)
    told.open()
    for size in (12, 300, 100):
        told.send(b"q" * size)
        told.ack(unit)
    told.send(b"q" * 1460, lost=True)
    session = only(plant)
    assert session.largest_confirmed(CLIENT) == 300
    assert [one.size for one in session.from_client.record] == [12, 300, 1460]
    assert session.from_client.segments == 4


def test_a_joined_segment_counts_for_those_that_it_holds() -> None:
    plant, _, told = begun()
    told.open()
    told.send(b"q" * 2921)
    assert only(plant).from_client.segments == 3


def test_frames_recorded_twice_count_once() -> None:
    plant, _, told = begun()
    told.open()
    plant.raw(told.send(b"ask").data, told.client.station, after=0.0002)
    session = only(plant)
    assert session.from_client.repeats.count == 0
    assert session.from_client.frames == 3


def test_a_real_repeat_counts_even_with_packet_ids_of_zero(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Station, "next_packet_id", lambda station: 0)
    plant, _, told = begun()
    told.open()
    told.send(b"ask")
    told.again(after=0.2)
    assert only(plant).from_client.repeats.count == 1


def test_frames_cut_short_keep_their_lengths() -> None:
    plant, _, told = begun()
    told.open()
    told.exchange(b"q" * 300, b"a" * 900)
    session = only(plant, snaplen=60)
    assert (session.from_client.octets, session.from_server.octets) == (300, 900)
    assert session.checksum_filled is None


def test_a_new_call_from_the_same_socket_is_a_new_session() -> None:
    plant, unit, told = begun(sport=50_000, client_seq=1)
    told.open()
    told.rst()
    plant.tcp(told.client.station, unit, sport=50_000, client_seq=9_000_000).open()
    assert [one.isn for one in sessions(plant)] == [1, 9_000_000]


def test_a_tail_from_before_the_recording_does_not_swallow_the_new_session() -> None:
    plant, unit, old = begun(sport=50_000, client_seq=1)
    old.fin()
    new = plant.tcp(old.client.station, unit, sport=50_000, client_seq=9_000_000).open(after=2.0)
    new.poll(3)
    octets = plant.pcap()
    for block in (100, 1 << 20):
        tail, session = sessions(octets, block)
        assert tail.isn is None
        assert (session.isn, session.answers) == (9_000_000, 3)


@pytest.mark.parametrize(
    ("client", "server"), [(50_000, 502), (50_000, 44_818), (1025, 102), (4000, 44_818)]
)
@pytest.mark.parametrize("server_first", [True, False])
def test_who_called_is_guessed_where_the_opening_is_missing(
    client: int, server: int, server_first: bool
) -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    told = plant.tcp(pc, unit, server, client)
    if server_first:
        told.ack(unit)
    told.poll(1)
    assert only(plant).server.port == server


def test_an_acceptance_tells_who_called() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    told = plant.tcp(pc, unit, 60_001, 1030)
    plant.lose(told.syn())
    told.syn_ack()
    told.ack()
    assert only(plant).server.port == 60_001


def test_every_hardware_address_of_a_side_is_kept() -> None:
    plant, unit, told = begun()
    told.open()
    spare = Station(unit.address, "00:00:5e:00:53:61")
    told.send(b"one", spare)
    told.send(b"two", unit)
    octets = plant.pcap()
    for block in (100, 1 << 20):
        (session,) = sessions(octets, block)
        assert sorted(map(str, session.from_server.hardware)) == [
            "00-00-5E-00-53-60",
            "00-00-5E-00-53-61",
        ]


def test_internet_checksum_of_the_published_example() -> None:
    """RFC 1071 section 3: the sum of these octets is 0xDDF2."""
    assert internet_checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xFFFF - 0xDDF2


@pytest.mark.parametrize("offload", [True, False])
def test_a_checksum_left_to_the_adapter_is_noticed(offload: bool) -> None:
    plant = Plant(offload=offload)
    plant.tcp(plant.pc(), plant.station()).open()
    assert only(plant).checksum_filled is not offload


def test_a_server_that_holds_an_older_session_confirms_other_numbers() -> None:
    """RFC 9293 figure 9: SYN 400 is answered by a plain acknowledgement of 100."""
    plant, unit, told = begun(client_seq=400)
    told.syn()
    odd = told.ack(unit, seq=300, ack=100)
    told.rst(bare=True, seq=100)
    held = only(plant)
    assert held.held_over is not None
    assert held.held_over.frame == plant.number(odd)
    told.again(after=1.0)
    told.syn_ack()
    told.ack()
    told.exchange(b"ask", b"answer")
    healed = only(plant)
    assert (healed.held_over, healed.is_open, healed.answers) == (held.held_over, True, 1)


@pytest.mark.parametrize("client_seq", [400, 2**32 - 2])
def test_a_confirmation_of_the_call_itself_holds_nothing_over(client_seq: int) -> None:
    """The acceptance is not in the recording, and the data that it confirms may be."""
    for keep in (True, False):
        plant, unit, told = begun(client_seq=client_seq)
        told.syn()
        plant.lose(told.syn_ack())
        told.ack()
        asked = told.send(b"ask")
        told.ack(unit)
        if not keep:
            plant.lose(asked)
            told.send(b"more", unit)
        assert only(plant).held_over is None


def test_a_session_holds_until_somebody_ends_it() -> None:
    plant, unit, told = begun()
    told.open()
    told.exchange(b"ask", b"answer")
    told.fin(unit, after=5.0)
    session = only(plant)
    first, answered, ended = session.first, session.answered, session.ends[0].moment
    assert answered is not None
    later = Moment(ended.frame + 1, ended.seconds + 1)
    assert [session.holds(m) for m in (first, answered, ended, later)] == [False, True, True, False]


@pytest.mark.parametrize("resets", [1, 3])
def test_resets_alone_open_nothing(resets: int) -> None:
    """A controller sends old data to a PC that knows no such session any more."""
    plant, unit, told = begun()
    for _ in range(resets):
        told.send(b"old", unit, seq=7_000)
        told.rst(bare=True)
    session = only(plant)
    assert session.only_reset(CLIENT)
    assert (session.is_open, session.is_stream) == (False, False)


def test_two_calls_that_cross_open_one_session() -> None:
    """Both ends call at the same time (RFC 9293 3.5, figure 8)."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    told = plant.tcp(pc, unit, port=6000, sport=6000, client_seq=100, server_seq=300)
    told.segment("S")
    told.segment("S", by=unit)
    told.segment("SA", seq=100)
    accepted = told.segment("SA", by=unit, seq=300)
    completed = told.ack()
    told.exchange(b"ask", b"answer")
    session = only(plant)
    assert str(session.client.address) == pc.address
    assert session.syns.count == 1
    assert session.syn_ack
    assert session.syn_ack.frame == plant.number(accepted)
    assert session.completed
    assert session.completed.frame == plant.number(completed)
    assert (session.requests, session.answers) == (1, 1)


def test_a_call_back_on_the_same_ports_is_another_session_once_the_first_was_taken() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.tcp(pc, unit, port=6000, sport=6000).open()
    plant.tcp(unit, pc, port=6000, sport=6000).syn(after=2.0)
    assert len(sessions(plant)) == 2


@pytest.mark.parametrize("block", [1 << 20, 100])
def test_a_side_has_the_time_to_live_of_its_first_and_of_its_last_frame(block: int) -> None:
    plant, unit, session = begun()
    session.open().poll(2)
    session.rst(Station(unit.address, unit.hw, ttl=255))
    (one,) = sessions(plant, block)
    assert (one.from_server.first_ttl, one.from_server.ttl) == (64, 255)
    assert (one.from_client.first_ttl, one.from_client.ttl) == (128, 128)
