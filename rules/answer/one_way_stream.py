"""A stream of datagrams runs one way only, where it should run both ways.

The controller begins a stream to the PC, gets no datagram of the PC, and stops soon, though it is
still heard: it waited in vain for the PC's half. Or the PC sends a fast, even stream to the
registered port of cyclic I/O, and the controller sends none. Always `fits`.
Quiet where the PC sends datagrams too, if slowly; where the stream goes on to the end, as with
those who only listen; where the PC asked for something after the stream began, which may have
been its end; where the controller falls silent altogether; where the PC says that nobody takes the
stream; and for streams to others and groups.
"""

from collections.abc import Iterator

from analyzer.facts import Exchange, Moment
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.facts.udp import Way
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import LinkUp, Stage, between
from rules import cautions

CYCLIC_IO = 2222
"""The registered UDP port of cyclic I/O that always runs both ways (IANA; from memory)."""
FEWEST = 4
"""Datagrams of a stream: a controller commonly waits for 4 periods (common practice, no source)."""
SLOWEST = 1.0
"""Seconds of a period; what comes less often is a sign of life, not cyclic I/O."""
EVEN = 0.5
"""Spread of the gaps over their mean, below which a clock sends and not a person or a load."""
PATIENCE = 30.0
"""Seconds for which a controller sends without the other half (common practice, no source)."""
FAST = 0.3
"""Seconds of a period that is too short for a program that waits for answers."""
LONG = 20
"""Datagrams of the PC that are a stream, and more than a program repeats a question."""
PC_SILENT, CONTROLLER_SILENT = "pc silent", "controller silent"
"""Names of these causes in the rule."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    if Stage.PORT not in linkup.proofs and linkup.target.transport != "udp":
        return
    index, controller = linkup.facts.index, linkup.controller
    sent = [one for one in index.exchanges_from[controller] if not _is_office(one)]
    got = [one for one in index.exchanges_to[controller] if not _is_office(one)]
    stopped = _stopped(linkup, sent, got)
    stream = stopped or _unanswered(linkup, sent, got)
    if stream is None or stream.asked.first is None or stream.asked.last is None:
        return
    way = stream.asked
    last = linkup.last_heard
    yield Sighting(
        values={
            "sender": stream.client[0],
            "receiver": stream.server[0],
            "port": stream.server[1],
            "datagrams": way.count,
            "period": way.period,
            "starts": way.runs,
        },
        frames={
            "first": [stream.asked.first],
            "last": [stream.asked.last],
            "alive": [last] if last is not None and last > stream.asked.last else [],
        },
        certainty=Certainty.FITS,
        silence=linkup.silence([stream.asked.last])
        if stopped
        else linkup.silence([stream.asked.first], tries=way.count),
        likeliest=PC_SILENT if stopped else CONTROLLER_SILENT,
    )


def _stopped(linkup: LinkUp, sent: list[Exchange], got: list[Exchange]) -> Exchange | None:
    """The controller's stream to the PC that ended soon, where the PC sent no datagram."""
    if any(_is_from_pc(linkup, one) for one in (*sent, *got)):
        return None
    refusals, asked = linkup.facts.index.refused_datagrams, _asked(linkup)
    for one in sent:
        refused = (one.client, one.server) in refusals
        if (
            one.server[0] in linkup.pc.addresses
            and not refused
            and _gave_up(linkup, one.asked, asked)
        ):
            return one
    return None


def _gave_up(linkup: LinkUp, way: Way, asked: list[Moment]) -> bool:
    """Whether a stream ended soon and by itself, and its sender is still heard. asked: what the PC
    asked for and closed, which may have been its end.
    """
    if way.last is None or way.began is None or not _is_even(way, SLOWEST, FEWEST):
        return False
    soon = way.last.seconds - way.began.seconds <= PATIENCE
    alive = linkup.last_heard is not None and linkup.last_heard > way.last
    return soon and alive and not between(asked, way.began, way.last.seconds, 1)


def _asked(linkup: LinkUp) -> list[Moment]:
    """The PC's last request of each session, and its closes."""
    closed = [one.ended for one in linkup.on_port if one.ended and one.ended_by_client]
    return sorted([*linkup.on_port.asks, *closed])


def _unanswered(linkup: LinkUp, sent: list[Exchange], got: list[Exchange]) -> Exchange | None:
    """The PC's stream of cyclic I/O, where no datagram of the controller is recorded."""
    own = [one for one in got if _is_from_pc(linkup, one)]
    if sent or linkup.errors or any(one.answered.count for one in own):
        return None
    meant = (one for one in own if one.server[1] == CYCLIC_IO)
    return next((one for one in meant if _is_even(one.asked, FAST, LONG)), None)


def _is_even(way: Way, slowest: float, fewest: int) -> bool:
    steady = way.period is not None and way.period <= slowest and way.unevenness < EVEN
    return steady and way.count >= fewest


def _is_from_pc(linkup: LinkUp, exchange: Exchange) -> bool:
    return exchange.client[0] in linkup.pc.addresses or exchange.answered.count > 0


def _is_office(exchange: Exchange) -> bool:
    return bool({exchange.client[1], exchange.server[1]} & OFFICE_PORTS)


RULE = Rule(
    slug="one-way-stream",
    stage="answer",
    title="The stream from {sender} to {receiver} gets no stream in return",
    what_happened="{sender} sent {datagrams:count datagram} to UDP port {port} of {receiver}, one "
    "every {period:seconds}, in {starts:count run}. In the other direction the recording holds no "
    "datagram.",
    means="Cyclic I/O runs both ways. A controller that misses the other half for a few periods "
    "commonly stops its own half and gives the connection up.",
    likely_causes={
        PC_SILENT: "The program on the PC does not send its half, or not in time.",
        "only listens": "The program asked for a connection that only listens, and the controller "
        "allows none.",
        "firewall": "A firewall on the PC drops the incoming stream, so the program never starts "
        "its half.",
        CONTROLLER_SILENT: "The controller sends its half to a group that does not reach this PC, "
        "or not at all.",
    },
    what_to_do=(
        Step("Look whether the program sends at the period that it asked for."),
        Step("Compare ports, period and kind of connection with the controller's manual."),
        Step("Look whether the program receives the stream that the recording shows."),
        Step("Have the port opened for this program on this adapter.", cautions.FIREWALL),
    ),
    evidence={
        "first": "the first datagram of the stream",
        "last": "the last datagram of the stream",
        "alive": "{controller} is still heard afterwards",
    },
    cautions=(
        "When such a stream stops, outputs usually switch off, and they may switch on again with "
        "it. Make the machine safe before you try: guards, emergency stop, lock-out.",
    ),
    also_fits={
        "told to stop": "A stream that somebody else told the controller to stop.",
        "one way by design": "A stream that is meant one way, where it is the PC's.",
    },
    looks_alike=(
        "A connection that only listens: the stream goes on.",
        "A slow sign of life in return, in place of a stream as fast.",
        "A stream that ends because the PC asked for it.",
        "A controller that falls silent altogether.",
        "Datagrams that the PC turns down, as no program of its own takes them.",
    ),
    confirm="Record a program or panel whose stream works, and compare what the PC sends.",
    sources=("common practice, no source (a stream is lost after about 4 periods)",),
    find=find,
)
