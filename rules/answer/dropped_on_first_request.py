"""The controller ends every session right after the PC's first request, without a word, or with a
no in another protocol than the PC's.

Less certain where it happened once without a word, and where an orderly end may be all that the
service says: on a port and in a protocol that are not known to give answers.

Quiet where the controller ever answered, or answers later, on this or another port that a program
falls back to; where it also ends sessions in which nothing was asked; where the PC confirmed data
that the recording lacks; where the end comes later than at once; where another station's hardware
address sends it; and for sessions that began before the recording.
"""

from collections.abc import Iterator

from analyzer.facts import Moment
from analyzer.facts.ports import INDUSTRIAL_PORTS
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Call, Calls, How, LinkUp
from rules import cautions

FRAMING, ENCRYPTION, PLACE = "framing", "encryption", "place"
SWITCHED_OFF, TAKEN = "switched off", "taken"
"""Names of these causes in the rule."""
FILTER, RESTART, ONLY_TAKES = "filter", "restart", "only takes"
"""Names of what would look the same."""
RULED_OUT_BY_A_NO = (PLACE, SWITCHED_OFF, TAKEN, FILTER, RESTART, ONLY_TAKES)
MUTE = {None, "lines of text"}
"""Protocols in which a service may take what is sent, and say nothing."""
TLS = "TLS"
LIKELIEST = {TLS: ENCRYPTION, "ISO on TCP": PLACE, "EtherNet/IP": PLACE}


def find(linkup: LinkUp) -> Iterator[Sighting]:
    dropped = Calls(one for one in linkup.on_port if _is_dropped(one))
    if not dropped or len(dropped) < len(linkup.on_port.opened):
        return
    first = dropped[0]
    if linkup.fallbacks.answered_after(first.first):
        return
    said = first.session.dialogue
    wants_answer = first.broken or said.protocol not in MUTE or first.port in INDUSTRIAL_PORTS
    certain = said.refused_in is not None or (len(dropped) > 1 and wants_answer)
    noes = [_no(one) for one in dropped]
    waited = noes[0].seconds - dropped.asks[0].seconds if noes[0] else first.idle
    yield Sighting(
        values={
            "attempts": len(dropped),
            "protocol": said.protocol,
            "refused_in": said.refused_in,
            "reasons": list(dict.fromkeys(str(no) for no in said.refusals)),
            "encrypted": said.protocol == TLS and said.refused_in is None,
            "wait": waited,
            "by_reset": first.broken,
        },
        frames={
            "refused": noes,
            "dropped": [one.ended for one, no in zip(dropped, noes, strict=True) if no is None],
            "asked": dropped.asks,
        },
        certainty=Certainty.SHOWN if certain else Certainty.FITS,
        likeliest=_likeliest(said.protocol, said.refused_in),
        ruled_out=RULED_OUT_BY_A_NO if said.refused_in else (),
    )


def _is_dropped(call: Call) -> bool:
    return _no(call) is not None or (call.how is How.DROPPED and call.ended_on_request)


def _no(call: Call) -> Moment | None:
    """The no to the request in another protocol than the request's."""
    said, asked = call.session.dialogue, call.session.asked or call.last
    noes = said.refusals[:1] if said.refused_in is not None else ()
    return next((no.moment for no in noes if no.moment > asked), None)


def _likeliest(protocol: str | None, refused_in: str | None) -> str:
    if refused_in is not None:
        return ENCRYPTION if TLS in (protocol, refused_in) else FRAMING
    return LIKELIEST.get(protocol or "", FRAMING)


RULE = Rule(
    slug="dropped-on-first-request",
    stage="answer",
    title="{controller} ends the session on the first request",
    what_happened="{controller} ended {attempts:count session} on port {port}, {wait:seconds} "
    "after the first request, without an answer. The PC speaks {protocol:protocol}.{refused_in:if "
    "The controller turned that down in {refused_in}, which is what this port expects. Reason "
    "given: {reasons:list}.}",
    means="Cable, addresses and port work. The controller, or something that answers in its name, "
    "does not want this request.",
    likely_causes={
        FRAMING: "The program speaks another protocol, framing or version than this port does.",
        ENCRYPTION: "One of the two encrypts and the other does not, or does not trust the "
        "certificate.",
        PLACE: "The selectors (TSAP) or the service name in the opening message are not the "
        "controller's.",
        SWITCHED_OFF: "The function is switched off in the controller, or this PC is not allowed "
        "to use it.",
        TAKEN: "All sessions that the controller allows are taken, and it says so only then.",
    },
    what_to_do=(
        Step("{encrypted:if Look whether port {port} of the controller takes encryption (TLS).}"),
        Step("Compare protocol, version and port number in the program with the manual."),
        Step("Compare the security settings of both ends, and the clock of the controller."),
        Step(
            "Compare selectors (TSAP) and unit number in the program with the controller's project."
        ),
        Step("Look in the controller's settings whether this access is allowed at all."),
        Step("Record a program that works with this controller, and compare the first requests."),
        Step(
            "Ask who else is connected to the controller, and have one session closed.",
            cautions.OTHERS_SESSION,
        ),
    ),
    evidence={
        "asked": "the PC sends its request{again}",
        "dropped": "{controller} ends the session{again}, without an answer",
        "refused": "{controller} turns it down{again}, in another protocol",
    },
    cautions=(
        cautions.notice(
            "Have access or security settings changed only by whoever is responsible for the "
            "machine.",
        ),
    ),
    also_fits={
        FILTER: "A list of allowed stations, or a filter on the way, that ends sessions after they "
        "opened.",
        RESTART: "A controller that restarts in that moment, where it happened only once.",
        ONLY_TAKES: "A service that only takes data and gives no answer, where it ends sessions in "
        "order.",
    },
    looks_alike=(
        "A first try with a newer protocol or another port, where the next one is answered.",
        "A controller that ends the session after a good answer.",
        "A controller that ends sessions whether or not something was asked: it has none to spare.",
        "A session that is broken later, in the middle of work.",
    ),
    confirm="Send another kind of request from another program, by reading only: a session that "
    "stays up shows that the request matters.",
    confirm_caution=cautions.COMMANDS,
    explains=(
        "session-reset",
        "session-closed",
    ),
    sources=("RFC 9293 sections 3.5.2 and 3.6", "RFC 8446 section 5.1 (what starts encryption)"),
    find=find,
)
