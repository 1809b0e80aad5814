"""Only the PC's own frames are recorded while it tries: nothing came in at all.

Quiet where a frame of another station came since the PC began to try, and where others were heard
up to 30 s ago; where the PC tried to reach nobody, since a quiet device on a direct cable is
normal; where the PC's own frames show that it was answered; where the recording looks filtered;
and where PC and controller are in different networks or the PC has a self-assigned address, since
that alone explains the silence.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import Case, silence_of
from rules import cautions

LONG = 30.0
"""Seconds of silence that tell even where others were heard before (common practice, no source)."""


def survey(case: Case) -> Iterator[Sighting]:
    tried = [one for one in case.linkups if one.attempts and one.in_reach and not one.is_inside]
    if not tried or case.facts.looks_filtered:
        return
    attempts = sorted(moment for one in tried for moment in one.tried)
    heard = max((station.last for station in tried[0].pc.others), default=None)
    span = case.facts.coverage.seconds - (heard.seconds if heard else 0.0)
    if heard and (attempts[0] < heard or span < LONG):
        return
    yield Sighting(
        values={"controllers": [one.controller for one in tried], "span": span},
        frames={
            "heard": [heard],
            "tried": sorted(moment for one in tried for moment in one.attempts),
        },
        linkup=tried[0] if len(case.linkups) == 1 else None,
        certainty=Certainty.FITS,
        silence=silence_of(
            case.facts,
            attempts,
            tries=sum(one.times for one in tried),
            deaf=any(one.is_one_sided for one in tried),
        ),
    )


RULE = Rule(
    slug="nothing-heard",
    stage="link",
    title="The PC heard nothing at all on this adapter",
    what_happened="For {span:seconds}, to the end of the recording, it holds the PC's own frames "
    "only: nothing came in from {controllers:list} or from any other station.",
    means="The PC's frames may not have reached the cable, or nothing reaches the PC. A recording "
    "made on the PC cannot see the cable itself.",
    likely_causes={
        "no power": "The controller, or a switch on the way to it, has no power or is not plugged "
        "in. The PC's own adapter normally has a link where it sends.",
        "wrong socket": "The cable is in another socket of the same shape, or in another adapter "
        "of the PC.",
        "broken pair": "A converter or an adapter passes frames one way only. A broken pair alone "
        "gives no link, or a lower speed.",
        "closed port": "The switch keeps the port closed, or has it in another VLAN.",
    },
    what_to_do=(
        Step("Look at the link lamps at both ends of the cable while the controller has power."),
        Step(
            "Try another cable between the PC and its socket, one that is known to work.",
            cautions.LINK_DROPS,
        ),
        Step(
            "Behind a switch, ask whoever is responsible for the network for the state and the "
            "VLAN of the PC's port."
        ),
        Step(
            "Try another free switch port, or a small switch between the PC and the controller.",
            cautions.UNPLUG,
        ),
        Step("Plug a device that is known to work into the controller's cable.", cautions.UNPLUG),
        Step(
            "Record again for 60 s, beginning before the cable is plugged into the PC.",
            cautions.LINK_DROPS,
        ),
    ),
    evidence={
        "heard": "the last frame of another station",
        "tried": "the PC asks or calls{again}, and nothing comes in",
    },
    cautions=(
        cautions.warning(
            "Do not unplug a live fieldbus connector to try it: drives may drop out.",
        ),
    ),
    also_fits={
        "quiet controller": "A direct cable to a controller that uses another address and has "
        "nothing to say.",
        "start-up delay": "A switch port that is still in its start-up delay: it opens after 30 to "
        "50 s.",
    },
    looks_alike=(
        "A PC that calls nobody on a direct cable to a quiet device: silence is normal there.",
        "A PC in another network, or with a self-assigned address, hears nothing for that reason.",
        "A recording that holds one direction only: the PC's own frames confirm the answers.",
    ),
    confirm="Try the same cable and port with another PC: if that one hears nothing either, it is "
    "the cable, the port or the controller.",
    confirm_caution=cautions.LINK_DROPS,
    sources=("common practice, no source", "IEEE 802.3 clause 28 (from memory)"),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    survey=survey,
)
