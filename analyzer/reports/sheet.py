"""What a good recording proves -> a site sheet, the rest left to be filled in."""

from collections.abc import Sequence

from analyzer.diagnosis import Diagnosis, LinkUp, Verdict
from analyzer.site import Adapter, Controller, Site, write
from analyzer.words import quoted


def sheet(diagnoses: Sequence[Diagnosis]) -> str | None:
    """The sheet as text, None where no recording shows a link-up that works."""
    shown = [one for one in map(_Shown, diagnoses) if one.good]
    if not shown:
        return None
    adapters = [one.adapter(linkup) for one in shown for linkup in one.good]
    units = [one.controller(linkup) for one in shown for linkup in one.good]
    each_adapter = {one.address: one for one in adapters}
    each_unit = {(one.address, one.port): one for one in units}
    names = ", ".join(dict.fromkeys(quoted(one.facts.file) for one in shown))
    about = f"Site sheet, by what this recording shows: {names}"
    return write(Site(tuple(each_adapter.values()), tuple(each_unit.values())), about)


class _Shown:
    """What one recording shows of the PC, and of the controllers that answer it."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        facts = self.facts = diagnosis.facts
        self.good = [
            outcome.linkup
            for outcome in diagnosis.outcomes
            if outcome.verdict is Verdict.COMPLETE and outcome.linkup.pc_address is not None
        ]
        self._noted = {own: mask for one in facts.interfaces for own, mask in one.addresses}
        leases = facts.dhcp[::-1]
        self._named = {one.offered: one.mask for one in leases}
        self._given = {one.offered: one.mask for one in leases if not one.from_client}

    def adapter(self, linkup: LinkUp) -> Adapter:
        """The PC's adapter, with its mask only where the recorder or an address server names it."""
        own = linkup.pc_address
        assert own is not None
        mask = linkup.mask if self._noted.get(own) == linkup.mask else None
        return Adapter(own, mask=mask or self._given.get(own), hardware_address=linkup.pc.hardware)

    def controller(self, linkup: LinkUp) -> Controller:
        """The controller, with whoever else is in session with it."""
        answered = linkup.arp_answered is not None and linkup.router is None
        return Controller(
            linkup.controller,
            mask=self._named.get(linkup.controller),
            hardware_address=linkup.hardware if answered else None,
            port=linkup.target.port,
            transport=linkup.target.transport,
            answers_arp=True if answered else None,
            others=tuple(map(str, linkup.other_clients)),
        )
