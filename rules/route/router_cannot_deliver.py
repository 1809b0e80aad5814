"""A router says that it cannot deliver the PC's packets to the controller.

Or it names a better router (ICMP redirect) that nobody answers for when the PC asks for it, or when
the router itself asks and then says that it cannot deliver: the way ends at that one.
Or the device that the PC calls says so itself, as one does that passes packets on to another.
Only where the message quotes the PC's own packets for this controller; where packets run in a
circle, only its own calls, since a search for the way makes such messages on purpose. Quiet where
the controller is heard afterwards: the router was still finding the way; and where it is heard on
the PC's own cable: then no router is needed.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import IcmpError, Moment
from analyzer.facts.icmp import TIME_EXCEEDED, UNREACHABLE
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import LinkUp, needs_no_router
from rules import cautions

NO_WAY = {0, 1, 5, 6, 7, 8, 11, 12}
"""Codes of a router that has no way to the network or the host (RFC 792, RFC 1122 3.2.2.1)."""
NO_HOST = {1, 7}
"""Codes of a router that reaches the network and finds nobody there at that address."""
NO_NETWORK = {0, 6, 11}
"""Codes of a router that knows no way to the network at all (RFC 1812 5.2.7.1)."""
NOBODY_THERE, NO_WAY_KNOWN = "nobody there", "no way known"
OWN_NETWORK, NEXT_ROUTER_OFF = "own network", "next router off"
"""Names of the causes below."""
DEAF_ROUTER, FILTER = "deaf router", "filter"
"""Names of these in what would look the same."""
ENOUGH = 2
"""Questions for a router without a reply; a single one may have been lost."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    errors = [one for one in linkup.errors if _says_no_way(one)]
    redirects = [one for one in linkup.errors if one.is_redirect]
    asked = _asked_in_vain(linkup, redirects, errors)
    redirects = redirects if asked else []
    said = sorted([*redirects, *errors], key=lambda one: one.moment)
    if not said or linkup.is_heard_after(said[-1].moment) or needs_no_router(linkup):
        return
    moments = [one.moment for one in errors]
    end = redirects[-1].router if asked else said[0].sender
    no_network = all(one.type == UNREACHABLE and one.code in NO_NETWORK for one in said)
    ruled_out = {
        NOBODY_THERE: asked or no_network,
        NO_WAY_KNOWN: asked,
        NEXT_ROUTER_OFF: no_network,
        OWN_NETWORK: linkup.is_heard,
        DEAF_ROUTER: not asked,
        FILTER: end != linkup.controller,
    }
    favoured = NOBODY_THERE if said[0].code in NO_HOST else NO_WAY_KNOWN
    yield Sighting(
        values={
            "router": said[0].sender,
            "end": end,
            "far": end != linkup.controller,
            "passes_on": end == linkup.controller,
            "times": len(said),
            "redirected": len(redirects),
            "asked": len(asked),
            "refused": len(errors),
            "said": list(dict.fromkeys(one.meaning for one in errors)),
            "calls": linkup.calls.attempts,
            "meanings": list(dict.fromkeys(one.meaning for one in said)),
            "meaning": errors[0].meaning if errors else None,
        },
        frames={
            "redirect": [one.moment for one in redirects[:ENOUGH]],
            "asked": asked[:ENOUGH],
            "said": moments,
            "heard": [linkup.last_heard] if linkup.last_heard not in moments else [],
        },
        silence=None if errors else linkup.silence(asked),
        likeliest=NEXT_ROUTER_OFF if asked else favoured,
        ruled_out=[name for name, is_out in ruled_out.items() if is_out],
    )


def _says_no_way(error: IcmpError) -> bool:
    no_way = error.type == UNREACHABLE and error.code in NO_WAY
    in_a_circle = error.type == TIME_EXCEEDED and error.code == 0 and error.is_about_tcp
    return no_way or in_a_circle


