"""Everybody who called or asked, each taken for the PC where it stays open who that is.

Three roles are three questions: who recorded, who called, who serves. The PC of a pair is the one
that called or asked; the controller is the one that serves, or that was asked for. The recorder may
be either of them, or a third one that only listened.
"""

from collections.abc import Iterable

from analyzer.facts import Address, Facts, Hardware, Moment
from analyzer.facts.dhcp import SERVER_PORT
from analyzer.linkup.controllers import reached
from analyzer.linkup.model import CALLER, Pc, Target, Told
from analyzer.linkup.networks import is_loopback
from analyzer.linkup.pc import is_host

Pair = tuple[Pc, Target]
EVERYBODY = Address(0xFFFFFFFF)
"""Whom a station asks that has no address yet (RFC 2131 4.1)."""


def pairs_of(facts: Facts, told: Told) -> list[Pair]:
    """Every caller with everybody whom it tried to reach, in order of their first frames.

    Those who only ask in vain for somebody count only where nobody called, sent or pinged: others'
    questions look unanswered, as a switch sends the replies to them only.
    """
    found = [(pc, reach) for pc in callers(facts, told) for reach in reached(pc, told)]
    if not found:
        return _asked_for_addresses(facts, told)
    strongest = max(reach.strength for _, reach in found)
    return [(pc, reach.target) for pc, reach in found if reach.counts_beside(strongest)]


def _asked_for_addresses(facts: Facts, told: Told) -> list[Pair]:
    """Stations that asked an address server, where nobody tried to reach anybody else."""
    pairs = []
    for client, messages in facts.index.dhcp_of.items():
        asked = [one for one in messages if one.from_client]
        servers = [one.server for one in messages if one.server] or [EVERYBODY]
        if asked:
            given = [one.offered for one in messages if one.offered]
            pc = Pc(facts, told.site, client, given[-1:], CALLER)
            pairs.append((pc, Target(servers[-1], SERVER_PORT, "udp", "address server")))
    return pairs


def callers(facts: Facts, told: Told) -> list[Pc]:
    """Everybody who called, sent, pinged or asked: a station of its own, or an address behind a
    router.
    """
    found: dict[tuple[Hardware | Address, bool], Pc] = {}
    for address in _asking(facts):
        if not (is_host(address) or is_loopback(address)):
            continue
        known: list[Hardware | None] = [*_hardware(facts, address)]
        for hardware in known or [None]:
            key = (address if hardware is None else hardware, address.is_ipv6)
            if key not in found:
                own = [address] if hardware is None else _addresses(facts, hardware, address)
                found[key] = Pc(facts, told.site, hardware, own, CALLER)
    named = (one for one in found.values() if told.pc in (None, one.hardware, *one.addresses))
    return list(named)


def _asking(facts: Facts) -> Iterable[Address]:
    """Addresses that called, sent, pinged or asked, in order of their first frames."""
    first: dict[Address, Moment] = {}

    def note(address: Address, moment: Moment | None) -> None:
        if moment is not None and address:
            first[address] = min(moment, first.get(address, moment))

    for session in facts.sessions:
        note(session.client.address, session.first)
    for exchange in facts.exchanges:
        note(exchange.client[0], exchange.asked.first)
    for echo in facts.icmp.echoes.values():
        note(echo.src, echo.requests.first if echo.requests.count else None)
    for error in facts.icmp.errors:
        note(error.about_src, error.moment)
    for question in facts.index.questions:
        note(question.asker_ip, question.asked.first)
    return sorted(first, key=lambda one: first[one])


def _hardware(facts: Facts, address: Address) -> list[Hardware]:
    """The stations that have an address and are no routers: several devices may share it. Zeros are
    no device's: a host writes them where it talks to itself.
    """
    stations = [one for one in facts.index.stations_at[address] if not one.is_router]
    return [one.hardware for one in stations if one.hardware]


def _addresses(facts: Facts, hardware: Hardware, address: Address) -> list[Address]:
    """A station's addresses of the same sort as one of them, the most used first."""
    station = facts.index.stations[hardware]
    used = station.ipv6 if address.is_ipv6 else station.addresses
    return sorted(used, key=lambda one: -used[one])
