"""The PC or the controller has an address that no single device can have.

Groups, broadcasts, 0.x, 127.x and addresses for future use are that in every network. The first and
last address of a network are judged only where the recording names the mask: with a wide mask,
numbers that end in 0 or 255 are good. Quiet where the controller is heard all the same, and about
groups and broadcasts that nobody named as the controller, and on loopback, where PC and controller
are one machine.
"""

from collections.abc import Iterator

from analyzer.facts import Address
from analyzer.facts.reserved import reserved_for
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import LinkUp, is_loopback
from rules import cautions


def find(linkup: LinkUp) -> Iterator[Sighting]:
    searches = linkup.target.how_known == "address server"
    found = None if linkup.is_heard or searches else _reserved(linkup)
    if found is None:
        return
    address, purpose = found
    network = linkup.network
    by_mask = network is not None and reserved_for(address, None) is None
    yield Sighting(
        values={
            "address": address,
            "purpose": purpose,
            "whose": "The controller's" if address == linkup.controller else "The PC's",
            "mask": network.mask if network and by_mask else None,
            "known_from": network.known_from if network and by_mask else None,
            "pc": linkup.pc_address or "no address",
        },
        frames={"tried": linkup.attempts},
    )


def _reserved(linkup: LinkUp) -> tuple[Address, str] | None:
    """The first of controller and PC whose address is kept for something, and for what."""
    mask = linkup.mask if linkup.same_network else None
    if linkup.pc_address is not None and is_loopback(linkup.pc_address):
        return None
    for address in (linkup.controller, linkup.pc_address):
        if address is not None and (purpose := reserved_for(address, mask)):
            return address, purpose
    return None


RULE = Rule(
    slug="illegal-address",
    stage="address",
    title="{whose} address, {address}, is no address for a single device",
    what_happened="{address} is kept for {purpose}{mask:if, by the mask {mask} that is known from "
    "{known_from}}. The PC ({pc}) is to reach {controller}.",
    means="Systems do not send such packets, do not answer them, or send them to everybody. A "
    "session with one device cannot come up.",
    likely_causes={
        "slip": "A slip in typing the address, on the PC, in the program or for this diagnosis.",
        "first or last number": "The first or last number of the network was given to a device.",
        "address plan": "A plan of addresses that uses a range which is kept for another purpose.",
    },
    what_to_do=(
        Step("Compare {address} with the plan of the network, and with the device's label."),
        Step("Correct it in the program, if the device itself has another one."),
        Step(
            "If the device really has {address}, have it given a free one between the first and "
            "the last of its network.",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={"tried": "the PC tries to reach {controller}{again}"},
    looks_alike=(
        "A number that ends in 0 or 255 in a network with a wider mask: devices may have it.",
        "The two addresses of a network with the mask 255.255.255.254: both are for devices.",
        "A program that plays the controller on the PC itself, recorded inside the PC.",
        "Searches that go to a group or to everybody, beside calls of the controller's address.",
    ),
    confirm="Write down address and mask of both ends, and work out first and last address of that "
    "network: neither may be a device's.",
    explains=("no-attempt", "nothing-heard"),
    sources=(
        "RFC 1122 section 3.2.1.3 (0, 127, network and broadcast)",
        "RFC 1112 section 4 (groups, future use)",
        "RFC 3021 section 2.1 (two addresses only)",
    ),
    find=find,
)
