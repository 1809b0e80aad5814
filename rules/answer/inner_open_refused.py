"""The TCP session opened, and the opening that the protocol makes inside it was refused: by the
controller, or by the PC that turned down what the controller showed.

Quiet where a later opening is granted or a later request is answered, on this or another port: the
program fell back to another way. Quiet for a refusal in the middle of work, unless the protocol
opens a second time inside a working session. Where the two ends speak different protocols, another
rule tells.
"""

from collections.abc import Iterator

from analyzer.facts import Dialogue, Moment
from analyzer.findings import Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions

NESTED = {"EtherNet/IP"}
"""Protocols that open an inner connection while they already answer other requests."""
PLACE, FULL, TRUST, VERSION = "place", "full", "trust", "version"
SWITCHED_OFF, TRUST_OF_PC = "switched off", "trust of pc"
"""Names of the causes in the rule."""
BY_CONTROLLER = {PLACE, FULL, TRUST, SWITCHED_OFF}
"""Those that do not fit where the PC turned the controller's answer down."""
LIKELIEST = {
    ("EtherNet/IP", 0x0002): FULL, ("EtherNet/IP", 0x0113): FULL,
    ("ISO on TCP", 1): FULL, ("ISO on TCP", 129): FULL, ("ISO on TCP", 135): FULL,
    ("OPC UA", 0x80030000): FULL, ("OPC UA", 0x807D0000): FULL,
    ("OPC UA", 0x80810000): FULL, ("OPC UA", 0x80830000): PLACE, ("OPC UA", 0x80BE0000): VERSION,
    ("EtherNet/IP", 0x69): VERSION, ("ISO on TCP", 130): VERSION, ("TLS", 70): VERSION,
}  # fmt: skip
"""By protocol and code: the cause that its published meaning points to."""
OTHERWISE = {"TLS": TRUST, "OPC UA": TRUST}
"""By protocol: what a controller's other noes are about, where that is not the place."""
CERTIFICATE_CODES = {("TLS", code) for code in (42, 43, 44, 45, 46, 48)}
"""Codes that speak of the certificate alone (RFC 8446 section 6.2)."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    refused = [one for one in linkup.sessions if _is_refused(one.dialogue)]
    said = [no for one in refused for no in one.dialogue.refusals]
    by_pc, begun = not said, list[Moment]()
    if by_pc:
        refused = [one for one in linkup.sessions if one.dialogue.declined]
        said = [no for one in refused if (no := one.dialogue.declined)]
        begun = [one.moment for each in refused if (one := each.from_client.first_data)]
    if not said or _works_after(linkup, max(no.moment for no in said)):
        return
    protocol = refused[0].dialogue.protocol or ""
    key = protocol, said[-1].code
    version = {VERSION} if key in CERTIFICATE_CODES else set()
    yield Sighting(
        values={
            "protocol": protocol,
            "sessions": len(refused),
            "by_pc": by_pc,
            "by_controller": not by_pc,
            "refusals": max(len(said), sum(one.dialogue.refused for one in refused)),
            "code": said[-1].code,
            "meaning": said[-1].meaning,
            "reasons": list(dict.fromkeys(str(no) for no in said)),
        },
        frames={
            "declined" if by_pc else "no": [no.moment for no in said],
            "asked": [*(no.asked for no in said), *begun],
        },
        likeliest=LIKELIEST.get(key, TRUST_OF_PC if by_pc else OTHERWISE.get(protocol, PLACE)),
        ruled_out=BY_CONTROLLER | version if by_pc else {TRUST_OF_PC},
    )


def _is_refused(said: Dialogue) -> bool:
    inside = said.refused_in is None and (not said.good or said.protocol in NESTED)
    return bool(said.refused) and inside


def _works_after(linkup: LinkUp, refusal: Moment) -> bool:
    """Whether a later opening is granted, or a later request answered, on any port."""
    calls = (*linkup.on_port, *linkup.fallbacks)
    worked = (at for one in calls for at in (one.last_good, one.session.dialogue.accepted))
    return any(at is not None and at > refusal for at in worked)


RULE = Rule(
    slug="inner-open-refused",
    stage="answer",
    title="The opening inside the session with {controller} is refused{by_pc:if by the PC}",
    what_happened="Inside the session on port {port}, the opening that {protocol:protocol} needs "
    "was refused {refusals:times}{by_controller:if by {controller}}{by_pc:if by the PC, after "
    "{controller} had answered}. Reason given: {reasons:list}.",
    means="Cable, addresses and port work, and the right kind of service answers."
    "{by_controller:if It does not let this program in.}"
    "{by_pc:if The program does not go on with it.}",
    likely_causes={
        PLACE: "Selectors (TSAP), path, service name or endpoint address in the program are not "
        "right.",
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
            "{by_controller:if Compare selectors (TSAP), path or endpoint address with the "
            "controller's project.}"
        ),
        Step("Compare the security settings and certificates, and the clocks of both ends."),
        Step(
            "{by_controller:if Look the reason up in the controller's manual.}{by_pc:if The PC "
            "gave the reason: look it up in the manual of its program.}"
        ),
        Step(
            "{by_controller:if Look in the controller's settings whether this access is allowed.}"
        ),
        Step(
            "Have those responsible give each end the certificates that it has to trust, once "
            "their fingerprints are compared at the other end."
        ),
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
        cautions.notice(
            "Have access or security settings changed only by whoever is responsible for the "
            "machine.",
        ),
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
