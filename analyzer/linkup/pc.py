"""Who the PC is: the host that recorded, by votes.

Where nothing but how much it speaks tells a host from others, and these have sessions with each
other, it stays open.
"""

from ipaddress import IPv6Address

from analyzer.facts import Address, Facts, Hardware, Question, Session, Station
from analyzer.linkup.model import Pc, Told
from analyzer.site import Site

SURE = 100.0
"""A vote that decides: the recording's own interface record, or the user."""
ENOUGH = 3.0
"""What a station needs among others whose frames came over a cable, padded: more than that it asks
everybody for an address."""
BY_SHEET = 12.0
"""The vote of the site sheet: as much as that of frames recorded before they were padded, as a
recording may have been made on another PC than the one in the sheet."""
TOO_CLOSE = 1.0
"""Two stations whose votes differ by less cannot be told apart."""


def find_pc(facts: Facts, told: Told) -> tuple[Pc | None, list[Station]]:
    """The host that recorded, by votes; (None, candidates) where the votes do not decide."""
    hosts = [station for station in facts.stations if _host(station)]
    alone = len(hosts) == 1
    if told.pc is None:
        hosts = [one for one in hosts if not _is_told_controller(one, told)]
    else:
        hosts = [one for one in hosts if told.pc in (one.hardware, *one.all_addresses)]
        if not hosts:
            return _not_seen(told, facts), []
    poll = _Poll(facts, told)
    votes = sorted(
        ((poll.votes(station), station) for station in hosts),
        key=lambda vote: (-vote[0], vote[1].first),
    )
    unheard = _unheard_caller(facts, told)
    if unheard is not None:
        return unheard, []
    enough = 1.0 if alone or (votes and votes[0][1].short) else ENOUGH
    if not votes or (votes[0][0] < enough and told.pc is None):
        return _recorded_by(facts, told.site), [station for _, station in votes]
    adapters = [one for _, one in votes[1:] if told.pc is None and poll.in_record(one)]
    if len(votes) > 1 and votes[0][0] - votes[1][0] < TOO_CLOSE and votes[1][1] not in adapters:
        return None, [station for score, station in votes if votes[0][0] - score < TOO_CLOSE]
    score, station = votes[0]
    if told.pc is None and score < SURE and is_no_caller(facts, station, told):
        return None, []
    if told.pc is None and _only_others_call(facts, station, told):
        return None, []
    if told.pc is None and not poll.shows(station) and _others_talk(facts, station, told):
        return None, [station]
    how = "sheet" if _in_sheet(station, told.site) else "traffic"
    how = "told" if told.pc is not None else "recorded" if score >= SURE else how
    addresses = addresses_of(station)
    if isinstance(told.pc, Address):
        addresses = [told.pc]
    others = [
        Pc(facts, told.site, one.hardware, addresses_of(one), how)
        for one in adapters
        if poll.in_record(station)
    ]
    return Pc(facts, told.site, station.hardware, addresses, how, others), [station]


def addresses_of(station: Station) -> list[Address]:
    """A station's addresses, the most used first; those of IPv6 where it has no other."""
    used = station.addresses or station.ipv6
    return sorted(used, key=lambda one: -used[one])


def _not_seen(told: Told, facts: Facts) -> Pc:
    """The PC as told, where it sent no frame."""
    if isinstance(told.pc, Hardware):
        return Pc(facts, told.site, told.pc, [], "told")
    return Pc(facts, told.site, None, [told.pc] if told.pc is not None else [], "told")


def _host(station: Station) -> bool:
    return not (station.hardware is not None and station.hardware.is_group)


def _is_told_controller(station: Station, told: Told) -> bool:
    """Whether a station has the address of a controller that the user named, and no sign says that
    its frames were recorded where they were made.
    """
    named = {address for address, _ in told.controllers}
    return bool(named & set(station.all_addresses)) and not station.sent and not station.short


