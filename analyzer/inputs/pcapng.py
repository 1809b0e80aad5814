"""Reads pcapng (draft-ietf-opsawg-pcapng): sections, interfaces, three kinds of packet block."""

import struct
from collections.abc import Iterator

import numpy as np

from analyzer.columns import Flags, Ints, Keys, Octets, distinct, take
from analyzer.errors import NotARecording
from analyzer.inputs.records import (
    MAX_FRAME,
    PADDING,
    Chunk,
    Damage,
    Interface,
    Recording,
    Stream,
    more_than_there_was,
    of_each,
)
from analyzer.inputs.strangers import AGAIN

SECTION, INTERFACE, OLD_PACKET, SIMPLE_PACKET, STATISTICS, PACKET = 0x0A0D0D0A, 1, 2, 3, 5, 6
PACKETS = (PACKET, SIMPLE_PACKET, OLD_PACKET)
ORDERS = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}
SMALLEST_BLOCK = 12
PACKET_BODY, SIMPLE_BODY = 28, 12
SECTION_BODY = 16
COMMENT, MAX_COMMENTS = 1, 8
"""Option code, and comments kept: enough for notes, not for a novel."""
BLOCK = 1 << 22
MAX_BLOCK = 1 << 24
"""A larger block is taken for damage, whatever it is said to hold."""
MAX_INTERFACES = 1024
"""More than this in one file is not a recording of a link-up; each costs memory and time."""
MAJOR = 1
SECTION_HEAD = 16
FLAGS, DROP_COUNT = (2, 4), (4, 8)
"""Options of a frame: code and length (epb_flags, epb_dropcount; section 4.3)."""
UNKNOWN_DROPS = 0xFFFF
MAX_OPTIONS = 16
"""Options of a frame that are looked through; real recorders write these two first."""
MAX_BLOCK_OPTIONS, MAX_TEXT, MAX_ADDRESSES = 1024, 400, 64
"""Options of one block, octets of a name or comment, and addresses of an interface that are taken
in: far more than any adapter has. A block can be all options, and memory has to stay bounded."""
TWO_LENGTHS = "a block claims one length at its begin and another at its end"
MAX_SECONDS = 1 << 33
"""Times beyond the year 2242 are noise; 64-bit nanoseconds end in 2262."""


def read(recording: Recording, stream: Stream, head: bytes) -> None:
    """Fill the recording from a stream whose first octets, `head`, were already taken.

    Raises NotARecording where the file ends inside its first block, or begins in another major
    version (section 4.1). Later sections with an odd version are read all the same: those met were
    of this layout.
    """
    head = _filled(head, stream, SECTION_HEAD)
    major = _major(head)
    if major not in (None, MAJOR):
        what = f"is pcapng of version {major}, which is not read here."
        raise NotARecording(what, recording.name, "Save it as pcap, or as pcapng of version 1.")
    size = _section_size(head)
    head = _filled(head, stream, size)
    if len(head) < size:
        cut = f"cut after {len(head):,} bytes, inside its first block: it holds no frames."
        raise NotARecording(f"is a pcapng recording {cut}", recording.name, AGAIN)
    recording.chunks = _Reader(recording, stream, head).chunks()


def _filled(head: bytes, stream: Stream, size: int) -> bytes:
    """The first octets of a file, fewer than `size` only where it ends."""
    while len(head) < size and (more := stream.read(size - len(head))):
        head += more
    return head


def _section_size(head: bytes) -> int:
    """Octets of the first block; those of its head alone where its length cannot be believed."""
    order = ORDERS.get(head[8:12], "<")
    size = int(struct.unpack_from(order + "I", head, 4)[0]) if len(head) >= SECTION_HEAD else 0
    return size if SECTION_HEAD < size <= MAX_BLOCK else SECTION_HEAD


def _major(head: bytes) -> int | None:
    """The major version of the first section; None where its octet order is unknown, or it ends."""
    order = ORDERS.get(head[8:12])
    if order is None or len(head) < SECTION_HEAD:
        return None
    return int(struct.unpack_from(order + "H", head, 12)[0])


