"""The switch keeps its port closed to the PC: it asks who is there, or has shut the port.

Asked: the switch's requests (IEEE 802.1X) come in, no success follows, and nothing else comes in
while the PC tries; shown where it turned the PC down. Shut: everything stops as soon as a second
hardware address sends through the same port. Quiet on a port that asks and forwards all the same,
after a success, for the keys of a wireless network, and where nobody tries.
"""

from collections.abc import Iterator

from analyzer.facts import Station
from analyzer.facts.switch import Access
from analyzer.facts.switch import Step as AccessStep
from analyzer.findings import Certainty, Need, Rule, Sighting, Step
from analyzer.linkup import Case, Pc
from rules import cautions

SHUTS_WITHIN = 2.0
"""Seconds within which a switch shuts a port, so that frames under way may still come."""
ALIVE_BEFORE = 10.0
"""Seconds before that in which the cable has to have carried frames, and in which a try may lie
that the shut port stopped."""
SHUT_FOR = 15.0
"""Seconds without a frame of others behind ALIVE_BEFORE that are no mere pause."""
ASKS = (AccessStep.IDENTITY, AccessStep.REQUEST, AccessStep.FAILURE)
NOT_LOGGED_IN, SECOND_ADDRESS = "not logged in", "second address"
"""Names of these causes below."""


def survey(case: Case) -> Iterator[Sighting]:
    if case.pc is None:
        return
    steps = _asked(case.pc)
    refused = [one.moment for one in steps if one.step is AccessStep.FAILURE]
    asked = [one.moment for one in steps if one.step is not AccessStep.FAILURE]
    guest = None if steps else _shut_by(case.pc)
    second = [guest.first] if guest else []
    since = next(iter([*refused[-1:], *asked, *second]), None)
    if since is None or case.pc.cable.let_through(since.seconds + SHUTS_WITHIN) is not None:
        return
    for linkup, tried in case.tried():
        stopped = [one for one in tried if one.seconds > since.seconds - ALIVE_BEFORE]
        if stopped:
            yield Sighting(
                values={
                    "asked": len(asked),
                    "refused": len(refused),
                    "guests": len(case.pc.guests),
                    "hardware": case.pc.hardware,
                    "from": stopped[0].seconds,
                    "to": stopped[-1].seconds,
                    "span": case.facts.heard_after(since),
                },
                frames={
                    "asked": asked,
                    "refused": refused,
                    "second": second,
                    "tried": [stopped[0], stopped[-1]],
                },
                linkup=linkup,
                certainty=Certainty.SHOWN if refused else Certainty.FITS,
                silence=case.silence(linkup, stopped),
                likeliest=SECOND_ADDRESS if guest else NOT_LOGGED_IN,
            )


def _asked(pc: Pc) -> list[Access]:
    """The switch's requests and refusals for the PC since its last success."""
    asked: list[Access] = []
    for one in pc.facts.switch.access:
        if not one.receiver.is_group and one.receiver != pc.hardware:
            continue
        if one.step is AccessStep.SUCCESS:
            asked = []
        elif one.step in ASKS:
            asked.append(one)
    return asked


def _shut_by(pc: Pc) -> Station | None:
    """The guest of the PC with whose first frame everything stopped."""
    heard = max((station.last.seconds for station in pc.others), default=None)
    for guest in pc.guests:
        began = guest.first.seconds
        if heard is None or not began - ALIVE_BEFORE <= heard <= began + SHUTS_WITHIN:
            continue
        if pc.facts.heard_after(guest.first) >= SHUT_FOR:
            return guest
    return None


RULE = Rule(
    slug="port-access-control",
    stage="link",
    title="The switch{fits:if likely} keeps its port closed to this PC",
    what_happened="{refused:if The switch turned the PC down {refused:times}.}{asked:if The "
    "switch asked {asked:times} who is there.}{guests:if Besides the PC, {guests:count hardware "
    "address} sent through its socket.} From then on nothing of other stations came in, for "
    "{span:seconds}. The PC tried from {from:seconds} to {to:seconds} after the first frame.",
    means="Switches can open a port only for devices that log in or are registered, or only for "
    "one device. Until the port is opened, the PC reaches nobody.",
    likely_causes={
        NOT_LOGGED_IN: "The PC is not registered in this network, or did not log in at the switch.",
        SECOND_ADDRESS: "A second hardware address came up behind the port, as of a virtual "
        "machine or a small switch, and the port allows only one.",
        "shut by hand": "The port was shut for another reason, and has to be opened by hand.",
    },
    what_to_do=(
        Step(
            "Tell whoever is responsible for the network the PC's hardware address, {hardware}, "
            "and ask for the state of this port."
        ),
        Step(
            "{guests:if Stop the bridged network of virtual machines on the PC, and record again.}",
            cautions.PROGRAM,
        ),
        Step("Ask for a port that is meant for service PCs."),
        Step(
            "Have the port opened again by those responsible. Plugging the cable in again often "
            "helps, and not at a port that was shut for good.",
            cautions.warning(
                "A shut port may also hold a device of the machine: tell production first.",
                make_safe=True,
            ),
        ),
    ),
    evidence={
        "asked": "the switch asks who is there{again}",
        "refused": "the switch turns the PC down{again}",
        "second": "a second hardware address sends through the PC's socket",
        "tried": "the PC tries, and nothing comes back{again}",
    },
    also_fits={
        "asks and is open": "A port that asks and is open all the same, where nobody else has "
        "anything to say.",
        "loose cable": "A cable that came loose at that moment.",
    },
    looks_alike=(
        "A port that asks who is there while other stations are heard: it is open.",
        "A PC that logged in with success.",
        "The key exchange of a wireless network.",
    ),
    confirm="Ask for the switch's log of this port at that clock time.",
    explains=("late-start", "nothing-heard", "self-assigned-address", "unanswered-arp"),
    sources=("IEEE 802.1X", "RFC 3748 section 4", "common practice, no source"),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
