"""The TCP session opened, and the opening that the protocol makes inside it was refused: by the
controller, or by the PC that turned down what the controller showed.

Quiet where a later opening is granted or a later request is answered, on this or another port: the
program fell back to another way. Quiet for a refusal in the middle of work, unless the protocol
opens a second time inside a working session. Where the two ends speak different protocols, another
rule tells.
"""

from collections.abc import Iterator

from analyzer.facts import Moment, No
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import Call, LinkUp
from rules import cautions

NESTED = {"EtherNet/IP"}
"""Protocols that open an inner connection while they already answer other requests."""
PLACE, FULL, TRUST, VERSION, SWITCHED_OFF, TRUST_OF_PC = (
    "place",
    "full",
    "trust",
    "version",
    "switched off",
    "trust of pc",
)
"""Names of the causes in the rule."""
FULL_CODES = {
    ("EtherNet/IP", 0x0002), ("EtherNet/IP", 0x0113), ("EtherNet/IP", 0x0100),
    ("ISO on TCP", 1), ("ISO on TCP", 129), ("ISO on TCP", 135), ("ISO on TCP", 136),
    ("OPC UA", 0x807D0000), ("OPC UA", 0x80810000), ("OPC UA", 0x80030000),
}  # fmt: skip
"""Codes whose published meaning is that there is no room left."""
CERTIFICATE_CODES = {("TLS", code) for code in (42, 43, 44, 45, 46, 48)}
"""Codes that speak of the certificate alone (RFC 8446 section 6.2)."""
VERSION_CODES = {("EtherNet/IP", 0x69), ("OPC UA", 0x80BE0000), ("TLS", 70), ("ISO on TCP", 130)}
TRUSTING = {"TLS", "OPC UA"}
PLACE_CODES = {("OPC UA", 0x80830000)}
"""Codes that say that the endpoint address is not known there, whatever certificates are worth."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    refused = [one for one in linkup.on_port if _is_refused(one)]
    said = [no for one in refused for no in one.session.dialogue.refusals]
    by_pc = not said
    if by_pc:
        refused = [one for one in linkup.on_port if one.session.dialogue.declined]
        said = [no for one in refused if (no := one.session.dialogue.declined)]
    if not said or _works_after(linkup, max(no.moment for no in said)):
        return
    protocol = refused[0].session.dialogue.protocol or ""
    yield Sighting(
        values={
            "port": refused[0].port,
            "protocol": protocol,
            "sessions": len(refused),
            "by_pc": by_pc,
            "by_controller": not by_pc,
            "refusals": len(said)
            if by_pc
            else sum(one.session.dialogue.refused for one in refused),
            "code": said[-1].code,
            "meaning": said[-1].meaning,
            "reasons": list(dict.fromkeys(str(no) for no in said)),
        },
        frames={
            "declined" if by_pc else "no": [no.moment for no in said],
            "asked": _asked(refused) if by_pc else [no.asked for no in said if no.asked],
        },
        likeliest=_likeliest(protocol, said[-1], by_pc),
        ruled_out=_ruled_out(protocol, said[-1]) if by_pc else {TRUST_OF_PC},
    )


def _is_refused(call: Call) -> bool:
    dialogue = call.session.dialogue
    inside = dialogue.refused_in is None and (not dialogue.good or dialogue.protocol in NESTED)
    return bool(dialogue.refused) and inside


def _asked(declined: list[Call]) -> list[Moment]:
    first = [one.session.from_client.first_data for one in declined]
    return [data.moment for data in first if data is not None]


def _works_after(linkup: LinkUp, refusal: Moment) -> bool:
    """Whether a later opening is granted, or a later request answered, on any port."""
    calls = (*linkup.on_port, *linkup.fallbacks)
    worked = (at for one in calls for at in (one.last_good, one.session.dialogue.accepted))
    return any(at is not None and at > refusal for at in worked)


def _likeliest(protocol: str, no: No, by_pc: bool) -> str:
    if (protocol, no.code) in FULL_CODES:
        return FULL
    if (protocol, no.code) in VERSION_CODES:
        return VERSION
    if by_pc:
        return TRUST_OF_PC
    return TRUST if protocol in TRUSTING and (protocol, no.code) not in PLACE_CODES else PLACE


def _ruled_out(protocol: str, no: No) -> set[str]:
    """Causes that do not fit where the PC turned the controller's answer down."""
    of_controller = {PLACE, FULL, TRUST, SWITCHED_OFF}
    return of_controller | ({VERSION} if (protocol, no.code) in CERTIFICATE_CODES else set())


RULE = Rule(
    slug="inner-open-refused",
    stage="answer",
    title="The opening inside the session with {controller} is refused{by_pc:if by the PC}",
    what_happened="Port {port} of {controller} opened. Inside the session the PC then asked for "
    "the opening that {protocol:protocol} needs.{by_controller:if The controller refused "
    "it {refusals:times}.}{by_pc:if The controller answered, and the PC itself turned that down "
    "{refusals:times}.} Reason given: {reasons:list}.",
    means="Cable, addresses and port work, and the right kind of service answers."
    "{by_controller:if It does not let this program in.}"
    "{by_pc:if The program does not go on with it.}",
    likely_causes={
        PLACE: "Rack, slot, path, service name or endpoint address in the program are not right.",
        FULL: "All inner connections that the controller allows are taken, or kept for panels.",
        TRUST: "The controller does not trust the PC's certificate, security setting or log-in.",
        VERSION: "The two ends speak different versions of the protocol, or have no option in "
        "common.",
        SWITCHED_OFF: "This way of access is switched off in the controller's settings.",
        TRUST_OF_PC: "The PC does not trust the controller's certificate: its issuer is not known "
        "here, its time has run out, or its name is not the one called.",
    },
    what_to_do=(
        Step(
            "{by_controller:if Read the reason above, and look it up in the controller's manual.}"
            "{by_pc:if Read the reason above: the PC gave it. Look it up in the manual of the "
            "program on the PC.}"
        ),
        Step(
            "{by_controller:if Compare rack, slot, path or endpoint address with the controller's "
            "project.}"
        ),
        Step("Compare the security settings and certificates, and the clocks of both ends."),
        Step(
            "{by_controller:if Look in the controller's settings whether this access is allowed.}"
        ),
        Step("Have those responsible give each end the certificates that it has to trust."),
        Step(
            "Where it is wrong, have those responsible set the controller's clock.", cautions.CLOCK
        ),
        Step(
            "{by_controller:if Ask who else is connected to the controller, and have one "
            "connection closed.}",
            cautions.OTHERS_SESSION,
        ),
    ),
    evidence={
        "asked": "the PC asks for the inner opening{again}",
        "no": "{controller} refuses it{again}",
        "declined": "the PC turns down what {controller} has answered{again}",
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
    confirm_caution=cautions.COMMANDS,
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
