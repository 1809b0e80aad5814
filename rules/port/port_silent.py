"""The PC calls the port and no answer of any kind is recorded.

Shown to be the port, not the device, where the controller answers in another way: a ping, another
port, or its hardware address. Quiet where any answer came, even late or odd; where a message says
why; where PC and controller are in different networks and nothing is heard at all; and where
nobody answered for the hardware address.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, Stage
from rules import cautions


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        silent = [session for session in linkup.sessions if session.is_silent]
        if not silent or len(silent) < len(linkup.sessions) or _is_explained(linkup):
            continue
        calls = sorted(moment for session in silent for moment in session.syns.moments)
        alive = [moment for moment in (linkup.arp_answered, linkup.heard) if moment]
        yield Sighting(
            values={
                "controller": linkup.controller,
                "port": silent[0].server.port,
                "calls": sum(session.syns.count for session in silent),
                "span": calls[-1].seconds - calls[0].seconds,
            },
            frames={"call": calls, "alive": alive},
            linkup=linkup,
            certainty=Certainty.SHOWN if alive else Certainty.FITS,
            silent_since=calls[-1],
        )


def _is_explained(linkup: LinkUp) -> bool:
    told_why = any(error.about_src == linkup.pc_address for error in linkup.errors)
    elsewhere = not linkup.same_network and not linkup.is_heard
    nothing = Stage.LINK not in linkup.proofs
    return told_why or elsewhere or nothing or linkup.self_assigned


RULE = Rule(
    slug="port-silent",
    stage="port",
    title="Port {port} of {controller} gives no answer",
    what_happened="The PC called port {port} of {controller} {calls:times}{span:within}. Neither an "
    "acceptance nor a refusal was recorded.",
    means="A device that is only switched off does not answer other questions either. Silence on "
    "one port means that something drops the calls, or that the service does not react.",
    likely_causes=(
        "A firewall or access list drops the calls without a word.",
        "All sessions that the controller allows are taken, and it ignores further calls.",
        "The communication service of the controller hangs, while the rest of it is alive.",
        "The wrong port: this device answers only the ports that it serves.",
    ),
    what_to_do=(
        Step("Compare the port number {port} with the controller's manual."),
        Step("Ping the controller, and try another port of it, such as its web page."),
        Step("Try from another PC on the controller's own switch."),
        Step("Look in the controller's list of sessions and its access list."),
        Step(
            "Ask who else is connected to the controller, and have one session closed.",
            cautions.OTHERS_SESSION,
        ),
        Step("If nothing else helps, have the controller restarted.", cautions.RESTART),
    ),
    evidence={
        "call": "the PC calls port {port}{nth}",
        "alive": "the controller's address is alive in another way",
    },
    also_fits=(
        "Where nothing else of the controller is heard: it is off, or its hardware address changed.",
        "Where a router is in between: the controller has no gateway for its answers.",
    ),
    looks_alike=(
        "An answer that comes after the PC gave up: slow, not silent.",
        "A plain acknowledgement instead of an acceptance: an older session is still held.",
        "A message from a router or filter that says why.",
    ),
    confirm="Call the port from a PC on the same switch while the operator panel is off-line.",
    sources=("RFC 9293 sections 3.5 and 3.8.3", "RFC 6298 section 2 (repeats after 1, 3, 7 s)"),
    find=find,
)
