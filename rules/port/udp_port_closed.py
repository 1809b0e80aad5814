"""Nobody takes the datagrams on a UDP port.

Shown where the message "port unreachable" comes from the receiver itself: the controller about the
PC's datagrams, or the PC about those of the controller. It fits where the message comes from
somebody else, or where the PC asked slowly and several times, on a registered or named port or
where it tried nobody else, and neither an answer nor any other datagram of the controller came.
Quiet where the port answers in the end, or did within 2 min before and the PC was not told several
times over; for other ports than the one that the link-up is about; for streams that may be meant
one way: fast ones, and those that go on at their pace to the end on a port that nobody named; where
answers come from elsewhere; and where a session over TCP is what the PC wants. What the PC itself
does not take is a note where the link-up works, and nothing where it takes the datagrams later or
had sent from that port before.
"""

from collections.abc import Iterator, Sequence
from itertools import islice

from analyzer.facts import Address, Moment
from analyzer.facts.index import by
from analyzer.facts.ports import INDUSTRIAL_PORTS
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import BEGINNING, START_TAKES, How, LinkUp, What, are_questions, elsewhere
from rules import cautions

ASKED_ON = 3.0
"""Seconds over which refused requests show that the PC still needs a port that answered before
(common practice, no source)."""
FEWEST = 3
"""Unanswered datagrams that are an attempt: programs ask about three times (common practice)."""
GIVEN_UP = 2
"""Pauses without a further datagram after which the PC has given up: who reports one way goes on,
and who asks stops (common practice, no source)."""
NEAR = 5.0
"""Seconds between the PC's last message and the last datagram where it still takes none; systems
send few such messages (RFC 1812 4.3.2.8)."""
REPEATED = 2
"""Messages of the PC that are no chance: a single late datagram is met by one."""
NOT_LISTENING, WRONG_PORT, SWITCHED_OFF = "not listening", "wrong port", "switched off"
FIXED_PORT, FIREWALL = "fixed port", "firewall"
"""Names of these causes in the rule."""
ONLY_KNOWN_REQUESTS, ONE_WAY, FILTER = "only known requests", "one way", "filter"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    at_controller = (_refused, _silent) if linkup.target.transport == "udp" else ()
    looks = (*at_controller, _pc_refuses)
    yield from islice((sighting for look in looks for sighting in look(linkup)), 1)


def _refused(linkup: LinkUp) -> Iterator[Sighting]:
    """The controller, or somebody for it, says that nobody is on the port."""
    sent, port = linkup.tries.of(What.UDP), linkup.target.port
    worked = sent.last_answer or BEGINNING
    closed = (one for one in linkup.errors if one.is_closed_port and one.dport == port)
    said = [one for one in closed if one.moment > worked]
    refusals = [one.moment for one in said]
    by_receiver = all(one.sender == linkup.controller for one in said)
    lasts = bool(said) and refusals[-1].seconds - worked.seconds >= START_TAKES
    if not lasts and not (by_receiver and _asks_on(refusals)):
        return
    in_vain = [one for one in sent if one.last > worked]
    datagrams = max(len(refusals), sum(one.times - one.answers for one in in_vain))
    other_reasons = [WRONG_PORT] if sent.last_answer else []
    other_reasons += [FIREWALL, FILTER] if by_receiver else []
    yield Sighting(
        values={
            **_values(linkup.controller, port, datagrams, refusals),
            "by_receiver": by_receiver,
            "others": not by_receiver,
            "worked": sent.last_answer is not None,
        },
        frames={
            "sent": [one.first if one.first > worked else one.last for one in in_vain],
            "refusal": refusals,
        },
        certainty=Certainty.SHOWN if by_receiver else Certainty.FITS,
        likeliest=NOT_LISTENING if sent.last_answer else WRONG_PORT,
        ruled_out=[FIXED_PORT, ONLY_KNOWN_REQUESTS, ONE_WAY, *other_reasons],
    )


def _asks_on(refusals: Sequence[Moment]) -> bool:
    """Whether the PC asks again and again, though each time it is told that nobody is there."""
    if len(refusals) < FEWEST or refusals[-1].seconds - refusals[0].seconds < ASKED_ON:
        return False
    return are_questions(refusals[0], refusals[-1], len(refusals))


def _silent(linkup: LinkUp) -> Iterator[Sighting]:
    """The PC asks again and again, and no datagram comes back."""
    sent, target = linkup.tries.of(What.UDP), linkup.target
    meant = target.is_named or linkup.alone or target.port in INDUSTRIAL_PORTS
    in_vain = all(one.how is How.IGNORED for one in sent) and not linkup.unasked
    if not meant or not in_vain or sent.times < FEWEST or elsewhere(linkup):
        return
    moments = sorted({moment for one in sent for moment in (one.first, one.last)})
    pause = (moments[-1].seconds - moments[0].seconds) / (sent.times - 1)
    gave_up = linkup.facts.heard_after(moments[-1]) >= GIVEN_UP * pause
    if are_questions(moments[0], moments[-1], sent.times) and (gave_up or target.is_named):
        yield Sighting(
            values=_values(linkup.controller, target.port, sent.times, []),
            frames={"sent": moments},
            certainty=Certainty.FITS,
            silence=linkup.silence(moments, sent.times),
            likeliest=WRONG_PORT,
            ruled_out=[FILTER],
        )


