"""Facts -> who the PC is, who the controller is, and how far each link-up got.

Every stage is told by its proof: the first frame that shows it working. What broke a stage is for
the rules to say; a stage without proof is not yet a fault.
"""

from analyzer.facts import Facts
from analyzer.linkup.attempt import link_up
from analyzer.linkup.cable import (
    everything_tried,
    forwarded,
    heard_of,
    hears_others_only,
    is_of_the_pc,
    let_through,
    others,
    searches,
)
from analyzer.linkup.controllers import ASKED_ON_PURPOSE, find_targets, is_gateway_number
from analyzer.linkup.datagrams import Elsewhere, elsewhere
from analyzer.linkup.model import (
    LISTEN_AFTER,
    LISTEN_BEFORE,
    LISTEN_LONG,
    Case,
    LinkUp,
    Pc,
    Proof,
    Stage,
    Target,
    Told,
    is_loopback,
    is_self_assigned,
    network,
    presumed_mask,
    silence,
)
from analyzer.linkup.owners import (
    answers_for_many,
    checks,
    disputes,
    heard_on_cable,
    renumbered,
    senders,
    uses,
    withdrawn,
)
from analyzer.linkup.pc import find_pc
from analyzer.linkup.proofs import PC_ANSWERS
from analyzer.linkup.tries import Try, TryEnd, tries_of
from analyzer.linkup.wanted import LONG_IDLE, RIGHT_AFTER, Ending, endings

__all__ = [
    "ASKED_ON_PURPOSE",
    "LISTEN_AFTER",
    "LISTEN_BEFORE",
    "LISTEN_LONG",
    "LONG_IDLE",
    "PC_ANSWERS",
    "PRESUMED_MASK",
    "RIGHT_AFTER",
    "Case",
    "Elsewhere",
    "Ending",
    "LinkUp",
    "Pc",
    "Proof",
    "Stage",
    "Target",
    "Told",
    "Try",
    "TryEnd",
    "answers_for_many",
    "checks",
    "disputes",
    "elsewhere",
    "endings",
    "everything_tried",
    "find_pc",
    "find_targets",
    "forwarded",
    "heard_of",
    "heard_on_cable",
    "hears_others_only",
    "is_gateway_number",
    "is_loopback",
    "is_of_the_pc",
    "is_self_assigned",
    "let_through",
    "network",
    "others",
    "presumed_mask",
    "renumbered",
    "searches",
    "senders",
    "silence",
    "tries_of",
    "uses",
    "withdrawn",
    "work_out",
]


def work_out(facts: Facts, told: Told) -> Case:
    """Who tried to reach whom, and how far it got."""
    pc, candidates = find_pc(facts, told)
    if pc is None:
        return Case(facts, None, candidates, [])
    targets, others = find_targets(facts, pc, told)
    linkups = [link_up(facts, pc, target, told.site) for target in targets]
    addresses = [trial.address for trial in others]
    unanswered = [one.address for one in others if one.unanswered >= ASKED_ON_PURPOSE]
    return Case(facts, pc, candidates, linkups, addresses, unanswered)
