"""The numbers in what a rule says, each with its recount."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import pairwise
from typing import Any

from tests.recount.quoted import Who
from tests.recount.reader import ACK, FIN, RST, SYN, Arp, Frame
from tests.recount.recounts import (
    End,
    Session,
    claims,
    heard_of,
    messages,
    packets,
    questions,
    with_port,
)

Recount = Callable[[Who], object]


class AtMost(int):
    """A recount of all where the report tells those that mattered: sessions that the PC still
    needed, segments that were not confirmed before they were sent again.
    """

    def __eq__(self, told: object) -> bool:
        return isinstance(told, int) and 0 <= told <= int(self)

    __hash__ = int.__hash__


def _all(who: Who) -> list[Frame]:
    return who.recording.frames


def _count(frames: Iterable[Frame], holds: Callable[[Frame], object]) -> int:
    return sum(bool(holds(one)) for one in frames)


def _asked(who: Who) -> list[Frame]:
    return questions(who.recording, who.own_hw, str(who.controller))


def _asked_since_answer(who: Who) -> int:
    """ARP questions since the controller's last reply."""
    last = max((f.number for f in _all(who) if f.arp and f.arp.sender == who.controller), default=0)
    return _count(_asked(who), lambda f: f.number > last)


def _sessions(who: Who) -> list[Session]:
    """Those of the PC with the finding's port."""
    port = who.values["port"]
    return with_port(who.counted, who.own, who.own_hw, str(who.controller), port)


def _refused(who: Who) -> list[Session]:
    return [one for one in _sessions(who) if one.calls and one.accepted is None and _reset_of(one)]


def _reset_of(session: Session) -> bool:
    return any(f.tcp and f.tcp.has(RST) for f in session.sent_by(session.server))


def _ended_by_server(session: Session, flag: int) -> bool:
    """Whether the server sent the first FIN or RST, and it was this one."""
    ends = [f for f in session.frames if f.tcp and f.tcp.flags & (FIN | RST)]
    first = ends[0] if ends else None
    return (
        first is not None
        and first.tcp is not None
        and (first.src, first.tcp.sport) == session.server
        and first.tcp.has(flag)
    )


def _silent_calls(who: Who) -> int:
    """SYNs since the last session that opened, in sessions in which the server said nothing."""
    ones = _sessions(who)
    opened = max((s.frames[-1].number for s in ones if s.accepted), default=0)
    silent = [s for s in ones if not s.sent_by(s.server) and s.frames[0].number > opened]
    return sum(len(one.calls) for one in silent)


def _numbers(frames: Iterable[Frame]) -> Counter[bytes]:
    """The transaction numbers of Modbus messages, the contexts of EtherNet/IP ones."""
    found = Counter[bytes]()
    for frame in frames:
        rest = frame.tcp.payload if frame.tcp else b""
        while len(rest) >= 8:
            modbus = rest[2:4] == b"\0\0"
            found[rest[:2] if modbus else rest[12:20]] += 1
            rest = rest[6 + int.from_bytes(rest[4:6]) if modbus else 24 + _little(rest[2:4]) :]
    return found


def _little(octets: bytes) -> int:
    return int.from_bytes(octets, "little")


def _largest_confirmed(who: Who) -> int:
    """Octets of the largest segment that the other end confirmed: of the PC, or of the controller
    where the finding is about an answer.
    """
    return max((size for session in _sessions(who) for size in _confirmed(who, session)), default=0)


def _confirmed(who: Who, session: Session) -> Iterator[int]:
    """Octets of each such segment."""
    own, other = session.ends[::-1] if who.values["answer"] else session.ends
    acks = [f.tcp.ack for f in session.sent_by(other) if f.tcp and f.tcp.has(ACK)]
    for frame in session.data_of(own) if acks else ():
        if frame.tcp and (acks[-1] - frame.tcp.seq - frame.tcp.size) % 2**32 < 2**31:
            yield frame.tcp.size


def _requests(session: Session) -> Counter[bytes]:
    return _numbers(session.data_of(session.client))


def _without_answer(session: Session) -> int:
    return (_requests(session) - _numbers(session.data_of(session.server))).total()


def _between(who: Who) -> list[Frame]:
    return [f for s in _sessions(who) for f in s.frames]


def _icmp(who: Who, types: tuple[int, ...], by: str | None) -> int:
    return _count(
        _all(who),
        lambda f: (
            f.icmp
            and f.icmp.type in types
            and f.icmp.dst == who.controller
            and f.icmp.src in who.own
            and by in (None, f.src)
        ),
    )


