"""Old names, until the last rule that uses them is converted."""

from typing import NamedTuple

from analyzer.facts import End, Session
from analyzer.linkup.model import others
from analyzer.linkup.networks import Network, presumed
from analyzer.linkup.silences import silence_of as _silence_of

LISTEN_AFTER, LISTEN_LONG, LISTEN_BEFORE = 5.0, 15.0, 2.0


class Ending(NamedTuple):
    session: Session
    end: End
    idle: float
    is_wanted: bool
    called_again: bool


def endings(linkup):
    return [
        Ending(one.session, one.end, one.idle, one.wanted, one.came_back)
        for one in linkup.on_port
        if one.ended_by_server
    ]


def silence(moments, facts):
    return _silence_of(facts, moments)


def presumed_mask(address):
    return presumed(address).mask


def network(address, mask):
    return str(Network(address, mask))


def searches(case):
    return case.pc.searches if case.pc is not None else []


def everything_tried(case, linkup):
    return sorted({*(linkup.attempts if linkup is not None else []), *searches(case)})


def is_of_the_pc(station, case):
    return station not in others(case.facts, case.pc)
