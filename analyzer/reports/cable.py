"""Twisted-pair cables: which wire lies on which pin, and which cable joins what."""

from analyzer.reports.blocks import Table

T568A = (
    "white-green",
    "green",
    "white-orange",
    "blue",
    "white-blue",
    "orange",
    "white-brown",
    "brown",
)
T568B = (
    "white-orange",
    "orange",
    "white-green",
    "blue",
    "white-blue",
    "green",
    "white-brown",
    "brown",
)
"""Colours by pin, 1 to 8 (ANSI/TIA-568, pin and pair assignments T568A and T568B)."""

CROSSOVER = {pin: T568B.index(colour) + 1 for pin, colour in enumerate(T568A, 1)}
"""Which pin at the other end each pin is joined with, if one end is T568A and the other T568B:
1-3 and 2-6 change places, as IEEE 802.3 clauses 14 and 25 ask for at 10 and 100 Mbit/s."""

SOURCES = (
    "Pins and colours: ANSI/TIA-568, assignments T568A and T568B.",
    "Crossover of 1-3 and 2-6: IEEE 802.3 clauses 14 and 25. Ports that switch over by themselves: "
    "IEEE 802.3 clause 40.4.4.",
)
OTHER_PLUGS = (
    "This is about plugs with eight pins in a row (IEC 60603-7). M12 plugs number theirs "
    "otherwise: D-coded with four (IEC 61076-2-101), X-coded with eight (IEC 61076-2-109). Their "
    "cables may have other colours."
)
STRAIGHT = "A straight cable has the same assignment at both ends, either one."
CROSSED = (
    "A crossover cable has T568A at one end and T568B at the other: pins 1-3 and 2-6 change places."
)
WHICH = {
    "direct": "Cable: direct. Where neither end switches over by itself, it has to be a crossover "
    "cable (10 and 100 Mbit/s). Where one end does, as most adapters do while their speed is "
    "automatic, a straight cable works as well.",
    "switch": "Cable: a straight one from each device to the switch.",
    None: "Cable: not in the sheet. Through a switch, a straight one from each device to it. "
    "Direct, a crossover cable where neither end switches over by itself, else either.",
}


def pins() -> Table:
    """Pins and colours of both assignments, and where a crossover cable leads."""
    rows = [
        (str(pin), one, other, str(CROSSOVER[pin]))
        for pin, (one, other) in enumerate(zip(T568A, T568B, strict=True), 1)
    ]
    return Table(("Pin", "T568A", "T568B", "Crossover leads to pin"), rows)
