"""Where a recording shows something else than the site sheet says."""

from collections.abc import Iterator

from analyzer.diagnosis import Diagnosis, LinkUp
from analyzer.words import clean, listed


def differences(diagnosis: Diagnosis, linkup: LinkUp) -> Iterator[str]:
    """A sentence for each thing about one link-up; nothing where there is no sheet."""
    site, own = linkup.site, linkup.pc_address
    adapter, sheet = site.adapter(own), linkup.sheet
    if own is not None and site.adapters and adapter is None:
        known = listed([one.address for one in site.adapters])
        yield f"The PC uses {own}; in the site sheet it has {known}."
    if adapter is not None and adapter.mask not in (None, linkup.mask):
        yield f"The PC's mask is {linkup.mask}; in the site sheet it is {adapter.mask}."
    if sheet is None:
        return
    claimed = linkup.arp_answered is not None and linkup.router is None
    if claimed and sheet.hardware_address not in (None, linkup.hardware):
        yield (
            f"{linkup.hardware or 'More than one station'} answers for {linkup.controller}; the "
            f"label in the site sheet has {sheet.hardware_address}."
        )
    strangers = _strangers(diagnosis, linkup)
    if sheet.others and strangers:
        yield (
            f"{listed(strangers)} talked to {linkup.controller} too; the site sheet names "
            f"{clean(listed(sheet.others))}."
        )


def _strangers(diagnosis: Diagnosis, linkup: LinkUp) -> list[str]:
    """Who had a session with the controller, and is not named as one who may."""
    clients = {
        one.client.address
        for one in diagnosis.facts.sessions
        if one.server.address == linkup.controller and one.is_open
    }
    named = set(linkup.sheet.others) if linkup.sheet is not None else set()
    return sorted({str(one) for one in clients - set(linkup.pc.addresses)} - named)
