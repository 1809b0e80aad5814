"""What works and breaks, again and again: with something that the breaks have in common, and with
nothing.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from threading import Event

from analyzer.common import Factor
from tests.lab import crafted
from tests.lab.actors import MODBUS, Framing, Server, announce, ask, call, resets_for
from tests.lab.lab import UNIT, UNIT_HW, Lab, Scenario, scenario

REPEATED: list[Scenario] = []
COMMON: dict[str, Factor | None] = {}
"""What the breaks of a scenario have in common, by its name."""
fault = partial(scenario, REPEATED)
Act = Callable[[Lab], None]

GAPS = (3.1, 5.3, 2.3, 4.4, 3.7)
"""Seconds from one break to the next: no interval, and no time that a session lasts."""
EVERY = 0.25
"""Seconds between requests."""
OTHER_UNIT, ASKED = 7, (9, 16, 29, 36, 52, 61)
"""A unit that is asked for now and then, by the number of the request."""


def have(factor: Factor | None) -> Callable[[Act], Act]:
    """What the breaks of the scenario have in common."""

    def noted(act: Act) -> Act:
        COMMON[act.__name__.replace("_", "-")] = factor
        return act

    return noted


def _asks_for_another(number: int) -> bytes:
    request = bytearray(MODBUS.request(number))
    request[6] = OTHER_UNIT if number in ASKED else 1
    return bytes(request)


BOTH_UNITS = Framing(_asks_for_another, MODBUS.split, MODBUS.answer)


@contextmanager
def at_work(
    lab: Lab, wait: float = 1.5, every: float = EVERY, framing: Framing = MODBUS
) -> Iterator[None]:
    """A program on the PC asks all the time, and calls anew where no answer comes."""
    done = Event()

    def work() -> None:
        number = 1
        while not done.is_set():
            session = call(lab.pc, UNIT, wait=wait)
            while not done.wait(every) and ask(session, number, wait, framing):
                number += 1
            number += 1
            if session is not None:
                session.close()
            done.wait(0.4)

    thread = lab.pc.start(work)
    yield
    done.set()
    thread.join()


def again_and_again(act: Callable[[], None], gaps: Sequence[float] = GAPS) -> None:
    for gap in gaps:
        time.sleep(gap)
        act()
    time.sleep(gaps[0])


@have(None)
@fault("session-reset")
def sessions_end_at_any_time(lab: Lab) -> None:
    """The controller resets its session between two requests."""
    lab.plant()
    server = Server(lab.unit)
    with at_work(lab):
        again_and_again(server.drop)


@have(Factor.REQUEST)
@fault("session-reset")
def request_that_ends_each_session(lab: Lab) -> None:
    """The controller has no such unit, and resets the session."""
    lab.plant()
    Server(lab.unit, manner=resets_for(OTHER_UNIT))
    with at_work(lab, framing=BOTH_UNITS):
        time.sleep(24)


@have(None)
@fault("session-reset")
def another_unit_is_asked_and_sessions_end_at_any_time(lab: Lab) -> None:
    lab.plant()
    server = Server(lab.unit)
    with at_work(lab, framing=BOTH_UNITS):
        again_and_again(server.drop)


def _panel_calls(lab: Lab) -> None:
    session = call(lab.panel, UNIT)
    ask(session)
    if session is not None:
        session.close()


@have(Factor.CLIENT)
@fault("session-limit")
def panel_takes_the_session_each_time(lab: Lab) -> None:
    """A mirror of the controller's port shows both; the controller ends the oldest session."""
    lab.stations()
    lab.mirror()
    Server(lab.unit, most=1, when_full="oldest")
    with at_work(lab):
        again_and_again(lambda: _panel_calls(lab), 2 * GAPS)


@have(None)
@fault("session-reset")
def panel_calls_and_sessions_end_at_other_times(lab: Lab) -> None:
    lab.stations()
    lab.mirror()
    server = Server(lab.unit)

    def both() -> None:
        server.drop()
        time.sleep(1.6)
        _panel_calls(lab)

    with at_work(lab):
        again_and_again(both)


@have(Factor.RESTART)
@fault("controller-restarted")
def controller_restarts_each_time(lab: Lab) -> None:
    """Gone for 2 s; then it announces itself, and works."""
    lab.plant()
    Server(lab.unit)
    units = [lab.unit]

    def restarts() -> None:
        units[-1].pull()
        time.sleep(2)
        reborn = lab.station(f"unit{len(units)}", hw=UNIT_HW, up=False)
        announce(reborn.up(f"{UNIT}/24"), UNIT)
        Server(reborn)
        units.append(reborn)

    with at_work(lab, every=1.0):
        again_and_again(restarts, (31.0, 35.0, 27.0, 33.0))


@have(Factor.CLAIM)
@fault("duplicate-address")
def address_is_claimed_now_and_then(lab: Lab) -> None:
    """A guest claims the controller's address, which the controller announces anew 2 s later."""
    lab.plant()
    Server(lab.unit)
    guest = lab.station("guest", "192.0.2.77/24")
    wires = guest.raw(), lab.unit.raw()

    def claims() -> None:
        wires[0].send(crafted.arp_announcement(guest.hw, UNIT))
        time.sleep(2)
        wires[1].send(crafted.arp_announcement(UNIT_HW, UNIT))

    with at_work(lab, wait=1.2):
        again_and_again(claims, [2 * gap for gap in GAPS])


@have(None)
@fault("path-lost", remark=True)
def controller_alone_is_silent_each_time(lab: Lab) -> None:
    """Its cable is pulled for 6 s; others are heard all the time."""
    lab.plant()
    Server(lab.unit)

    def pulled() -> None:
        lab.unit.pull()
        time.sleep(6)
        lab.unit.plug()

    with at_work(lab, wait=5, every=0.5):
        again_and_again(pulled, (19.0, 21.5, 20.2))


def _away(lab: Lab, link: bool) -> None:
    """The PC asks nothing for more than a minute; meanwhile the controller ends the session."""
    lab.plant()
    Server(lab.unit, idle=20, by_reset=True)
    session = call(lab.pc, UNIT)
    for number in range(20):
        ask(session, number + 1)
        time.sleep(EVERY)
    if not link:
        lab.pc.pull()
    time.sleep(64)
    if not link:
        lab.pc.plug()
    time.sleep(1.5)
    ask(session, 21)
    with at_work(lab):
        time.sleep(3)


@have(None)
@fault("session-reset")
def pc_sleeps(lab: Lab) -> None:
    _away(lab, link=False)


@have(None)
@fault("session-reset")
def pc_rests_and_others_are_heard(lab: Lab) -> None:
    _away(lab, link=True)
