"""Nothing in the recording is an attempt of the PC to reach the controller.

Quiet where any frame of the PC was meant for the controller; where it is unclear which station is
the PC, since that is asked first; and where the frames are unreadable, cut too short to show an
attempt, or all lost in a damaged file. Where only other networks than the controller's are heard,
that the PC has no way to it comes first.
"""

from collections.abc import Iterator

from analyzer.facts import Address, Facts, Kind
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, presumed_mask

HEADERS = 14 + 20 + 20
"""Octets that hold the headers of a call: Ethernet, IPv4, TCP without options."""
NO_TRY, NO_WAY = 0, 2
"""Places of these causes below."""
NAMED = 3
"""Addresses named as examples."""


def find(case: Case) -> Iterator[Sighting]:
    if not _would_show(case.facts):
        return
    frames = case.facts.coverage.frames
    if not case.linkups and (case.pc is not None or not case.candidates):
        yield Sighting(values={"frames": frames, "controller": None, "heard": []}, frames={})
    for linkup in case.linkups:
        if not linkup.is_tried:
            heard = _heard_elsewhere(linkup)
            yield Sighting(
                values={"frames": frames, "controller": linkup.controller, "heard": heard[:NAMED]},
                frames={},
                linkup=linkup,
                likeliest=NO_WAY if heard else NO_TRY,
            )


def _heard_elsewhere(linkup: LinkUp) -> list[Address]:
    """Addresses of other stations here, where none is in the controller's network."""
    mask = presumed_mask(linkup.controller)
    stations = [one for one in linkup.facts.stations if one.hardware != linkup.pc.hardware]
    heard = sorted({address for one in stations for address in one.addresses})
    near = any(address & mask == linkup.controller & mask for address in heard)
    return [] if near else heard


def _would_show(facts: Facts) -> bool:
    coverage = facts.coverage
    readable = set(coverage.kinds) != {Kind.UNREADABLE}
    nothing_left = facts.damage is not None and not coverage.frames
    return readable and not nothing_left and not 0 < coverage.shortest_cut < HEADERS


RULE = Rule(
    slug="no-attempt",
    stage="recording",
    level=Level.WARNING,
    title="No attempt to reach the controller is in this recording",
    what_happened="Among {frames:count frame} there is no question for the controller's hardware "
    "address, no call to one of its ports and no other packet from the PC to it."
    "{heard:if No address heard here is in the network of {controller}: heard were {heard:list}.}",
    means="So the recording cannot tell why link-up stopped.",
    likely_causes=(
        "The program did not try while the recording ran.",
        "The attempt left through another adapter: wireless, a second cable, a VPN or a virtual "
        "machine.",
        "The PC had no address or no route for the controller, so nothing was sent: address, mask "
        "or gateway of the PC do not fit.",
        "A filter set in the recorder left the attempt out.",
        "The controller's own address was entered on the PC, which then talks to itself.",
    ),
    what_to_do=(
        Step("Compare the address typed in the program with the one on the controller's label."),
        Step("Look up which adapter of the PC has an address in the controller's network."),
        Step("Write address, mask and gateway of the PC and of the controller side by side."),
        Step("Record on that adapter, with no filter set, while somebody presses Connect once."),
    ),
    evidence={},
    also_fits=(
        "A dead cable: many systems send nothing at all without a link.",
        "Where the file is damaged: an attempt in the part that was lost.",
    ),
    looks_alike=("A ping, or a single question for the hardware address, is an attempt already.",),
    confirm="Record again while somebody connects, on all adapters if possible. Ping the "
    "controller meanwhile: a ping without a frame shows that the PC has no way to it.",
    sources=("common practice, no source",),
    needs=frozenset(),
    find=find,
)