def _pc_refuses(linkup: LinkUp) -> Iterator[Sighting]:
    """The PC says of the controller's datagrams that no program of its own takes them."""
    refused = linkup.facts.index.refused_datagrams
    for (address, port), sent in by(linkup.unasked, lambda one: one.server).items():
        said = sorted(at.moment for one in sent for at in refused[one.client, one.server])
        last = max(one.last.seconds for one in sent)
        taken = any(one.answered.count or one.is_office for one in sent)
        if taken or len(said) < REPEATED or last - said[-1].seconds >= NEAR:
            continue
        datagrams = sum(one.asked.count for one in sent)
        yield Sighting(
            values=_values(address, port, datagrams, said, at_controller=False),
            frames={"sent": [one.first for one in sent], "refusal": said},
            level=Level.NOTE if linkup.works else Level.FAULT,
            likeliest=NOT_LISTENING,
            ruled_out=[SWITCHED_OFF, FIREWALL, ONLY_KNOWN_REQUESTS, ONE_WAY, FILTER],
        )


def _values(
    receiver: Address,
    port: int | None,
    datagrams: int,
    refusals: Sequence[Moment],
    at_controller: bool = True,
) -> dict[str, object]:
    return {
        "receiver": receiver,
        "port": port,
        "datagrams": datagrams,
        "refusals": len(refusals),
        "silent": not refusals,
        "by_receiver": bool(refusals),
        "others": False,
        "at_controller": at_controller,
        "pc_listens": not at_controller or not refusals,
        "worked": False,
    }


RULE = Rule(
    slug="udp-port-closed",
    stage="port",
    title="UDP port {port} of {receiver}{refusals:if is{fits:if likely} closed: nobody takes "
    "the datagrams}"
    "{silent:if gives no answer}",
    what_happened="{by_receiver:if {receiver} says {refusals:times} that its UDP port {port} is "
    "closed.} The recording holds {datagrams:count datagram} to UDP port {port} of "
    "{receiver}{worked:if after its last answer}, and in return no data{others:if, but "
    "{refusals:count message} that nobody is on that port}.",
    means="As long as that is so, nothing is heard through this port."
    "{by_receiver:if No program listens there.}"
    "{fits:if Only the receiver's message that nobody is on the port makes it certain that no "
    "program listens there. Many controllers send none, and a firewall may swallow it.}",
    likely_causes={
        NOT_LISTENING: "The program that takes these datagrams is not running, or has given up its "
        "port.",
        WRONG_PORT: "The port number is not the one that is served.",
        SWITCHED_OFF: "The stream or service is not switched on in the controller's settings.",
        FIXED_PORT: "The answer goes to a fixed port of the PC in place of the one that the PC "
        "asked from.",
        FIREWALL: "A firewall on the PC or on the way drops the datagrams or the answers.",
    },
    what_to_do=(
        Step("Compare the port number {port} at both ends with the controller's manual."),
        Step(
            "{pc_listens:if Look whether the program on the PC is running and which port it "
            "listens on.}"
        ),
        Step(
            "{at_controller:if Look in the controller's settings whether the service or stream is "
            "switched on.}"
        ),
        Step("{silent:if Look in the recording whether answers come to another port of the PC.}"),
        Step(
            "{pc_listens:if Have the PC's firewall let the datagrams through to that program.}",
            cautions.FIREWALL,
        ),
    ),
    evidence={
        "sent": "a datagram for UDP port {port} of {receiver}{again}",
        "refusal": "a message says that nobody is on UDP port {port}{again}",
    },
    also_fits={
        ONLY_KNOWN_REQUESTS: "A service that answers only what it understands.",
        ONE_WAY: "A program that sends one way and expects no answer.",
        FILTER: "Where the message does not come from the receiver: a filter on the way.",
    },
    looks_alike=(
        "A message about another program, such as name service or discovery.",
        "A fast stream that is meant one way.",
        "A port that answers in the end: the other side was starting.",
        "Late datagrams for a port that the PC's program has given up in the meantime.",
        "Log entries and the like beside the controller that the PC works with.",
    ),
    confirm="Ask from a second PC, by reading only, with the controller's service surely on.",
    confirm_caution=cautions.COMMANDS,
    sources=("RFC 1122 sections 3.2.2.1 and 4.1.3.1", "RFC 792 (type 3, code 3)"),
    find=find,
)
