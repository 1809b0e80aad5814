"""The recording is from another adapter than the one that leads to the controller.

Told for a controller that was not tried and of whose network no address occurs, while the PC is in
use with other stations on this adapter, or is not on it at all; and where a loopback adapter was
recorded. Quiet where the PC is alone in another network, as it may have the wrong address on the
right adapter; where it has no address or a self-assigned one; and where it tried, by a router too.
"""

from collections.abc import Iterator

from analyzer.facts import Address
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, is_loopback
from rules import cautions

NAMED = 4
"""Addresses named as examples."""


def survey(case: Case) -> Iterator[Sighting]:
    here = case.facts.addresses
    elsewhere: list[LinkUp | None] = [one for one in case.linkups if one.is_elsewhere]
    if not case.linkups and here and all(map(is_loopback, here)):
        elsewhere = [None]
    held = _held(case)[:NAMED]
    for linkup in elsewhere:
        yield Sighting(
            values={"held": held, "link_type": case.facts.link_type},
            frames={},
            linkup=linkup,
            certainty=Certainty.FITS,
        )


def _held(case: Case) -> list[Address]:
    """The PC's addresses on this adapter, or those of others where it has none here."""
    here = case.facts.addresses
    own = [one for one in case.pc.addresses if one in here] if case.pc is not None else []
    return own or [one for station in case.facts.stations for one in station.all_addresses]


RULE = Rule(
    slug="wrong-adapter",
    stage="recording",
    level=Level.WARNING,
    title="The recording seems to be from another adapter: it holds {held:list}",
    what_happened="No frame to or from the controller is in the file, nor any address of its "
    "network. The recorded adapter ({link_type}) has {held:list}.",
    means="The attempt did not pass here, so the recording says nothing about the controller.",
    likely_causes={
        "several adapters": "The PC has several adapters (wireless, VPN, virtual, a second cable), "
        "and another one was recorded.",
        "not plugged in": "The adapter that leads to the controller was not plugged in or had no "
        "address yet.",
        "other pc": "The recording was made on another PC.",
    },
    what_to_do=(
        Step("Compare the controller's address with those in the file."),
        Step("Look up which adapter of the PC has an address in the controller's network."),
        Step(
            "Record on that adapter, or on all adapters together, while somebody connects once.",
            cautions.COMMANDS,
        ),
    ),
    evidence={},
    also_fits={
        "behind a router": "A controller behind a router, where the program did not try while the "
        "recorder ran.",
        "slip": "A controller's address with a slip in it.",
    },
    looks_alike=(
        "A PC that is alone on its adapter with an address of another network.",
        "Any frame for the controller, also one that a router is to pass on.",
        "Another station that asks for an address of the controller's network.",
    ),
    confirm="Record again on all adapters while somebody presses Connect once.",
    confirm_caution=cautions.COMMANDS,
    sources=("common practice, no source",),
    explains=("nothing-recorded", "no-attempt"),
    needs=frozenset(),
    survey=survey,
)
