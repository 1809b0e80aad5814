"""The PC calls the controller from an address that it gave itself (169.254.x.x).

Quiet where the controller has such an address too, where the controller answers all the same, where
only another station has such an address, and where the PC wanted another address and a station
claimed that one: then this is only the consequence. Judged by the sender of the frames for the
controller: a PC can have a self-assigned address beside a good one.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Case, Pc, is_self_assigned, silence_of
from rules import cautions


def survey(case: Case) -> Iterator[Sighting]:
    pc = case.pc
    if pc is None or _was_taken(pc):
        return
    for linkup in case.linkups:
        if linkup.self_assigned and not linkup.is_heard:
            yield Sighting(
                values={"searches": len(pc.searches), "unasked": not pc.searches},
                frames={"search": pc.searches, "tried": linkup.attempts},
                linkup=linkup,
            )
    if not case.linkups and pc.searches and pc.addresses and _is_alone(pc):
        yield Sighting(
            values={"pc": pc.addresses[0], "searches": len(pc.searches), "unasked": False},
            frames={"search": pc.searches, "tried": []},
            certainty=Certainty.FITS,
            silence=silence_of(case.facts, pc.searches),
        )


def _was_taken(pc: Pc) -> bool:
    """Whether another station claims an address that the PC checked in order to use it."""
    wanted = (one for one in pc.checked if not is_self_assigned(one))
    return any(set(pc.facts.claims(one).counts) - {pc.hardware} for one in wanted)


def _is_alone(pc: Pc) -> bool:
    """Whether only the PC has self-assigned addresses, and no other."""
    return all(map(is_self_assigned, pc.addresses)) and not pc.strayed


RULE = Rule(
    slug="self-assigned-address",
    stage="address",
    title="The PC's only address is {pc}, which it gave itself",
    what_happened="{searches:if The PC looked for an address server {searches:times}, and none "
    "gave it an address.}{unasked:if No address server gave the PC an address.} It uses {pc} "
    "instead.",
    means="Many PCs that are set to get an address automatically, and get none, take one that "
    "begins with 169.254. A controller with a fixed address is not in that network.",
    likely_causes={
        "no address server": (
            "The adapter is set to get its address automatically, and no server is on this network."
        ),
        "other adapter": "A fixed address was entered, but on another adapter of the PC.",
        "address taken": (
            "A fixed address was entered and not taken, as another device has it already."
        ),
    },
    what_to_do=(
        Step("Look at the address settings of this adapter on the PC."),
        Step(
            "Ask whoever looks after the network for a free address in the controller's network. "
            "Give it to the PC with the same mask, and without a gateway unless one is needed.",
            cautions.ADDRESS_CHANGE,
        ),
        Step("Wait 10 s, then try again and record it.", cautions.COMMANDS),
    ),
    evidence={
        "search": "the PC looks for an address server{again}",
        "tried": "the PC, as {pc}, tries to reach the controller{again}",
    },
    also_fits={
        "slow server": (
            "An address server that is only slow: the PC would then change its address later."
        ),
        "dead cable": (
            "Where nothing at all is heard: a dead cable, which keeps an address server away too."
        ),
    },
    looks_alike=(
        "Both ends with self-assigned addresses on a direct cable: a legal, working set-up.",
        "A PC that shows a self-assigned address and calls the controller from a fixed one.",
        "Another station with a self-assigned address.",
    ),
    confirm="Compare the adapter's address on the PC with the controller's address and mask.",
    sources=("RFC 3927 sections 1.9, 2.1 and 2.7", "RFC 2131 section 4.1"),
    needs=frozenset(),
    survey=survey,
)
