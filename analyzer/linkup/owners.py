"""Whose an address is: how the PC uses it, and who else claims it meanwhile."""

from collections.abc import Iterable
from typing import NamedTuple

from analyzer.facts import CLIENT, Address, Facts, Hardware, Moment, Path, Series, Session
from analyzer.facts.arp import MANY, Run
from analyzer.facts.paths import FRESH
from analyzer.linkup.model import LinkUp, Pc
from analyzer.linkup.tries import BEGINNING

AFTERWARDS = 10.0
"""Seconds within which a station that was challenged defends its address (RFC 5227 2.4)."""
HOPS = 8
"""Times to live that lie this little below the PC's are those of its own packets behind routers
(common practice, no source)."""


def checks(facts: Facts, pc: Pc, address: Address) -> list[Moment]:
    """ARP probes and announcements of the PC for an address."""
    assert pc.hardware is not None
    key = pc.hardware, address
    kinds = (facts.arp.probes, facts.arp.announcements)
    return sorted(at for one in kinds if key in one for at in one[key].moments)


def uses(facts: Facts, pc: Pc, address: Address) -> list[Moment]:
    """First and last frames in which the PC claims an address in ARP or sends with it."""
    return [] if pc.hardware is None else facts.index.uses[pc.hardware, address]


def disputes(facts: Facts, pc: Pc, address: Address) -> dict[Hardware, list[Run]]:
    """Claims of other devices while the PC wants, announces or uses an address."""
    used = uses(facts, pc, address) + checks(facts, pc, address)
    if not used:
        return {}
    begin, end = min(used).seconds, max(used).seconds + AFTERWARDS
    found: dict[Hardware, list[Run]] = {}
    for run in facts.claims(address).runs:
        if run.hardware != pc.hardware and run.last.seconds > begin and run.first.seconds < end:
            found.setdefault(run.hardware, []).append(run)
    return {
        other: runs
        for other, runs in found.items()
        if not answers_for_many(facts, other, address) and not is_own_adapter(facts, pc, other)
    }


def senders(facts: Facts, pc: Pc, address: Address) -> dict[Hardware, list[Path]]:
    """Packets that other devices, which have no other address, send with an address of the PC while
    it uses that; without the PC's own packets that come back through routers.
    """
    used = uses(facts, pc, address)
    found: dict[Hardware, list[Path]] = {}
    for path in facts.index.packets_from[address]:
        if path.src in (None, pc.hardware) or path.sent or not used:
            continue
        meanwhile = used[0] < path.last and path.first < used[-1]
        routed = any(0 < mine - theirs <= HOPS for mine in pc.times_to_live for theirs in path.ttls)
        if meanwhile and not routed and facts.has_only(path.src, address):
            found.setdefault(path.src, []).append(path)
    return {one: paths for one, paths in found.items() if not is_own_adapter(facts, pc, one)}


def of_a_rival(pc: Pc, sessions: Iterable[Session]) -> list[Session]:
    """Sessions that the PC did not open and only resets, where another device has its address: the
    controller sends to that one.
    """
    facts = pc.facts
    strange = [one for one in sessions if not one.syns.count and one.only_reset(CLIENT)]
    shared = {
        address
        for address in {one.client.address for one in strange}
        if pc.hardware is not None and (disputes(facts, pc, address) or senders(facts, pc, address))
    }
    return [one for one in strange if one.client.address in shared]


class Intruder(NamedTuple):
    """A device that says unasked, again and again, that another one's address is its own.

    unasked: each time; owner: the one with the address, and used: what shows that; own: addresses
    that the intruder has itself; others: some more that it claims unasked, of other owners.
    """

    hardware: Hardware
    unasked: Series
    owner: Hardware
    used: list[Moment]
    own: list[Address]
    others: list[Address]


UNASKED = 2
"""Unasked claims that are no chance: a takeover makes one (common practice, no source)."""
EXAMPLES = 3
"""Further addresses of an intruder that are looked at."""


def intruder(facts: Facts, address: Address) -> Intruder | None:
    """Who takes an address from its owner. A device of two adapters says unasked, too, which of
    them takes its packets: it has no other address than the owner, and takes none of anybody else.
    """
    for hardware, unasked in facts.index.unasked_for[address]:
        owner = _owner_beside(facts, hardware, address, unasked.first)
        if unasked.count < UNASKED or owner is None or not facts.station(hardware):
            continue
        claimed = facts.index.unasked_by[hardware]
        shared = {at for _, at in facts.index.used_by[owner[0]]}
        own = facts.index.own_beside_unasked[hardware] - shared
        beside = [one for one in claimed[: EXAMPLES + 1] if one != address]
        found = [one for one in beside if _has_other_owner(facts, hardware, one, owner[0])]
        if own or found:
            return Intruder(hardware, unasked, *owner, sorted(own), found)
    return None


