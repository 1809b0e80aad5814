"""The controller refuses the port: it answers the call with a reset.

The system's own repeats of a call are one attempt. Where the user named a port and the PC never
called it, the port that it called instead is judged. Quiet where the port opens later (a
controller that was starting) or worked within 2 min before, unless three attempts in a row are
refused since; where another port of the same controller opens (a program that tries an older
protocol first), unless the user named this one; and about resets of a station that never claimed
the controller's address, while another one did.
"""

from collections.abc import Iterator

from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import START_TAKES, Calls, How, LinkUp
from rules import cautions

ENOUGH = 3
"""Refused attempts, with none taken after them, that tell even soon after the port worked."""
ALL_TAKEN = "all taken"
"""Name of this cause in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    refused = Calls(
        one
        for one in linkup.calls.since_worked.that(How.REFUSED)
        if one.end is not None and not linkup.is_stranger(one.end.hardware)
    )
    if not refused or not _lasts(refused, linkup.calls):
        return
    yield Sighting(
        values={"attempts": refused.attempts, "calls": refused.sent_in_all},
        frames={
            "call": refused.firsts,
            "refusal": refused.ends,
        },
    )


def _lasts(refused: Calls, calls: Calls) -> bool:
    """Whether it goes on for too long, or too often, for a service that was only starting."""
    worked = calls.last_open
    long = worked is None or refused[-1].first.seconds - worked.seconds > START_TAKES
    return long or refused.attempts >= ENOUGH


RULE = Rule(
    slug="port-refused",
    stage="port",
    title="{controller} refuses port {port}",
    what_happened="The PC made {calls:count call} to port {port} of {controller}, in "
    "{attempts:count attempt}. Each call was turned down with a TCP reset. "
    "The PC's system repeats a refused call by itself: such repeats are one attempt.",
    means="So the cable and the addresses work, and a device is there. It does not take calls on "
    "that port now.",
    likely_causes={
        "wrong port": "The port number in the program is not the one that the controller serves.",
        "switched off": "The service is switched off in the controller's settings, or in this "
        "operating mode.",
        ALL_TAKEN: "All sessions that the controller allows are taken.",
        "starting": "The controller is still starting: its network is up before its services are.",
        "another device": "The address belongs to another device, which has no service on that "
        "port.",
    },
    what_to_do=(
        Step("Compare the port number {port} in the program with the controller's manual."),
        Step(
            "If the controller has been started lately, wait 2 min and try once more.",
            cautions.COMMANDS,
        ),
        Step("Compare the hardware address that the recording shows with the controller's label."),
        Step("Look in the controller's settings whether the service is switched on."),
        Step(
            "Ask who else is connected to the controller, and have one session closed.",
            cautions.OTHERS_SESSION,
        ),
        Step("If nothing else helps, have the controller restarted.", cautions.RESTART),
    ),
    evidence={
        "call": "the PC calls port {port}{again}",
        "refusal": "{controller} turns the call down{again}",
    },
    also_fits={
        "filter": "A filter that answers in the controller's name.",
    },
    looks_alike=(
        "A controller that is starting: the same port opens later in the recording.",
        "A program that tries one port first and succeeds on another.",
        "Repeats of a refused call by the PC's system: one attempt, not several.",
        "Other stations that are refused.",
    ),
    confirm="Try another port that the controller is known to serve, such as its web page.",
    sources=("RFC 9293 section 3.5.2 (a reset answers a call to a closed port)",),
    find=find,
)
