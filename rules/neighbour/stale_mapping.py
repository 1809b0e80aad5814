"""Packets go to a hardware address that is not the receiver's any more.

Those of the PC: shown where another device claims the controller's address and the PC still sends
to the old one afterwards, in vain; and where the site sheet tells the hardware address on the
controller's label, and the PC sends to another one that nobody claimed in this recording. It fits
where a device that has no other address sends anything as the controller, such as a greeting to
all, and nobody in the recording has the old one: a controller that answers no ARP never claims.
What a router hands on carries the router's hardware address, and its time to live is not fresh:
that shows no owner. It fits, too, where the PC was plugged in during the recording, never asked for
the hardware address of a controller in its own network, and nothing comes back: then its entry was
typed by hand. Quiet where packets come back, where both are one machine, where the PC sends to the
one on the label, where the old address is a router's or a virtual router's, where the claim is made
for others, and where a cached entry could explain the missing question.

Those of the controller: shown where it sends packets for the PC to a hardware address that nobody
in the recording has, and none to the PC's own afterwards. A switch floods such packets, so the PC
records them and drops them. Quiet where somebody sends from that hardware address.
"""

from collections.abc import Iterator

from analyzer.facts import Hardware, Moment, Path
from analyzer.facts.paths import FRESH
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import How, LinkUp
from rules import cautions

SWAP = 1.0
"""Seconds in which nobody swaps a unit: two claims closer than this are two devices."""
REPLACED, TYPED, CHANGED, PC_REPLACED = "replaced", "typed", "changed", "pc replaced"
"""Names of these causes in the rule."""
CONTROLLER_OFF, SECOND_ADAPTER, SHARED = "controller off", "second adapter", "shared"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    for path in linkup.facts.index.packets_to[linkup.controller]:
        if path.src == linkup.pc.hardware:
            yield from _of_the_pc(linkup, path)
    yield from _of_the_controller(linkup)


def _of_the_pc(linkup: LinkUp, path: Path) -> Iterator[Sighting]:
    old, heard = path.dst, linkup.last_heard
    if old is None or old.is_virtual_router or old in (linkup.router, linkup.labelled):
        return
    claim = _claim_of_another(linkup, old, path.last)
    unlike_label = claim is None and _is_unlike_label(linkup, old)
    used, user = (None, None) if claim else _use_by_another(linkup, old, path.last)
    if not (claim or used or unlike_label or _typed_by_hand(linkup, path)):
        return
    since = claim or used or path.first
    vain = [at for at in linkup.in_vain if since <= at <= path.last]
    if not vain or linkup.is_heard_after(since):
        return
    yield Sighting(
        values={
            "receiver": linkup.controller,
            "pc_sends": True,
            "controller_sends": False,
            "old": old,
            "own": linkup.pc.hardware,
            "frames": path.frames,
            "tries": sum(one.calls for one in linkup.calls.after(since) if one.how is How.IGNORED),
            "silent": linkup.facts.coverage.seconds - (heard or path.first).seconds,
            "new": user or linkup.hardware,
            "claimed": claim is not None or used is not None,
        },
        frames={
            "claim": [claim] if claim else [],
            "used": [used] if used else [],
            "heard": [heard] if heard else [],
            "sent": [vain[0], path.last],
        },
        certainty=Certainty.SHOWN if claim or unlike_label else Certainty.FITS,
        silence=linkup.silence(vain),
        ruled_out=[
            PC_REPLACED,
            SECOND_ADAPTER,
            *([CONTROLLER_OFF] if claim or used else []),
            *([] if used else [SHARED]),
        ],
    )


def _claim_of_another(linkup: LinkUp, old: Hardware, last_sent: Moment) -> Moment | None:
    """When another device last took the address, with frames to the old one still to come."""
    runs, station = linkup.claims.runs, linkup.facts.station(old)
    if not runs or runs[-1].hardware == old or runs[-1].hardware not in linkup.owners:
        return None
    taken = runs[-1].first
    both = any(taken.seconds - run.last.seconds < SWAP for run in linkup.claims.by(old))
    lives = station is not None and station.last > taken
    return None if both or lives or taken > last_sent else taken


def _use_by_another(
    linkup: LinkUp, old: Hardware, last_sent: Moment
) -> tuple[Moment, Hardware] | tuple[None, None]:
    """The first frame of the one device that sends as the controller, and who that is, where nobody
    has the old hardware address.
    """
    facts = linkup.facts
    own = [
        (path.first, path.src)
        for path in facts.index.packets_from[linkup.controller]
        if path.src not in (None, linkup.pc.hardware)
        and path.ttls[1] in FRESH
        and facts.has_only(path.src, linkup.controller)
    ]
    alone = len({src for _, src in own}) == 1 and facts.station(old) is None
    first, user = min(own) if alone else (None, None)
    if first is None or user is None or first > last_sent:
        return None, None
    return first, user


def _is_unlike_label(linkup: LinkUp, old: Hardware) -> bool:
    """Whether the PC sends to one that is not on the label, and that nobody claimed."""
    unclaimed = old not in linkup.claims.counts
    return linkup.labelled is not None and unclaimed and linkup.same_network


def _typed_by_hand(linkup: LinkUp, path: Path) -> bool:
    """Whether the PC was plugged in before, never asked, and hears nothing of the controller."""
    never_asked = linkup.same_network and not linkup.questions
    plugged_in = bool(linkup.pc.checks) and linkup.pc.checks[0] < path.first
    unknown = linkup.facts.station(path.dst) is None
    return never_asked and unknown and plugged_in


