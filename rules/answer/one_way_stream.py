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
from analyzer.facts.udp import Way
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import Calls, LinkUp, between
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
    index, own = linkup.facts.index, linkup.pc.addresses
    theirs = [one for one in index.exchanges_from[linkup.controller] if not one.is_office]
    ours = [one for one in index.exchanges_to[linkup.controller] if not one.is_office]
    ours = [one for one in ours if one.client[0] in own]
    to_pc = [one for one in theirs if one.server[0] in own]
    if (theirs and ours) or any(one.answered.count for one in (*to_pc, *ours)):
        return
    closed = Calls(one for one in linkup.on_port if one.ended_by_client)
    asked = sorted([*linkup.on_port.asks, *closed.ends])
    stopped = [one for one in to_pc if _stopped(linkup, one, asked)]
    for stream in (stopped or [one for one in ours if _is_cyclic(one)])[:1]:
        way, alive = stream.asked, linkup.is_heard_after(stream.last)
        sent, count = ([stream.last], 1) if stopped else (way.ends, way.count)
        yield Sighting(
            values={
                "sender": stream.client[0],
                "receiver": stream.server[0],
                "port": stream.server[1],
                "datagrams": way.count,
                "period": way.period,
                "starts": way.runs,
                "stopped": bool(stopped),
                "closed": bool(stopped) and _closed_after(linkup, stream),
            },
            frames={
                "first": [stream.first],
                "last": [stream.last],
                "alive": [linkup.last_heard] if alive else [],
            },
            certainty=Certainty.FITS,
            silence=linkup.silence(sent, count),
            likeliest=PC_SILENT if stopped else CONTROLLER_SILENT,
        )


def _closed_after(linkup: LinkUp, stream: Exchange) -> bool:
    """Whether the controller ended its session with the PC after a stream."""
    ended = (one.ended for one in linkup.on_port if one.ended_by_server)
    return any(at is not None and at > stream.last for at in ended)


def _stopped(linkup: LinkUp, stream: Exchange, asked: list[Moment]) -> bool:
    """Whether a stream ended soon and by itself, and its sender is still heard. asked: what the PC
    asked for and closed, which may have been its end.
    """
    began, last = stream.asked.began or stream.first, stream.last
    refused = (stream.client, stream.server) in linkup.facts.index.refused_datagrams
    soon = _is_even(stream.asked, SLOWEST, FEWEST) and last.seconds - began.seconds <= PATIENCE
    asked_for = refused or between(asked, began, last.seconds, 1)
    return soon and linkup.is_alive_after(last) and not asked_for


def _is_cyclic(stream: Exchange) -> bool:
    return stream.server[1] == CYCLIC_IO and _is_even(stream.asked, FAST, LONG)


def _is_even(way: Way, slowest: float, fewest: int) -> bool:
    steady = way.period is not None and way.period <= slowest and way.unevenness < EVEN
    return steady and way.count >= fewest


RULE = Rule(
    slug="one-way-stream",
    stage="answer",
    title="The stream from {sender} to {receiver} gets no stream in return",
    what_happened="{sender} sent {datagrams:count datagram} to UDP port {port} of {receiver}, and "
    "in the other direction the recording holds none.{stopped:if Then it stopped}{closed:if and "
    "closed its session with the PC}{stopped:if by itself.} The datagrams came one every "
    "{period:seconds}, in {starts:count run}.",
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
        Step("{stopped:if Look whether the PC's program sends a stream: none was recorded.}"),
        Step("Compare ports, period and kind of connection with the controller's manual."),
        Step("{stopped:if Look whether the program receives the stream that the recording shows.}"),
        Step("Have the port opened for this program on this adapter.", cautions.FIREWALL),
    ),
    evidence={
        "first": "the first datagram of the stream",
        "last": "the last datagram of the stream",
        "alive": "{controller} is still heard afterwards",
    },
    cautions=(
        cautions.warning(
            "Outputs usually switch off when such a stream stops, and may switch on again with it.",
            make_safe=True,
        ),
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