def _datagrams(who: Who, src: Iterable[str] | None, dst: str, port: int) -> int:
    return _count(
        _all(who),
        lambda f: f.udp and f.dst == dst and f.udp[1] == port and (src is None or f.src in src),
    )


def _left(who: Who) -> float:
    """Seconds from the PC's first question that nothing of the controller followed to the end."""
    last = max((f.number for f in heard_of(_all(who), str(who.controller))), default=0)
    asked = [f for f in _all(who) if f.number > last and who.is_pc(f) and _is_question(f, who)]
    return max(f.at for f in who.recording.all) - min((f.at for f in asked), default=0.0)


def _is_question(frame: Frame, who: Who) -> bool:
    if frame.arp:
        return frame.arp.asks and frame.arp.target == who.controller
    if frame.dst != who.controller:
        return False
    return bool(frame.udp or frame.echo or (frame.tcp and (frame.tcp.calls or frame.tcp.size)))


VALUES: Mapping[str, Mapping[str, Recount]] = {
    "recorded-twice": {
        "copies": lambda who: sum(f.copy for f in who.recording.all),
        "frames": lambda who: len(who.recording.all),
    },
    "no-attempt": {"frames": lambda who: len(who.recording.all)},
    "filtered-recording": {"frames": lambda who: len(who.recording.all)},
    "frames-cut-short": {
        "cut": lambda who: _count(who.recording.all, lambda f: f.stored < f.wire),
        "kept": lambda who: min(f.stored for f in who.recording.all if f.stored < f.wire),
    },
    "third-party-recording": {
        "there": lambda who: packets(who.recording, who.values["client"], who.values["controller"]),
        "back": lambda who: packets(who.recording, who.values["controller"], who.values["client"]),
    },
    "stopped-early": {"left": _left},
    "unanswered-arp": {"tries": _asked_since_answer},
    "arp-silent-controller": {"tries": lambda who: len(_asked(who))},
    "duplicate-address": {
        "claims_first": lambda who: _claimed(who, "first"),
        "claims_second": lambda who: _claimed(who, "second"),
    },
    "switch-probe": {
        "probes": lambda who: _count(
            _all(who),
            lambda f: (
                f.arp
                and f.arp.checks
                and (f.arp.sender_hw, f.arp.target)
                == (who.values["watcher"], who.values["address"])
            ),
        )
    },
    "address-in-use": {
        "claims": lambda who: claims(who.recording, who.values["pc"]).get(who.values["other"], 0)
    },
    "pc-has-controllers-address": {
        "claims": lambda who: sum(
            n
            for hw, n in claims(who.recording, str(who.controller), _taken(who)).items()
            if hw not in who.own_hw
        )
    },
    "cloned-hardware-address": {
        "packets": lambda who: _count(
            _all(who),
            lambda f: f.src_hw == who.values["hardware"] and f.src == who.values["other"],
        )
    },
    "stale-mapping": {
        "frames": lambda who: _count(
            _all(who),
            lambda f: (
                f.dst_hw == who.values["old"]
                and (f.dst == who.values["receiver"])
                and not f.dst_hw.startswith("FF")
            ),
        )
    },
    "router-cannot-deliver": {
        "times": lambda who: _icmp(
            who, (3, 5, 11), who.values["router"] if who.values["far"] else None
        )
    },
    "path-refused": {"times": lambda who: _icmp(who, (3,), who.values["sender"])},
    "large-frames-lost": {"passed": _largest_confirmed},
    "port-silent": {"calls": _silent_calls},
    "port-refused": {
        "calls": lambda who: sum(len(s.calls) for s in _refused(who)),
    },
    "reconnect-storm": {
        "sessions": lambda who: _count_sessions(who, lambda s: s.accepted),
    },
    "request-unanswered": {
        "passed": lambda who: AtMost(sum(map(_without_answer, _sessions(who)))),
        "of": lambda who: (
            sum(_requests(s).total() for s in _sessions(who) if _without_answer(s))
            if who.values["passed"]
            else 0
        ),
    },
    "acceptance-unheard": {
        "resets": lambda who: sum(
            _count(s.sent_by(s.client), lambda f: f.tcp and f.tcp.has(RST))
            for s in _sessions(who)
            if s.calls and not s.data_of(*s.ends)
        ),
    },
    "call-back-refused": {
        "calls": lambda who: sum(
            len(s.calls)
            for s in who.counted.sessions
            if s.client[0] == who.controller and s.server[1] == who.values["port"]
        )
    },
    "session-reset": {
        "sessions": lambda who: _count_sessions(who, lambda s: _ended_by_server(s, RST))
    },
    "session-closed": {
        "sessions": lambda who: AtMost(_count_sessions(who, lambda s: _ended_by_server(s, FIN)))
    },
    "idle-close": {
        "times": lambda who: _count_sessions(who, lambda s: _ended_by_server(s, FIN | RST))
    },
    "dropped-on-first-request": {
        "attempts": lambda who: _count_sessions(who, lambda s: s.accepted and s.data_of(s.client))
    },
    "nobody-speaks": {"sessions": lambda who: _count_sessions(who, lambda s: s.accepted)},
    "lossy-path": {
        "there": lambda who: AtMost(_repeated_by(who, True)),
        "back": lambda who: AtMost(_repeated_by(who, False)),
        "segments": lambda who: _count(_between(who), lambda f: f.tcp and f.tcp.size),
    },
    "udp-port-closed": {
        "datagrams": lambda who: _datagrams(who, None, who.values["receiver"], who.values["port"]),
        "refusals": lambda who: _count(
            _all(who), lambda f: f.icmp and f.icmp.type == 3 and f.icmp.dport == who.values["port"]
        ),
    },
    "answer-from-elsewhere": {
        "asked": lambda who: _datagrams(who, who.own, str(who.controller), who.values["port"]),
        "answers": lambda who: _count(
            _all(who),
            lambda f: (
                f.udp
                and f.src == who.values["answerer"]
                and f.udp[0] == who.values["answering_port"]
            ),
        ),
    },
    "one-way-stream": {
        "datagrams": lambda who: _datagrams(
            who, [who.values["sender"]], who.values["receiver"], who.values["port"]
        )
    },
    "receiver-stalled": {
        "times": lambda who: sum(_shut(s, end) for s in _sessions(who) for end in s.ends)
    },
    "half-open-session": {
        "odd": lambda who: _count_sessions(
            who,
            lambda s: (
                s.calls
                and any(f.tcp and f.tcp.flags & 0x17 == ACK for f in s.sent_by(s.server)[:1])
            ),
        )
    },
}


