"""The PC calls the controller from an address that it gave itself (169.254.x.x).

Quiet where the controller has such an address too, where the controller answers all the same, where
only another station has such an address, and where the PC wanted another address and a station
claimed that one: then this is only the consequence. Judged by the sender of the frames for the
controller: a PC can have a self-assigned address beside a good one.
"""

from collections.abc import Iterator

from analyzer.facts import Facts
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Case, Pc, is_self_assigned, searches, silence
from rules import cautions


def find(case: Case) -> Iterator[Sighting]:
    if case.pc is None or _was_taken(case.facts, case.pc):
        return
    searched = searches(case)
    for linkup in case.linkups:
        if linkup.self_assigned and not linkup.is_heard:
            yield Sighting(
                values={"pc": linkup.pc_address, "searches": len(searched)},
                frames={"search": searched, "tried": linkup.attempts},
                linkup=linkup,
            )
    if not case.linkups and searched and case.pc.addresses and _is_alone(case):
        yield Sighting(
            values={"pc": case.pc.addresses[0], "searches": len(searched)},
            frames={"search": searched, "tried": []},
            certainty=Certainty.FITS,
            silence=silence(searched, case.facts),
        )


def _was_taken(facts: Facts, pc: Pc) -> bool:
    """Whether another station claims an address that the PC checked in order to use it."""
    wanted = (address for hardware, address in facts.arp.probes if hardware == pc.hardware)
    claims = (facts.arp.claims.get(one) for one in wanted if not is_self_assigned(one))
    return any(set(one.counts) - {pc.hardware} for one in claims if one is not None)


def _is_alone(case: Case) -> bool:
    """Whether only the PC has self-assigned addresses, and no other."""
    assert case.pc is not None
    others = [one for one in case.facts.stations if one.hardware != case.pc.hardware]
    return all(is_self_assigned(address) for address in case.pc.addresses) and not any(
        is_self_assigned(address) for station in others for address in station.addresses
    )


RULE = Rule(
    slug="self-assigned-address",
    stage="address",
    title="The PC has only an address that it gave itself ({pc})",
    what_happened="The PC uses {pc}, and no address server gave it one."
    "{searches:if It searched for a server {searches:times}.}",
    means="A PC that is set to get its address automatically, and gets none, takes one that begins "
    "with 169.254. A controller with a fixed address is not in that network.",
    likely_causes={
        "adapter-set-get": "The adapter is set to get its address automatically, and no server is on this network.",
        "fixed-address-entered": "A fixed address was entered, but on another adapter of the PC.",
        "fixed-address-entered-2": "A fixed address was entered and not taken, as another device has it already.",
    },
    what_to_do=(
        Step("Look at the address settings of this adapter on the PC."),
        Step(
            "Give the PC a fixed address in the controller's network that no other device has, "
            "with the same mask, and without a gateway unless one is needed.",
            cautions.ADDRESS_CHANGE,
        ),
        Step("Wait 10 s, then try again and record it.", cautions.COMMANDS),
    ),
    evidence={
        "search": "the PC looks for an address server{again}",
        "tried": "the PC, as {pc}, tries to reach the controller{again}",
    },
    also_fits={
        "address-server-only": "An address server that is only slow: the PC would then change its address later.",
        "nothing-all-heard": "Where nothing at all is heard: a dead cable, which keeps an address server away too.",
    },
    looks_alike=(
        "Both ends with self-assigned addresses on a direct cable: a legal, working set-up.",
        "A PC that shows a self-assigned address and calls the controller from a fixed one.",
        "Another station with a self-assigned address.",
    ),
    confirm="Compare the adapter's address on the PC with the controller's address and mask.",
    sources=("RFC 3927 sections 1.9, 2.1 and 2.7", "RFC 2131 section 4.1"),
    needs=frozenset(),
    survey=find,
)
