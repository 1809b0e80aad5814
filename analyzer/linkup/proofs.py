"""Which stages are seen working, and the frame that shows each."""

from analyzer.facts import Address, Hardware, Moment, Station
from analyzer.linkup.called import taken_calls
from analyzer.linkup.model import LinkUp, Pc, Proof, Stage
from analyzer.linkup.tries import How, lacks_client, of_session

PC_ANSWERS = "pc answers"
"""The proof that it works where the controller is the one that calls and asks."""
USES_ADDRESS = "uses address"
"""The proof of the PC's address where nobody answers it there."""


def proofs_of(linkup: LinkUp) -> dict[Stage, Proof]:
    """The stages seen working. A later one proves the earlier ones for the same pair; only that
    the PC uses an address says nothing about its cable.
    """
    if linkup.is_inside:
        return _inside(linkup)
    found = {
        Stage.ANSWER: _answer_proof(linkup),
        Stage.SESSION: _session_proof(linkup),
        Stage.PORT: _port_proof(linkup),
        Stage.ROUTE: _route_proof(linkup),
        Stage.NEIGHBOUR: _neighbour_proof(linkup),
        Stage.ADDRESS: _address_proof(linkup),
        Stage.LINK: _link_proof(linkup),
    }
    proofs: dict[Stage, Proof] = {}
    later: Proof | None = None
    for stage, proof in found.items():
        if proof is not None:
            proofs[stage] = proof
            later = proof if stage is not Stage.ADDRESS else later
        elif later is not None and stage is not Stage.SESSION:
            proofs[stage] = Proof(later.moment, "later stage", later.values)
    return proofs


def _inside(linkup: LinkUp) -> dict[Stage, Proof]:
    """The stages of a call inside one machine: what is below the port is no cable, no network."""
    found = {
        Stage.ANSWER: _answer_proof(linkup),
        Stage.SESSION: _session_proof(linkup),
        Stage.PORT: _port_proof(linkup),
    }
    proofs = {stage: proof for stage, proof in found.items() if proof is not None}
    first = min(linkup.attempts, default=linkup.heard)
    if first is not None:
        below = (Stage.ROUTE, Stage.NEIGHBOUR, Stage.ADDRESS, Stage.LINK)
        proofs |= {stage: Proof(first, "inside") for stage in below}
    return proofs


def _link_proof(linkup: LinkUp) -> Proof | None:
    stations = linkup.facts.stations  # in the order of their first frames
    others = (one.first for one in stations if not one.is_mangled and not _is_own(one, linkup.pc))
    first = next(others, None)
    return None if first is None else Proof(first, "another station")


def _is_own(station: Station, pc: Pc) -> bool:
    """Whether it is the PC: by its hardware address, or where one is lacking by an address."""
    if station.hardware is None or pc.hardware is None:
        return not set(pc.addresses).isdisjoint(station.all_addresses)
    return station.hardware == pc.hardware


def _address_proof(linkup: LinkUp) -> Proof | None:
    address = linkup.pc_address
    if address is None:
        return None
    if answers := _taken_answers(linkup, address):
        return Proof(min(answers)[0], "answered to address", {"pc": address})
    first = linkup.pc.first_use(address)
    return None if first is None else Proof(first, USES_ADDRESS, {"pc": address})


def _taken_answers(linkup: LinkUp, asker: Address | None = None) -> list[tuple[Moment, Hardware]]:
    """ARP replies to the PC, without those in a VLAN that it does not use, where it asks on.

    asker: the address of the PC that asked; any where none is given.
    """
    index, own = linkup.facts.index, linkup.pc.hardware
    used = {one.id for one in index.tags_from[own]} if own is not None else set()
    tagged = index.tags_to[own] if own is not None else []
    foreign = {one.sender for one in tagged if one.id not in used}
    return [
        answer
        for question in linkup.questions
        if asker in (None, question.asker_ip)
        for answer in question.answers
        if answer[1] not in foreign or question.asked.last <= question.answers[0][0]
    ]


def _neighbour_proof(linkup: LinkUp) -> Proof | None:
    if answers := _taken_answers(linkup):
        moment, hardware = min(answers)
        return Proof(moment, "arp answer", {"hardware": hardware})
    if linkup.heard is not None and linkup.router is not None:
        return Proof(linkup.heard, "by router", {"hardware": linkup.router})
    return _router_proof(linkup)


