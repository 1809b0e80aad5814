"""The controller has lost its address: it asks a server for one, or uses another one now.

Shown where the hardware address that used the controller's address turns up with another one and
answers for the controller's no more, or asks a server for longer than a start takes. It fits where
that has only begun, and where a station without any address asks while nobody answers for a
controller that was never heard. Quiet where the controller is heard with its address afterwards,
where nothing was tried in vain, where an address was given, and about stations that use an address
or IPv6: those are others.
"""

from collections.abc import Iterator

from analyzer.facts import Address, Facts, Hardware, Kind, Moment
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import LinkUp, silence
from rules import cautions

ENOUGH = 2
"""Requests of a station that got none; a single one may be the begin of a normal start."""
LASTING = 30.0
"""Seconds of asking from which on it is no start any more (common practice, no source)."""

ANOTHER_DEVICE, STILL_STARTING = "another device", "still starting"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    owners = _owners(linkup)
    for hardware, last in owners.items():
        yield from _lost(linkup, hardware, last)
    if not owners:
        yield from _without_address(linkup)


def _owners(linkup: LinkUp) -> dict[Hardware, Moment]:
    """Devices that used the controller's address, and when each did so last."""
    claims = linkup.facts.arp.claims.get(linkup.controller)
    used = [(run.hardware, run.last) for run in claims.runs] if claims is not None else []
    paths = (path for path in linkup.facts.paths if path.src_ip == linkup.controller)
    used += [(path.src, path.last) for path in paths if path.src is not None]
    return {
        hardware: last
        for hardware, last in sorted(used, key=lambda one: one[1])
        if hardware != linkup.pc.hardware and linkup.facts.is_a_device(hardware)
    }


def _lost(linkup: LinkUp, hardware: Hardware, last: Moment) -> Iterator[Sighting]:
    """A device that had the controller's address and shows later that it has not."""
    asks = [one.moment for one in linkup.facts.address_requests(hardware) if one.moment > last]
    asked = [at for one in linkup.questions for at in one.since_answer.moments if at > last]
    others = _other_addresses(linkup, hardware, last) if asked else []
    tried = [moment for moment in _tried_in_vain(linkup) if moment > last]
    if not tried or linkup.answers_after(last) or not (others or len(asks) >= ENOUGH):
        return
    if _was_given_one(linkup.facts, hardware, last):
        return
    lasting = bool(asks) and asks[-1].seconds - asks[0].seconds >= LASTING
    sure = bool(others) or lasting
    yield _sighting(linkup, hardware, tried, asks, {"own": [last], "other": others}, sure)


def _without_address(linkup: LinkUp) -> Iterator[Sighting]:
    """Stations that ask for an address, where nobody ever used the controller's."""
    facts = linkup.facts
    tried = _tried_in_vain(linkup)
    if len(tried) < ENOUGH or linkup.is_heard:
        return
    for station in facts.stations:
        hardware = station.hardware
        if hardware is None or hardware == linkup.pc.hardware:
            continue
        asks = [one.moment for one in facts.address_requests(hardware)]
        is_another = station.addresses or Kind.IPV6 in station.kinds
        if len(asks) >= ENOUGH and not is_another and not _was_given_one(facts, hardware, asks[0]):
            yield _sighting(linkup, hardware, tried, asks, {}, sure=False)


def _sighting(
    linkup: LinkUp,
    hardware: Hardware,
    tried: list[Moment],
    asks: list[Moment],
    frames: dict[str, list[Moment]],
    sure: bool,
) -> Sighting:
    others = frames.get("other", [])
    return Sighting(
        values={
            "controller": linkup.controller,
            "hardware": hardware,
            "tries": len(tried),
            "requests": len(asks),
            "others": len(others),
        },
        frames={**frames, "asks": asks[:3], "tried": [tried[0], tried[-1]]},
        linkup=linkup,
        certainty=Certainty.SHOWN if sure else Certainty.FITS,
        silence=silence(tried, linkup.facts),
        also_excluded=[
            *([ANOTHER_DEVICE] if "own" in frames else []),
            *([STILL_STARTING] if sure else []),
        ],
    )


def _tried_in_vain(linkup: LinkUp) -> list[Moment]:
    """What the PC sent to the controller and got no answer to."""
    tried = [at for one in linkup.questions for at in one.since_answer.moments]
    tried += [at for one in linkup.sessions if one.is_silent for at in one.syns.moments]
    tried += [at for one in linkup.sessions for at in one.from_client.repeats.moments]
    return sorted(tried)


def _other_addresses(linkup: LinkUp, hardware: Hardware, last: Moment) -> list[Moment]:
    """Where a device took an address other than the controller's, once it had left that."""
    claims = linkup.facts.arp.claims.items()
    used = [(at, run.first) for at, one in claims for run in one.runs if run.hardware == hardware]
    paths = [one for one in linkup.facts.paths if one.src == hardware]
    used += [(one.src_ip, one.first) for one in paths if one.src_ip]
    first_used: dict[Address, Moment] = {}
    for address, first in sorted(used, key=lambda one: one[1]):
        first_used.setdefault(address, first)
    return [
        first
        for address, first in first_used.items()
        if first > last and address != linkup.controller
    ]


def _was_given_one(facts: Facts, hardware: Hardware, since: Moment) -> bool:
    """Whether a server gave a station an address."""
    return any(
        one.client == hardware and not one.from_client and one.offered and one.moment > since
        for one in facts.dhcp
    )


RULE = Rule(
    slug="address-lost",
    stage="neighbour",
    title="{hardware} is{fits:if likely} the controller, without its address {controller}",
    what_happened="The PC tried {tries:times} to reach {controller}, and nothing answered there."
    "{requests:if Meanwhile {hardware} asked any server {requests:times} for an address.}"
    "{others:if Meanwhile {hardware} used {others:count other address}.}",
    means="A controller without its fixed address cannot be reached there, although it is alive "
    "and plugged in.",
    likely_causes={
        "address-set-time": (
            "The address was set for a time only, and the controller still asks a server for one "
            "at each start (BOOTP or DHCP)."
        ),
        "controller-lost-settings": (
            "The controller lost its settings: an empty battery, a dip of the supply, a new module."
        ),
        "switches-memory-hold": (
            "The switches or the memory that hold the address were moved, exchanged or not put in."
        ),
        "controller-met-own": (
            "The controller met its own address on another device and withdrew from it."
        ),
    },
    what_to_do=(
        Step("Compare {hardware} with the hardware address on the controller's label."),
        Step("Read the address that the controller shows now: display, lamps, local port."),
        Step(
            "Have the address set again by the local port, or by a server that serves only that "
            "hardware address.",
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
        "A server that gives out addresses on a live network can move other devices, too. Do not "
        "start one without whoever is responsible for the network.",
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
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    find=find,
)
