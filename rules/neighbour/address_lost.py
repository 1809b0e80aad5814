"""The controller has lost its address: it asks a server for one, or uses another one now.

Shown where the hardware address that used the controller's address turns up with another one and
answers for the controller's no more, or asks a server for longer than a start takes. It fits where
that has only begun, and where a station without any address asks while nobody answers for a
controller that was never heard. Where the link-up had worked and nobody tried the old address
since, another address of the device is a warning if it came up just then, else a note.

Quiet where the controller is heard with its address afterwards, where an address was given, about
routers, and about stations that use an address or IPv6: those are others.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Hardware, Kind, Moment
from analyzer.facts.boots import AGAIN
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import LISTENED, LinkUp
from rules import cautions

LASTING = 30.0
"""Seconds of asking from which on it is no start any more (common practice, no source)."""
SOME = 3
"""Requests shown: enough to see that it asks again."""

ANOTHER_DEVICE, STILL_STARTING = "another device", "still starting"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    owners = {who: at for at, who in linkup.uses if linkup.facts.is_a_device(who)}
    for hardware, last in owners.items():
        yield from _lost(linkup, hardware, last)
    if not owners and not linkup.is_heard:
        yield from _without_address(linkup)


def _lost(linkup: LinkUp, hardware: Hardware, last: Moment) -> Iterator[Sighting]:
    """A device that had the controller's address and shows later that it has not."""
    facts = linkup.facts
    asks = [one.moment for one in facts.address_requests(hardware) if one.moment > last]
    asked = any(at > last for one in linkup.questions for at in one.since_answer.moments)
    moved = _new_addresses(linkup, hardware, last)
    others = moved if asked else []
    tried = [at for at in linkup.in_vain if at > last]
    if moved and not tried and linkup.works:
        yield from _moved(linkup, hardware, last, moved)
    if not tried or facts.was_given(hardware, last) or not (others or len(asks) >= AGAIN):
        return
    sure = bool(others) or asks[-1].seconds - asks[0].seconds >= LASTING
    yield _sighting(linkup, hardware, tried, asks, {"own": [last], "other": others}, sure)


def _moved(
    linkup: LinkUp, hardware: Hardware, last: Moment, moved: Sequence[Moment]
) -> Iterator[Sighting]:
    """It worked, and then the device uses another address, though nobody tried the old one."""
    taken = any(one.moment > last for one in linkup.facts.boots(hardware))
    owned = hardware in linkup.owners
    if owned and linkup.facts.heard_after(moved[0]) >= LISTENED:
        frames = {"own": [last], "other": list(moved)}
        level = Level.WARNING if taken else Level.NOTE
        yield _sighting(linkup, hardware, (), (), frames, sure=False)._replace(level=level)


def _new_addresses(linkup: LinkUp, hardware: Hardware, last: Moment) -> list[Moment]:
    """Where a device took each address that it did not use before it left the controller's. It
    says of them that they are its own: what it passes on for others has their addresses.
    """
    index = linkup.facts.index
    own = set(index.claimed_by[hardware])
    first = {address: at for at, address in reversed(index.used_by[hardware]) if address in own}
    return sorted(at for at in first.values() if at > last)


def _without_address(linkup: LinkUp) -> Iterator[Sighting]:
    """A station that asks for an address, where nobody ever used the controller's."""
    facts, tried = linkup.facts, linkup.in_vain
    for asks in facts.addressless if tried else ():
        client = asks[0].client
        station = facts.station(client)
        if station is not None and Kind.IPV6 not in station.kinds:
            moments = [one.moment for one in asks]
            yield _sighting(linkup, client, tried, moments, {}, sure=False)
            return


