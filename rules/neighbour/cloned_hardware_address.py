"""Two units seem to share one hardware address.

Shown where frames with the PC's own hardware address come in, from an address that the PC does not
send as: a fault where the PC waits in vain for the controller, else a warning. It fits where the
PC waits in vain, the controller's hardware address sends as two addresses with different fresh
times to live, and the second goes on while the first is silent. Quiet where the link-up has no
trouble; about frames of the PC that come back; about routers; and where both addresses look like
one system.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Facts, Hardware, Path
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

FRESH = {32, 64, 128, 255}
"""Times to live that systems send with; a router lowers them (common practice, no source)."""


def find(case: Case) -> Iterator[Sighting]:
    foreign = _come_in_as_the_pc(case)
    troubled = [one for one in case.linkups if one.waiting_since is not None]
    for linkup in troubled:
        if foreign:
            yield _sighting(foreign, linkup, Level.FAULT, Certainty.SHOWN)
            continue
        second = _second_system(linkup)
        if second:
            yield _sighting(second, linkup, Level.FAULT, Certainty.FITS)
    if foreign and not troubled:
        yield _sighting(foreign, None, Level.WARNING, Certainty.SHOWN)


def _come_in_as_the_pc(case: Case) -> list[Path]:
    """Packets with the PC's hardware address that were received as an address it does not send
    as. Loopback has the hardware address 0.
    """
    if case.pc is None or not case.pc.hardware:
        return []
    packets = _packets(case.facts, case.pc.hardware)
    sent = {one.src_ip for one in packets if one.sent}
    return [one for one in packets if sent and one.received and one.src_ip not in sent]


def _second_system(linkup: LinkUp) -> list[Path]:
    """The other address behind the controller's hardware address, where it lives on alone."""
    station, waiting = linkup.facts.station(linkup.hardware), linkup.waiting_since
    if linkup.hardware is None or station is None or station.is_router or waiting is None:
        return []
    packets = _packets(linkup.facts, linkup.hardware)
    first = [one for one in packets if one.src_ip == linkup.controller]
    second = [one for one in packets if one.src_ip != linkup.controller]
    lives, other_lives = _lives(first), _lives(second)
    differ = lives and other_lives and not lives & other_lives
    if not differ or not lives | other_lives <= FRESH:
        return []
    return second if any(one.last > waiting for one in second) else []


def _packets(facts: Facts, hardware: Hardware) -> list[Path]:
    return [one for one in facts.paths if one.src == hardware and one.src_ip]


def _lives(paths: Sequence[Path]) -> set[int]:
    return {ttl for one in paths for ttl in one.ttls}


def _sighting(
    second: Sequence[Path], linkup: LinkUp | None, level: Level, certainty: Certainty
) -> Sighting:
    return Sighting(
        values={
            "hardware": second[0].src,
            "other": second[0].src_ip,
            "packets": sum(one.frames for one in second),
        },
        frames={"other": sorted(at for one in second for at in {one.first, one.last})},
        linkup=linkup,
        level=level,
        certainty=certainty,
        silence=None
        if linkup is None or not linkup.waiting_since
        else linkup.silence([linkup.waiting_since]),
    )


RULE = Rule(
    slug="cloned-hardware-address",
    stage="neighbour",
    title="Two units{fits:if likely} share the hardware address {hardware}",
    what_happened="{packets:count packet} came from {hardware} as {other}, beside those of the "
    "unit that this hardware address is known for.",
    means="Switches learn one place for a hardware address. With two units behind it, frames go to "
    "whichever sent last, and the other one is cut off for seconds or minutes.",
    likely_causes={
        "backup-copy-virtual": (
            "A backup or a copy of a virtual machine brought the hardware address along."
        ),
        "hardware-address-entered": "A hardware address was entered by hand, twice.",
        "adapters-were-programmed": (
            "Adapters were programmed with the same address when they were made."
        ),
    },
    what_to_do=(
        Step("Look for {hardware} on labels and in the settings of both units."),
        Step("Ask whoever looks after the switches whether {hardware} moves between two ports."),
        Step("Take one of the two units off the network and try again.", cautions.UNPLUG),
        Step("Have the copied unit set to its own hardware address.", cautions.MACHINE),
    ),
    evidence={"other": "{hardware} sends a packet as {other}{again}"},
    also_fits={
        "one-device-two": (
            "One device with two addresses and two systems inside, such as a controller and its "
            "network module."
        ),
        "only-pc-s": (
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
    survey=find,
)