def _has_other_owner(facts: Facts, hardware: Hardware, address: Address, owner: Hardware) -> bool:
    beside = _owner_beside(facts, hardware, address, BEGINNING)
    return beside is not None and beside[0] != owner


def _owner_beside(
    facts: Facts, hardware: Hardware, address: Address, since: Moment
) -> tuple[Hardware, list[Moment]] | None:
    """The other device that uses an address later than a moment: it answers when asked, or sends
    with that address and has no other one.
    """
    answers = [
        (at, by)
        for one in facts.index.questions_for[address]
        for at, by in one.answers
        if by != hardware
    ]
    sent = [
        (at, path.src)
        for path in facts.index.packets_from[address]
        if path.src not in (None, hardware) and path.ttls[1] in FRESH
        if facts.has_only(path.src, address)
        for at in (path.first, path.last)
    ]
    used = sorted((at, by) for at, by in (*answers, *sent) if by is not None and at > since)
    if not used:
        return None
    owner = used[-1][1]
    return owner, [at for at, by in used if by == owner]


def answers_for_many(facts: Facts, hardware: Hardware, address: Address) -> bool:
    """Whether a station answers for other addresses too, as a router with proxy ARP does."""
    return len(facts.arp.replied.get(hardware, set()) | {address}) >= MANY


def withdrawn(linkup: LinkUp) -> tuple[Moment, Hardware] | None:
    """When and by whom the controller's address was checked last (RFC 5227 2.1.1), though nobody
    uses it from then on; only a device that may be the controller itself.
    """
    used = [run.last for run in linkup.claims.runs]
    used += [linkup.last_heard] if linkup.last_heard is not None else []
    latest = max(
        (
            (series.last, hardware)
            for hardware, series in linkup.facts.index.probes_for[linkup.controller]
            if _may_be_the_controller(linkup, hardware)
        ),
        default=None,
    )
    return latest if latest is not None and all(one < latest[0] for one in used) else None


def _may_be_the_controller(linkup: LinkUp, hardware: Hardware) -> bool:
    """Whether a station checks the controller's address and no other, has no other one, and nobody
    else has had that one.
    """
    facts, own = linkup.facts, {linkup.controller}
    station = facts.station(hardware)
    if station is None or station.is_switch or hardware == linkup.pc.hardware:
        return False
    checked = {wanted for wanted, _ in facts.index.probes_by[hardware]}
    owners = set(linkup.claims.counts) - {linkup.pc.hardware}
    return checked == own and set(station.addresses) <= own and owners <= {hardware}


def renumbered(linkup: LinkUp) -> tuple[Moment, Address] | None:
    """When the PC took the address that it now uses for the controller, and the one that it used
    before: the controller answered that one, and none of its packets came to the new one.
    """
    facts, own, controller = linkup.facts, linkup.pc_address, linkup.controller
    answered = {one.dst_ip for one in facts.index.packets_from[controller]}
    if own is None or own in answered:
        return None
    left = [
        (one.last, one.src_ip)
        for one in facts.index.packets_to[controller]
        if one.src == linkup.pc.hardware and one.src_ip in answered
    ]
    latest = max(left, default=None)
    if latest is None or latest[1] is None or linkup.pc.hardware is None:
        return None
    taken = uses(facts, linkup.pc, own)
    if not taken or taken[0] < latest[0]:
        return None
    return taken[0], latest[1]


def heard_on_cable(linkup: LinkUp) -> list[Moment]:
    """Frames with the controller's address from a device that has no other one: it is on the PC's
    own cable, behind no router. The first of each such device and kind.
    """
    facts, controller = linkup.facts, linkup.controller
    heard = [(run.first, run.hardware) for run in linkup.claims.runs]
    own = facts.index.packets_from[controller]
    heard += [(path.first, path.src) for path in own if path.src is not None]
    hands_on = linkup.sent_to - set(linkup.claims.counts)
    return sorted(
        moment
        for moment, hardware in heard
        if hardware != linkup.pc.hardware
        and hardware not in hands_on
        and facts.addresses_of(hardware) == {controller}
    )


def needs_no_router(linkup: LinkUp) -> bool:
    """Whether the controller is heard on the PC's own cable, while the PC's packets go to a router
    and nothing comes back: then whatever a router says is no reason.
    """
    past = linkup.router is not None and not linkup.is_heard
    return past and bool(heard_on_cable(linkup))


def is_own_adapter(facts: Facts, pc: Pc, hardware: Hardware) -> bool:
    """Whether the recording names it as the PC's, or it shares a second address with the PC."""
    if any(interface.hardware == hardware for interface in facts.interfaces):
        return True
    station, own = facts.station(hardware), facts.station(pc.hardware)
    if station is None or own is None:
        return False
    return len(set(station.addresses) & set(own.addresses)) >= 2
