"""The controller refuses the port: it answers the call with a reset.

The system's own repeats of a call are one attempt. Where the user named a port and the PC never
called it, the port that it called instead is judged. Quiet where the port opens later (a
controller that was starting) or worked within 2 min before; where another port of the same
controller opens (a program that tries an older protocol first), unless the user named this one;
where other stations are refused; and where the reset comes from another station than the
controller.
"""

from collections.abc import Iterator
from itertools import pairwise

from analyzer.facts import End, Session
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

LASTING = 120.0
"""Seconds of trouble after the port last worked: a controller starts within that time."""
ENOUGH = 3
"""Refused attempts, with none taken after them, that tell even soon after the port worked."""
ONE_ATTEMPT = 3.0
"""Seconds within which systems repeat a refused call by themselves (ground rule on retries)."""
ALL_TAKEN = "all taken"
"""Name of this cause in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    refused = _refused(linkup.called)
    if not refused or any(_is_foreign(linkup, end) for _, end in refused):
        return
    sessions = [session for session, _ in refused]
    yield Sighting(
        values={
            "controller": linkup.controller,
            "port": sessions[0].server.port,
            "attempts": _attempts(sessions),
            "calls": sum(session.syns.count for session in sessions),
        },
        frames={
            "call": [session.syns.first for session in sessions],
            "refusal": [end.moment for _, end in refused],
        },
    )


def _refused(sessions: list[Session]) -> list[tuple[Session, End]]:
    """The refused calls since the port last worked; none where they are few and soon over."""
    worked = max((one.last.seconds for one in sessions if one.is_open), default=float("-inf"))
    refused = [
        (one, end)
        for one in sessions
        if (end := one.refused) is not None and end.moment.seconds > worked
    ]
    lasting = bool(refused) and refused[-1][1].moment.seconds - worked > LASTING
    tries = _attempts([one for one, _ in refused]) if refused else 0
    return refused if lasting or tries >= ENOUGH else []


def _is_foreign(linkup: LinkUp, end: End) -> bool:
    claims = linkup.facts.arp.claims.get(linkup.controller)
    return claims is not None and end.hardware is not None and end.hardware not in claims.counts


def _attempts(sessions: list[Session]) -> int:
    """Calls from the same socket that follow closely are the system's repeats."""
    begins = [(session.client, session.syns.first.seconds) for session in sessions]
    return 1 + sum(
        caller != next_caller or after - before > ONE_ATTEMPT
        for (caller, before), (next_caller, after) in pairwise(begins)
    )


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
        "port-number-program": "The port number in the program is not the one that the controller serves.",
        "service-switched-off": "The service is switched off in the controller's settings, or in this operating mode.",
        ALL_TAKEN: "All sessions that the controller allows are taken.",
        "controller-still-starting": "The controller is still starting: its network is up before its services are.",
        "address-belongs-another": "The address belongs to another device, which has no service on that port.",
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
        "filter-answers-controller": "A filter that answers in the controller's name.",
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
