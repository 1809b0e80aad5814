"""Cautions of rules and plans, graded by the signal words of ANSI Z535.6 and ISO 3864-2: which word
stands before what can kill or hurt, and which before damage (the words' meanings are from memory).
"""

from dataclasses import dataclass, replace
from enum import StrEnum


class Signal(StrEnum):
    """How grave: WARNING could end in death or serious injury; NOTICE is about damage, stopped
    production and lost work alone. DANGER (will kill) and CAUTION (minor injury) are the standard's
    other words: a recording shows no such certainty, and a moving machine hurts badly.
    """

    WARNING = "WARNING"
    NOTICE = "NOTICE"


@dataclass(frozen=True, slots=True)
class Caution:
    """What to be careful of, in few words. make_safe: whether the machine has to be made safe
    first; how, is said once (MAKE_SAFE), above what needs it; brief: what is told of it beside
    that where there is little room.
    """

    signal: Signal
    text: str
    make_safe: bool = False
    brief: str = ""

    def __str__(self) -> str:
        safe = "Make the machine safe first." if self.make_safe else ""
        return f"{self.signal}: {f'{self.text} {safe}'.strip()}"

    def in_short(self) -> "Caution":
        """Only that the machine has to be made safe, where that is so, and what must not be missed
        beside.
        """
        return replace(self, text=self.brief) if self.make_safe else self


def warning(text: str, make_safe: bool = False, brief: str = "") -> Caution:
    """What could hurt somebody."""
    return Caution(Signal.WARNING, text, make_safe, brief)


def notice(text: str) -> Caution:
    """What could do damage, and hurts nobody."""
    return Caution(Signal.NOTICE, text)


MAKE_SAFE = warning(
    "To make the machine safe: nobody within its reach, guards closed, emergency stop at hand, "
    "its drives locked out by those authorised. Ask whoever is responsible. Follow local codes and "
    "the maker's manual."
)
MACHINE = warning("This can change what the machine does.", make_safe=True)
COMMANDS = warning("A program that connects can command the machine at once.", make_safe=True)
RESTART = warning(
    "A restart stops the controller's machine, and may start parts of it again.", make_safe=True
)
ADDRESS_CHANGE = warning(
    "A new address on a live network can cut off a device or restart a controller.",
    make_safe=True,
)
OTHERS_SESSION = warning(
    "Somebody's session may be the operator panel, or what keeps the machine safe. Ask its owner "
    "before it is closed.",
    make_safe=True,
    brief="Ask the session's owner first.",
)
UNPLUG = warning("Unplugging a network cable can stop drives and I/O.", make_safe=True)
PROGRAM = warning(
    "A program that is started or stopped can move or stop the machine.", make_safe=True
)
CLOCK = warning("A new time can start or skip what goes by the clock.", make_safe=True)
WHICH_DEVICE = warning("Send no commands until it is clear which device answers.")
FIREWALL = notice(
    "A firewall protects the PC and what is behind it. Have it opened only for this program, "
    "adapter and port, by whoever is responsible, and never leave it off."
)
FIXED_ENTRY = notice(
    "An entry by hand stays when the unit is replaced, and then leads to nobody or to the wrong "
    "unit. Note it down and remove it then."
)
LINK_DROPS = notice(
    "This ends every session over this link. Make sure that no machine depends on one of them."
)
WAITING_TIME = warning("A lost controller is noticed later then: ask those responsible.")
CABINET = warning(
    "Opening a cabinet is for qualified electricians, under local codes. A PC that is plugged in "
    "there can change what the machine does.",
    make_safe=True,
    brief="Opening a cabinet is for electricians.",
)
ELECTRICAL = warning(
    "Work in an open cabinet and on supply terminals is for qualified electricians, under local "
    "codes."
)