def _router_proof(linkup: LinkUp) -> Proof | None:
    """A router's answer, by ARP or ICMP, where the PC hands it packets for another network."""
    if linkup.is_near:
        return None
    index = linkup.facts.index
    routers = {address for hardware in linkup.sent_to for address in index.claimed_by[hardware]}
    asked = (one for address in routers for one in index.questions_for[address])
    own = (one for one in asked if one.asker == linkup.pc.hardware)
    answers = [(moment, by) for one in own for moment, by in one.answers]
    answers += [(one.moment, one.sender_hw) for one in linkup.errors if one.sender_hw is not None]
    by_router = ((moment, by) for moment, by in answers if by in linkup.sent_to)
    moment, hardware = min(by_router, default=(None, None))
    return None if moment is None else Proof(moment, "router answers", {"hardware": hardware})


def _route_proof(linkup: LinkUp) -> Proof | None:
    return None if linkup.heard is None else Proof(linkup.heard, "packet back")


def _port_proof(linkup: LinkUp) -> Proof | None:
    opened = linkup.on_port.opened
    for one in opened:
        session, took = one.session, one.session.handshake_seconds
        if session.completed is not None and took is not None:
            return Proof(session.completed, "handshake", {"port": one.port, "took": took})
    if opened:
        return Proof(opened[0].first, "open before", {"port": opened[0].port})
    for exchange in linkup.exchanges:
        if exchange.answered.first is not None:
            return Proof(exchange.answered.first, "udp answer", {"port": exchange.answering_port})
    for one in linkup.on_port:
        accepted = one.session.syn_ack
        if accepted is None:
            continue
        if one.how is How.TURNED_DOWN:
            took = accepted.seconds - one.session.syns.first.seconds
            return Proof(accepted, "accepted in vain", {"port": one.port, "took": took})
        if one.how is How.UNHEARD:
            times = sum(call.accepted for call in linkup.on_port.that(How.UNHEARD))
            return Proof(accepted, "accepted again", {"port": one.port, "times": times})
        if lacks_client(one.session):
            return Proof(accepted, "accepted unheard", {"port": one.port})
    for call in taken_calls(linkup):
        return Proof(call.completed or call.first, "call taken", {"port": call.server.port})
    for one in linkup.on_port:
        if one.session.is_one_sided:
            return Proof(one.session.last, "confirmed unseen", {"port": one.port})
    return None


def _session_proof(linkup: LinkUp) -> Proof | None:
    """A session that carried an answer, and then closed in order or was still open at the end."""
    for lease in linkup.leases:
        return Proof(lease.moment, "address given", {"address": lease.offered})
    for one in (*linkup.on_port, *map(of_session, taken_calls(linkup))):
        if one.opened and one.answers and not one.was_reset and one.how is not How.HUNG:
            return Proof(one.last, "stayed up", {"answers": one.answers})
    for exchange in linkup.exchanges:
        if exchange.answered.last is not None:
            return Proof(exchange.answered.last, "udp answer", {"port": exchange.answering_port})
    for one in linkup.on_port:
        client = one.session.from_client
        if one.session.is_one_sided and client.acknowledges and client.octets:
            return Proof(one.last, "answers unseen")
    return None


def _answer_proof(linkup: LinkUp) -> Proof | None:
    for lease in linkup.leases:
        return Proof(lease.moment, "address given", {"address": lease.offered})
    for session in linkup.sessions:
        if session.is_stream and session.from_server.first_data:
            return Proof(session.from_server.first_data.moment, "speaks first")
        if session.answers and session.answered is not None and not session.dialogue.says_no:
            total = sum(one.answers for one in linkup.on_port)
            took = session.answer_times.median
            values = {"answers": total, "several": total > 1, "took": took}
            return Proof(
                session.answered, "answers" if session.is_timed else "untimed answers", values
            )
    for exchange in linkup.exchanges:
        if exchange.answered.first is not None:
            return Proof(exchange.answered.first, "udp answer", {"port": exchange.answering_port})
    for one in linkup.on_port:
        client = one.session.from_client
        if one.session.is_one_sided and client.acknowledges and client.octets:
            return Proof(one.last, "answers unseen")
    for session in taken_calls(linkup):
        refused = session.dialogue.says_no or of_session(session).was_reset
        if session.answered is not None and not refused:
            return Proof(session.answered, PC_ANSWERS, {"answers": session.answers})
    return None
