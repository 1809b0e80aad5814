"""One PC and one controller: everything between the two, gathered from the facts."""

from collections.abc import Callable

from analyzer.facts import (
    Address,
    Echo,
    Exchange,
    Facts,
    Hardware,
    IcmpError,
    Moment,
    Path,
    Question,
    Session,
    Station,
)
from analyzer.facts.index import by
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.linkup.datagrams import with_answers
from analyzer.linkup.model import LinkUp, Pc, Target
from analyzer.linkup.networks import is_self_assigned, network_of
from analyzer.linkup.owners import of_a_rival
from analyzer.linkup.pc import from_pc
from analyzer.linkup.proofs import proofs_of
from analyzer.linkup.tries import calls_of


def link_up(pc: Pc, target: Target) -> LinkUp:
    """The PC's link-up with one controller, with the proofs of its stages."""
    facts, controller, site = pc.facts, target.address, pc.site
    own = [one for one in facts.index.sessions_to[controller] if from_pc(one, pc)]
    strange = of_a_rival(pc, own)
    strangers = set(map(id, strange))
    called = [one for one in own if id(one) not in strangers]
    errors = [one for one in facts.index.errors_about[controller] if one.about_src in pc.addresses]
    questions = [one for one in facts.index.questions_for[controller] if _asked_by(one, pc)]
    there = [one for one in facts.index.packets_to[controller] if _is_pc(one, pc)]
    back = [one for one in facts.index.packets_from[controller] if _is_for_pc(one, pc)]
    sent_to = {path.dst for path in there if path.dst is not None and not path.dst.is_group}
    hardware = _controller_hardware(facts, controller, pc)
    meant = [one for one in called if target.port in (None, one.server.port)]
    linkup = LinkUp(
        facts=facts,
        pc=pc,
        target=target,
        pc_address=_pc_address(pc, controller, questions, there),
        controller_network=network_of(facts, site, controller, hardware, target.port),
        hardware=hardware,
        packets_back=back,
        on_port=calls_of(meant if target.transport != "udp" else [], _about(errors)),
        on_others=calls_of(
            [one for one in called if target.port not in (None, one.server.port)], _about(errors)
        ),
        strange_sessions=strange,
        exchanges=_exchanges(facts, pc, target),
        questions=questions,
        pings=_pings(facts, pc, controller),
        errors=errors,
        router=_router(facts, sent_to, controller),
        sent_to=sent_to,
        heard=min((path.first for path in back), default=None),
        last_heard=max((path.last for path in back), default=None),
        last_sent=_last_sent(there, questions),
        site=site,
    )
    linkup.proofs = proofs_of(linkup)
    return linkup


def _about(errors: list[IcmpError]) -> Callable[[Session], list[IcmpError]]:
    """What tells the messages about a session from the others."""
    quoted = (one for one in errors if one.is_about_tcp)
    about = by(quoted, lambda one: (one.about_src, one.sport, one.dport))
    return lambda one: about[one.client.address, one.client.port, one.server.port]


def _asked_by(question: Question, pc: Pc) -> bool:
    return pc.hardware is not None and question.asker == pc.hardware


def _is_pc(path: Path, pc: Pc) -> bool:
    return path.src == pc.hardware if pc.hardware is not None else path.src_ip in pc.addresses


def _is_for_pc(path: Path, pc: Pc) -> bool:
    return path.dst_ip in pc.addresses and (path.src is None or path.src != pc.hardware)


def _exchanges(facts: Facts, pc: Pc, target: Target) -> list[Exchange]:
    """The PC's UDP exchanges with the controller, without office services that nobody named."""
    meant = [
        one
        for one in facts.index.exchanges_to[target.address]
        if one.client[0] in pc.addresses
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
        one: (is_self_assigned(one), not pc.network(one).holds(controller)) for one in pc.addresses
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
    where two devices dispute it, or who claims it only stands in for it.
    """
    claims = facts.claims(controller)
    if claims.runs:
        last = claims.runs[-1].hardware
        is_stand_in = controller in facts.index.stands_in_for.get(last, ())
        return None if claims.are_disputed or is_stand_in else last
    senders = {path.src for path in facts.index.packets_from[controller] if path.src}
    stations = [facts.station(sender) for sender in senders if sender != pc.hardware]
    plain = [one.hardware for one in stations if one is not None and _is_plain(one, controller)]
    return plain[0] if len(plain) == 1 else None


def _is_plain(station: Station, address: Address) -> bool:
    """Whether a station that sends with an address sends with no other one of the same sort."""
    return len(station.ipv6 if address.is_ipv6 else station.addresses) == 1


def _router(facts: Facts, sent_to: set[Hardware], controller: Address) -> Hardware | None:
    """The station that the PC hands packets for the controller to, if it answers as another. Over
    IPv6 that shows nothing: a host has several addresses.
    """
    if controller.is_ipv6:
        return None
    for hardware in sent_to:
        claimed = facts.index.claimed_by[hardware]
        if claimed and controller not in claimed:
            return hardware
    return None