class _Reader:
    def __init__(self, recording: Recording, stream: Stream, head: bytes) -> None:
        self.recording = recording
        self.stream = stream
        self.data = head
        self.position = 0
        self.order = "<"
        self.section_start = 0
        self.number = 1
        self.last_time: int | None = None

    def chunks(self) -> Iterator[Chunk]:
        more = True
        while more:
            block = self.stream.read(BLOCK)
            more = bool(block)
            self.data += block
            octets = np.frombuffer(self.data + PADDING, np.uint8)
            at, new_section = 0, True
            while new_section:
                packets, at, why = self._walk(at)
                new_section = why == "section"
                if packets:
                    chunk, lie = self._chunk(octets, packets)
                    if len(chunk.start):
                        yield chunk
                    if lie:
                        at, why = packets[len(chunk.start)][1], lie
                        break
            self.position += at
            self.data = self.data[at:]
            if why:
                self._damaged(why)
                return
        if self.data or self.recording.cut:
            self._damaged(self.recording.cut or "the file ends inside a block")

    def _damaged(self, why: str) -> None:
        self.recording.damage = Damage(self.position, self.number - 1, why)

    def _note(self, at: int, before: int, why: str) -> None:
        """Tell a damage behind which reading goes on; before: frames since those handed on."""
        self.recording.note(self.position + at, self.number - 1 + before, why)

    def _walk(self, at: int) -> tuple[list[tuple[int, int]], int, str]:
        """Packet blocks from `at` on as (kind, position), where the walk stopped, and why.

        It stops before a new section ("section"): that has its own octet order and interfaces.
        """
        data, size = self.data, len(self.data)
        packets: list[tuple[int, int]] = []
        keep = packets.append
        words = struct.Struct(self.order + "II").unpack_from
        while at + SMALLEST_BLOCK <= size:
            kind, length = words(data, at)
            if kind == SECTION:
                if packets:
                    return packets, at, "section"
                order = ORDERS.get(data[at + 8 : at + 12])
                if order is None:
                    return packets, at, "a section has no known octet order"
                self.order = order
                self.section_start = len(self.recording.interfaces)
                words = struct.Struct(order + "II").unpack_from
                length = words(data, at)[1]
            if not SMALLEST_BLOCK <= length <= MAX_BLOCK or length & 3:
                return packets, at, f"a block claims a length of {length:,} octets"
            if at + length > size:
                return packets, at, ""
            if kind in PACKETS:
                keep((kind, at))
            else:
                if doubt := self._doubt(kind, at, length):
                    self._note(at, len(packets), doubt)
                if why := self._other(kind, data[at + 8 : at + length - 4]):
                    return packets, at, why
            at += length
        return packets, at, ""

    def _doubt(self, kind: int, at: int, length: int) -> str:
        """What is odd about a block that is no frame, if anything: its length stands at both ends
        (section 3.1), and one that would make a frame as it stands may have been one.
        """
        number = self.order + "I"
        if struct.unpack_from(number, self.data, at + length - 4)[0] != length:
            return TWO_LENGTHS
        room = length - PACKET_BODY - 4
        if kind == SECTION or room <= 0:
            return ""
        if kind == INTERFACE and _is_whole(self.data[at + 16 : at + length - 4], self.order):
            return ""
        index, _, _, stored, original = struct.unpack_from(self.order + "5I", self.data, at + 8)
        known = self.section_start + index < len(self.recording.interfaces)
        if known and 0 < stored <= min(original, room):
            return f"a block of kind {kind:#x} reads like a frame, and is left out"
        return ""

    def _other(self, kind: int, body: bytes) -> str:
        """Take in a block that is not a frame; returns what is wrong with it, if anything."""
        interfaces = self.recording.interfaces
        if kind == SECTION:
            self._comments(body[SECTION_BODY:])
        elif kind == INTERFACE:
            if len(body) < 8:
                return "an interface block is too short"
            if len(interfaces) >= MAX_INTERFACES:
                return f"there are more than {MAX_INTERFACES:,} interfaces"
            interfaces.append(_interface(body, self.order))
            self._comments(body[8:])
        elif kind == STATISTICS and len(body) >= 12:
            index = self.section_start + struct.unpack_from(self.order + "I", body)[0]
            if index < len(interfaces):
                _count(interfaces[index], body[12:], self.order)
                self._comments(body[12:])
        return ""

    def _comments(self, options: bytes) -> None:
        """Keep the comments of a section, an interface or its counts (opt_comment, 3.5)."""
        for code, value in _options(options, self.order):
            if code == COMMENT and len(self.recording.comments) < MAX_COMMENTS:
                text = value[:MAX_TEXT].decode("utf-8", "replace")
                self.recording.comments.append(text)

    def _chunk(self, octets: Octets, packets: list[tuple[int, int]]) -> tuple[Chunk, str]:
        """The frames of the packet blocks up to the first that lies, and the lie."""
        kind, at = np.array(packets, np.int64).T
        block = _words(octets, at, self.order, 7)
        simple, old = kind == SIMPLE_PACKET, kind == OLD_PACKET
        index = block[2].copy()
        index[old] = index[old] & 0xFFFF if self.order == "<" else index[old] >> 16
        index[simple] = 0
        interface = index + self.section_start
        known = self.recording.interfaces
        original = np.where(simple, block[2], block[6])
        room = block[1] - 4 - np.where(simple, SIMPLE_BODY, PACKET_BODY)
        stored = np.where(simple, np.minimum(original, room), block[5])

        honest = (interface < len(known)) & (room >= 0) & (stored <= room)
        count, lie = len(at), ""
        if not honest.all():
            count = int(np.argmin(honest))
            unknown = interface[count] >= len(known)
            lie = (
                "a frame names an interface that was not described"
                if unknown
                else "a frame claims more octets than its block holds"
            )
        keep = slice(0, count)
        unused = np.where(simple, room - original, 0)
        self._doubts(octets, at[keep], block[1][keep], stored[keep], original[keep], unused[keep])
        interface, simple, stored = interface[keep], simple[keep], stored[keep]
        limits = of_each(known, interface, lambda one: one.snap_length or MAX_FRAME)
        stored = np.where(simple, np.minimum(stored, limits), stored)
        start = at[keep] + np.where(simple, SIMPLE_BODY, PACKET_BODY)
        options = np.where(simple, 0, start + (stored + 3 & ~3))
        flags, drops = _packet_options(octets, options, at[keep] + block[1][keep] - 4, self.order)
        old = old[keep]
        drops[old] = self._drops_before(block[2][keep][old])
        self._add_drops(interface, drops)
        fcs = of_each(known, interface, lambda one: one.fcs_octets)
        own_fcs = flags >> 5 & 15
        chunk = Chunk(
            data=octets,
            start=start,
            stored=stored,
            original=np.maximum(original[keep], stored),
            fcs=np.where(own_fcs > 0, own_fcs, fcs),
            time=self._times(block[3][keep], block[4][keep], interface, simple),
            interface=interface.astype(np.int32),
            direction=_directions(flags),
            first=self.number,
        )
        self.number += count
        return chunk, lie

    def _doubts(
        self, octets: Octets, at: Ints, length: Ints, stored: Ints, original: Ints, unused: Ints
    ) -> None:
        """Tell the first packet block that contradicts itself, though its frame can be read.
        unused: octets that nothing in the block accounts for; up to 3 of them are padding.
        """
        lengths = _words(octets, at + length - 4, self.order, 1)[0]
        odd = np.flatnonzero((lengths != length) | (original < stored) | (unused > 3))
        if not len(odd):
            return
        row = int(odd[0])
        why = more_than_there_was(int(stored[row]), int(original[row]))
        if lengths[row] != length[row]:
            why = TWO_LENGTHS
        elif unused[row] > 3:
            why = "a block holds more than its frame"
        self._note(int(at[row]), row, why)

    def _drops_before(self, word: Ints) -> Ints:
        """Frames lost before old packet blocks, -1 where they do not say (appendix A)."""
        drops = word >> 16 if self.order == "<" else word & 0xFFFF
        return np.where(drops == UNKNOWN_DROPS, -1, drops)

    def _add_drops(self, interface: Ints, drops: Ints) -> None:
        for index in distinct(interface[drops >= 0])[0].tolist():
            told = self.recording.interfaces[index]
            more = drops[(interface == index) & (drops >= 0)]
            told.missed = (told.missed or 0) + int(more.sum())

    def _times(self, high: Ints, low: Ints, interface: Ints, simple: Flags) -> Ints:
        """Nanoseconds since 1970. A simple packet block has no time: it takes the one before, or
        the first there is.
        """
        units = (high.astype(np.uint64) << np.uint64(32)) | low.astype(np.uint64)
        time = np.zeros(len(units), np.int64)
        for index in distinct(interface)[0]:
            rows = interface == index
            time[rows] = _nanoseconds(units[rows], self.recording.interfaces[index])
        self.recording.untimed += int(simple.sum())
        if simple.all():
            return np.full(len(time), self.last_time or 0)
        if simple.any():
            before = time[~simple][0] if self.last_time is None else self.last_time
            last = np.maximum.accumulate(np.where(simple, -1, np.arange(len(time))))
            time = np.where(last < 0, before, time[last])
        self.last_time = int(time[-1])
        return time


