"""Only the PC's own frames are in the recording: nothing came in at all.

Quiet where any frame of another station was recorded; where the PC tried to reach nobody, since a
quiet device on a direct cable is normal; and where PC and controller are in different networks or
the PC has a self-assigned address, since that alone explains the silence.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Case, Stage
from rules import cautions


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        if Stage.LINK in linkup.proofs or not linkup.attempts:
            continue
        if linkup.self_assigned or not linkup.same_network:
            continue
        yield Sighting(
            values={
                "controller": linkup.controller,
                "frames": case.facts.coverage.frames,
                "span": case.facts.coverage.seconds,
            },
            frames={"tried": linkup.attempts},
            linkup=linkup,
            certainty=Certainty.FITS,
            silent_since=linkup.attempts[-1],
        )


RULE = Rule(
    slug="nothing-heard",
    stage="link",
    title="The PC heard nothing at all on this adapter",
    what_happened="In {span:seconds} the recording holds {frames:count frame}, all sent by the PC. "
    "Nothing came back from {controller} or from any other station.",
    means="The PC's frames may not have reached the cable, or nothing reaches the PC. A recording "
    "made on the PC cannot see the cable itself.",
    likely_causes=(
        "The controller or the switch has no power, or the cable is not plugged in fully.",
        "The cable is in another socket of the same shape, or in another adapter of the PC.",
        "One pair of the cable is broken, so that frames go one way only.",
        "The switch keeps the port closed, or has it in another VLAN.",
    ),
    what_to_do=(
        Step("Look at the link lamps at both ends of the cable while the controller has power."),
        Step("Try another cable that is known to work."),
        Step("Try another free switch port, or a small switch between the PC and the controller."),
        Step(
            "Plug a device that is known to work into the same cable.", cautions.UNPLUG
        ),
        Step("Record again for 60 s, beginning before the cable is plugged into the PC."),
    ),
    evidence={"tried": "the PC tries to reach {controller}{nth}"},
    cautions=("Do not unplug a live fieldbus connector to try it: drives may drop out.",),
    also_fits=(
        "A direct cable to a controller that uses another address and has nothing to say.",
        "A switch port that is still in its start-up delay: it opens after 30 to 50 s.",
    ),
    looks_alike=(
        "A PC that calls nobody on a direct cable to a quiet device: silence is normal there.",
        "A PC in another network, or with a self-assigned address, hears nothing for that reason.",
    ),
    confirm="Try the same cable and port with another PC: if that one hears nothing either, it is "
    "the cable, the port or the controller.",
    sources=("common practice, no source",),
    find=find,
)