def _unheard_caller(facts: Facts, told: Told) -> Pc | None:
    """The PC where the recording has the answers to it only: no frame of it, nor of any other
    caller, and no sign that another station recorded.
    """
    named = {address for address, _ in told.controllers}
    sessions = [one for one in facts.sessions if not named or one.server.address in named]
    clients = {one.client.address for one in sessions}
    heard = {address for one in facts.stations for address in one.all_addresses}
    marked = any(one.sent or one.short for one in facts.stations)
    marked |= any(one.hardware or one.addresses for one in facts.interfaces)
    if told.pc is not None or marked or len(clients) != 1 or clients & heard:
        return None
    (client,) = clients
    ways = (one.dst for one in facts.index.packets_to[client] if one.dst is not None)
    return Pc(facts, told.site, next(ways, None), [client], "traffic")


def _recorded_by(facts: Facts, site: Site) -> Pc | None:
    """The PC as the interface record describes it, where it sent nothing at all."""
    for interface in facts.interfaces:
        if interface.addresses:
            hardware = None if interface.hardware is None else Hardware(interface.hardware)
            addresses = [Address(address) for address, _ in interface.addresses]
            return Pc(facts, site, hardware, addresses, "recorded")
    return None


class _Poll:
    """How much speaks for each station being the one that recorded."""

    def __init__(self, facts: Facts, told: Told) -> None:
        self._facts, self._told = facts, told
        self._unicast = sum(one.unicast for one in facts.stations) / 2
        self._short = sum(one.short > 0 for one in facts.stations)
        self._controllers = _controllers(told)

    def votes(self, station: Station) -> float:
        """The sum of what speaks for one station, and against it."""
        sessions, questions = self._sessions(station), self._questions(station)
        score = 0.0
        for interface in self._facts.interfaces:
            recorded = interface.hardware is not None and interface.hardware == station.hardware
            score += SURE * recorded
            score += SURE * any(address in station.addresses for address, _ in interface.addresses)
        score += SURE * (station.sent > 0)
        score -= 10.0 * (station.received > 0 and station.sent == 0)
        score += 6.0 * min(1.0, station.unicast / self._unicast) if self._unicast else 0.0
        score += 12.0 * (station.short > 0 and self._short == 1)
        score += 12.0 * any(one.checksum_filled is False for one in sessions)
        score += 2.0 * (station.long > 0)
        score += 3.0 * any(one.syns.count for one in sessions)
        score += 1.0 * (bool(sessions) or any(one.broadcasts for one in questions))
        score += 1.0 * any(_asks_in_vain(one) for one in questions)
        score += 3.0 * self._calls_a_controller(station, questions)
        score += 0.5 * any(address for address in station.all_addresses)
        score += BY_SHEET * _in_sheet(station, self._told.site)
        return score - 8.0 * station.is_router - 8.0 * station.is_switch

    def in_record(self, station: Station) -> bool:
        """Whether an interface record is about a station."""
        return any(
            one.hardware is not None and one.hardware == station.hardware
            for one in self._facts.interfaces
        )

    def shows(self, station: Station) -> bool:
        """Whether more than how much it speaks tells that a station recorded: a record of it, or
        the site sheet, or frames as they are before an adapter sends them or after it joined them.
        """
        unpadded = station.short > 0 and self._short == 1
        unfilled = any(one.checksum_filled is False for one in self._sessions(station))
        return (
            self.votes(station) >= SURE
            or unpadded
            or unfilled
            or station.long > 0
            or (_in_sheet(station, self._told.site))
        )

    def _sessions(self, station: Station) -> list[Session]:
        """Sessions that it opened."""
        index = self._facts.index
        if station.hardware is not None:
            return index.sessions_by[station.hardware]
        return [one for own in station.all_addresses for one in index.sessions_from[own]]

    def _questions(self, station: Station) -> list[Question]:
        own = station.hardware
        return [] if own is None else self._facts.index.questions_by[own]

    def _calls_a_controller(self, station: Station, questions: list[Question]) -> bool:
        """Whether it asks for a controller that was named, or sends packets to it."""
        wanted = self._controllers
        if not wanted:
            return False
        paths = self._facts.index.paths_from[station.hardware]
        return any(one.wanted in wanted for one in questions) or any(
            one.dst_ip in wanted for one in paths
        )


