"""Facts -> who the PC is, who the controller is, and how far each link-up got.

Every stage is told by its proof: the first frame that shows it working. What broke a stage is for
the rules to say; a stage without proof is not yet a fault.
"""

from analyzer.facts import Facts
from analyzer.linkup.attempt import link_up
from analyzer.linkup.cable import heard_of, hears_others_only
from analyzer.linkup.callers import pairs_of
from analyzer.linkup.controllers import ASKED_ON_PURPOSE, find_targets, is_gateway_number
from analyzer.linkup.datagrams import Elsewhere, are_questions, elsewhere
from analyzer.linkup.model import CALLER, Case, LinkUp, Pc, Proof, Stage, Target, Told, others
from analyzer.linkup.networks import (
    PRESUMED_MASK,
    KnownFrom,
    Network,
    is_loopback,
    is_self_assigned,
    presumed,
)
from analyzer.linkup.owners import (
    HOPS,
    Intruder,
    answers_for_many,
    checks,
    disputes,
    heard_on_cable,
    intruder,
    needs_no_router,
    renumbered,
    senders,
    uses,
    withdrawn,
)
from analyzer.linkup.pc import find_pc
from analyzer.linkup.proofs import PC_ANSWERS, USES_ADDRESS
from analyzer.linkup.silences import BEGAN_LATE, LISTENED, LOST, REPEATED, Silence, silence_of
from analyzer.linkup.spans import NEVER, Span, Spans
from analyzer.linkup.tries import (
    AT_ONCE,
    BEGINNING,
    ENDINGS,
    LONG_IDLE,
    PATIENCE,
    REPEATS,
    RIGHT_AFTER,
    SOON,
    START_TAKES,
    Call,
    Calls,
    How,
    Tries,
    Try,
    What,
    between,
    first_after,
    in_rows,
    last_until,
)

__all__ = [
    "ASKED_ON_PURPOSE",
    "AT_ONCE",
    "BEGAN_LATE",
    "BEGINNING",
    "CALLER",
    "ENDINGS",
    "HOPS",
    "LISTENED",
    "LONG_IDLE",
    "LOST",
    "NEVER",
    "PATIENCE",
    "PC_ANSWERS",
    "PRESUMED_MASK",
    "REPEATED",
    "REPEATS",
    "RIGHT_AFTER",
    "SOON",
    "START_TAKES",
    "USES_ADDRESS",
    "Call",
    "Calls",
    "Case",
    "Elsewhere",
    "How",
    "Intruder",
    "KnownFrom",
    "LinkUp",
    "Network",
    "Pc",
    "Proof",
    "Silence",
    "Span",
    "Spans",
    "Stage",
    "Target",
    "Told",
    "Tries",
    "Try",
    "What",
    "answers_for_many",
    "are_questions",
    "between",
    "checks",
    "disputes",
    "elsewhere",
    "find_pc",
    "find_targets",
    "first_after",
    "heard_of",
    "heard_on_cable",
    "hears_others_only",
    "in_rows",
    "intruder",
    "is_gateway_number",
    "is_loopback",
    "is_self_assigned",
    "last_until",
    "needs_no_router",
    "others",
    "presumed",
    "renumbered",
    "senders",
    "silence_of",
    "uses",
    "withdrawn",
    "work_out",
]


MOST_LINKUPS = 10_000
"""Link-ups that are judged, the first that were tried; more are named as others. Nobody reads so
many, and a recording of a link-up holds a handful."""


def work_out(facts: Facts, told: Told) -> Case:
    """Who tried to reach whom, and how far it got."""
    pc, candidates = find_pc(facts, told)
    if pc is None:
        found = pairs_of(facts, told)
        pairs = found[:MOST_LINKUPS]
        pcs = list({id(one): one for one, _ in pairs}.values())
        linkups = [link_up(one, target) for one, target in pairs]
        for linkup in linkups:
            linkup.alone = len(linkups) == 1
        rest = [target.address for _, target in found[MOST_LINKUPS:]]
        return Case(facts, pcs, candidates, linkups, rest)
    targets, trials = find_targets(pc, told)
    linkups = [link_up(pc.facing(one.address), one) for one in targets[:MOST_LINKUPS]]
    for linkup in linkups:
        linkup.alone = len(linkups) == 1
    addresses = [target.address for target in targets[MOST_LINKUPS:]]
    addresses += [trial.address for trial in trials]
    unanswered = [one.address for one in trials if one.unanswered >= ASKED_ON_PURPOSE]
    return Case(facts, [pc], candidates, linkups, addresses, unanswered)
