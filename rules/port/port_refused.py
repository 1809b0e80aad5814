"""The controller refuses the port: it answers the call with a reset.

The system's own repeats of a call are one attempt. Where the user named a port and the PC never
called it, the port that it called instead is judged. Quiet where the port opens later (a
controller that was starting) or worked within 2 min before, unless three attempts in a row are
refused since; where another port of the same controller opens (a program that tries an older
protocol first), unless the user named this one; and about resets of a station that never claimed
the controller's address, while another one did.

Where the link-up works, a port that is refused again and again beside it is told as a warning:
another program, or another part of the same one, does not get what it wants. Quiet there about a
call that is at once followed by one that is taken, about office services, and about a search for
open ports.
"""

from collections.abc import Iterator

from analyzer.facts.index import by
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import START_TAKES, Calls, How, LinkUp
from rules import cautions

ENOUGH = 3
"""Refused attempts, with none taken after them, that tell even soon after the port worked."""
INSTEAD = 1.0
"""Seconds after a refused call within which one that is taken replaces it (common practice, no
source)."""
SEARCH = 4
"""Other ports called from which on a program looks for open ones."""
ALL_TAKEN = "all taken"
"""Name of this cause in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    refused = _refused(linkup, linkup.calls.since_worked)
    if refused and _lasts(refused, linkup.calls):
        yield _sighting(linkup, refused)
    if linkup.works:
        yield from _beside(linkup)


def _beside(linkup: LinkUp) -> Iterator[Sighting]:
    """Ports that nobody ever takes calls on, while another one works."""
    if len({one.port for one in linkup.on_others}) >= SEARCH:
        return
    taken = linkup.on_port.opened
    for group in by(linkup.fallbacks, lambda one: one.port).values():
        calls = Calls(group)
        refused = _refused(linkup, calls)
        vain = Calls(one for one in refused if not taken.within(one.first, INSTEAD))
        if len(refused) == len(calls) and vain.attempts >= ENOUGH:
            yield _sighting(linkup, vain, Level.WARNING, works=linkup.target.port)


def _refused(linkup: LinkUp, calls: Calls) -> Calls:
    """Those that were refused by nobody but the controller."""
    return Calls(
        one
        for one in calls.that(How.REFUSED)
        if one.end is not None and not linkup.is_stranger(one.end.hardware)
    )


def _sighting(
    linkup: LinkUp, refused: Calls, level: Level | None = None, works: int | None = None
) -> Sighting:
    end, own = refused[0].end, linkup.hardware
    hardware = own if end is not None and end.hardware == own else None
    return Sighting(
        values={
            "port": refused[0].port,
            "attempts": refused.attempts,
            "calls": refused.sent_in_all,
            "several": refused.sent_in_all > 1,
            "repeated": refused.sent_in_all > refused.attempts,
            "works": works,
            "hardware": hardware,
            "by_router": hardware is None,
        },
        frames={
            "call": refused.firsts,
            "refusal": refused.ends,
        },
        level=level,
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
    what_happened="The PC made {calls:count call} to port {port} of {controller}, turned down with "
    "a TCP reset{several:if each time}.{repeated:if The program tried {attempts:times}: the "
    "PC's system repeats a refused call by itself.}{works:if Port {works} of the same "
    "controller works.}",
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
            "{hardware:if Compare {hardware}, which turned the calls down, with the hardware "
            "address on the controller's label.}{by_router:if Compare {controller} with the "
            "address on the controller's display or label.}"
        ),
        Step("Look in the controller's settings whether the service is switched on."),
        Step(
            "If the controller has been started lately, wait 2 min and try once more.",
            cautions.COMMANDS,
        ),
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
        "A program that looks for open ports.",
        "Repeats of a refused call by the PC's system: one attempt, not several.",
        "Other stations that are refused.",
    ),
    confirm="Connect once with a program or panel that works with this controller, and see in a "
    "recording which port that one calls.",
    confirm_caution=cautions.COMMANDS,
    sources=("RFC 9293 section 3.5.2 (a reset answers a call to a closed port)",),
    find=find,
)
