"""Where a recording shows something else than the site sheet says."""

from collections.abc import Iterator

from analyzer.diagnosis import LinkUp
from analyzer.words import listed, quoted


def differences(linkup: LinkUp) -> list[str]:
    """A sentence for each thing about one link-up; nothing where there is no sheet."""
    return [*_of_adapter(linkup), *_of_controller(linkup)]


def _of_controller(linkup: LinkUp) -> Iterator[str]:
    sheet = linkup.sheet
    if sheet is None:
        return
    claimed = linkup.arp_answered is not None and linkup.router is None
    if claimed and sheet.hardware_address not in (None, linkup.hardware):
        yield (
            f"{linkup.hardware or 'More than one station'} answers for {linkup.controller}; "
            f"the label in the site sheet has {sheet.hardware_address}."
        )
    strangers = [one for one in linkup.other_clients if str(one) not in sheet.others]
    if sheet.others and strangers:
        yield (
            f"{listed(strangers)} talked to {linkup.controller} too; the site sheet names "
            f"{listed(list(map(quoted, sheet.others)))}."
        )


def _of_adapter(linkup: LinkUp) -> Iterator[str]:
    site, own = linkup.site, linkup.pc_address
    adapter = site.adapter(own)
    if own is not None and site.adapters and adapter is None:
        known = listed([one.address for one in site.adapters])
        yield f"The PC uses {own}; in the site sheet it has {known}."
    if adapter is not None and adapter.mask not in (None, linkup.mask):
        yield f"The PC's mask is {linkup.mask}; in the site sheet it is {adapter.mask}."