def _of_the_controller(linkup: LinkUp) -> Iterator[Sighting]:
    own, facts = linkup.pc.hardware, linkup.facts
    if linkup.is_inside:
        return
    back = [
        path
        for path in facts.index.packets_from[linkup.controller]
        if path.dst_ip in linkup.pc.addresses and path.dst is not None
    ]
    astray = [one for one in back if one.dst != own and facts.station(one.dst) is None]
    right = max((one.last for one in back if one.dst == own), default=None)
    if own is None or not astray or (right is not None and right > astray[0].first):
        return
    path = astray[0]
    yield Sighting(
        values={
            "receiver": path.dst_ip,
            "pc_sends": False,
            "controller_sends": True,
            "old": path.dst,
            "own": own,
            "frames": path.frames,
            "tries": 0,
            "silent": facts.coverage.seconds - (right or path.first).seconds,
            "new": None,
            "claimed": False,
            "label": None,
        },
        frames={"astray": [path.first, path.last]},
        likeliest=PC_REPLACED,
        ruled_out=[REPLACED, TYPED, CHANGED, CONTROLLER_OFF, SHARED],
    )


RULE = Rule(
    slug="stale-mapping",
    stage="neighbour",
    title="Packets for {receiver}{fits:if likely} go to {old}, not to its own hardware address",
    what_happened="{pc_sends:if The PC sends to {old} what is for {controller}}{claimed:if, though "
    "{new} has that address now}{pc_sends:if, and for the last {silent:seconds} nothing came "
    "back.}{tries:if {tries:count try} to call it got no answer.}{controller_sends:if {controller} "
    "sends {frames:count packet} for the PC {receiver} to the hardware address {old}, which is not "
    "the PC's own, {own}.}{label:label}",
    means="The sender still uses an entry of its neighbour table (ARP table) that does not fit any "
    "more. The packets reach nobody, or the device that had the address before.",
    likely_causes={
        REPLACED: "The controller or its network module was replaced and kept its address.",
        TYPED: "A neighbour entry was typed on the PC by hand, for another unit or with a slip.",
        CHANGED: "The controller's answer changed while the PC still held the old entry.",
        PC_REPLACED: (
            "The PC, its adapter or its dock was replaced and kept the address. The controller "
            "still has the hardware address of the one before."
        ),
    },
    what_to_do=(
        Step(
            "{pc_sends:if Compare {old} with the hardware address on the controller's label.}"
            "{claimed:if Do the same with {new}, which has the address now.}"
        ),
        Step(
            "{pc_sends:if Show the PC's neighbour table (ARP table) and look for the entry of "
            "{controller}.}"
        ),
        Step(
            "{pc_sends:if Delete that entry on the PC, then try again.}",
            cautions.COMMANDS,
        ),
        Step(
            "{pc_sends:if If the maker's manual asks for an entry by hand, enter {controller} with "
            "the hardware address on its label in the PC's neighbour table.}",
            cautions.FIXED_ENTRY,
        ),
        Step(
            "{pc_sends:if Have the entry renewed on panels and other controllers too: they keep "
            "tables of their own.}",
            cautions.MACHINE,
        ),
        Step(
            "{controller_sends:if Delete the controller's entry on the PC, or plug the PC in "
            "again, "
            "so that the PC asks for it. The controller has to take the PC's pair from that "
            "question; if it does not, its entry is fixed.}",
            cautions.LINK_DROPS,
        ),
        Step(
            "{controller_sends:if Wait some minutes and try again: many controllers forget then.}",
            cautions.COMMANDS,
        ),
        Step(
            "{controller_sends:if Give the PC another free address of the network, and try again. "
            "The controller has no old entry for that one.}",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "{controller_sends:if If the old address must stay: have the controller's network link "
            "renewed, or the controller restarted.}",
            cautions.RESTART,
        ),
    ),
    evidence={
        "claim": "{new} says that it has {controller}",
        "used": "{new} sends as {controller}",
        "heard": "the last packet that comes from {controller}",
        "sent": "the PC sends a packet for {controller} to {old}, in vain{again}",
        "astray": "{controller} sends a packet for {receiver} to {old}{again}",
    },
    cautions=(
        cautions.warning(
            "Send no commands until it is clear which device gets the packets.",
        ),
    ),
    also_fits={
        CONTROLLER_OFF: "A controller that is off, which the PC has not noticed yet.",
        SECOND_ADAPTER: (
            "A second adapter of the PC that has this hardware address and the same network."
        ),
        SHARED: "A redundant pair that takes packets at a shared hardware address, and whose "
        "service is silent.",
    },
    looks_alike=(
        "A neighbour entry from before the recording that still works: no ARP is needed then.",
        "The shared hardware address of a redundant pair, which differs from the answering one.",
        "A router's hardware address, where the controller is in another network.",
    ),
    confirm="{pc_sends:if Compare the PC's entry with the controller's label: if they differ, it "
    "is the entry.}{controller_sends:if If the controller answers at once at the PC's new "
    "address, it was the entry.}",
    sources=("RFC 826 (packet reception)", "RFC 1122 section 2.3.2.1"),
    needs=frozenset({Need.LINKUP, Need.IPV4, Need.HARDWARE}),
    find=find,
)
