"""The controller calls the PC, and the PC does not take the call.

The PC turns it down with a reset, forbids it with a message, or leaves it unanswered while the
controller repeats it. A fault where the controller answered no request of the PC; a warning where
it did. Always `fits`: the PC may not depend on the call. Quiet for office services such as time and
file sharing; where the PC takes a call on that port in the end; for calls by others; and for a
single call without an answer.
"""

from collections.abc import Iterator

from analyzer.facts import IcmpError, Session
from analyzer.facts.icmp import UNREACHABLE
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp, silence
from rules import cautions

TCP = 6
FEWEST = 2
"""Unanswered calls that are a repetition: the first one may have been lost."""
PROGRAM_ABSENT, FIREWALL_ON_PC = "program absent", "firewall on pc"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    for port, calls in _calls_by_port(linkup).items():
        forbidden = _forbidden(linkup, port)
        refused = [one.refused.moment for one in calls if one.refused]
        silent = [moment for one in calls if one.is_silent for moment in one.syns.moments]
        answered = refused or forbidden
        if any(one.is_open for one in calls) or (not answered and len(silent) < FEWEST):
            continue
        yield Sighting(
            values={
                "controller": linkup.controller,
                "pc": calls[0].server.address,
                "port": port,
                "calls": sum(one.syns.count for one in calls),
                "refused": len(refused),
                "forbidden": len(forbidden),
            },
            frames={
                "refused": refused,
                "forbidden": [one.moment for one in forbidden],
                "call": [one.syns.first for one in calls] if answered else silent,
            },
            certainty=Certainty.FITS,
            level=Level.WARNING if linkup.works else Level.FAULT,
            silence=None if answered else silence(silent, linkup.facts),
            likeliest=PROGRAM_ABSENT if refused else FIREWALL_ON_PC,
        )
        break


def _calls_by_port(linkup: LinkUp) -> dict[int, list[Session]]:
    """The controller's calls to the PC, without office services."""
    found: dict[int, list[Session]] = {}
    for one in linkup.facts.sessions:
        to_pc = one.server.address in linkup.pc.addresses and one.syns.count
        if to_pc and one.client.address == linkup.controller:
            found.setdefault(one.server.port, []).append(one)
    return {port: calls for port, calls in found.items() if port not in OFFICE_PORTS}


def _forbidden(linkup: LinkUp, port: int) -> list[IcmpError]:
    """The PC's messages that the controller's call cannot be delivered."""
    return [
        one
        for one in linkup.facts.icmp.errors
        if one.type == UNREACHABLE
        and one.protocol == TCP
        and (one.about_src, one.dport) == (linkup.controller, port)
        and one.sender in linkup.pc.addresses
    ]


RULE = Rule(
    slug="call-back-refused",
    stage="port",
    title="The PC does not take the controller's call to port {port}",
    what_happened="{controller} made {calls:count call} to port {port} of the PC, {pc}. The PC "
    "took none.{refused:if It turned down {refused:count call} with a reset.}"
    "{forbidden:if It turned down {forbidden:count call} with a message.}",
    means="Some controllers call back once the PC has asked for a connection. Without that second "
    "session their program waits and then gives up. The way to the PC works.",
    likely_causes={
        PROGRAM_ABSENT: "The program on the PC that waits for this call is not running, or uses another port.",
        FIREWALL_ON_PC: "A firewall on the PC lets nobody in on that port: a new adapter often counts as a public "
        "network.",
        "controller-told-wrong": "The controller was told the wrong port of the PC.",
        "controller-still-calls": "The controller still calls for a program that the PC had in the past.",
    },
    what_to_do=(
        Step(
            "Start the program on the PC first, and let the controller call afterwards.",
            cautions.PROGRAM,
        ),
        Step("Compare the PC's address {pc} and port {port} with the controller's settings."),
        Step("Show which program on the PC listens on port {port}."),
        Step("Have port {port} opened for this program on this adapter.", cautions.FIREWALL),
    ),
    evidence={
        "call": "{controller} calls port {port} of the PC{again}",
        "refused": "the PC turns the call down{again}",
        "forbidden": "the PC says that the call cannot be delivered{again}",
    },
    also_fits={
        "firewall-keeps-silent": "A firewall that keeps silent also where no program listens.",
        "call-pc-s": "A call that the PC's program does not need: then this is not what stops the link-up.",
    },
    looks_alike=(
        "A call to an office service of the PC, such as file sharing or time.",
        "A first call that comes before the program is ready, where a later one is taken.",
        "Calls of other stations to the PC.",
    ),
    confirm="With the program running, call port {port} of the PC from a second PC in the same "
    "network.",
    confirm_caution=cautions.PROGRAM,
    sources=(
        "RFC 9293 section 3.5.2 (a reset answers a call to a closed port)",
        "RFC 1122 section 3.2.2.1",
    ),
    find=find,
)