def _words(octets: Octets, at: Ints, order: str, count: int) -> list[Ints]:
    """The first `count` 32-bit words at each position, one array a word."""
    layout = np.dtype([(f"w{i}", order + "u4") for i in range(count)])
    taken = take(octets, at, layout)
    return [taken[name].astype(np.int64) for name in layout.names or ()]


def _nanoseconds(units: Keys, interface: Interface) -> Ints:
    """if_tsresol: top bit clear 10^-n s, set 2^-n s; then if_tsoffset whole seconds are added."""
    power = interface.resolution & 0x7F
    if interface.resolution & 0x80:
        power = min(power, 63)
        shift = np.uint64(power)
        seconds = units >> shift
        part = units - (seconds << shift)
        surplus = np.uint64(max(0, power - 33))
        nanoseconds = ((part >> surplus) * np.uint64(10**9)) >> (shift - surplus)
    else:
        per_second = np.uint64(10 ** min(power, 19))
        seconds = units // per_second
        part = units - seconds * per_second
        scale = 10 ** abs(9 - min(power, 19))
        nanoseconds = part * np.uint64(scale) if power <= 9 else part // np.uint64(scale)
    seconds = np.minimum(seconds, np.uint64(MAX_SECONDS))
    offset = max(-MAX_SECONDS, min(MAX_SECONDS, interface.offset))
    whole: Ints = np.clip(seconds.astype(np.int64) + offset, 0, MAX_SECONDS)
    return whole * 10**9 + nanoseconds.astype(np.int64)


