"""Two units seem to share one hardware address.

Shown where frames with the PC's own hardware address come in, from an address that the PC does not
send as: a fault where the PC waits in vain for the controller, else a warning. It fits where the
PC waits in vain, the controller's hardware address sends as two addresses with different fresh
times to live, and the second goes on while the first is silent. Quiet where the link-up has no
trouble; about frames of the PC that come back; about routers; and where both addresses look like
one system.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Address, Kind, Path
from analyzer.facts.paths import FRESH, times_to_live
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Pc
from rules import cautions


def survey(case: Case) -> Iterator[Sighting]:
    foreign = [] if case.pc is None else _come_in_as_the_pc(case.pc)
    troubled = [one for one in case.linkups if one.in_vain]
    for linkup in troubled:
        if foreign:
            yield _sighting(foreign, linkup.pc_address, linkup, Level.FAULT, Certainty.SHOWN)
        elif second := _second_system(linkup):
            yield _sighting(second, linkup.controller, linkup, Level.FAULT, Certainty.FITS)
    if case.pc is not None and foreign and not troubled:
        yield _sighting(
            foreign, next(iter(case.pc.addresses), None), None, Level.WARNING, Certainty.SHOWN
        )


def _come_in_as_the_pc(pc: Pc) -> list[Path]:
    """Packets with the PC's hardware address that were received as an address it does not send
    as. Loopback has the hardware address 0.
    """
    packets = [one for one in pc.paths if _is_ipv4(one)] if pc.hardware else []
    sent = {one.src_ip for one in packets if one.sent}
    return [one for one in packets if sent and one.src_ip not in sent]


def _second_system(linkup: LinkUp) -> list[Path]:
    """The other address behind the controller's hardware address, where it lives on alone."""
    station = linkup.facts.station(linkup.hardware)
    if station is None or station.is_router or linkup.is_ipv6:
        return []
    packets = [one for one in linkup.facts.index.paths_from[station.hardware] if _is_ipv4(one)]
    second = [one for one in packets if one.src_ip != linkup.controller]
    lives = times_to_live(one for one in packets if one.src_ip == linkup.controller)
    other_lives = times_to_live(second)
    two_systems = lives and not lives & other_lives and lives | other_lives <= FRESH
    goes_on = any(one.last > linkup.in_vain[0] for one in second)
    return second if two_systems and goes_on else []


def _is_ipv4(path: Path) -> bool:
    """Whether it is IPv4: of IPv6 a device has several addresses, and other times to live."""
    return bool(path.src_ip) and path.kind == Kind.IPV4


def _sighting(
    second: Sequence[Path],
    unit: Address | None,
    linkup: LinkUp | None,
    level: Level,
    certainty: Certainty,
) -> Sighting:
    """unit: the address that the hardware address is known for."""
    vain = [] if linkup is None else linkup.in_vain
    return Sighting(
        values={
            "hardware": second[0].src,
            "other": second[0].src_ip,
            "packets": sum(one.frames for one in second),
            "unit": unit,
            "since": vain[0].seconds if certainty is Certainty.FITS else 0.0,
        },
        frames={"other": [at for one in second for at in (one.first, one.last)]},
        linkup=linkup,
        level=level,
        certainty=certainty,
        silence=None if linkup is None else linkup.silence(vain),
    )


RULE = Rule(
    slug="cloned-hardware-address",
    stage="neighbour",
    title="Two units{fits:if likely} share the hardware address {hardware}",
    what_happened="{packets:count packet} came from {hardware} as {other}, beside those of {unit}"
    "{since:if, which answers the PC no more from {since:seconds} after the first frame on}.",
    means="Switches learn one place for a hardware address. With two units behind it, frames go to "
    "whichever sent last, and the other one is cut off for seconds or minutes.",
    likely_causes={
        "a copy": ("A backup or a copy of a virtual machine brought the hardware address along."),
        "entered by hand": "A hardware address was entered by hand, twice.",
        "made alike": ("Adapters were programmed with the same address when they were made."),
    },
    what_to_do=(
        Step("Look for {hardware} on the labels and in the settings of {unit} and {other}."),
        Step("Ask whoever looks after the switches whether {hardware} moves between two ports."),
        Step("Take {other} off the network and try again.", cautions.UNPLUG),
        Step("Have the copied unit set to its own hardware address.", cautions.MACHINE),
    ),
    evidence={"other": "{hardware} sends a packet as {other}{again}"},
    also_fits={
        "two systems inside": (
            "One device with two addresses and two systems inside, such as a controller and its "
            "network module."
        ),
        "bridge": (
            "Where only the PC's own address is concerned: a bridge that gives its guests the PC's "
            "hardware address."
        ),
    },
    looks_alike=(
        "One device with two addresses: both packets look like one system's.",
        "A router or a virtual machine's translation: many senders behind one hardware address.",
        "Frames of the PC that come back to it: they carry its own address.",
    ),
    confirm="With one of the two units off the network, the other one works without a gap.",
    confirm_caution=cautions.UNPLUG,
    explains=("address-lost", "path-lost", "port-silent", "session-reset", "request-unanswered"),
    sources=(
        "IEEE 802 (a hardware address belongs to one adapter; from memory)",
        "common practice, no source",
    ),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
