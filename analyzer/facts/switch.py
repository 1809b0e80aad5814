"""Signs of the switch that a cable leads to: spanning tree (IEEE 802.1D), who it says it is
(IEEE 802.1AB), port access control (IEEE 802.1X), and VLAN tags (IEEE 802.1Q).
"""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from analyzer.columns import Ints
from analyzer.facts.groups import ends, groups
from analyzer.facts.values import Hardware, Moment, Series
from analyzer.frames import NO_HARDWARE, Frames, Kind

MAX_SENDERS = 1000
"""Senders of one kind of sign kept; a cable leads to one switch, and a recording of a trunk to a
handful."""
MAX_FRAMES = 1000
"""Announcements and authentication frames looked into: each is rare."""


class TreeState(StrEnum):
    """What a spanning-tree frame says of the port that it came out of. Only the rapid variant
    says anything (IEEE 802.1D-2004 9.3.3).
    """

    UNSTATED = "unstated"
    DISCARDING = "discarding"
    LEARNING = "learning"
    FORWARDING = "forwarding"


@dataclass(slots=True, eq=False, repr=False)
class Tree:
    """Spanning-tree frames of one sender that say the same. delay: the forward delay in seconds
    that they name.
    """

    sender: Hardware
    state: TreeState
    delay: float
    first: Moment
    last: Moment
    count: int = 0


@dataclass(slots=True, eq=False, repr=False)
class Neighbour:
    """What a neighbour announces about itself. port, name: text that is not to be trusted; vlan:
    the VLAN of its port for untagged frames, None where it does not say.
    """

    sender: Hardware
    port: str
    name: str
    vlan: int | None
    told: Series = field(default_factory=Series)


class Step(StrEnum):
    """A step of port access control (IEEE 802.1X-2010 11.3, RFC 3748 4 and 5)."""

    START = "start"
    LOG_OFF = "log-off"
    IDENTITY = "identity request"
    REQUEST = "request"
    RESPONSE = "response"
    SUCCESS = "success"
    FAILURE = "failure"


@dataclass(slots=True, eq=False, repr=False)
class Access:
    """One frame of port access control."""

    moment: Moment
    sender: Hardware
    receiver: Hardware
    step: Step


@dataclass(slots=True, eq=False, repr=False)
class Tagged:
    """Frames of one VLAN from one station to another, or to a group. id: 1 to 4095; a tag with 0
    only has a priority and is in no VLAN (IEEE 802.1Q 9.6).
    """

    id: int
    sender: Hardware
    receiver: Hardware
    first: Moment
    last: Moment
    frames: int = 0


@dataclass(slots=True, eq=False, repr=False)
class Switch:
    """All signs of switches in a recording. trees: by (sender, state); neighbours: by (sender,
    port, name, vlan); access: in file order; tags: by (id, sender, receiver).
    """

    trees: dict[tuple[int, TreeState], Tree] = field(default_factory=dict)
    neighbours: dict[tuple[int, str, str, int | None], Neighbour] = field(default_factory=dict)
    access: list[Access] = field(default_factory=list)
    tags: dict[tuple[int, int, int], Tagged] = field(default_factory=dict)
    _announcements: int = 0

    def add(self, frames: Frames) -> None:
        """Take in the signs of one chunk."""
        rows = ~frames.copy & (frames.src != NO_HARDWARE)
        self._trees(frames, np.flatnonzero(rows & (frames.kind == Kind.SPANNING_TREE)))
        self._neighbours(frames, np.flatnonzero(rows & (frames.kind == Kind.LLDP)))
        self._access(frames, np.flatnonzero(rows & (frames.kind == Kind.EAPOL)))
        self._tags(frames, np.flatnonzero(rows & (frames.tag > 0)))

    def _trees(self, frames: Frames, rows: Ints) -> None:
        """Protocol 0, version, type, flags; the forward delay stands last (802.1D-2004 9.3)."""
        if not len(rows):
            return
        snap = frames.octets[frames.network[rows]] == SNAP
        at = frames.network[rows] + np.where(snap, 8, 3)
        whole = at + CONFIGURATION <= frames.end[rows]
        rows, at = rows[whole], at[whole]
        kind, flags = frames.octets[at + 3], frames.octets[at + 4]
        told = (kind == RAPID) | (kind == 0)
        rows, at, kind, flags = rows[told], at[told], kind[told], flags[told]
        if not len(rows):
            return
        state = np.where(kind == RAPID, 1 + (flags >> 4 & 1) + (flags >> 5 & 1), 0)
        delay = frames.octets[at + 33] + frames.octets[at + 34] / 256
        for first, last, count in _together(rows, frames.src[rows], state):
            sender, says = Hardware(frames.src[rows[first]]), STATES[int(state[first])]
            begin, end = moment(frames, rows[first]), moment(frames, rows[last])
            if len(self.trees) >= MAX_SENDERS and (sender, says) not in self.trees:
                return
            tree = self.trees.setdefault(
                (sender, says), Tree(sender, says, float(delay[first]), begin, end)
            )
            tree.last = end
            tree.count += count

    def _neighbours(self, frames: Frames, rows: Ints) -> None:
        for row in rows[: MAX_FRAMES - self._announcements].tolist():
            self._announcements += 1
            sender = Hardware(int(frames.src[row]))
            octets = frames.octets_at(row, int(frames.network[row]), MOST_OCTETS)
            port, name, vlan = _announced(octets)
            one = self.neighbours.setdefault(
                (sender, port, name, vlan), Neighbour(sender, port, name, vlan)
            )
            one.told.add(moment(frames, row))

    def _access(self, frames: Frames, rows: Ints) -> None:
        for row in rows.tolist():
            if len(self.access) >= MAX_FRAMES:
                return
            step = _step(frames.octets_at(row, int(frames.network[row]), 9))
            if step is not None:
                ends_of = Hardware(int(frames.src[row])), Hardware(int(frames.dst[row]))
                self.access.append(Access(moment(frames, row), *ends_of, step))

    def _tags(self, frames: Frames, rows: Ints) -> None:
        if not len(rows):
            return
        columns = frames.tag[rows], frames.src[rows], frames.dst[rows]
        for first, last, count in _together(rows, *columns):
            vlan, sender, receiver = (int(column[first]) for column in columns)
            if len(self.tags) >= MAX_SENDERS and (vlan, sender, receiver) not in self.tags:
                return
            begin, end = moment(frames, rows[first]), moment(frames, rows[last])
            tagged = self.tags.setdefault(
                (vlan, sender, receiver),
                Tagged(vlan, Hardware(sender), Hardware(receiver), begin, end),
            )
            tagged.last = end
            tagged.frames += count


