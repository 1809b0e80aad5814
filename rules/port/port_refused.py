"""The controller refuses the port: it answers the call with a reset.

The system's own repeats of a call are one attempt. Quiet where the port opens later or opened
before (a controller that was starting), where another port of the same controller opens (a
program that tries an older protocol first), where other stations are refused, and where the reset
comes from another station than the controller.
"""

from collections.abc import Iterator

from analyzer.facts import End, Session
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Stage
from rules import cautions


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        refused = [(one, one.refused) for one in linkup.sessions if one.refused is not None]
        if not refused or Stage.PORT in linkup.proofs or _fell_back(linkup):
            continue
        if any(_is_foreign(linkup, end) for _, end in refused if end):
            continue
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
                "refusal": [end.moment for _, end in refused if end],
            },
            linkup=linkup,
        )


def _fell_back(linkup: LinkUp) -> bool:
    told = linkup.target.how_known == "told" and linkup.target.port is not None
    return not told and any(session.is_open for session in linkup.other_sessions)


def _is_foreign(linkup: LinkUp, end: End) -> bool:
    claims = linkup.facts.arp.claims.get(linkup.controller)
    return claims is not None and end.hardware is not None and end.hardware not in claims.counts


ONE_ATTEMPT = 3.0
"""Seconds within which systems repeat a refused call by themselves (ground rule on retries)."""


def _attempts(sessions: list[Session]) -> int:
    """Calls that follow the one before closely are the system's repeats."""
    begins = [session.syns.first.seconds for session in sessions]
    later = zip(begins, begins[1:], strict=False)
    return 1 + sum(after - before > ONE_ATTEMPT for before, after in later)


RULE = Rule(
    slug="port-refused",
    stage="port",
    title="{controller} refuses port {port}",
    what_happened="The PC called port {port} of {controller} in {attempts:count attempt} "
    "({calls:count call}, repeats of the system included). Each was turned down at once with a TCP "
    "reset.",
    means="So the cable and the addresses work, and a device is there. It does not take calls on "
    "that port now.",
    likely_causes=(
        "The port number in the program is not the one that the controller serves.",
        "The service is switched off in the controller's settings, or in this operating mode.",
        "All sessions that the controller allows are taken.",
        "The controller is still starting: its network is up before its services are.",
        "The address belongs to another device, which refuses politely.",
    ),
    what_to_do=(
        Step("Compare the port number {port} with the controller's manual and the program."),
        Step("Wait 2 min after power-up, then try once more."),
        Step("Compare the controller's hardware address below with its label."),
        Step("Look in the controller's settings whether the service is switched on."),
        Step(
            "Ask who else is connected to the controller, and have one session closed.",
            cautions.OTHERS_SESSION,
        ),
        Step("If nothing else helps, have the controller restarted.", cautions.RESTART),
    ),
    evidence={
        "call": "the PC calls port {port}{nth}",
        "refusal": "{controller} turns the call down{nth}",
    },
    also_fits=("A filter that answers in the controller's name.",),
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
