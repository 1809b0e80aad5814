"""What a good recording proves -> a site sheet, the rest left to be filled in."""

from collections.abc import Iterator, Sequence

from analyzer.diagnosis import Diagnosis, LinkUp, Verdict
from analyzer.site import Adapter, Controller, Site, write
from analyzer.words import clean


def sheet(diagnoses: Sequence[Diagnosis]) -> str | None:
    """The sheet as text, None where no recording shows a link-up that works."""
    good = [
        (one, outcome.linkup)
        for one in diagnoses
        for outcome in one.outcomes
        if outcome.verdict is Verdict.COMPLETE and outcome.linkup.pc_address is not None
    ]
    if not good:
        return None
    adapters = {one.address: one for diagnosis, linkup in good for one in _pc(diagnosis, linkup)}
    units = [_unit(diagnosis, linkup) for diagnosis, linkup in good]
    controllers = {(one.address, one.port): one for one in units}
    names = ", ".join(dict.fromkeys(clean(one.facts.file) for one, _ in good))
    about = f"Site sheet, by what this recording shows: {names}"
    return write(Site(tuple(adapters.values()), tuple(controllers.values())), about)


def _pc(diagnosis: Diagnosis, linkup: LinkUp) -> Iterator[Adapter]:
    """The PC's adapter, with its mask only where the recorder or an address server names it."""
    own, facts = linkup.pc_address, diagnosis.facts
    if own is None:
        return
    noted = {address: mask for one in facts.interfaces for address, mask in one.addresses}
    given = (one.mask for one in facts.dhcp if one.offered == own and not one.from_client)
    mask = linkup.mask if linkup.mask is not None and noted.get(own) == linkup.mask else None
    yield Adapter(own, mask=mask or next(given, None), hardware_address=linkup.pc.hardware)


def _unit(diagnosis: Diagnosis, linkup: LinkUp) -> Controller:
    answered = linkup.arp_answered is not None and linkup.router is None
    given = (one.mask for one in diagnosis.facts.dhcp if one.offered == linkup.controller)
    return Controller(
        linkup.controller,
        mask=next(given, None),
        hardware_address=linkup.hardware if answered else None,
        port=linkup.target.port,
        transport=linkup.target.transport,
        answers_arp=True if answered else None,
        others=_others(diagnosis, linkup),
    )


def _others(diagnosis: Diagnosis, linkup: LinkUp) -> tuple[str, ...]:
    """Who else is in session with the controller."""
    clients = {
        session.client.address
        for session in diagnosis.facts.sessions
        if session.server.address == linkup.controller and session.is_open
    }
    return tuple(str(one) for one in sorted(clients - set(linkup.pc.addresses)))