SNAP = 0xAA
"""First octet of an LLC header that names a protocol behind it (IEEE 802)."""
CONFIGURATION = 35
"""Octets of a configuration frame; the rapid variant has one more (IEEE 802.1D-2004 9.3)."""
RAPID = 2
STATES = (TreeState.UNSTATED, TreeState.DISCARDING, TreeState.LEARNING, TreeState.FORWARDING)


def _together(rows: Ints, *columns: np.ndarray) -> list[tuple[int, int, int]]:
    """First and last place, and how many, of the rows that are alike in every column; those that
    come first, first.
    """
    first, group = groups(*columns)
    order, start, last = ends(group, len(first))
    counts = np.bincount(group, minlength=len(first))
    found = zip(order[start].tolist(), order[last].tolist(), counts.tolist(), strict=True)
    return sorted(found)


PORT_ID, SYSTEM_NAME, ORGANISATION = 2, 5, 127
PORT_VLAN = bytes.fromhex("0080c201")
"""The announcement of a port's VLAN: owner 00-80-C2, subtype 1 (IEEE 802.1Q annex D.2.1)."""
READABLE_PORTS = (1, 5, 7)
"""Kinds of port id that are text: an alias, a name, a local name (IEEE 802.1AB 8.5.3)."""
MOST_OCTETS = 1500


def _announced(octets: bytes) -> tuple[str, str, int | None]:
    """Port, name and VLAN: parts of 7 bits type, 9 bits length, value (IEEE 802.1AB 8.4)."""
    port, name, vlan, at = "", "", None, 0
    while at + 2 <= len(octets):
        head = int.from_bytes(octets[at : at + 2])
        kind, value = head >> 9, octets[at + 2 : at + 2 + (head & 0x1FF)]
        at += 2 + (head & 0x1FF)
        if kind == 0:
            break
        if kind == PORT_ID and value[:1] and value[0] in READABLE_PORTS:
            port = value[1:].decode("utf-8", "replace")
        elif kind == SYSTEM_NAME:
            name = value.decode("utf-8", "replace")
        elif kind == ORGANISATION and value[:4] == PORT_VLAN and len(value) == 6:
            vlan = int.from_bytes(value[4:]) or None
    return port, name, vlan


EAP_PACKET, EAPOL_START, EAPOL_LOG_OFF = 0, 1, 2
EAP_IDENTITY = 1
EAP_STEPS = {1: Step.REQUEST, 2: Step.RESPONSE, 3: Step.SUCCESS, 4: Step.FAILURE}


def _step(octets: bytes) -> Step | None:
    """Version, packet type, length; then EAP code, id, length, type. Other packet types, such as
    the keys of a wireless network, are no steps.
    """
    if len(octets) < 4:
        return None
    if octets[1] != EAP_PACKET:
        return {EAPOL_START: Step.START, EAPOL_LOG_OFF: Step.LOG_OFF}.get(octets[1])
    step = EAP_STEPS.get(octets[4]) if len(octets) > 4 else None
    if step is Step.REQUEST and octets[8:9] == bytes([EAP_IDENTITY]):
        return Step.IDENTITY
    return step


def moment(frames: Frames, row: int) -> Moment:
    """Number and seconds of a row."""
    return Moment(int(frames.number[row]), float(frames.seconds[row]))
