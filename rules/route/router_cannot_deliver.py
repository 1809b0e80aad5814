"""A router says that it cannot deliver the PC's packets to the controller.

Only where the message quotes the PC's own packets for this controller; where packets run in a
circle, only its own calls, since a search for the way makes such messages on purpose. Quiet where
the controller is heard afterwards: the router was still finding the way.
"""

from collections.abc import Iterator

from analyzer.facts import IcmpError
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

UNREACHABLE, TIME_EXCEEDED = 3, 11
NO_WAY = {0, 1, 5, 6, 7, 8, 11, 12}
"""Codes of a router that has no way to the network or the host (RFC 792, RFC 1122 3.2.2.1)."""
NO_HOST = {1, 7}
"""Codes of a router that reaches the network and finds nobody there at that address."""
HOST_IS_MISSING, NETWORK_IS_MISSING = 0, 1
"""Places of these causes below."""
TCP = 6


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        errors = [error for error in linkup.errors if _says_no_way(error, linkup)]
        if not errors or _came_through(linkup, errors[-1]):
            continue
        yield Sighting(
            values={
                "controller": linkup.controller,
                "router": errors[0].sender,
                "times": len(errors),
                "meaning": errors[0].meaning,
            },
            frames={"said": [error.moment for error in errors]},
            linkup=linkup,
            likeliest=HOST_IS_MISSING if errors[0].code in NO_HOST else NETWORK_IS_MISSING,
        )


def _says_no_way(error: IcmpError, linkup: LinkUp) -> bool:
    no_way = error.type == UNREACHABLE and error.code in NO_WAY
    in_a_circle = error.type == TIME_EXCEEDED and error.code == 0 and error.protocol == TCP
    return (no_way or in_a_circle) and error.about_src == linkup.pc_address


def _came_through(linkup: LinkUp, error: IcmpError) -> bool:
    return linkup.last_heard is not None and linkup.last_heard > error.moment


RULE = Rule(
    slug="router-cannot-deliver",
    stage="route",
    title="The router {router} cannot deliver packets to {controller}",
    what_happened="The station {router} answered the PC's packets for {controller} {times:times} "
    "with the message: {meaning}.",
    means="So the PC reaches the router, and the way ends there or behind it.",
    likely_causes=(
        "The controller behind the router is off, or has another address than the one typed.",
        "The router knows no way to the controller's network.",
        "The controller is in the PC's own network, and the PC's mask or address sends its packets "
        "to the router instead.",
    ),
    what_to_do=(
        Step("Look whether the controller has power, and compare {controller} with its label."),
        Step("Compare address and mask of the PC and of the controller, side by side."),
        Step(
            "If both are on the same switch, give the PC an address in the controller's network.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "If the controller really is behind the router, give whoever looks after the network "
            "the frames listed above: they show which router said no, and to what."
        ),
    ),
    evidence={"said": "{router} says about the PC's packet for {controller}: {meaning}"},
    also_fits=(),
    looks_alike=(
        "A message about another program's packets: it quotes other addresses or ports.",
        "One message and then success: the router was still finding the controller.",
        "A search for the way (pings or UDP packets that may pass a few routers only).",
    ),
    confirm="Connect the PC to the controller's own switch with an address of that network.",
    sources=("RFC 792 (types 3 and 11)", "RFC 1122 section 3.2.2.1"),
    find=find,
)
