"""The switch keeps its port closed to the PC: it asks who is there, or has shut the port.

Asked: the switch's requests (IEEE 802.1X) come in, no success follows, and nothing else comes in
while the PC tries; shown where it turned the PC down. Shut: everything stops as soon as a second
hardware address sends through the same port. Quiet on a port that asks and forwards all the same,
after a success, for the keys of a wireless network, and where nobody tries.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Hardware, Moment, Station
from analyzer.facts.switch import Access
from analyzer.facts.switch import Step as AccessStep
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import (
    LISTEN_LONG,
    Case,
    LinkUp,
    everything_tried,
    is_of_the_pc,
    let_through,
    others,
    silence,
)

SHUTS_WITHIN = 2.0
"""Seconds within which a port limit acts, so that frames under way may still come."""
ALIVE_BEFORE = 10.0
"""Seconds before that in which the cable has to have carried frames."""
ASKS = (AccessStep.IDENTITY, AccessStep.REQUEST, AccessStep.FAILURE)


def find(case: Case) -> Iterator[Sighting]:
    asked = _asked(case)
    guest = None if asked else _shut_by(case)
    refused = [one.moment for one in asked if one.step is AccessStep.FAILURE]
    if asked:
        since = (refused[-1] if refused else asked[0].moment).seconds
        if let_through(case.pc, since + 1.0) is not None:
            return
    elif guest is not None:
        since = guest.first.seconds
    else:
        return
    linkups: Sequence[LinkUp | None] = case.linkups or [None]
    for linkup in linkups:
        tried = [
            one for one in everything_tried(case, linkup) if one.seconds > since - ALIVE_BEFORE
        ]
        if not tried or (linkup is not None and linkup.is_one_sided):
            continue
        yield Sighting(
            values={
                "asked": sum(one.step is not AccessStep.FAILURE for one in asked),
                "refused": len(refused),
                "senders": 1 + len(list(_guests(case))),
                "span": case.facts.heard_after(Moment(0, since)),
            },
            frames={
                "asked": [one.moment for one in asked if one.step is not AccessStep.FAILURE],
                "refused": refused,
                "second": [guest.first] if guest else [],
                "tried": tried,
            },
            linkup=linkup,
            certainty=Certainty.SHOWN if refused else Certainty.FITS,
            silence=silence(tried, case.facts),
            likeliest=list(RULE.likely_causes)[0 if asked else 1],
        )


def _asked(case: Case) -> list[Access]:
    """The switch's requests and refusals for the PC since its last success."""
    own = case.pc.hardware if case.pc else None
    asked: list[Access] = []
    for one in case.facts.switch.access:
        if one.sender == own or not _is_for(one.receiver, own):
            continue
        if one.step is AccessStep.SUCCESS:
            asked = []
        elif one.step in ASKS:
            asked.append(one)
    return asked


def _is_for(receiver: Hardware, own: Hardware | None) -> bool:
    return receiver.is_group or receiver == own


def _shut_by(case: Case) -> Station | None:
    """The guest of the PC with whose first frame everything stopped."""
    heard = max((station.last.seconds for station in others(case.facts, case.pc)), default=None)
    for guest in _guests(case):
        began = guest.first.seconds
        if heard is None or not began - ALIVE_BEFORE <= heard <= began + SHUTS_WITHIN:
            continue
        if case.facts.heard_after(guest.first) >= LISTEN_LONG:
            return guest
    return None


def _guests(case: Case) -> Iterator[Station]:
    own = case.pc.hardware if case.pc else None
    stations = case.facts.stations
    return (one for one in stations if one.hardware != own and is_of_the_pc(one, case))


RULE = Rule(
    slug="port-access-control",
    stage="link",
    title="The switch keeps its port closed to this PC",
    what_happened="For {span:seconds} the PC tried, and nothing of other stations came in."
    "{asked:if The switch asked {asked:times} who is there.}"
    "{refused:if It turned the PC down {refused:times}.}"
    "{senders:if Through the PC's socket sent {senders:count hardware address}.}",
    means="Switches can open a port only for devices that log in or are registered, or only for "
    "one device. Until the port is opened, the PC reaches nobody.",
    likely_causes={
        "pc-registered-network": "The PC is not registered in this network, or did not log in at the switch.",
        "second-hardware-address": "A second hardware address came up behind the port, as of a virtual machine or a small "
        "switch, and the port allows only one.",
        "port-shut-another": "The port was shut for another reason, and has to be opened by hand.",
    },
    what_to_do=(
        Step(
            "Tell whoever is responsible for the network the hardware address of the PC, and ask "
            "for the state of this port."
        ),
        Step("Stop the bridged network of virtual machines on the PC, and record again."),
        Step("Ask for a port that is meant for service PCs."),
        Step(
            "Have the port opened again by those responsible: plugging the cable in again does "
            "not do it.",
            "A shut port may also hold a device of the machine: tell production "
            "first, and have the machine made safe before the port is opened.",
        ),
    ),
    evidence={
        "asked": "the switch asks who is there{again}",
        "refused": "the switch turns the PC down{again}",
        "second": "a second hardware address sends through the PC's socket",
        "tried": "the PC tries, and nothing comes back{again}",
    },
    also_fits={
        "port-asks-open": "A port that asks and is open all the same, where nobody else has anything to say.",
        "cable-came-loose": "A cable that came loose at that moment.",
    },
    looks_alike=(
        "A port that asks who is there while other stations are heard: it is open.",
        "A PC that logged in with success.",
        "The key exchange of a wireless network.",
    ),
    confirm="Ask for the switch's log of this port at that clock time.",
    explains=("nothing-heard", "self-assigned-address", "unanswered-arp"),
    sources=("IEEE 802.1X", "RFC 3748 section 4", "common practice, no source"),
    needs=frozenset({Need.HARDWARE}),
    survey=find,
)