def _asks_in_vain(question: Question) -> bool:
    """Whether a question that nobody answers is repeated. Others' questions look unanswered too, as
    a switch sends the replies to them only, but they have no reason to repeat them.
    """
    return question.broadcasts > 1 and not question.answered


def _controllers(told: Told) -> set[Address]:
    sheet = {one.address for one in told.site.controllers}
    return {address for address, _ in told.controllers} or sheet


def _in_sheet(station: Station, site: Site) -> bool:
    """Whether a station has an address of the PC in the site sheet, and is nobody else in it."""
    owner = site.owner(station.hardware)
    if owner is not None:
        return owner in site.adapters
    return any(one.address in station.addresses for one in site.adapters)


def from_pc(session: Session, pc: Pc) -> bool:
    """Whether the PC opened a session."""
    if pc.hardware is not None and session.from_client.hardware:
        return pc.hardware in session.from_client.hardware
    return session.client.address in pc.addresses


def is_no_caller(facts: Facts, station: Station, told: Told) -> bool:
    """Whether a station, though it recorded, called, sent, pinged and asked nobody, and others
    called or asked for it, or were told what it could not deliver: then it is the one that was
    called, or a router.
    """
    index, own = facts.index, station.hardware
    if _in_sheet(station, told.site):
        return False
    if own is not None and (index.sessions_by[own] or index.questions_by[own]):
        return False
    named = {address for address, _ in told.controllers}
    others_did = False
    for at in station.all_addresses:
        if len(facts.claims(at).counts) > 1:
            return False  # who is called there is not clear
        if index.sessions_from[at] or index.exchanges_from[at] or index.pings_from[at]:
            return False
        if any(one.client.address in named for one in index.sessions_to[at]):
            return False  # the controller that was named calls the PC
        others_did |= bool(index.sessions_to[at] or index.pings_to[at])
        others_did |= bool(index.questions_for[at] or index.errors_by[at])
    return others_did


def _only_others_call(facts: Facts, station: Station, told: Told) -> bool:
    """Whether others have sessions, both ways, with a controller that the user named, and a station
    that recorded them tried to reach none of these: who is meant to be the PC is one of the others.
    """
    index, named = facts.index, {address for address, _ in told.controllers}
    asked = index.questions_by[station.hardware] if station.hardware is not None else ()
    sent = [path.dst_ip for path in index.paths_from[station.hardware]]
    sent += [one.server.address for at in station.all_addresses for one in index.sessions_from[at]]
    if not named or not named.isdisjoint([*sent, *(one.wanted for one in asked)]):
        return False
    if not named.isdisjoint(station.all_addresses):
        return False
    sessions = [one for address in named for one in index.sessions_to[address]]
    return any(all(side.frames for side in one.sides) for one in sessions)


def _others_talk(facts: Facts, station: Station, told: Told) -> bool:
    """Whether two others have a session with each other, both ways: then a mirror port or a tap was
    recorded, and whoever speaks most there need not be the PC. A switch keeps such sessions from
    the ports of others, but for what it floods, which goes one way.
    """
    named, own = _controllers(told), {*station.all_addresses, station.hardware}

    def is_between_others(one: Session) -> bool:
        sides = (one.from_client, one.from_server)
        ends = (one.client.address, one.server.address)
        meant = not named or one.server.address in named
        apart = own.isdisjoint(ends) and not any(own & {*side.hardware} for side in sides)
        return meant and apart and all(side.frames for side in sides) and all(map(is_host, ends))

    return any(map(is_between_others, facts.sessions))


def is_host(address: Address) -> bool:
    """Whether an address is neither multicast nor broadcast nor reserved (RFC 1112, RFC 1122;
    RFC 4291 2.5.2, 2.5.3 and 2.7).
    """
    if address.is_ipv6:
        whole = IPv6Address(address.packed)
        return not (whole.is_multicast or whole.is_unspecified or whole.is_loopback)
    return 0 < address >> 24 < 224 and address >> 24 != 127 and address & 0xFF != 0xFF
