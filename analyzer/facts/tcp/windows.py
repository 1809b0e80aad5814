"""Sides that say that they can take no more data, and those that ask whether they can again."""

import numpy as np

from analyzer.columns import Flags, Ints
from analyzer.facts.tcp.segments import Lanes, Segments
from analyzer.frames import Tcp

EVENT_FLAGS = Tcp.SYN | Tcp.FIN | Tcp.RST


def window_probes(segments: Segments, lanes: Lanes, small: Flags) -> Flags:
    """Which of the small segments only ask whether the other side takes data again; and keep for
    each side when its window was zero, which is zero on any scale (RFC 7323 2.3).

    Windows of SYN, FIN and RST are not looked at: there a zero may mean nothing.
    """
    told = segments.has(EVENT_FLAGS, 0)
    shut = told & (segments.window == 0)
    carried = np.array([[s.shut_since is not None for s in one.sides] for one in segments.sessions])
    if not (shut.any() or carried.any()):
        return np.zeros(len(shut), bool)
    _keep_shut(segments, lanes, lanes.order[told[lanes.order]], shut)
    other = segments.other(told)
    blocked = np.where(other >= 0, shut[other], carried[segments.part, 1 - segments.side])
    probes: Flags = told & blocked & small
    for side, count in zip(lanes.sides, lanes.count(probes), strict=True):
        side.probes += count
    return probes


def _keep_shut(segments: Segments, lanes: Lanes, rows: Ints, shut: Flags) -> None:
    """Keep where a side's window becomes zero, and for how long; rows: by side, in file order."""
    if not len(rows):
        return
    lane = lanes.of[rows]
    begins = np.append(True, lane[1:] != lane[:-1])
    carried = np.array([side.shut_since is not None for side in lanes.sides])
    before = np.where(begins, carried[lane], np.append(False, shut[rows[:-1]]))
    for at in rows[shut[rows] != before].tolist():
        side, moment = lanes.sides[lanes.of[at]], segments.moment(at)
        if shut[at]:
            side.shut.add(moment)
            side.shut_since = moment
        elif side.shut_since is not None:
            side.shut_longest = max(side.shut_longest, moment.seconds - side.shut_since.seconds)
            side.shut_since = None