def _sighting(
    linkup: LinkUp,
    hardware: Hardware,
    tried: Sequence[Moment],
    asks: Sequence[Moment],
    frames: dict[str, list[Moment]],
    sure: bool,
) -> Sighting:
    own = frames.get("own")
    known = [ANOTHER_DEVICE] if own else []
    return Sighting(
        values={
            "hardware": hardware,
            "tries": len(tried),
            "moved": not tried,
            "since": bool(own and tried),
            "last": own[0].seconds if own else 0.0,
            "unsure": not own,
            "requests": len(asks),
            "others": len(frames.get("other", ())),
        },
        frames={**frames, "asks": asks[:SOME], "tried": [*tried[:1], *tried[-1:]]},
        certainty=Certainty.SHOWN if sure else Certainty.FITS,
        silence=linkup.silence(tried),
        ruled_out=[*known, STILL_STARTING] if sure else known,
    )


RULE = Rule(
    slug="address-lost",
    stage="neighbour",
    title="{hardware} is{fits:if likely} the controller, without its address {controller}",
    what_happened="{tries:if The PC tried {tries:times} in vain to reach {controller}}{since:if, "
    "last heard {last:seconds} after the first frame}{moved:if {hardware} had {controller} until "
    "{last:seconds} after the first frame}.{requests:if {hardware} asked any server "
    "{requests:times} for an address.}{others:if {hardware} used {others:count other address}.}",
    means="A controller without its fixed address cannot be reached there, although it is alive "
    "and plugged in.",
    likely_causes={
        "set for a time": (
            "The address was set for a time only, and the controller still asks a server for one "
            "at each start (BOOTP or DHCP)."
        ),
        "settings lost": (
            "The controller lost its settings: an empty battery, a dip of the supply, a new module."
        ),
        "memory moved": (
            "The switches or the memory that hold the address were moved, exchanged or not put in."
        ),
        "met its own address": (
            "The controller met its own address on another device and withdrew from it."
        ),
    },
    what_to_do=(
        Step(
            "Compare {hardware} with the hardware address on the controller's label.",
            about=ANOTHER_DEVICE,
        ),
        Step("Read the address that the controller shows now: display, lamps, local port."),
        Step("Ask what happened to the controller: a power cut, a new module, a moved switch."),
        Step(
            "If{unsure:if the label fits and} no other device has {controller}, have it set again: "
            "by the local port, or by a server that serves only that hardware address.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "Then have the asking for an address (BOOTP or DHCP) turned off in the controller.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "When it is safe, have the controller started once more to see that it keeps its "
            "address.",
            cautions.RESTART,
        ),
    ),
    evidence={
        "own": "{hardware} uses the address {controller} for the last time",
        "asks": "{hardware} asks a server for an address{again}",
        "other": "{hardware} uses another address",
        "tried": "the PC tries to reach {controller}{again}",
    },
    cautions=(
        cautions.notice(
            "A server that gives out addresses can move other devices too. Start none without "
            "whoever is responsible for the network.",
        ),
    ),
    also_fits={
        ANOTHER_DEVICE: (
            "Another device without an address, such as a new drive, a printer or a telephone."
        ),
        STILL_STARTING: "A controller that is still starting, and gets its address later.",
    },
    looks_alike=(
        "A printer, PC or switch that asks for an address while the controller answers.",
        "A station that asks for an address and gets one.",
        "A controller that asks again and again by design, and has its address all the same.",
        "A renewal, which is sent from the address in use.",
        "A device with several addresses, all in use before.",
    ),
    confirm="The label decides: does the controller carry the hardware address {hardware}?",
    explains=(
        "unanswered-arp",
        "arp-silent-controller",
        "controller-starting",
        "stale-mapping",
        "proxy-answer",
        "port-silent",
        "controller-restarted",
        "session-reset",
        "request-unanswered",
        "path-lost",
        "session-closed",
        "pc-gave-up",
    ),
    sources=(
        "RFC 951 sections 3 and 7 (BOOTP), RFC 2131 section 3.1 (DHCP)",
        "RFC 5227 section 2.4 (a station that meets its address elsewhere)",
    ),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
