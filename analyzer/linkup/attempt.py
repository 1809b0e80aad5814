"""One PC and one controller: everything between the two, gathered from the facts."""

from analyzer.facts import Address, Echo, Exchange, Facts, Hardware, Moment, Path, Question, Session
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.linkup.datagrams import with_answers
from analyzer.linkup.model import LinkUp, Pc, Target, is_self_assigned
from analyzer.linkup.owners import of_a_rival
from analyzer.linkup.pc import asked_by_pc, broadcast_masks, from_pc, share_network
from analyzer.linkup.proofs import proofs_of
from analyzer.site import Site


def link_up(facts: Facts, pc: Pc, target: Target, site: Site) -> LinkUp:
    """The PC's link-up with one controller, with the proofs of its stages."""
    controller = target.address
    own = [one for one in facts.sessions if _is_to(one, controller) and from_pc(one, pc)]
    strange = of_a_rival(facts, pc, own)
    calls = [one for one in own if one not in strange]
    on_port = [one for one in calls if target.port is None or one.server.port == target.port]
    asked = [one for one in facts.arp.questions.values() if one.wanted == controller]
    questions = [one for one in asked if asked_by_pc(one, pc)]
    there = [one for one in facts.paths if one.dst_ip == controller and _is_pc(one, pc)]
    back = [one for one in facts.paths if one.src_ip == controller and _is_for_pc(one, pc)]
    sent_to = {path.dst for path in there if path.dst is not None and not path.dst.is_group}
    pc_address = _pc_address(pc, controller, questions, there)
    hardware = _controller_hardware(facts, controller, pc)
    linkup = LinkUp(
        facts=facts,
        pc=pc,
        target=target,
        pc_address=pc_address,
        mask=pc.mask_for(pc_address) if pc_address is not None else None,
        controller_mask=_controller_mask(facts, target, hardware, site),
        hardware=hardware,
        sessions=on_port if target.transport != "udp" else [],
        other_sessions=[one for one in calls if one not in on_port],
        strange_sessions=strange,
        exchanges=_exchanges(facts, pc, target),
        questions=questions,
        pings=_pings(facts, pc, controller),
        errors=[error for error in facts.icmp.errors if error.about_dst == controller],
        router=_router(facts, sent_to, controller),
        sent_to=sent_to,
        heard=min((path.first for path in back), default=None),
        last_heard=max((path.last for path in back), default=None),
        last_sent=_last_sent(there, questions),
        site=site,
    )
    linkup.proofs = proofs_of(linkup)
    return linkup


def _is_to(session: Session, controller: Address) -> bool:
    return session.server.address == controller


def _is_pc(path: Path, pc: Pc) -> bool:
    return path.src == pc.hardware if pc.hardware is not None else path.src_ip in pc.addresses


def _is_for_pc(path: Path, pc: Pc) -> bool:
    return path.dst_ip in pc.addresses and (path.src is None or path.src != pc.hardware)


def _exchanges(facts: Facts, pc: Pc, target: Target) -> list[Exchange]:
    """The PC's UDP exchanges with the controller, without office services that nobody named."""
    own = (one for one in facts.exchanges if one.client[0] in pc.addresses)
    meant = [
        one
        for one in own
        if one.server[0] == target.address
        and (one.server[1] == target.port or one.server[1] not in OFFICE_PORTS)
        and (one.server[1] == target.port or target.transport != "udp")
    ]
    return with_answers(facts, meant)


def _pc_address(
    pc: Pc, controller: Address, questions: list[Question], paths: list[Path]
) -> Address | None:
    """The PC's address in its last frame for the controller; else its most used one, those in the
    controller's network first and self-assigned ones last.
    """
    used = [(path.last, path.src_ip) for path in paths if path.src_ip]
    used += [(question.asked.last, question.asker_ip) for question in questions]
    if used:
        return max(used)[1]
    ranks = {
        one: (is_self_assigned(one), not share_network(pc, one, controller)) for one in pc.addresses
    }
    return min(pc.addresses, key=ranks.__getitem__, default=None)


def _pings(facts: Facts, pc: Pc, controller: Address) -> Echo | None:
    found = (facts.icmp.echoes.get((address, controller)) for address in pc.addresses)
    return next((echo for echo in found if echo is not None and echo.requests.count), None)


def _last_sent(paths: list[Path], questions: list[Question]) -> Moment | None:
    """The PC's last frame for the controller."""
    moments = [path.last for path in paths] + [question.asked.last for question in questions]
    return max(moments, default=None)


def _controller_hardware(facts: Facts, controller: Address, pc: Pc) -> Hardware | None:
    """Who last claimed the controller's address, or sent packets with it and for no one else; None
    where two devices dispute it.
    """
    claims = facts.arp.claims.get(controller)
    if claims is not None:
        return None if claims.are_disputed else claims.runs[-1].hardware
    senders = {path.src for path in facts.paths if path.src_ip == controller and path.src}
    stations = [facts.station(sender) for sender in senders if sender != pc.hardware]
    plain = [one.hardware for one in stations if one is not None and len(one.addresses) == 1]
    return plain[0] if len(plain) == 1 else None


def _controller_mask(
    facts: Facts, target: Target, hardware: Hardware | None, site: Site
) -> Address | None:
    """The controller's mask: given by an address server together with its address, told by its own
    broadcasts, or written in the site sheet.
    """
    given = [one.mask for one in facts.dhcp if one.offered == target.address and one.mask]
    station, sheet = facts.station(hardware), site.controller(target.address, target.port)
    told = [] if station is None else broadcast_masks(station)
    given += [mask for own, mask in told if own == target.address]
    given += [sheet.mask] if sheet is not None and sheet.mask is not None else []
    return next(iter(given), None)


def _router(facts: Facts, sent_to: set[Hardware], controller: Address) -> Hardware | None:
    """The station that the PC hands packets for the controller to, if it answers as another."""
    for hardware in sent_to:
        claimed = {a for a, claims in facts.arp.claims.items() if hardware in claims.counts}
        if claimed and controller not in claimed:
            return hardware
    return None
