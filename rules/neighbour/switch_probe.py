"""A switch looks by ARP whether its stations are still there, with no address of its own.

A station that checks its own address asks the same way (RFC 5227): if a switch asks at that moment,
the station thinks that somebody else wants its address, and keeps silent. Seen at the PC's port are
only the questions for the PC. A note; a warning where nothing answers at the controller's address;
a fault where a station checked that address and nobody has it since. Quiet about a station that
checks an address and takes it, or that asks in one burst as it starts, and about searches.
"""

from collections.abc import Iterator
from itertools import pairwise

from analyzer.facts import Address, Hardware, Moment, Series
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, withdrawn
from rules import cautions

OFTEN = 3
"""Bursts of questions that a start does not explain: it makes one."""
ONE_BURST = 3.0
"""Seconds between the questions of one check, at most: 1 to 2 s in RFC 5227 1.1, and some spare."""
MANY = 4
"""Addresses asked for by one station that make a search, not a watch over one port."""
SOME = 3
"""Questions of a switch that are listed: enough to see that they come again and again."""
OFF = "off"
"""Name of this in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    checked, checker = withdrawn(linkup) or (None, None)
    watch = next(_watches(linkup, checker), None)
    if watch is None:
        return
    watcher, address, series = watch
    vain = _asked_in_vain(linkup)
    after = [moment for moment in vain if checked is not None and moment > checked]
    asked = after or vain
    alive = _heard_last(linkup, checker, after)
    sure = not after and linkup.facts.is_a_switch(watcher)
    yield Sighting(
        values={
            "watcher": watcher,
            "address": address,
            "probes": series.count,
            "every": (series.last.seconds - series.first.seconds) / max(1, series.count - 1),
            "checker": checker if after else None,
        },
        frames={
            "probe": series.moments[:SOME],
            "checked": [checked] if after else [],
            "asked": [*asked[:1], *asked[-1:]],
            "alive": alive,
        },
        certainty=Certainty.SHOWN if sure else Certainty.FITS,
        level=Level.FAULT if after else Level.WARNING if vain else Level.NOTE,
        silence=linkup.silence(asked),
        ruled_out=[OFF] if alive or not vain else [],
    )


def _watches(
    linkup: LinkUp, checker: Hardware | None
) -> Iterator[tuple[Hardware, Address, Series]]:
    """Questions of switches for the PC's or the controller's address; not those of a station that
    checks an address for itself.
    """
    index = linkup.facts.index
    for wanted in (linkup.controller, *linkup.pc.addresses):
        owners = {linkup.pc.hardware, checker, *linkup.facts.claims(wanted).counts}
        for asker, series in index.probes_for[wanted]:
            searches = len(index.probes_by[asker]) >= MANY
            often = _asks_often(series) and not searches
            if asker not in owners and (often or linkup.facts.is_a_switch(asker)):
                yield asker, wanted, series


def _asks_often(series: Series) -> bool:
    gaps = [after.seconds - one.seconds for one, after in pairwise(series.moments)]
    return 1 + sum(gap > ONE_BURST for gap in gaps) >= OFTEN


def _asked_in_vain(linkup: LinkUp) -> list[Moment]:
    """The PC's questions for a controller that nobody has answered for since."""
    asked = (at for one in linkup.questions for at in one.since_answer.moments)
    return sorted(at for at in asked if not linkup.is_heard_after(at))


def _heard_last(linkup: LinkUp, checker: Hardware | None, asked: list[Moment]) -> list[Moment]:
    """The last frame of the station that checked the address, where it comes after a question."""
    station = linkup.facts.station(checker)
    return [station.last] if station is not None and asked and station.last > asked[0] else []


RULE = Rule(
    slug="switch-probe",
    stage="neighbour",
    title="A switch's questions may keep {controller} silent",
    what_happened="{checker:if {checker} checked whether {controller} is free, and nobody has used "
    "that address since.} The station {watcher} asked {probes:times} for the owner of {address}, "
    "about every {every:seconds}, without an address of its own.",
    means="So a managed switch watches over its ports. A controller that checks its address at "
    "that moment takes this for a second owner of its address, and keeps silent.",
    likely_causes={
        "device tracking": (
            "The switch follows its stations (device tracking), with 0.0.0.0 as its own address."
        ),
        "another service": "Another service of the switch has turned the tracking on.",
        "plugged in again": (
            "The controller's cable was plugged in again, and the switch asked during its check."
        ),
    },
    what_to_do=(
        Step("Look whether the controller's lamps or display tell of an address used twice."),
        Step("{checker:if Compare {checker} with the hardware address on the controller's label.}"),
        Step(
            "Ask whoever looks after the switch {watcher} to have it ask later after a link comes "
            "up (10 s or more), or with its own address."
        ),
        Step("Ask them to exempt the controller's port from the tracking."),
        Step(
            "When it is safe, have the controller started again: it checks its address anew.",
            cautions.RESTART,
        ),
    ),
    evidence={
        "probe": "{watcher} asks for {address}, without an address of its own{again}",
        "checked": "{checker} checks whether {controller} is free; nobody uses it from then on",
        "asked": "the PC asks for {controller} in vain",
        "alive": "{checker} is still there, without that address",
    },
    cautions=(
        cautions.warning(
            "A controller that thinks its address is used twice may drop all its I/O. Keep "
            "people clear of the machine.",
        ),
    ),
    also_fits={
        "wants its address back": (
            "A device that wants to have {address} back, and asks again and again whether it is "
            "free."
        ),
        OFF: "Where nothing answers at {controller}: it is off, or has another address.",
    },
    looks_alike=(
        "A station that checks its own address when it starts, once, and then takes it.",
        "A search of the network with 0.0.0.0 as the sender.",
        "Such questions beside a controller that works: no harm is done.",
    ),
    confirm="The questions for the controller are on its own port: have that port recorded while "
    "the controller's link comes up.",
    explains=("unanswered-arp", "controller-starting"),
    sources=("RFC 5227 section 2.1.1 (another probe for the same address is a conflict)",),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
