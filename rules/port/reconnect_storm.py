"""The PC opens sessions with the controller at a high rate and closes each after one request.

A warning while that works: it will use up the PC's ports and the controller's sessions. A fault
where further calls then get no acceptance. Quiet for a program that asks and closes once a second;
for a burst of sessions at its start; for web pages and other office services; for sessions that
carry several requests; and where the calls are refused from the beginning, as nothing opens then.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Moment
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Call, Calls, How, LinkUp
from rules import cautions

RATE = 10
"""Sessions a second that no program needs (our own starting value, no source)."""
SPAN = 5.0
"""Seconds for which they have to go on: longer than a program needs to start."""
ONE = 1
"""Requests in a session that was opened for them alone."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    calls = linkup.calls
    storm = _storm([one.first for one in calls if _is_brief(one)])
    if not storm or calls[0].port in OFFICE_PORTS:
        return
    denied = Calls(calls.after(calls.opened[-1].first)).that(How.REFUSED, How.IGNORED)
    refused = denied.that(How.REFUSED)
    span = storm[-1].seconds - storm[0].seconds
    yield Sighting(
        values={
            "sessions": len(storm),
            "span": span,
            "rate": round(len(storm) / span),
            "denied": len(denied),
        },
        frames={"opened": storm, "denied": denied.firsts},
        level=Level.FAULT if denied else Level.WARNING,
        silence=None if refused else linkup.silence(denied.sent, denied.sent_in_all),
    )


def _is_brief(call: Call) -> bool:
    """Whether the PC opened a session and closed it after one request at most."""
    session = call.session
    return call.ended_by_client and session.completed is not None and session.requests <= ONE


def _storm(opened: Sequence[Moment]) -> list[Moment]:
    """The openings that follow one another at the rate of a storm for the span, none otherwise, and
    none in a recording without times.
    """
    size = round(RATE * SPAN)
    spans = zip(opened, opened[size:], strict=False)
    inside = [first for first, last in spans if 0 < last.seconds - first.seconds <= SPAN]
    if not inside:
        return []
    end = inside[-1].seconds + SPAN
    return [one for one in opened if inside[0].seconds <= one.seconds <= end]


RULE = Rule(
    slug="reconnect-storm",
    stage="port",
    title="The PC opens {rate:count session} a second with {controller}",
    what_happened="Within {span:seconds} the PC opened {sessions:count session} with port {port} "
    "of {controller}, and closed each after one request at most{denied:if, and then "
    "{denied:count call} got no acceptance}.",
    means="Each closed session occupies a port of the PC, and often a place in the controller, for "
    "minutes. When they are used up, further calls are ignored or turned down.",
    likely_causes={
        "session a request": "The program opens a session for every single request.",
        "no pause": "The program tries again without a pause after something went wrong.",
        "several programs": "Several programs, or several parts of one, each open sessions of "
        "their own.",
    },
    what_to_do=(
        Step("{denied:if Stop the program, wait 4 min, and try once by hand.}", cautions.PROGRAM),
        Step(
            "Look in the program's settings for keeping its session open, and for a longer pause "
            "after each vain try, such as 1, 2, 5 and 10 s."
        ),
        Step("Have the program keep its session open and send one request after another."),
        Step("{denied:if If the controller stays silent, have it restarted.}", cautions.RESTART),
    ),
    evidence={
        "opened": "the PC opens a session{again}",
        "denied": "a call that gets no acceptance{again}",
    },
    cautions=(
        cautions.warning(
            "So many sessions can starve the controller's cyclic communication: drives and I/O can "
            "drop out.",
        ),
    ),
    also_fits={
        "service hangs": "A service that hangs for another reason while the program goes on "
        "calling.",
    },
    looks_alike=(
        "A program that opens, asks and closes once a second.",
        "A burst of sessions when a program starts.",
        "A web page, which is fetched over several sessions.",
    ),
    confirm="Slow the program down to one session a second: if all calls are accepted, it was the "
    "rate.",
    explains=("port-refused", "port-silent"),
    sources=("RFC 9293 section 3.6 (figure 12: the end that closes first waits)",),
    find=find,
)
