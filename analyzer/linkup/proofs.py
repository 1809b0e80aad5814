"""Which stages are seen working, and the frame that shows each."""

from analyzer.facts import Address, Hardware, Moment, Session
from analyzer.linkup.called import taken_calls
from analyzer.linkup.model import LinkUp, Proof, Stage
from analyzer.linkup.pc import asked_by_pc

PC_ANSWERS = "pc answers"
"""The proof that it works where the controller is the one that calls and asks."""


def proofs_of(linkup: LinkUp) -> dict[Stage, Proof]:
    """The stages seen working. A later one proves the earlier ones for the same pair; only that
    the PC uses an address says nothing about its cable.
    """
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


def _link_proof(linkup: LinkUp) -> Proof | None:
    others = [one for one in linkup.facts.stations if one.hardware != linkup.pc.hardware]
    if linkup.pc.hardware is None:
        others = [one for one in others if not set(one.addresses) & set(linkup.pc.addresses)]
    first = min((station.first for station in others), default=None)
    return None if first is None else Proof(first, "another station")


def _address_proof(linkup: LinkUp) -> Proof | None:
    address = linkup.pc_address
    if address is None:
        return None
    if answers := _taken_answers(linkup, address):
        return Proof(min(answers)[0], "answered to address", {"pc": address})
    own = [path.first for path in linkup.facts.paths if path.src_ip == address]
    questions = linkup.facts.arp.questions.values()
    own += [question.asked.first for question in questions if question.asker_ip == address]
    return Proof(min(own), "uses address", {"pc": address}) if own else None


def _taken_answers(linkup: LinkUp, asker: Address | None = None) -> list[tuple[Moment, Hardware]]:
    """ARP replies to the PC, without those in a VLAN that it does not use, where it asks on.

    asker: the address of the PC that asked; any where none is given.
    """
    tags, own = linkup.facts.switch.tags.values(), linkup.pc.hardware
    used = {one.id for one in tags if one.sender == own}
    foreign = {one.sender for one in tags if one.receiver == own and one.id not in used}
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
    asked = (one for one in linkup.facts.arp.questions.values() if asked_by_pc(one, linkup.pc))
    answers = [(moment, by) for one in asked for moment, by in one.answers]
    answers += [(one.moment, one.sender_hw) for one in linkup.errors if one.sender_hw is not None]
    by_router = ((moment, by) for moment, by in answers if by in linkup.sent_to)
    moment, hardware = min(by_router, default=(None, None))
    return None if moment is None else Proof(moment, "router answers", {"hardware": hardware})


def _route_proof(linkup: LinkUp) -> Proof | None:
    return None if linkup.heard is None else Proof(linkup.heard, "packet back")


def _port_proof(linkup: LinkUp) -> Proof | None:
    opened = [session for session in linkup.sessions if session.is_open]
    for session in opened:
        took = session.handshake_seconds
        if session.completed is not None and took is not None:
            values = {"port": session.server.port, "took": took}
            return Proof(session.completed, "handshake", values)
    if opened:
        return Proof(opened[0].first, "open before", {"port": opened[0].server.port})
    for exchange in linkup.exchanges:
        if exchange.answered.first is not None:
            return Proof(exchange.answered.first, "udp answer", {"port": exchange.answering_port})
    for session in linkup.sessions:
        if session.turned_down is not None and session.syn_ack is not None:
            took = session.syn_ack.seconds - session.syns.first.seconds
            values = {"port": session.server.port, "took": took}
            return Proof(session.syn_ack, "accepted in vain", values)
    for session in linkup.sessions:
        if session.syn_ack is not None and is_unheard(session):
            return Proof(session.syn_ack, "accepted unheard", {"port": session.server.port})
    for session in taken_calls(linkup):
        first = session.completed or session.first
        return Proof(first, "call taken", {"port": session.server.port})
    return None


def is_unheard(session: Session) -> bool:
    """Whether the recording lacks the client's half of a session that carried data: a server sends
    none before the client has confirmed its acceptance (RFC 9293 3.10.7.4).
    """
    return session.from_server.octets > 0 and not session.from_client.frames


def _session_proof(linkup: LinkUp) -> Proof | None:
    """A session that carried an answer, and then closed in order or was still open at the end."""
    for session in (*linkup.sessions, *taken_calls(linkup)):
        broken = session.is_hung or any(end.reset for end in session.closing)
        if session.is_open and session.answers and not broken:
            return Proof(session.last, "stayed up", {"answers": session.answers})
    for exchange in linkup.exchanges:
        if exchange.answered.last is not None:
            return Proof(exchange.answered.last, "udp answer", {"port": exchange.answering_port})
    return None


def _answer_proof(linkup: LinkUp) -> Proof | None:
    for session in linkup.sessions:
        if session.is_stream and session.from_server.first_data:
            return Proof(session.from_server.first_data.moment, "speaks first")
        if session.answers and session.answered is not None and not session.dialogue.says_no:
            total = sum(one.answers for one in linkup.sessions)
            values = {"answers": total, "took": session.answer_times.median}
            return Proof(
                session.answered, "answers" if session.is_timed else "untimed answers", values
            )
    for exchange in linkup.exchanges:
        if exchange.answered.first is not None:
            return Proof(exchange.answered.first, "udp answer", {"port": exchange.answering_port})
    for session in taken_calls(linkup):
        refused = session.dialogue.says_no or any(end.reset for end in session.closing)
        if session.answered is not None and not refused:
            return Proof(session.answered, PC_ANSWERS, {"answers": session.answers})
    return None