def _is_for(frame: Frame, address: str | None) -> bool:
    return frame.dst == address or (frame.arp is not None and frame.arp.target == address)


def modbus(who: Who) -> tuple[int, int]:
    """Modbus/TCP messages that the PC and the controller sent on the finding's port."""
    ones = _sessions(who)
    return sum(messages(s, s.client) for s in ones), sum(messages(s, s.server) for s in ones)


def _replies(who: Who) -> int:
    """ARP replies of the controller to the PC."""
    return _count(
        _all(who),
        lambda f: (
            f.arp
            and f.arp.operation == 2
            and f.arp.sender == who.controller
            and f.arp.target in who.own
        ),
    )


def _shut(session: Session, end: End) -> int:
    """How often an end's window became 0."""
    sent = (f.tcp for f in session.sent_by(end) if f.tcp and not f.tcp.flags & (SYN | RST))
    full = [one.window == 0 for one in sent]
    return sum(now and not before for before, now in pairwise([False, *full]))


def _claimed(who: Who, key: str) -> int:
    """How often a device that the rule names says that the controller's address is its own."""
    return claims(who.recording, str(who.controller)).get(who.values[key], 0)


def _taken(who: Who) -> int:
    """The frame in which the PC first checks or takes the controller's address."""
    return min(
        f.number
        for f in _all(who)
        if f.src_hw in who.own_hw
        and (f.src == who.controller or (f.arp and _takes(f.arp, str(who.controller))))
    )


def _takes(one: Arp, address: str) -> bool:
    return address == (one.target if one.checks else one.sender)


def _count_sessions(who: Who, holds: Callable[[Session], Any]) -> int:
    return sum(bool(holds(one)) for one in _sessions(who))


def _repeated_by(who: Who, pc: bool) -> int:
    again = who.counted.repeats
    return _count(_between(who), lambda f: f.number in again and who.is_pc(f) is pc)


NONE: Mapping[str, Callable[[Who], int]] = {
    "no-attempt": lambda who: _count(
        _all(who), lambda f: who.controller and who.is_pc(f) and _is_for(f, who.controller)
    ),
    "filtered-recording": lambda who: _count(
        _all(who), lambda f: f.arp or (f.dst_hw or "").startswith("FF")
    ),
    "nothing-heard": lambda who: _count(_all(who)[-1:], lambda f: not who.is_pc(f)),
    "arp-silent-controller": _replies,
    "one-way-stream": lambda who: _datagrams(
        who, [who.values["receiver"]], who.values["sender"], who.values["port"]
    ),
}
"""Frames that a rule says are not there."""
