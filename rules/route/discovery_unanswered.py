"""The PC's search for controllers finds nothing, although one can be reached by its address.

A search is a few datagrams of the PC to everybody or to a group, on a registered industrial port or
one that the PC uses with its controller. A note where nobody answers and a session with the
controller works. A warning where answers are recorded, the PC searches again and again, and never
turns to anybody who answered: then the answers do not reach the program. Quiet about the searches
of office software, about streams, where an answer is followed up, and where nothing works at all.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Address, Exchange, Moment
from analyzer.facts.index import by
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS
from analyzer.facts.udp import Socket
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, Pc, Stage
from rules import cautions

AGAIN_AND_AGAIN = 3
"""Searches after which a program that gets answers would use one (common practice, no source)."""
STREAM = 10
"""Datagrams from which on more than one a second is a stream, no search."""
FIRST_GROUP, LAST_ADDRESS = Address.parse("224.0.0.0"), Address.parse("255.255.255.255")
"""Groups (RFC 1112 4), the limited broadcast at their end (RFC 919 7)."""
NO_PART, ROUTER, ADAPTER, FIREWALL = "no part", "router", "adapter", "firewall"
"""Names of these causes in the rule."""
CHOICE, NOT_HERE = "nobody chose", "not on this cable"
"""Names of these in what would look the same."""


def survey(case: Case) -> Iterator[Sighting]:
    if case.pc is None:
        return
    meant = INDUSTRIAL_PORTS.keys() | {one.target.port for one in case.linkups}
    sent = (one for one in case.pc.exchanges if one.server[1] in meant - OFFICE_PORTS)
    searches = by((one for one in sent if _is_search(one, case.pc)), lambda one: one.server[1])
    for _, found in sorted(searches.items()):
        answers = _answers(found, case.pc)
        yield from _missed(case, case.pc, found, answers) if answers else _nothing(case, found)


def _is_search(one: Exchange, pc: Pc) -> bool:
    """Whether it goes to everybody or to a group, and is no stream."""
    directed = pc.station is not None and one.server[0] in pc.station.broadcast_to
    if not directed and not FIRST_GROUP <= one.server[0] <= LAST_ADDRESS:
        return False
    count = one.asked.count
    return count < STREAM or one.last.seconds - one.first.seconds > count


def _answers(searches: Sequence[Exchange], pc: Pc) -> list[Exchange]:
    """Datagrams to a socket that searched, or back to everybody on the same port, later."""
    since: dict[Socket, Moment] = {}
    for one in sorted(searches, key=lambda one: one.first):
        since.setdefault(one.client, one.first)
        since.setdefault(one.server, one.first)
    back = (one for socket in since for one in pc.facts.index.exchanges_with[socket])
    others = (one for one in back if one.client[0] not in pc.addresses)
    return [one for one in others if one.first > since[one.server]]


def _nothing(case: Case, searches: Sequence[Exchange]) -> Iterator[Sighting]:
    """Nobody answers, and a session with the controller works."""
    moments, count = _moments(searches), sum(one.asked.count for one in searches)
    for linkup in case.linkups:
        proof = linkup.proofs.get(Stage.ANSWER)
        if proof is not None:
            sources = {one.client[0] for one in searches}
            reached = NO_PART if linkup.pc_address in sources else ADAPTER
            yield Sighting(
                values=_values(searches, []),
                frames={"searched": moments, "works": [proof.moment]},
                linkup=linkup,
                silence=linkup.silence(moments, count),
                likeliest=reached if linkup.same_network else ROUTER,
                ruled_out=[FIREWALL, CHOICE],
            )


def _missed(
    case: Case, pc: Pc, searches: Sequence[Exchange], answers: Sequence[Exchange]
) -> Iterator[Sighting]:
    """Answers to the PC itself that nothing follows, however often it searches."""
    to_pc = [one for one in answers if one.server[0] in pc.addresses]
    found = {one.client[0] for one in to_pc}
    often = sum(one.asked.count for one in searches) >= AGAIN_AND_AGAIN
    used = any(one.dst_ip in found for one in pc.paths) or any(one.works for one in case.linkups)
    if found and often and not used:
        yield Sighting(
            values=_values(searches, to_pc),
            frames={"searched": _moments(searches), "answered": _moments(to_pc)},
            linkup=next((one for one in case.linkups if one.controller in found), None),
            certainty=Certainty.FITS,
            level=Level.WARNING,
            likeliest=FIREWALL,
            ruled_out=[NOT_HERE],
        )


def _values(searches: Sequence[Exchange], answers: Sequence[Exchange]) -> dict[str, object]:
    return {
        "port": searches[0].server[1],
        "searches": sum(one.asked.count for one in searches),
        "answers": sum(one.asked.count for one in answers),
        "sources": sorted({one.client[0] for one in searches}),
        "found": sorted({one.client[0] for one in answers}),
        "first": min(answers, key=lambda one: one.first).client[0] if answers else None,
        "unanswered": not answers,
    }


def _moments(exchanges: Sequence[Exchange]) -> list[Moment]:
    """First and last datagrams, in order."""
    return sorted({at for one in exchanges for at in one.asked.ends})


RULE = Rule(
    slug="discovery-unanswered",
    stage="route",
    level=Level.NOTE,
    title="The search for controllers on UDP port {port}{unanswered:if finds nothing}"
    "{answers:if is answered, and no call follows}",
    what_happened="The PC asked everybody on UDP port {port}, {searches:times}, from the address "
    "{sources:list}{answers:if, and {answers:count answer} reached its adapter, the first from "
    "{first}}.{answers:if It sent nothing to those that answered.}",
    means="{unanswered:if Without an answer, the program cannot list the controller, and it may be "
    "reached by its address all the same.}{answers:if The network carries the search. What is "
    "missing is missing between the PC's adapter and its program.}",
    likely_causes={
        NO_PART: "The controller takes no part in this kind of search, or has it switched off.",
        ROUTER: "A router or a VPN lies in between: a search stays in the PC's own network.",
        ADAPTER: "The search leaves by another adapter, or with another address of the PC, than "
        "the one "
        "that leads to the controller.",
        FIREWALL: "A firewall on the PC keeps the answers from the program.",
    },
    what_to_do=(
        Step(
            "{answers:if Look whether the program lists {first}. If so, the search works, and "
            "nobody chose it.}"
        ),
        Step(
            "If it lists nothing, have the PC's firewall let the answers through to this program "
            "on this adapter.",
            cautions.FIREWALL,
            about=FIREWALL,
        ),
        Step("Choose in the program the adapter that leads to the controller."),
        Step(
            "Connect by the controller's address, typed in by hand, instead of searching.",
            cautions.COMMANDS,
        ),
    ),
    evidence={
        "searched": "the PC asks everybody{again}",
        "answered": "an answer to the PC{again}",
        "works": "a session with the controller's address works",
    },
    also_fits={
        CHOICE: "A program that lists what it finds, and nobody chose any.",
        NOT_HERE: "Answers that are sent to another PC, or to everybody, and do not "
        "reach this cable.",
    },
    looks_alike=(
        "Searches of office software for printers, names and shares.",
        "A stream that is sent to a group all the time.",
        "A search with answers that the PC follows up.",
    ),
    confirm="Search from a PC on the controller's own switch.",
    explains=("no-attempt",),
    sources=(
        "RFC 919 section 7 and RFC 922 section 7 (a broadcast stays in its network)",
        "RFC 1112 section 6.1 (a group datagram goes no further with a hop limit of 1)",
    ),
    needs=frozenset({Need.FRAMES}),
    survey=survey,
)
