"""Who the PC is: the host that recorded, by votes."""

from analyzer.facts import Address, Facts, Hardware, Question, Session, Station
from analyzer.linkup.model import Pc, Told, presumed_mask
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
        hosts = [one for one in hosts if told.pc in (one.hardware, *one.addresses)]
        if not hosts:
            return _not_seen(told, facts), []
    votes = sorted(
        ((_votes(facts, station, told), station) for station in hosts),
        key=lambda vote: (-vote[0], vote[1].first),
    )
    unheard = _unheard_caller(facts, told)
    if unheard is not None:
        return unheard, []
    enough = 1.0 if alone or (votes and votes[0][1].short) else ENOUGH
    if not votes or (votes[0][0] < enough and told.pc is None):
        return _recorded_by(facts, told.site), [station for _, station in votes]
    if len(votes) > 1 and votes[0][0] - votes[1][0] < TOO_CLOSE:
        return None, [station for score, station in votes if votes[0][0] - score < TOO_CLOSE]
    score, station = votes[0]
    how = "sheet" if _in_sheet(station, told.site) else "traffic"
    how = "told" if told.pc is not None else "recorded" if score >= SURE else how
    addresses = sorted(station.addresses, key=lambda one: -station.addresses[one])
    if isinstance(told.pc, Address):
        addresses = [told.pc]
    return Pc(station.hardware, addresses, how, _masks(facts, station, told.site)), [station]


def _not_seen(told: Told, facts: Facts) -> Pc:
    """The PC as told, where it sent no frame."""
    masks = _masks(facts, None, told.site)
    if isinstance(told.pc, Hardware):
        return Pc(told.pc, [], "told", masks)
    return Pc(None, [told.pc] if told.pc is not None else [], "told", masks)


def _host(station: Station) -> bool:
    return not (station.hardware is not None and station.hardware.is_group)


def _is_told_controller(station: Station, told: Told) -> bool:
    """Whether a station has the address of a controller that the user named, and no sign says that
    its frames were recorded where they were made.
    """
    named = {address for address, _ in told.controllers}
    return bool(named & set(station.addresses)) and not station.sent and not station.short


def _unheard_caller(facts: Facts, told: Told) -> Pc | None:
    """The PC where the recording has the answers to it only: no frame of it, nor of any other
    caller, and no sign that another station recorded.
    """
    named = {address for address, _ in told.controllers}
    sessions = [one for one in facts.sessions if not named or one.server.address in named]
    clients = {one.client.address for one in sessions}
    heard = {address for one in facts.stations for address in one.addresses}
    marked = any(one.sent or one.short for one in facts.stations)
    marked |= any(one.hardware or one.addresses for one in facts.interfaces)
    if told.pc is not None or marked or len(clients) != 1 or clients & heard:
        return None
    ways = (one.dst for one in facts.paths if one.dst_ip in clients and one.dst is not None)
    return Pc(next(ways, None), sorted(clients), "traffic", _masks(facts, None, told.site))


def _recorded_by(facts: Facts, site: Site) -> Pc | None:
    """The PC as the interface record describes it, where it sent nothing at all."""
    for interface in facts.interfaces:
        if interface.addresses:
            hardware = None if interface.hardware is None else Hardware(interface.hardware)
            addresses = [Address(address) for address, _ in interface.addresses]
            return Pc(hardware, addresses, "recorded", _masks(facts, None, site))
    return None


def _votes(facts: Facts, station: Station, told: Told) -> float:
    """How much speaks for a station being the one that recorded (ground rule on directions)."""
    score = 0.0
    for interface in facts.interfaces:
        score += SURE * (interface.hardware is not None and interface.hardware == station.hardware)
        score += SURE * any(address in station.addresses for address, _ in interface.addresses)
    score += SURE * (station.sent > 0)
    score -= 10.0 * (station.received > 0 and station.sent == 0)
    total = sum(one.unicast for one in facts.stations) / 2
    score += 6.0 * min(1.0, station.unicast / total) if total else 0.0
    score += 12.0 * (station.short > 0 and _alone(facts, station))
    score += 12.0 * _leaves_checksums(facts, station)
    score += 2.0 * (station.long > 0)
    score += 3.0 * any(one.syns.count and _by(one, station) for one in facts.sessions)
    score += 1.0 * _asks(facts, station)
    score += 1.0 * _asks_in_vain(facts, station)
    score += 3.0 * any(_calls(facts, station, address) for address in _controllers(told))
    score += 0.5 * any(address for address in station.addresses)
    score += BY_SHEET * _in_sheet(station, told.site)
    return score - 8.0 * station.is_router - 8.0 * station.is_switch


