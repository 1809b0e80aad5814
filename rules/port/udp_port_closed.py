"""Nobody takes the datagrams on a UDP port.

Shown where the message "port unreachable" comes from the receiver itself: the controller about the
PC's datagrams, or the PC about those of the controller. It fits where the message comes from
somebody else, or where the PC asked slowly and several times, on a registered or named port or
where it tried nobody else, and neither an answer nor any other datagram of the controller came.
Quiet where the port answers in the end, or did within 2 min before and the PC was not told several
times over; for other ports than the one
that the link-up is about; for streams that may be meant one way: fast ones, and those that go on at
their pace to the end on a port that nobody named; where answers come from elsewhere; and where a
session over TCP is what the PC wants. What the PC itself does not take is a note where the link-up
works, and nothing where it takes the datagrams later or had sent from that port before.
"""

from collections.abc import Iterator

from analyzer.facts import Address, Exchange, IcmpError, Moment
from analyzer.facts.icmp import PORT_UNREACHABLE, UNREACHABLE
from analyzer.facts.ports import INDUSTRIAL_PORTS, OFFICE_PORTS
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp, Stage, elsewhere
from rules import cautions

UDP = 17
LASTING = 120.0
"""Seconds of trouble after the port last answered: a controller starts within that time."""
ASKED_ON = 3.0
"""Seconds over which refused requests show that the PC still needs a port that answered before
(common practice, no source)."""
FEWEST = 3
"""Unanswered datagrams that are an attempt: programs ask about three times (common practice)."""
SLOW = 0.3
"""Seconds from one datagram to the next: those who wait for an answer take longer than a stream
does (common practice, no source)."""
GIVEN_UP = 2
"""Pauses without a further datagram after which the PC has given up: who reports one way goes on,
and who asks stops (common practice, no source)."""
NEAR = 5.0
"""Seconds between the PC's last message and the last datagram where it still takes none; systems
send few such messages (RFC 1812 4.3.2.8)."""
REPEATED = 2
"""Messages of the PC that are no chance: a single late datagram is met by one."""
NOT_LISTENING, WRONG_PORT, SWITCHED_OFF, FIXED_PORT, FIREWALL = (
    "not listening",
    "wrong port",
    "switched off",
    "fixed port",
    "firewall",
)
"""Names of these causes in the rule."""
ONLY_KNOWN_REQUESTS, ONE_WAY, FILTER = "only known requests", "one way", "filter"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    sighting = _refused(linkup) or _silent(linkup, linkup.alone) or _pc_refuses(linkup)
    if sighting is not None:
        yield sighting


def _refused(linkup: LinkUp) -> Sighting | None:
    """The controller, or somebody for it, says that nobody is on the port."""
    if linkup.target.transport != "udp":
        return None
    asked = _on_port(linkup)
    answered = max((one.answered.last.seconds for one in asked if one.answered.last), default=None)
    worked = float("-inf") if answered is None else answered
    refusals = [
        one
        for one in _messages(linkup, linkup.controller)
        if one.dport == linkup.target.port and one.moment.seconds > worked
    ]
    by_receiver = all(one.sender == linkup.controller for one in refusals)
    if not refusals or not (_lasts(refusals, worked) or (by_receiver and _asks_on(refusals))):
        return None
    in_vain = [one for one in asked if one.asked.last and one.asked.last.seconds > worked]
    return Sighting(
        values={
            **_values(linkup, linkup.controller, in_vain, refusals),
            "datagrams": max(len(refusals), sum(_unanswered(one) for one in in_vain)),
            "worked": answered is not None,
        },
        frames={
            "sent": [moment for one in in_vain if (moment := _first_after(one, worked))],
            "refusal": [one.moment for one in refusals],
        },
        linkup=linkup,
        certainty=Certainty.SHOWN if by_receiver else Certainty.FITS,
        likeliest=NOT_LISTENING if answered is not None else WRONG_PORT,
        excluded=[
            FIXED_PORT,
            *([WRONG_PORT] if answered is not None else []),
            *([FIREWALL] if by_receiver else []),
        ],
        also_excluded=[ONLY_KNOWN_REQUESTS, ONE_WAY, *([FILTER] if by_receiver else [])],
    )


def _lasts(refusals: list[IcmpError], worked: float) -> bool:
    return refusals[-1].moment.seconds - worked >= LASTING


def _unanswered(exchange: Exchange) -> int:
    return exchange.asked.count - exchange.answered.count


def _first_after(exchange: Exchange, seconds: float) -> Moment | None:
    """The first known datagram of the PC after a time."""
    known = (exchange.asked.first, exchange.asked.last)
    return next((one for one in known if one and one.seconds > seconds), None)


def _asks_on(refusals: list[IcmpError]) -> bool:
    """Whether the PC asks again and again, slowly, though each time it is told that nobody is
    there.
    """
    span = refusals[-1].moment.seconds - refusals[0].moment.seconds
    return len(refusals) >= FEWEST and span >= max(ASKED_ON, SLOW * (len(refusals) - 1))


