"""What a station sends when it comes up: it checks and announces its address (RFC 5227 2.1, 2.3),
or asks a server for one (RFC 951, RFC 2131 3.1). A replugged cable has the same effect.
"""

from collections.abc import Iterator
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from analyzer.facts.arp import Claims
from analyzer.facts.dhcp import BOOTP, DISCOVER, REQUEST, DhcpMessage
from analyzer.facts.values import Hardware, Moment

if TYPE_CHECKING:
    from analyzer.facts import Facts


AGAIN = 2
"""Requests of a station that got no address; a single one may be the begin of a normal start."""


class BootSign(StrEnum):
    """What such a frame does."""

    PROBE = "probe"
    ANNOUNCEMENT = "announcement"
    ADDRESS_REQUEST = "address request"


class Boot(NamedTuple):
    """One frame of a station that comes up."""

    moment: Moment
    sign: BootSign


def boots(facts: "Facts", hardware: Hardware) -> list[Boot]:
    """The frames of a station that comes up, in order; at most KEPT of a kind and address.

    A probe counts where the station has the address at another time: switches probe, too. A
    renewal from the address in use is no start.
    """
    index, claims = facts.index, facts.arp.claims
    found = [Boot(one.moment, BootSign.ADDRESS_REQUEST) for one in requests(facts, hardware)]
    for address, series in index.probes_by[hardware]:
        if hardware in claims.get(address, Claims()).counts:
            found += [Boot(moment, BootSign.PROBE) for moment in series.moments]
    for _, series in index.announcements_by[hardware]:
        found += [Boot(moment, BootSign.ANNOUNCEMENT) for moment in series.moments]
    return sorted(found)


def addressless(facts: "Facts") -> Iterator[list[DhcpMessage]]:
    """The requests of each station that has no address, asks for one again and gets none."""
    for station in facts.stations:
        if station.hardware is None or station.addresses:
            continue
        asks = requests(facts, station.hardware)
        if len(asks) >= AGAIN and not given(facts, station.hardware, asks[0].moment):
            yield asks


def given(facts: "Facts", hardware: Hardware, since: Moment) -> bool:
    """Whether a server offered or gave a station an address, later than a moment."""
    return any(one.moment > since for one in facts.index.given_to[hardware])


def requests(facts: "Facts", hardware: Hardware) -> list[DhcpMessage]:
    """A station's requests for an address while it has none."""
    own = facts.index.dhcp_of[hardware]
    asks = [one for one in own if one.from_client and one.type in (BOOTP, DISCOVER, REQUEST)]
    return [one for one in asks if not one.current]
