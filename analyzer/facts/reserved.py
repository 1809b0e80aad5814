"""Addresses that no single device can have (RFC 1122 3.2.1.3, RFC 1112 4, RFC 919; of IPv6:
RFC 4291 2.5.2, 2.5.3 and 2.7).
"""

from analyzer.facts.values import Address
from analyzer.frames import IPV6_BIT

RANGES = (
    (0x00000000, 0xFF000000, "devices that have no address yet"),
    (0x7F000000, 0xFF000000, "talk inside one device"),
    (0xE0000000, 0xF0000000, "groups of devices (multicast)"),
    (0xFFFFFFFF, 0xFFFFFFFF, "all devices on the cable (broadcast)"),
    (0xF0000000, 0xF0000000, "future use"),
    (IPV6_BIT, IPV6_BIT - 1, "devices that have no address yet"),
    (IPV6_BIT | 1, IPV6_BIT - 1, "talk inside one device"),
    (IPV6_BIT | 0xFF << 120, 0xFF << 120, "groups of devices (multicast)"),
)
"""Network, mask, and what its addresses are kept for."""
SHORTEST_NETWORK = 4
"""Addresses of the smallest network whose first and last one are not for devices (RFC 3021)."""


def reserved_for(address: Address, mask: Address | None) -> str | None:
    """What an address is kept for, None where a device can have it; mask: of its network, if known.

    The first address of a network stands for itself, the last one for all (RFC 1122 3.2.1.3).
    """
    for network, width, purpose in RANGES:
        if not (address ^ network) & (width | IPV6_BIT):
            return purpose
    if mask is None or (size := (~mask & 0xFFFFFFFF) + 1) < SHORTEST_NETWORK:
        return None
    ends = {0: "the network itself", size - 1: "all devices of its network (broadcast)"}
    return ends.get(address % size)