def _controllers(told: Told) -> set[Address]:
    sheet = {one.address for one in told.site.controllers}
    return {address for address, _ in told.controllers} or sheet


def _in_sheet(station: Station, site: Site) -> bool:
    """Whether a station has an address of the PC in the site sheet, and is nobody else in it."""
    owner = site.owner(station.hardware)
    if owner is not None:
        return owner in site.adapters
    return any(one.address in station.addresses for one in site.adapters)


def _alone(facts: Facts, station: Station) -> bool:
    return not any(one.short for one in facts.stations if one is not station)


def _leaves_checksums(facts: Facts, station: Station) -> bool:
    own = [one for one in facts.sessions if one.checksum_filled is not None and _by(one, station)]
    return any(one.checksum_filled is False for one in own)


def _by(session: Session, station: Station) -> bool:
    if station.hardware is not None:
        return station.hardware in session.from_client.hardware
    return session.client.address in station.addresses


def _asks(facts: Facts, station: Station) -> bool:
    """Whether a station asks everybody for addresses, or uses sessions as a client."""
    questions = facts.arp.questions.values()
    asks = any(one.asker == station.hardware and one.broadcasts for one in questions)
    return asks or any(_by(session, station) for session in facts.sessions)


def _asks_in_vain(facts: Facts, station: Station) -> bool:
    """Whether a station repeats a question that nobody answers. Others' questions look unanswered
    too, as a switch sends the replies to them only, but they have no reason to repeat them.
    """
    questions = facts.arp.questions.values()
    own = (one for one in questions if one.asker == station.hardware)
    return any(one.broadcasts > 1 and not one.answered for one in own)


def _calls(facts: Facts, station: Station, controller: Address) -> bool:
    """Whether a station asks for a controller or sends packets to it."""
    questions = facts.arp.questions.values()
    asks = any(one.asker == station.hardware and one.wanted == controller for one in questions)
    own = (path for path in facts.paths if path.src == station.hardware)
    return asks or any(path.dst_ip == controller for path in own)


def _masks(facts: Facts, station: Station | None, site: Site) -> list[tuple[Address, Address]]:
    """Masks that are known: from interface records, DHCP option 1, the site sheet, and directed
    broadcasts. What was recorded counts before what was written down.
    """
    masks = [
        (Address(address), Address(mask))
        for interface in facts.interfaces
        for address, mask in interface.addresses
        if Address(mask).is_mask
    ]
    masks += [
        (message.offered, message.mask)
        for message in facts.dhcp
        if message.mask is not None
        and not message.from_client
        and (station is None or message.client == station.hardware)
    ]
    masks += [(one.address, one.mask) for one in site.adapters if one.mask is not None]
    return masks + (broadcast_masks(station) if station is not None else [])


def broadcast_masks(station: Station) -> list[tuple[Address, Address]]:
    """Masks that a station's own directed broadcasts tell: all ones behind the network (RFC 922).
    Where a narrower mask would fit as well, the widest is taken.
    """
    masks = []
    for own in station.addresses:
        for group in station.broadcast_to:
            host = group & ~(group + 1)
            mask = Address(~host & 0xFFFFFFFF)
            if mask and own & mask == group & mask:
                masks.append((own, mask))
    return masks


def from_pc(session: Session, pc: Pc) -> bool:
    """Whether the PC opened a session."""
    if pc.hardware is not None and session.from_client.hardware:
        return pc.hardware in session.from_client.hardware
    return session.client.address in pc.addresses


def asked_by_pc(question: Question, pc: Pc) -> bool:
    """Whether the PC asked a question."""
    return question.asker == pc.hardware if pc.hardware is not None else False


def is_near(pc: Pc, address: Address) -> bool:
    """Whether an address is in a network of the PC."""
    return any(share_network(pc, own, address) for own in pc.addresses)


def share_network(pc: Pc, own: Address, address: Address) -> bool:
    """Whether an address is in the network of one of the PC's own."""
    mask = pc.mask_for(own) or presumed_mask(own)
    return own & mask == address & mask
