"""The controller calls the PC, and the PC does not take the call.

The PC turns it down with a reset, forbids it with a message, or leaves it unanswered while the
controller repeats it. A fault where the controller answered no request of the PC; a warning where
it did. Always `fits`: the PC may not depend on the call. Quiet for office services such as time and
file sharing; where the PC takes a call on that port at all; for calls by others; and for a
single call without an answer, which may be a look around.
"""

from collections.abc import Iterator

from analyzer.facts.index import by
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import Calls, How, LinkUp
from rules import cautions

FEWEST = 2
"""Unanswered calls that are a repetition: the first one may have been lost."""
PROGRAM_ABSENT, FIREWALL_ON_PC = "program absent", "firewall on pc"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    for port, calls in by(linkup.calls_back, lambda one: one.port).items():
        sighting = None if port in OFFICE_PORTS else _not_taken(linkup, Calls(calls))
        if sighting is not None:
            yield sighting
            break


def _not_taken(linkup: LinkUp, calls: Calls) -> Sighting | None:
    denied, ignored = calls.that(How.REFUSED), calls.that(How.IGNORED)
    if calls.opened or (not denied and ignored.sent_in_all < FEWEST):
        return None
    refused = denied.ends
    forbidden = [one.error.moment for one in denied if one.error is not None]
    return Sighting(
        values={
            "pc": calls[0].session.server.address,
            "port": calls[0].port,
            "calls": calls.sent_in_all,
            "silent": not denied,
            "denied": bool(denied),
            "refused": len(refused),
            "forbidden": len(forbidden),
        },
        frames={
            "refused": refused,
            "forbidden": forbidden,
            "call": calls.firsts if denied else ignored.sent,
        },
        certainty=Certainty.FITS,
        level=Level.WARNING if linkup.works else Level.FAULT,
        silence=None if denied else linkup.silence(ignored.sent, ignored.sent_in_all),
        likeliest=PROGRAM_ABSENT if refused else FIREWALL_ON_PC,
    )


RULE = Rule(
    slug="call-back-refused",
    stage="port",
    title="The PC does not take the controller's call to port {port}",
    what_happened="{controller} made {calls:count call} to port {port} of the PC, {pc}, and the PC"
    "{silent:if gave no answer}{denied:if took none}.{refused:if It turned down {refused:count "
    "call} with a reset.}{forbidden:if It turned down {forbidden:count call} with a message.}",
    means="Some controllers call back once the PC has asked for a connection. Without that second "
    "session their program waits and then gives up. The way to the PC works.",
    likely_causes={
        PROGRAM_ABSENT: "The program on the PC that waits for this call is not running, or uses "
        "another port.",
        FIREWALL_ON_PC: "A firewall on the PC lets nobody in on that port: a new adapter often "
        "counts as a public "
        "network.",
        "wrong port": "The controller was told the wrong port of the PC.",
        "former program": "The controller still calls for a program that the PC had in the past.",
    },
    what_to_do=(
        Step(
            "{silent:if Look in the log of the security program on the PC for {controller} and "
            "port {port}.}"
        ),
        Step("Show which program on the PC listens on port {port}."),
        Step("Compare the PC's address {pc} and port {port} with the controller's settings."),
        Step(
            "Start the program on the PC first, and let the controller call afterwards.",
            cautions.PROGRAM,
        ),
        Step("Have port {port} opened for this program on this adapter.", cautions.FIREWALL),
    ),
    evidence={
        "call": "{controller} calls port {port} of the PC{again}",
        "refused": "the PC turns the call down{again}",
        "forbidden": "the PC says that the call cannot be delivered{again}",
    },
    also_fits={
        "silent firewall": "A firewall that keeps silent also where no program listens.",
        "not needed": "A call that the PC's program does not need: then this is not what "
        "stops the connection.",
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