def _packet_options(octets: Octets, option: Ints, end: Ints, order: str) -> tuple[Ints, Ints]:
    """epb_flags of each packet block, 0 where there are none, and epb_dropcount, -1 where there is
    none (section 4.3).
    """
    flags, drops = np.zeros(len(option), np.int64), np.full(len(option), -1)
    words = ("value", "more") if order == "<" else ("more", "value")
    layout = np.dtype(
        [("code", order + "u2"), ("length", order + "u2")]
        + [(name, order + "u4") for name in words]
    )
    rows = np.flatnonzero((option > 0) & (option + 4 <= end))
    option = option.copy()
    for _ in range(MAX_OPTIONS):
        if not len(rows):
            break
        found = take(octets, option[rows], layout)
        is_flags = (found["code"] == FLAGS[0]) & (found["length"] == FLAGS[1])
        flags[rows[is_flags]] = found[words[0]][is_flags]
        is_count = (found["code"] == DROP_COUNT[0]) & (found["length"] == DROP_COUNT[1])
        drops[rows[is_count]] = found["value"][is_count]
        option[rows] += 4 + (found["length"].astype(np.int64) + 3 & ~3)
        rows = rows[(found["code"] != 0) & (option[rows] + 4 <= end[rows])]
    return flags, drops


def _directions(flags: Ints) -> Octets:
    """epb_flags bits 0 and 1; 0 where they say nothing known (section 4.3.1)."""
    direction = (flags & 3).astype(np.uint8)
    direction[direction > 2] = 0
    return direction


def _options(body: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    """Option (code, value) pairs up to the end mark or the end of the block (section 3.5)."""
    at = 0
    for _ in range(MAX_BLOCK_OPTIONS):
        if at + 4 > len(body):
            return
        code, length = struct.unpack_from(order + "HH", body, at)
        if code == 0:
            return
        yield code, body[at + 4 : at + 4 + length]
        at += 4 + (length + 3 & ~3)


def _is_whole(body: bytes, order: str) -> bool:
    """Whether options end as they should: at the end mark, or with their block."""
    at = 0
    for _ in range(MAX_BLOCK_OPTIONS):
        if at + 4 > len(body):
            break
        code, length = struct.unpack_from(order + "HH", body, at)
        at += 4 + (length + 3 & ~3)
        if code == 0:
            return bool(length == 0)
    return at == len(body)


def _interface(body: bytes, order: str) -> Interface:
    link, _, snap_length = struct.unpack_from(order + "HHI", body)
    interface = Interface(link, snap_length)
    for code, value in _options(body[8:], order):
        match code, len(value):
            case 2, _:
                interface.name = value[:MAX_TEXT].decode("utf-8", "replace")
            case 4, 8 if len(interface.addresses) < MAX_ADDRESSES:
                address, mask = struct.unpack(">II", value)
                interface.addresses.append((address, mask))
            case 6, 6:
                interface.hardware = int.from_bytes(value)
            case 8, 8:
                interface.speed = struct.unpack(order + "Q", value)[0]
            case 9, 1:
                interface.resolution = value[0]
            case 13, 1:
                interface.fcs_octets = value[0] // 8 if value[0] >= 16 else value[0]
            case 14, 8:
                interface.offset = struct.unpack(order + "q", value)[0]
    return interface


def _count(interface: Interface, body: bytes, order: str) -> None:
    """Take in the options of a statistics block (section 4.6): isb_ifdrop (5) and isb_osdrop (7)
    added up, isb_starttime (2) and isb_endtime (3).
    """
    told = {code: value for code, value in _options(body, order) if len(value) == 8}
    drops = [int(struct.unpack(order + "Q", told[code])[0]) for code in (5, 7) if code in told]
    interface.drops = sum(drops) if drops else None
    times = {code: _time(told[code], interface, order) for code in (2, 3) if code in told}
    interface.began, interface.ended = times.get(2), times.get(3)


def _time(value: bytes, interface: Interface, order: str) -> int:
    """Nanoseconds since 1970 of a time in two words, the high one first."""
    high, low = struct.unpack(order + "II", value)
    return int(_nanoseconds(np.array([high << 32 | low], np.uint64), interface)[0])
