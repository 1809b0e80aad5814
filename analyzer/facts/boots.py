"""What a station sends when it comes up: it checks and announces its address (RFC 5227 2.1, 2.3),
or asks a server for one (RFC 951, RFC 2131 3.1). A replugged cable has the same effect.
"""

from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

from analyzer.facts.arp import Arp, Claims
from analyzer.facts.dhcp import BOOTP, DISCOVER, REQUEST, DhcpMessage
from analyzer.facts.values import Hardware, Moment


class BootSign(StrEnum):
    """What such a frame does."""

    PROBE = "probe"
    ANNOUNCEMENT = "announcement"
    ADDRESS_REQUEST = "address request"


class Boot(NamedTuple):
    """One frame of a station that comes up."""

    moment: Moment
    sign: BootSign


def boots(arp: Arp, messages: list[DhcpMessage], hardware: Hardware) -> list[Boot]:
    """The frames of a station that comes up, in order; at most KEPT of a kind and address.

    A probe counts where the station has the address at another time: switches probe, too. A
    renewal from the address in use is no start.
    """
    found = [Boot(one.moment, BootSign.ADDRESS_REQUEST) for one in requests(messages, hardware)]
    for (sender, address), series in arp.probes.items():
        claims = arp.claims.get(address, Claims())
        if sender == hardware and hardware in claims.counts:
            found += [Boot(moment, BootSign.PROBE) for moment in series.moments]
    for (sender, _), series in arp.announcements.items():
        if sender == hardware:
            found += [Boot(moment, BootSign.ANNOUNCEMENT) for moment in series.moments]
    return sorted(found)


def requests(messages: list[DhcpMessage], hardware: Hardware) -> Iterator[DhcpMessage]:
    """A station's requests for an address while it has none."""
    for one in messages:
        asks = one.from_client and one.type in (BOOTP, DISCOVER, REQUEST)
        if asks and one.client == hardware and not one.current:
            yield one
