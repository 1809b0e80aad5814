"""The frames were stored without hardware addresses, so two stages cannot be judged.

A note only where every link-up works all the same.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case


def survey(case: Case) -> Iterator[Sighting]:
    facts = case.facts
    if facts.coverage.frames and not facts.has_hardware_addresses:
        yield Sighting(
            values={"link_type": facts.link_type},
            frames={},
            level=Level.NOTE if case.works else Level.WARNING,
        )


RULE = Rule(
    slug="no-hardware-addresses",
    stage="recording",
    level=Level.WARNING,
    title="The recording holds no hardware addresses (link type: {link_type})",
    what_happened="The frames were stored without the part that carries hardware addresses.",
    means="The cable, the search for the controller's hardware address and a second device on its "
    "address cannot be judged. Questions for hardware addresses (ARP) cannot be in it.",
    likely_causes={
        "vpn": "The recording was made on a VPN, loopback or tunnel adapter.",
        "wireless": "It was made on a wireless adapter, and holds radio frames that are not read "
        "here.",
        "all adapters": "It was made on all adapters together, and the recorder left the link "
        "layer out.",
    },
    what_to_do=(Step("Record again on the cable adapter itself, not on all adapters together."),),
    also_fits={
        "remote service": "Remote service through a VPN: then the controller lies behind it, and "
        "this is expected.",
    },
    evidence={},
    looks_alike=("A recording on the cable adapter without any ARP still has the addresses.",),
    confirm="Look at which adapter the recorder used.",
    sources=("draft-ietf-opsawg-pcaplinktype (link types 0, 101, 108, 228, 229)",),
    needs=frozenset(),
    survey=survey,
)
