"""The TCP session opened, and the opening that the protocol makes inside it was refused.

Quiet where a later opening is granted or a later request is answered, on this or another port: the
program fell back to another way. Quiet for a refusal in the middle of work, unless the protocol
opens a second time inside a working session.
"""

from collections.abc import Iterator

from analyzer.facts import Moment, No, Session
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

NESTED = {"EtherNet/IP"}
"""Protocols that open an inner connection while they already answer other requests."""
PLACE, FULL, TRUST, VERSION = range(4)
"""Places of the causes in the rule."""
FULL_CODES = {
    ("EtherNet/IP", 0x0002), ("EtherNet/IP", 0x0113), ("EtherNet/IP", 0x0100),
    ("ISO on TCP", 1), ("ISO on TCP", 129), ("ISO on TCP", 135), ("ISO on TCP", 136),
    ("OPC UA", 0x807D0000), ("OPC UA", 0x80810000), ("OPC UA", 0x80030000),
}  # fmt: skip
"""Codes whose published meaning is that there is no room left."""
VERSION_CODES = {("EtherNet/IP", 0x69), ("OPC UA", 0x80BE0000), ("TLS", 70), ("ISO on TCP", 130)}
TRUSTING = {"TLS", "OPC UA"}


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        refused = [one for one in linkup.sessions if _is_refused(one)]
        said = [no for session in refused for no in session.dialogue.refusals]
        if not said or _works_after(linkup, max(no.moment for no in said)):
            continue
        protocol = refused[0].dialogue.protocol or ""
        yield Sighting(
            values={
                "controller": linkup.controller,
                "port": refused[0].server.port,
                "protocol": protocol,
                "sessions": len(refused),
                "refusals": sum(session.dialogue.refused for session in refused),
                "code": said[-1].code,
                "meaning": said[-1].meaning,
                "reasons": list(dict.fromkeys(str(no) for no in said)),
            },
            frames={
                "no": [no.moment for no in said],
                "asked": [no.asked for no in said if no.asked],
            },
            linkup=linkup,
            likeliest=_likeliest(protocol, said[-1]),
        )


def _is_refused(session: Session) -> bool:
    dialogue = session.dialogue
    return bool(dialogue.refused) and (not dialogue.good or dialogue.protocol in NESTED)


def _works_after(linkup: LinkUp, refusal: Moment) -> bool:
    elsewhere = [one for one in linkup.other_sessions if one.server.port not in OFFICE_PORTS]
    for session in (*linkup.sessions, *elsewhere):
        dialogue = session.dialogue
        worked = [dialogue.accepted, dialogue.last_good]
        if dialogue.protocol is None:
            worked.append(session.answered)
        if any(moment is not None and moment > refusal for moment in worked):
            return True
    return False


def _likeliest(protocol: str, no: No) -> int:
    if (protocol, no.code) in FULL_CODES:
        return FULL
    if (protocol, no.code) in VERSION_CODES:
        return VERSION
    return TRUST if protocol in TRUSTING else PLACE


RULE = Rule(
    slug="inner-open-refused",
    stage="answer",
    title="{controller} refuses the opening inside the session",
    what_happened="Port {port} of {controller} opened. Inside the session the PC then asked for "
    "the opening that {protocol:protocol} needs. The controller refused it "
    "{refusals:times}. Reason given: {reasons:list}.",
    means="Cable, addresses and port work, and the right kind of service answers. It does not let "
    "this program in.",
    likely_causes=(
        "Rack, slot, path, service name or endpoint address in the program are not right.",
        "All inner connections that the controller allows are taken, or kept for panels.",
        "The controller does not trust the PC's certificate, security setting or log-in.",
        "The two ends speak different versions of the protocol, or have no option in common.",
        "This way of access is switched off in the controller's settings.",
    ),
    what_to_do=(
        Step("Read the reason above, and look it up in the controller's manual."),
        Step("Compare rack, slot, path or endpoint address with the controller's project."),
        Step("Compare the security settings and certificates, and the clocks of both ends."),
        Step("Look in the controller's settings whether this access is allowed."),
        Step(
            "Where it is wrong, have those responsible set the controller's clock.", cautions.CLOCK
        ),
        Step(
            "Ask who else is connected to the controller, and have one connection closed.",
            cautions.OTHERS_SESSION,
        ),
    ),
    evidence={
        "asked": "the PC asks for the inner opening{again}",
        "no": "{controller} refuses it{again}",
    },
    cautions=(
        "Have access or security settings changed only by whoever is responsible for the machine.",
    ),
    looks_alike=(
        "A program that falls back to another version or another way, and succeeds.",
        "An end of work that is announced with a reason.",
    ),
    confirm="Connect with a program that is known to work with this controller, and compare the "
    "openings in two recordings.",
    explains=(
        "session-reset",
        "request-rejected",
        "request-unanswered",
        "session-closed",
    ),
    sources=(
        "RFC 1006 section 6",
        "RFC 905 sections 13.5.3 and 13.12.3",
        "RFC 8446 section 6.2",
        "OPC 10000-6 section 7.1",
        "CIP Networks Library volumes 1 and 2 (from memory)",
    ),
    find=find,
)