def _asked_in_vain(
    linkup: LinkUp, redirects: Sequence[IcmpError], errors: Sequence[IcmpError]
) -> list[Moment]:
    """Questions for the router that was named last, where nobody has answered for it since it was
    named: those of the PC, and of a router that says that it cannot deliver. Replies to a router
    that says nothing are not seen at the PC's port.
    """
    named = [one for one in redirects if one.router == redirects[-1].router]
    if not named:
        return []
    wanted, since = named[0].router, named[0].moment
    askers = {linkup.pc.hardware, *(error.sender_hw for error in errors)}
    asked = sorted(
        moment
        for one in linkup.facts.index.questions_for[wanted]
        if one.asker in askers
        for moment in one.since_answer.moments
        if moment > since
    )
    is_there = any(run.last > since for run in linkup.facts.claims(wanted).runs[-1:])
    return asked if len(asked) >= ENOUGH and not is_there else []


RULE = Rule(
    slug="router-cannot-deliver",
    stage="route",
    title="{far:if The way to {controller} ends at the router {end} or behind it}"
    "{passes_on:if {controller} says that it cannot pass the PC's packets on}",
    what_happened="{redirected:if {router} named {end} as the better router {redirected:times}, "
    "and nobody answered {asked:count question} for {end}.}{refused:if {router} said "
    "{refused:times} about the PC's packets for {controller}: {said:list}.}{calls:if The PC had "
    "called {calls:times}.}",
    means="So the PC reaches {router}{far:if, and the way to the controller ends at {end} or "
    "behind it}.{passes_on:if A device says so that passes packets on to another one, as with "
    "address translation: the way ends behind it.}",
    likely_causes={
        NOBODY_THERE: "The controller behind the router is off, or has another address than the "
        "one "
        "typed in the program or entered in the router.",
        NO_WAY_KNOWN: "The router knows no way to the controller's network.",
        OWN_NETWORK: "The controller is in the PC's own network, and the PC's mask or address "
        "sends its packets to the router instead.",
        NEXT_ROUTER_OFF: "The next router on the way is off, not plugged in, or has another "
        "address than the one "
        "that the first router was given for it.",
    },
    what_to_do=(
        Step(
            "Look whether {end}, the controller{passes_on:if behind it} and all devices between "
            "them have power and a lit link lamp."
        ),
        Step(
            "{far:if Compare {controller} with the controller's label, and {end} with that "
            "router's.}"
        ),
        Step(
            "{passes_on:if Look up where {end} passes packets on to, and compare that with the "
            "label of the controller behind it.}"
        ),
        Step("Compare address and mask of the PC and of the controller, side by side."),
        Step(
            "If both are on the same switch, ask for a free address in the controller's network, "
            "and give it to the PC.",
            cautions.ADDRESS_CHANGE,
        ),
        Step(
            "If the controller really is behind the router, give whoever looks after the network "
            "the frames of this report: they show which router said no, and to what."
        ),
    ),
    evidence={
        "heard": "the last packet from {controller}: until then there was a way",
        "redirect": "the router {router} names {end} as the better way to {controller}",
        "asked": "a question for {end} that nobody answers",
        "said": "{router} says about the PC's packet{far:if for {controller}}: {meaning}",
    },
    also_fits={
        DEAF_ROUTER: "Where another router is named and asked for in vain: one that hears no ARP.",
        FILTER: "A filter in the controller itself that words its refusal so.",
    },
    looks_alike=(
        "A message about another program's packets: it quotes other addresses or ports.",
        "One message and then success: the router was still finding the controller.",
        "A search for the way (pings or UDP packets that may pass a few routers only).",
        "A better router that is named and answers, or packets that come back all the same.",
        "A controller that is heard on the PC's own cable: then the masks are what is wrong.",
    ),
    confirm="Connect the PC to the controller's own switch with an address of that network.",
    confirm_caution=cautions.ADDRESS_CHANGE,
    explains=("redirected-path",),
    sources=("RFC 792 (types 3, 5 and 11)", "RFC 1122 sections 3.2.2.1 and 3.2.2.2"),
    find=find,
)
