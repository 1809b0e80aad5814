"""Somebody on the way forbids the PC's packets to the controller.

Shown where the message itself says "prohibited" of the PC's own call, or of its data in a session
that opened, which then stays unconfirmed. It fits where it says so of another packet and nothing of
the controller is heard; where a call to a TCP port is answered with
"port unreachable", which stacks leave to filters; and where a reset comes from another hardware
address than the controller's. Only for the PC's own packets to this controller; quiet where the
port opens and answers all the same, and where a router says so although the controller is heard on
the PC's own cable.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import CLIENT, Address, End, Hardware, IcmpError
from analyzer.facts.icmp import UNREACHABLE
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import How, LinkUp, Stage, needs_no_router
from rules import cautions

NO_SUCH_PORT = {2, 3}
PROTOCOL = {"tcp": 6, "udp": 17, None: 1}
"""Numbers in the IPv4 header (IANA): without a port, it is pings that are tried."""
RESET = "TCP reset"
ON_THE_WAY, IN_CONTROLLER = "firewall rule", "access list"
"""Names of these causes in the rule."""
SWITCHED_OFF, SECOND_DEVICE = "switched off", "second device"
"""Names of what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    if Stage.PORT in linkup.proofs:
        yield from _data_refused(linkup)
        return
    errors = [one for one in linkup.errors if _forbids(one, linkup)]
    refusals = (one.end for one in linkup.on_port.that(How.REFUSED) if one.end is not None)
    resets = [one for one in refusals if linkup.is_stranger(one.hardware)]
    if errors and not needs_no_router(linkup):
        sure = any(_is_own_call(one, linkup) and one.is_prohibited for one in errors)
        yield _told(linkup, errors[0].sender, errors[0].meaning, errors, sure)
    elif resets:
        yield _told(linkup, resets[0].hardware, RESET, resets, sure=False)


def _data_refused(linkup: LinkUp) -> Iterator[Sighting]:
    """The session opens, and what the PC sends in it is forbidden and never confirmed."""
    stuck = [one for one in linkup.on_port.opened if one.stuck(CLIENT) is not None]
    errors = [error for call in stuck for error in call.errors if error.is_prohibited]
    if errors and not linkup.answers_after(errors[0].moment):
        yield _told(linkup, errors[0].sender, errors[0].meaning, errors, sure=True)


def _told(
    linkup: LinkUp,
    sender: Address | Hardware | None,
    meaning: str,
    said: Sequence[IcmpError | End],
    sure: bool,
) -> Sighting:
    is_itself, is_reset = sender == linkup.controller, meaning == RESET
    return Sighting(
        values={
            "sender": sender,
            "meaning": meaning,
            "times": len(said),
            "pc": linkup.pc_address or "the PC",
            "elsewhere": not is_itself,
            "service": _service(linkup),
            "pings": linkup.pings.replies.count if linkup.pings else 0,
        },
        frames={"said": [one.moment for one in said]},
        certainty=Certainty.SHOWN if sure else Certainty.FITS,
        likeliest=IN_CONTROLLER if is_itself else ON_THE_WAY,
        ruled_out=[
            *([] if is_itself else [SWITCHED_OFF] if is_reset else [SWITCHED_OFF, IN_CONTROLLER]),
            *([] if is_reset else [SECOND_DEVICE]),
        ],
    )


def _service(linkup: LinkUp) -> str:
    """What the PC tried."""
    target = linkup.target
    return "pings" if target.transport is None else f"{target.transport.upper()} port {target.port}"


def _forbids(error: IcmpError, linkup: LinkUp) -> bool:
    """Whether it forbids the PC's call, or any packet where nothing of the controller is heard."""
    no_port = error.type == UNREACHABLE and error.code in NO_SUCH_PORT and error.is_about_tcp
    concerns = _is_own_call(error, linkup) or not linkup.is_heard
    return concerns and (error.is_prohibited or no_port)


def _is_own_call(error: IcmpError, linkup: LinkUp) -> bool:
    """Whether the quoted packet calls the port in question, or is a ping where none is known, or
    anything where nothing else was tried.
    """
    if not linkup.tries:
        return True
    right_port = linkup.target.port is None or error.dport in (None, linkup.target.port)
    return right_port and error.protocol == PROTOCOL[linkup.target.transport]


RULE = Rule(
    slug="path-refused",
    stage="route",
    title="A filter{elsewhere:if on the way} turns the PC's packets to {controller} away",
    what_happened="{sender} answered the PC's packets{elsewhere:if for {controller}} "
    "{times:times}: {meaning}.{pings:if {controller} answered {pings:count ping}.}",
    means="A firewall or access list between the PC and the controller, or in the controller "
    "itself, does not allow this connection.",
    likely_causes={
        ON_THE_WAY: "A rule in the router or firewall between the networks leaves out "
        "this port or this PC.",
        IN_CONTROLLER: "An access list in the controller names the PCs that may "
        "connect, and not this one.",
    },
    what_to_do=(
        Step(
            "{elsewhere:if Ask whoever runs {sender} what its rules say about {pc} to "
            "{controller}, {service}.}"
        ),
        Step("Look in the controller's settings whether this PC may connect.", about=IN_CONTROLLER),
        Step(
            "If whoever looks after the network agrees, try from a PC on the controller's own "
            "switch: no filter is in between there.",
            cautions.COMMANDS,
        ),
        Step(
            "Give whoever looks after the network the exact addresses, port, protocol and "
            "direction, and ask for a rule.",
            cautions.FIREWALL,
        ),
    ),
    evidence={"said": "{sender} says about the PC's packet for {controller}: {meaning}"},
    also_fits={
        SWITCHED_OFF: "Where the message comes from the controller itself: the service may "
        "be switched off.",
        SECOND_DEVICE: "Where it is a TCP reset: a second port of the controller, or another "
        "device with its "
        "address.",
    },
    looks_alike=(
        "A message about another program's packets.",
        "A controller that uses another time to live in a reset than in its data.",
        "A refusal by the controller itself: its reset comes from its own hardware address.",
    ),
    confirm="Connect from a PC on the controller's own switch: if that works, it is the filter.",
    confirm_caution=cautions.COMMANDS,
    explains=("path-lost", "request-unanswered"),
    sources=("RFC 1812 section 5.2.7.1", "RFC 1122 section 3.2.2.1"),
    find=find,
)
