"""Who was in session with whom."""

from analyzer.diagnosis import Diagnosis, LinkUp


class Clients:
    """The clients of each server in a recording that had a session with it."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        self._of: dict[int, set[int]] = {}
        for one in diagnosis.facts.sessions:
            if one.is_open:
                self._of.setdefault(one.server.address, set()).add(one.client.address)

    def beside_pc(self, linkup: LinkUp) -> list[int]:
        """Those of the controller that are not the PC, in order."""
        return sorted(self._of.get(linkup.controller, set()).difference(linkup.pc.addresses))
