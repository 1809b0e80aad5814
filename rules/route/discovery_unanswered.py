"""The PC's search for controllers finds nothing, although one can be reached by its address.

A search is a few datagrams of the PC to everybody or to a group, on a registered industrial port or
one that the PC uses with its controller. A note where nobody answers and a session with the
controller works. A warning where answers are recorded, the PC searches again and again, and never
turns to anybody who answered: then the answers do not reach the program. Quiet about the searches
of office software, about streams, where an answer is followed up, and where nothing works at all.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Address, Exchange, Facts, Moment
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Pc, Stage
from rules import cautions

AGAIN_AND_AGAIN = 3
"""Searches after which a program that gets answers would use one (common practice, no source)."""
STREAM = 10
"""Datagrams from which on more than one a second is a stream, no search."""
FIRST_GROUP, LAST_ADDRESS = Address.parse("224.0.0.0"), Address.parse("255.255.255.255")
"""Groups (RFC 1112 4), the limited broadcast at their end (RFC 919 7)."""
NO_PART, ROUTER, ADAPTER, FIREWALL = "no part", "router", "adapter", "firewall"
"""Names of these causes in the rule."""


def find(case: Case) -> Iterator[Sighting]:
    if case.pc is None:
        return
    for port in sorted(_ports(case)):
        searches = [
            one for one in case.facts.exchanges if _is_search(one, port, case.facts, case.pc)
        ]
        answers = [one for one in case.facts.exchanges if _is_answer(one, searches, case.pc)]
        if searches and answers:
            yield from _missed(case, case.pc, searches, answers)
        elif searches:
            yield from _nothing_found(case, searches)


def _ports(case: Case) -> set[int]:
    """Industrial ports, and those that the PC uses with its controllers."""
    used = {one.target.port for one in case.linkups if one.target.port is not None}
    return (set(INDUSTRIAL_PORTS) | used) - OFFICE_PORTS


def _is_search(one: Exchange, port: int, facts: Facts, pc: Pc) -> bool:
    (source, _), (address, at_port), asked = one.client, one.server, one.asked
    if source not in pc.addresses or at_port != port or not _is_everybody(address, facts, pc):
        return False
    if asked.first is None or asked.last is None:
        return False
    return asked.count < STREAM or asked.last.seconds - asked.first.seconds > asked.count


def _is_everybody(address: Address, facts: Facts, pc: Pc) -> bool:
    station = facts.station(pc.hardware)
    directed = station is not None and address in station.broadcast_to
    return directed or FIRST_GROUP <= address <= LAST_ADDRESS


def _is_answer(one: Exchange, searches: Sequence[Exchange], pc: Pc) -> bool:
    """A datagram to the socket that searched, or back to everybody on the same port."""
    began = one.asked.first
    return one.client[0] not in pc.addresses and any(
        one.server in (search.client, search.server)
        and began is not None
        and search.asked.first is not None
        and began > search.asked.first
        for search in searches
    )


def _nothing_found(case: Case, searches: Sequence[Exchange]) -> Iterator[Sighting]:
    for linkup in case.linkups:
        proof = linkup.proofs.get(Stage.ANSWER)
        if proof is not None:
            yield _sighting(
                searches,
                [],
                linkup,
                level=Level.NOTE,
                likeliest=_likeliest(linkup, searches),
                frames={"works": [proof.moment]},
            )


def _likeliest(linkup: LinkUp, searches: Sequence[Exchange]) -> str:
    if not linkup.same_network:
        return ROUTER
    own = any(one.client[0] == linkup.pc_address for one in searches)
    return NO_PART if own else ADAPTER


def _missed(
    case: Case, pc: Pc, searches: Sequence[Exchange], answers: Sequence[Exchange]
) -> Iterator[Sighting]:
    """Answers to the PC itself that nothing follows, however often it searches."""
    answers = [one for one in answers if one.server[0] in pc.addresses]
    found = {one.client[0] for one in answers}
    turned_to = any(one.src_ip in pc.addresses and one.dst_ip in found for one in case.facts.paths)
    often = sum(one.asked.count for one in searches) >= AGAIN_AND_AGAIN
    if not found or turned_to or not often or any(one.works for one in case.linkups):
        return
    linkup = next((one for one in case.linkups if one.controller in found), None)
    yield _sighting(searches, answers, linkup, level=Level.WARNING, likeliest=FIREWALL, frames={})


def _sighting(
    searches: Sequence[Exchange],
    answers: Sequence[Exchange],
    linkup: LinkUp | None,
    *,
    level: Level,
    likeliest: str,
    frames: dict[str, list[Moment]],
) -> Sighting:
    searched = _moments(searches)
    return Sighting(
        values={
            "port": searches[0].server[1],
            "searches": sum(one.asked.count for one in searches),
            "answers": sum(one.asked.count for one in answers),
            "sources": sorted({one.client[0] for one in searches}),
            "found": sorted({one.client[0] for one in answers}),
        },
        frames={"searched": searched, "answered": _moments(answers), **frames},
        linkup=linkup,
        certainty=Certainty.FITS if answers else Certainty.SHOWN,
        level=level,
        silence=None if linkup is None else linkup.silence(searched),
        likeliest=likeliest,
    )


def _moments(exchanges: Sequence[Exchange]) -> list[Moment]:
    """First and last datagrams, in order."""
    ends = {at for one in exchanges for at in (one.asked.first, one.asked.last) if at is not None}
    return sorted(ends)


RULE = Rule(
    slug="discovery-unanswered",
    stage="route",
    level=Level.NOTE,
    title="The search for controllers on UDP port {port} finds nothing",
    what_happened="The PC asked everybody on UDP port {port}, {searches:times}, from the address "
    "{sources:list}.{answers:if The recording holds {answers:count answer} to the PC.}",
    means="Without an answer, the program cannot list the controller, and it may be reached by its "
    "address all the same. Recorded answers came as far as the PC's adapter.",
    likely_causes={
        NO_PART: "The controller takes no part in this kind of search, or has it switched off.",
        ROUTER: "A router or a VPN lies in between: a search stays in the PC's own network.",
        ADAPTER: "The search leaves by another adapter, or with another address of the PC, than "
        "the one "
        "that leads to the controller.",
        FIREWALL: "A firewall on the PC keeps the answers from the program.",
    },
    what_to_do=(
        Step("Type the controller's address into the program by hand, instead of searching."),
        Step("Choose in the program the adapter that leads to the controller."),
        Step(
            "If answers are recorded, have the PC's firewall let them through to this program on "
            "this adapter.",
            cautions.FIREWALL,
        ),
    ),
    evidence={
        "searched": "the PC asks everybody{again}",
        "answered": "an answer to the PC{again}",
        "works": "a session with the controller's address works",
    },
    also_fits={
        "answers-recorded-program": "Where answers are recorded: a program that lists what it "
        "finds, and nobody chose any.",
        "answers-sent-another": "Answers that are sent to another PC, or to everybody, and do not "
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
    survey=find,
)
