"""Which frames a diagnosis needs: those of the PC and its controllers, and what tells of the rest.

Of other stations' traffic a thin sample stays: the first and last frame of each path, and enough
in between to show when each station was heard and when nobody was.
"""

from collections.abc import Iterator
from typing import Protocol

import numpy as np

from analyzer.columns import Flags, Floats, Keys
from analyzer.diagnosis import Diagnosis
from analyzer.frames import Frames, Kind
from analyzer.frames import Protocol as Carried

ALWAYS = (Kind.ARP, Kind.SPANNING_TREE, Kind.LLDP, Kind.EAPOL)
DHCP_PORTS = (67, 68)
OWN_SLOT, OWN_GAP = 0.5, 1.0
"""Seconds: of a station the first frame of each slot stays, and the frames around a longer gap. A
gap above 2 s ends a span of its presence (`facts/paths.py`), and thinning makes none of these."""
ALL_SLOT, ALL_GAP = 0.25, 0.5
"""The same for all stations together: a second without any frame says that a link was down
(`facts/starts.py`)."""


class Chooser(Protocol):
    """Chooses frames of a chunk."""

    def __call__(self, frames: Frames, /) -> Flags:
        """Which rows stay."""
        ...


def everything(frames: Frames) -> Flags:
    """All frames."""
    return np.ones(len(frames), bool)


def needed(diagnosis: Diagnosis) -> Chooser:
    """The frames that a diagnosis was made from; all of them where it is unclear who the PC is."""
    if diagnosis.case.pc is None or not diagnosis.outcomes:
        return everything
    return _Needed(diagnosis)


class _Needed:
    def __init__(self, diagnosis: Diagnosis) -> None:
        facts, linkups = diagnosis.facts, diagnosis.case.linkups
        pc = diagnosis.case.pc
        assert pc is not None
        addresses = {*pc.addresses, *(linkup.controller for linkup in linkups)}
        claims = (facts.claims(one) for one in addresses)
        hardware = {pc.hardware, *(linkup.hardware for linkup in linkups)} - {None}
        hardware |= {claimant for one in claims for claimant in one.counts}
        self.addresses = sorted(addresses)
        self.hardware = np.array(sorted(int(one or 0) for one in hardware), np.uint64)
        self.numbers = np.array(sorted(_named(diagnosis)), np.int64)
        self.busy = np.array(sorted(facts.flood.seconds), np.int64)

    def __call__(self, frames: Frames, /) -> Flags:
        """Which rows stay."""
        keep = np.isin(frames.number, self.numbers) | np.isin(frames.kind, ALWAYS)
        for column in (frames.src, frames.dst):
            keep |= np.isin(column, self.hardware)
        group = frames.dst >> np.uint64(40) & np.uint64(1) == 1
        keep |= group & np.isin(np.floor(frames.seconds).astype(np.int64), self.busy)
        ip, udp = frames.ip, frames.udp
        dhcp = np.isin(udp.sport, DHCP_PORTS) & np.isin(udp.dport, DHCP_PORTS)
        numbers = np.array([frames.listed.number(one) for one in self.addresses], np.uint64)
        own = np.isin(ip.src, numbers) | np.isin(ip.dst, numbers)
        for rows in (ip.row[own | (ip.protocol == Carried.ICMP)], udp.row[dhcp]):
            keep[rows] = True
        keep[frames.neighbours.row] = True
        keep |= _sample(frames.src, frames.seconds, OWN_SLOT, OWN_GAP)
        keep |= _sample(np.zeros_like(frames.src), frames.seconds, ALL_SLOT, ALL_GAP)
        together = frames.fingerprint[frames.copy]
        keep |= np.isin(frames.fingerprint, np.intersect1d(together, frames.fingerprint[keep]))
        return keep


def _named(diagnosis: Diagnosis) -> Iterator[int]:
    """Numbers of frames that facts and findings name."""
    facts, coverage = diagnosis.facts, diagnosis.facts.coverage
    moments = [moment for path in facts.paths for moment in (path.first, path.last)]
    moments += [one.moment for finding in diagnosis.findings for one in finding.evidence]
    moments += coverage.copy_examples.moments + coverage.backwards.moments
    moments += coverage.forwards.moments
    if coverage.cut_example is not None:
        moments.append(coverage.cut_example)
    return (moment.frame for moment in moments)


def _sample(key: Keys, seconds: Floats, slot: float, gap: float) -> Flags:
    """Of rows with the same key: the first of each slot, and both around each longer gap."""
    order = np.argsort(key, kind="stable")
    of, at = key[order], seconds[order]
    parted = (of[1:] != of[:-1]) | (np.abs(np.diff(at)) > gap)
    fresh = parted | (np.diff(np.floor(at / slot)) != 0)
    keep = np.empty(len(key), bool)
    keep[order] = np.append(True, fresh) | np.append(parted, True)
    return keep
