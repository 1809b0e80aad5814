"""How much a parcel may unpack to: enough for honest ones, too little for traps."""

from analyzer.errors import LimitReached

MAX_UNPACKED = 4 << 30
"""Octets unpacked in all, those read again counted again. What people send is below 1 GiB; this
much takes half a minute to look through."""
MAX_MEMBERS = 10_000
"""Files looked at in all. A day of pieces of a minute each is 1,440."""
MAX_DEPTH = 8
"""Containers inside one another: a forwarded mail with a ZIP archive of gzip files is 4."""
DEEPEST = 64
"""No factor goes beyond this depth: every level costs a few nested calls."""
MAX_DIRECTORY = 2 << 20
"""Octets of a ZIP archive's directory, which has to be in memory: about 20,000 names."""
RAISE = "--limit raises the limit."


class Limits:
    """The limits of one parcel and what is left of them; factor multiplies them.

    reached: what was found too large, as part of a sentence; nothing more is unpacked then.
    """

    def __init__(self, factor: int = 1) -> None:
        self.factor = factor
        self.depth = min(MAX_DEPTH * factor, DEEPEST)
        self.directory = MAX_DIRECTORY * factor
        self.members = MAX_MEMBERS * factor
        self.reached = ""
        self.renew()

    def renew(self) -> None:
        """Allow the octets again: what was found is read once more, to be judged."""
        self.octets = MAX_UNPACKED * self.factor

    def unpacked(self, octets: int) -> None:
        """Count octets that were unpacked. Raises LimitReached."""
        self.octets -= octets
        if self.octets < 0:
            self._reach(f"it unpacks to more than {MAX_UNPACKED * self.factor >> 20:,} MiB")

    def member(self) -> None:
        """Count a file that is looked at. Raises LimitReached."""
        self.members -= 1
        if self.members < 0:
            self._reach(f"it holds more than {MAX_MEMBERS * self.factor:,} files")

    def _reach(self, what: str) -> None:
        self.reached = what
        raise LimitReached(what)