def _silent(linkup: LinkUp, alone: bool) -> Sighting | None:
    """The PC asks again and again, and no datagram comes back."""
    asked = _on_port(linkup)
    named = linkup.target.how_known in ("told", "sheet")
    meant = named or alone or linkup.target.port in INDUSTRIAL_PORTS
    if linkup.target.transport != "udp" or not meant or not asked or _is_explained(linkup):
        return None
    sent = [moment for one in asked for moment in (one.asked.first, one.asked.last) if moment]
    count = sum(one.asked.count for one in asked)
    span = max(sent).seconds - min(sent).seconds
    heard = any(_is_from_controller(linkup, one) for one in linkup.facts.exchanges)
    answered = any(one.answered.count for one in asked) or heard or bool(elsewhere(linkup))
    if answered or count < FEWEST or span / (count - 1) < SLOW:
        return None
    goes_on = linkup.facts.heard_after(max(sent)) < GIVEN_UP * span / (count - 1)
    if goes_on and not named:
        return None
    return Sighting(
        values=_values(linkup, linkup.controller, asked, []),
        frames={"sent": sorted(set(sent))},
        linkup=linkup,
        certainty=Certainty.FITS,
        silence=linkup.silence(sent, count),
        likeliest=WRONG_PORT,
        also_excluded=[FILTER],
    )


def _pc_refuses(linkup: LinkUp) -> Sighting | None:
    """The PC says of the controller's datagrams that no program of its own takes them."""
    said: dict[tuple[Address, int | None], list[IcmpError]] = {}
    for own in linkup.pc.addresses:
        for message in _messages(linkup, own):
            if message.sender == own:
                said.setdefault((own, message.dport), []).append(message)
    for one in linkup.facts.exchanges if said else []:
        address, port = one.server
        if not _is_from_controller(linkup, one) or {port, one.client[1]} & OFFICE_PORTS:
            continue
        refusals, last = said.get(one.server, []), one.asked.last
        if one.answered.count or last is None or len(refusals) < REPEATED:
            continue
        if last.seconds - refusals[-1].moment.seconds < NEAR:
            return Sighting(
                values=_values(linkup, address, [one], refusals),
                frames={
                    "sent": [one.asked.first] if one.asked.first else [],
                    "refusal": [message.moment for message in refusals],
                },
                linkup=linkup,
                level=Level.NOTE if linkup.works else Level.FAULT,
                likeliest=NOT_LISTENING,
                excluded=[SWITCHED_OFF, FIREWALL],
                also_excluded=[ONLY_KNOWN_REQUESTS, ONE_WAY, FILTER],
            )
    return None


def _values(
    linkup: LinkUp, receiver: Address, exchanges: list[Exchange], refusals: list[IcmpError]
) -> dict[str, object]:
    return {
        "controller": linkup.controller,
        "receiver": receiver,
        "port": exchanges[0].server[1] if exchanges else linkup.target.port,
        "datagrams": sum(one.asked.count for one in exchanges),
        "refusals": len(refusals),
        "silent": not refusals,
        "by_receiver": bool(refusals) and all(one.sender == receiver for one in refusals),
        "at_controller": receiver == linkup.controller,
        "pc_listens": receiver != linkup.controller or not refusals,
        "worked": False,
    }


def _on_port(linkup: LinkUp) -> list[Exchange]:
    return [one for one in linkup.exchanges if one.server[1] == linkup.target.port]


def _messages(linkup: LinkUp, receiver: Address) -> list[IcmpError]:
    """Messages that nobody is on a UDP port, about datagrams between the PC and the controller."""
    ends = {linkup.controller, *linkup.pc.addresses}
    return [
        one
        for one in linkup.facts.icmp.errors
        if (one.type, one.code, one.protocol) == (UNREACHABLE, PORT_UNREACHABLE, UDP)
        and one.about_dst == receiver
        and one.about_src in ends
    ]


def _is_from_controller(linkup: LinkUp, exchange: Exchange) -> bool:
    to_pc = exchange.server[0] in linkup.pc.addresses
    return to_pc and exchange.client[0] == linkup.controller


def _is_explained(linkup: LinkUp) -> bool:
    told_why = any(error.about_src == linkup.pc_address for error in linkup.errors)
    elsewhere = not linkup.same_network and not linkup.is_heard
    nothing = Stage.LINK not in linkup.proofs
    return told_why or elsewhere or nothing or linkup.self_assigned


RULE = Rule(
    slug="udp-port-closed",
    stage="port",
    title="UDP port {port} of {receiver}{refusals:if is{fits:if likely} closed: nobody takes "
    "the datagrams}"
    "{silent:if gives no answer}",
    what_happened="The recording holds {datagrams:count datagram} to UDP port {port} of "
    "{receiver}{worked:if after its last answer}. In return came no data{refusals:if, but "
    "{refusals:count message} that nobody is "
    "on that port}.",
    means="As long as that is so, nothing is heard through this port."
    "{by_receiver:if The message comes from the receiver itself: no program listens there.}"
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
    confirm="Send the same request from a second PC, with the controller's service surely on.",
    confirm_caution=cautions.COMMANDS,
    sources=("RFC 1122 sections 3.2.2.1 and 4.1.3.1", "RFC 792 (type 3, code 3)"),
    find=find,
)
