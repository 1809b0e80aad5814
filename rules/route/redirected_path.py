"""Packets to the controller and packets from it take different ways.

A router tells the PC of a better way (ICMP redirect), or the PC hands its packets to a router while
the controller answers directly, or the other way round. A note where the link-up works, a warning
where it does not, and a fault where a session over two ways dies within a few answers: a device
that watches sessions sees one half of it. Quiet about virtual routers, which answer from another
hardware address by design, about two routers without a message, and about others' redirects.
"""

from collections.abc import Iterator

from analyzer.facts import Hardware, Moment, Path
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Call, LinkUp
from rules import cautions

FEW = 3
"""Answers within which a device on one way of two drops a session (common practice, no source)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    redirects = [one for one in linkup.errors if one.is_redirect]
    back = _other_way_back(linkup)
    if not redirects and not back:
        return
    opened = linkup.on_port.opened if back else ()
    last = opened[-1:]
    died = [at for one in last if one.answers <= FEW for at in _end(one)]
    dead = [one for one in opened if died and one.answers <= FEW and _end(one)]
    reset, answers = any(one.broken for one in last), sum(one.answers for one in dead)
    level = Level.NOTE if linkup.works else Level.WARNING
    yield Sighting(
        values={
            "out": sorted(linkup.sent_to),
            "back": sorted({path.src for path in back if path.src is not None}),
            "returned": sum(path.frames for path in back),
            "dead": len(dead) if answers else 0,
            "mute": 0 if answers else len(dead),
            "answers": answers,
            "redirects": len(redirects),
            "router": redirects[0].sender if redirects else None,
            "better": redirects[0].router if redirects else None,
        },
        frames={
            "redirect": [one.moment for one in redirects],
            "back": [path.first for path in back],
            "died": died[:1],
        },
        certainty=Certainty.FITS if died else Certainty.SHOWN,
        level=Level.FAULT if died else level,
        silence=None if reset else linkup.silence(died),
    )


def _other_way_back(linkup: LinkUp) -> list[Path]:
    """The controller's packets that came directly while the PC's went to a router, or the other
    way round.
    """
    out = linkup.sent_to
    if not out or any(one.is_virtual_router for one in out):
        return []
    sent_directly = {_is_controller(linkup, one) for one in out}
    return [
        path
        for path in linkup.packets_back
        if path.src is not None and sent_directly == {not _is_controller(linkup, path.src)}
    ]


def _is_controller(linkup: LinkUp, hardware: Hardware) -> bool:
    """Whether a hardware address is the controller's own, rather than a router's: it claims the
    controller's address, or uses no other one in the PC's own network.
    """
    addresses = linkup.facts.addresses_of(hardware)
    if addresses - {linkup.controller}:
        return False
    return hardware in linkup.claims.counts or (bool(addresses) and linkup.is_near)


def _end(call: Call) -> list[Moment]:
    """How it died: by a reset, or at a request that the PC repeated in vain."""
    if call.broken and call.end is not None:
        return [call.end.moment]
    return call.unanswered if call.hangs else []


RULE = Rule(
    slug="redirected-path",
    stage="route",
    title="Packets to {controller} and from it take different ways",
    what_happened="{out:if Packets for {controller} go to {out:list}.}{returned:if "
    "{returned:count packet} came back from {back:list}.}"
    "{dead:if {dead:count session} died, with {answers:count answer} in all.}"
    "{mute:if {mute:count session} died, with no answer.}"
    "{redirects:if {router} named {better} as the better way "
    "to {controller} {redirects:times}.}",
    means="Plain routers do not mind two ways. A firewall or another device that watches sessions "
    "sees one half only, and then drops the session.",
    likely_causes={
        "masks": "The masks of the PC and of the controller differ: one of them "
        "takes the other for a "
        "neighbour, the other one asks a router.",
        "two routers": "The network has two routers, and the PC's gateway is not the one "
        "nearest to the "
        "controller.",
        "both networks": "The PC is connected to both networks at once.",
    },
    what_to_do=(
        Step("Write address, mask and gateway of the PC and of the controller side by side."),
        Step("Look whether the PC has a second adapter in the controller's network."),
        Step(
            "Have the masks made the same on both, and one gateway entered.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "Give whoever looks after the network the frames of this report. Ask whether a device "
            "on the way watches sessions."
        ),
    ),
    evidence={
        "redirect": "the router {router} names {better} as the better way to {controller}{again}",
        "back": "a packet of {controller} comes from another hardware address than the PC sends to",
        "died": "the session dies here",
    },
    also_fits={
        "own reason": "Where a session died: a controller that drops it for a reason of its own.",
        "second device": "A second device with the controller's address.",
    },
    looks_alike=(
        "A router's message about the way of another program.",
        "Redundant routers: they answer from another hardware address than the shared one.",
        "Two routers for one network, one for each direction, where everything works.",
        "A controller with two network ports.",
    ),
    confirm="Connect the PC to the controller's own switch, with an address and mask of that "
    "network: there is one way only then.",
    confirm_caution=cautions.ADDRESS_CHANGE,
    explains=(
        "session-reset",
        "request-unanswered",
        "path-lost",
        "session-closed",
    ),
    sources=(
        "RFC 792 (type 5) and RFC 1122 section 3.2.2.2",
        "RFC 9568 section 7.3 (virtual routers)",
    ),
    needs=frozenset({Need.LINKUP, Need.IPV4}),
    find=find,
)
