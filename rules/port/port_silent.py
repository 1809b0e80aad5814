"""The PC calls the port and no answer of any kind is recorded.

Shown to be the port, not the device, where the controller answered in another way within a minute
before, by a ping, another port or its hardware address, and somebody is heard around the calls.
Where the user named a port and the PC never called it, the port that it called instead is judged.
Quiet where any answer came later, even late or odd, and where a message says why.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import How, LinkUp
from rules import cautions

RECENT = 60.0
"""Seconds before the first call within which a sign of life of the controller still counts."""
JUST_BEFORE = 1.0
"""Seconds before the first call from which on somebody has to be heard."""
NO_WAY_BACK = "no way back"
"""Name of this cause in the rule."""
OFF, NO_GATEWAY = "off", "no gateway"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    ignored = linkup.calls.since_heard.that(How.IGNORED)
    if not ignored:
        return
    calls, end = ignored.sent, linkup.facts.coverage.seconds
    alive = [at for at in linkup.signs if at.seconds > calls[0].seconds - RECENT]
    pings = linkup.pings.replies if linkup.pings is not None else None
    shown = alive and linkup.pc.hears(calls[0].seconds - JUST_BEFORE, end)
    yield Sighting(
        values={
            "calls": ignored.sent_in_all,
            "attempts": len(ignored),
            "repeats": ignored.sent_in_all - len(ignored),
            "pings": pings.count if pings and pings.count and pings.last in alive else 0,
            "span": calls[-1].seconds - calls[0].seconds,
            "unheard": not linkup.is_heard,
        },
        frames={"call": calls, "alive": alive},
        certainty=Certainty.SHOWN if shown else Certainty.FITS,
        silence=linkup.silence(calls, ignored.sent_in_all),
        ruled_out=[
            *([OFF] if shown else []),
            *([NO_WAY_BACK] if linkup.is_heard else []),
            *([NO_GATEWAY] if linkup.is_heard or linkup.arp_answered else []),
        ],
    )


RULE = Rule(
    slug="port-silent",
    stage="port",
    title="Port {port} of {controller} gives no answer",
    what_happened="The PC called port {port} of {controller} {attempts:times}{repeats:if, with "
    "{repeats:count repeat}}{span:within}, and neither an acceptance nor a refusal was recorded"
    "{pings:if, though {controller} answered {pings:count ping}}.",
    means="Where other frames of the controller are recorded, it is switched on, and only this "
    "port is silent: something drops the calls, or the service does not react.",
    likely_causes={
        "firewall": "A firewall or access list drops the calls without a word.",
        "all taken": "All sessions that the controller allows are taken, and it ignores further "
        "calls.",
        "service hangs": "The communication service of the controller hangs, while the rest of it "
        "is alive.",
        "wrong port": "The wrong port: this device answers only the ports that it serves.",
        NO_WAY_BACK: "The controller's mask or gateway is wrong for the PC's address, so that all "
        "its answers "
        "take another way.",
    },
    what_to_do=(
        Step("Compare the port number {port} in the program with the controller's manual."),
        Step("Look for a filter or an access list: on the PC, on the way, in the controller."),
        Step("Look in the controller's list of sessions."),
        Step(
            "Ping the controller, and compare address and mask of the PC with its own, side by "
            "side.",
            about=NO_WAY_BACK,
        ),
        Step("Look whether another port of the controller answers, such as its web page."),
        Step("Try from another PC on the controller's own switch.", cautions.COMMANDS),
        Step(
            "Ask who else is connected to the controller, and have one session closed.",
            cautions.OTHERS_SESSION,
        ),
        Step("If nothing else helps, have the controller restarted.", cautions.RESTART),
    ),
    evidence={
        "call": "the PC calls port {port}{again}",
        "alive": "the controller's address is alive in another way",
    },
    also_fits={
        OFF: "Where nothing else of the controller is heard: it is off, or has another address "
        "now.",
        NO_GATEWAY: "Where a router is in between: the controller has no gateway for its answers.",
    },
    looks_alike=(
        "An answer that comes after the PC gave up: slow, not silent.",
        "A plain acknowledgement instead of an acceptance: an older session is still held.",
        "A message from a router or filter that says why.",
        "A recording that holds the PC's own frames only.",
    ),
    confirm="{unheard:if Ping the controller from this PC: an answer rules out its mask and "
    "gateway.} Call the port from another PC on the same switch. If the controller answers there, "
    "look at the way between.",
    confirm_caution=cautions.COMMANDS,
    sources=(
        "RFC 9293 sections 3.5 and 3.8.3",
        "RFC 6298 sections 2 and 5.5 (repeats after 1, 3, 7 s; some newer systems after 1, 2, 3, "
        "4, 5, "
        "7 s)",
    ),
    find=find,
)
