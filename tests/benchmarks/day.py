"""A day of a plant, written as fast as numpy can: `python -m tests.benchmarks.day 86400000 > FILE`.

A PC polls forty controllers, 1,000 frames a second: a request, its answer, and what acknowledges
it, in turn. The first controller resets its session eleven times, spread over the whole, 20 ms
after a request for another unit, and the PC opens a new one.
"""

import struct
import sys
from collections.abc import Iterator, Sequence
from typing import BinaryIO

import numpy as np

from tests.benchmarks.many import (
    ACK,
    EPOCH,
    PC,
    PSH,
    RST,
    SECOND,
    Frame,
    Host,
    Talk,
    acquainted,
    answer,
    opened,
    request,
)

SESSIONS, BREAKS = 40, 11
TURN = 3_000
"""Microseconds from one request to the next, of any session."""
STEP = 1_000
"""Microseconds from frame to frame in a turn."""
TURNS = 100 * SESSIONS
"""Turns made at once: 12 s."""
HEAD = struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 262_144, 1)
RECORD = struct.Struct("<IIII")
SEQ, ACKED, NUMBER = 38, 42, 54
"""Where the numbers of a segment and of a Modbus message begin in a frame."""


def day(out: BinaryIO, frames: int) -> None:
    """Write so many frames, or some more."""
    out.write(HEAD)
    talks = [Talk(PC, unit(n), 40_000 + n) for n in range(SESSIONS)]
    start = [frame for talk in talks for frame in opened(talk)]
    at = _write(out, EPOCH, [*acquainted(), *start])
    blocks = -(-frames // (3 * TURNS))
    for block in range(blocks):
        out.write(_block(talks, at))
        at += TURNS * TURN
        if _broken_by(block + 1, blocks) > _broken_by(block, blocks):
            talks[0], broken = Talk(PC, unit(0), talks[0].sport + SESSIONS), talks[0]
            at = _write(out, at, [*_breaks(broken), *opened(talks[0])])


def _broken_by(block: int, blocks: int) -> int:
    """How many breaks there were until a block: more and more often."""
    return int(BREAKS * (block / blocks) ** 1.5)


def unit(n: int) -> Host:
    """A controller: 192.0.2.60 and up."""
    return Host(bytes.fromhex("00005e0053") + bytes((0x60 + n,)), bytes((192, 0, 2, 60 + n)))


def _breaks(talk: Talk) -> Iterator[Frame]:
    other = bytearray(request(9))
    other[6] = 7
    yield TURN, talk.ask(PSH | ACK, bytes(other))
    yield 20_000, talk.tell(RST | ACK)
    yield 2 * SECOND, b""


def _write(out: BinaryIO, at: int, frames: Sequence[Frame]) -> int:
    """Write frames one by one; the time of the last one."""
    for pause, octets in frames:
        at += pause
        if octets:
            size = len(octets)
            out.write(RECORD.pack(*divmod(at, SECOND), size, size) + octets)
    return at


def _block(talks: Sequence[Talk], at: int) -> bytes:
    """Turns of all sessions one after the other, from a time on."""
    turn, lines = np.arange(TURNS), []
    for talk in talks:
        segments = (
            talk.ask(PSH | ACK, request(0)), talk.tell(PSH | ACK, answer(0)), talk.ask(ACK),
        )  # fmt: skip
        lines.append(b"".join(RECORD.pack(0, 0, len(one), len(one)) + one for one in segments))
    octets = np.frombuffer(b"".join(lines), np.uint8).reshape(len(talks), -1)
    octets = octets[turn % SESSIONS]
    again, asks, tells = turn // SESSIONS, len(request(0)), len(answer(0))
    begin = 0
    for place, size in enumerate(map(len, segments)):
        when = at + turn * TURN + place * STEP
        _put(octets, begin, "<u4", when // SECOND)
        _put(octets, begin + 4, "<u4", when % SECOND)
        frame = begin + RECORD.size
        mine, other = (tells, asks) if place == 1 else (asks, tells)
        _add(octets, frame + SEQ, again * mine)
        _add(octets, frame + ACKED, again * other)
        if place < 2:
            _put(octets, frame + NUMBER, ">u2", again & 0xFFFF)
        begin = frame + size
    for talk in talks:
        talk.asked += (TURNS // SESSIONS - 1) * asks
        talk.told += (TURNS // SESSIONS - 1) * tells
    return octets.tobytes()


def _put(octets: np.ndarray, at: int, kind: str, values: np.ndarray) -> None:
    """Write a number into each row."""
    field = values.astype(kind)
    octets[:, at : at + field.itemsize] = field.view(np.uint8).reshape(len(field), -1)


def _add(octets: np.ndarray, at: int, values: np.ndarray) -> None:
    """Add to the number of 32 bits in each row."""
    before = np.ascontiguousarray(octets[:, at : at + 4]).view(">u4")[:, 0]
    _put(octets, at, ">u4", (before.astype(np.int64) + values) & 0xFFFFFFFF)


if __name__ == "__main__":
    day(sys.stdout.buffer, int(sys.argv[1]))
