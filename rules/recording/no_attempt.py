"""Nothing in the recording is an attempt of the PC to reach the controller.

Quiet where any frame of the PC was meant for the controller; where it is unclear which station is
the PC, since that is asked first; and where no frames are there, or only such as are unreadable or
cut too short to show an attempt. Where only other networks than the controller's are heard,
that the PC has no way to it comes first. Where another station asks for the controller, that one
may be the PC that connects. Where the PC speaks IPv6 with a neighbour, the
attempt may be in that, to another address of the controller: then it only fits.
"""

from collections.abc import Iterator

from analyzer.facts import Facts, Kind, Path
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Pc, presumed
from rules import cautions

HEADERS = 14 + 20 + 20
"""Octets that hold the headers of a call: Ethernet, IPv4, TCP without options."""
NO_TRY, OTHER_PC, NO_WAY, OVER_IPV6 = "no try", "other pc", "no way", "over ipv6"
"""Names of these causes below."""
ENOUGH = 30.0
"""Seconds that a recording should go on for after an attempt (our own advice)."""
NAMED = 3
"""Addresses named as examples."""
NEIGHBOUR_CHECKS = 3
"""IPv6 frames to one neighbour that may only check whether it is there (RFC 4861 section 10)."""


def survey(case: Case) -> Iterator[Sighting]:
    untried: list[LinkUp | None] = [one for one in case.linkups if not one.is_tried]
    if not case.linkups and (case.pc is not None or not case.candidates):
        untried = [None]
    if not untried or not _would_show(case.facts):
        return
    spoken = _spoken_ipv6(case.pc) if case.pc is not None else []
    much = any(path.frames > NEIGHBOUR_CHECKS for path in spoken)
    others = case.pc.others if case.pc is not None else []
    here = sorted({address for one in others for address in one.addresses})
    networks = {str(presumed(address)) for address in here}
    for linkup in untried:
        asked = [] if linkup is None else case.facts.index.questions_for[linkup.controller]
        wanted = None if linkup is None or linkup.is_ipv6 else linkup.controller
        far = wanted is not None and str(presumed(wanted)) not in networks
        possible = {OTHER_PC: asked, OVER_IPV6: spoken}
        yield Sighting(
            values={
                "frames": case.facts.coverage.frames,
                "seconds": case.facts.coverage.seconds,
                "hardware": None if case.pc is None else case.pc.hardware,
                "brief": case.facts.coverage.seconds < ENOUGH,
                "any": linkup is None,
                "heard": here[:NAMED] if far else [],
                "askers": sorted({one.asker_ip for one in asked})[:NAMED],
                "neighbours": list(dict.fromkeys(path.dst for path in spoken))[:NAMED],
            },
            frames={
                "asked": sorted(at for one in asked for at in one.asked.moments),
                "ipv6": [path.first for path in spoken],
            },
            linkup=linkup,
            certainty=Certainty.FITS if much else Certainty.SHOWN,
            likeliest=NO_WAY if far and here else OVER_IPV6 if much else NO_TRY,
            ruled_out=[name for name, signs in possible.items() if not signs],
        )


def _spoken_ipv6(pc: Pc) -> list[Path]:
    """IPv6 frames of the PC to single stations, most first."""
    spoken = (one for one in pc.paths if one.kind == Kind.IPV6)
    single = (one for one in spoken if one.dst is not None and not one.dst.is_group)
    return sorted(single, key=lambda path: -path.frames)


def _would_show(facts: Facts) -> bool:
    coverage = facts.coverage
    readable = set(coverage.kinds) != {Kind.UNREADABLE}
    return readable and not 0 < coverage.shortest_cut < HEADERS


RULE = Rule(
    slug="no-attempt",
    stage="recording",
    level=Level.WARNING,
    title="No attempt{fits:if over IPv4} to reach{controller:if {controller}}{any:if a controller} "
    "is in this recording",
    what_happened="The recording holds {frames:count frame}{brief:if in {seconds:seconds}}, and "
    "none from the PC{hardware:if, {hardware},} to{controller:if {controller}}{any:if a "
    "controller}.{brief:if That is brief: an attempt may have come before or after.}{neighbours:if "
    "The PC sends IPv6 frames to {neighbours:list}.}{askers:if Others ask for the hardware address "
    "of {controller}: {askers:list}.}{heard:if No address heard here is in the network of "
    "{controller}: heard were {heard:list}.}",
    means="So the recording cannot tell why connecting did not work.",
    likely_causes={
        NO_TRY: "The program did not try while the recording ran.",
        OTHER_PC: "It was recorded on another PC than the one that connects, which may be "
        "{askers:list}.",
        "other adapter": "The attempt left through another adapter: wireless, a second cable, a "
        "VPN or a virtual machine.",
        NO_WAY: "The PC had no address or no route for the controller, so nothing was sent: "
        "address, mask or gateway of the PC do not fit.",
        "filter": "A filter set in the recorder left the attempt out.",
        "own address": "The controller's own address was entered on the PC, which then talks to "
        "itself.",
        OVER_IPV6: "The program used IPv6, and so another address of the controller: the PC speaks "
        "IPv6 with a neighbour.",
    },
    what_to_do=(
        Step(
            "{askers:if If the PC that connects is {askers:list}, record on that one, or on a port "
            "that mirrors its port.}"
        ),
        Step(
            "{neighbours:if To have it judged, enter the controller's IPv4 address in the program, "
            "and record again.}"
        ),
        Step("Look at the link lamps at both ends of the PC's cable."),
        Step("Compare the address typed in the program with the one on the controller's label."),
        Step(
            "Write address, mask and gateway of the PC and of the controller side by side. Which "
            "adapter of the PC has an address in the controller's network?"
        ),
        Step(
            "Record on that adapter, with no filter set, while somebody presses Connect once.",
            cautions.COMMANDS,
        ),
    ),
    evidence={
        "asked": "another station asks for the hardware address of {controller}{again}",
        "ipv6": "the PC sends IPv6 frames to a neighbour{again}",
    },
    also_fits={
        "dead cable": "A dead cable: many systems send nothing at all without a link.",
        "damaged file": "Where the file is damaged: an attempt in the part that was lost.",
    },
    looks_alike=("A ping, or a single question for the hardware address, is an attempt already.",),
    confirm="Record again while somebody connects, on all adapters if possible. Ping the "
    "controller meanwhile. If a ping shows no frame, it left by another adapter, found no way, or "
    "the PC answered it itself.",
    confirm_caution=cautions.COMMANDS,
    sources=("common practice, no source",),
    needs=frozenset({Need.FRAMES}),
    survey=survey,
)
