"""Large frames do not get through between the PC and the controller, small ones do.

Shown where a router says that the PC's packet is too large, and the PC's data stays unacknowledged
all the same. It fits where a large segment was repeated three times in vain while the controller
was still heard, be it in its close, and smaller ones had been acknowledged; where octets of a large
answer stay missing that the PC still waits for; and where datagrams sent in fragments are never
answered, small ones always, and the controller is still heard. Quiet where data of that size was
acknowledged before, where the PC sends smaller pieces after the message; where any large datagram
was answered, or small ones were not; for fast streams; and where nothing of the controller is heard
any more: that is a broken path.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice

from analyzer.facts import CLIENT, SERVER, Hole, IcmpError, Moment, Resent
from analyzer.facts.index import by
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import BEGINNING, REPEATS, Call, LinkUp, Silence, are_questions
from rules import cautions

LARGE = 1200
"""Octets of data from which on a tunnel on the way may matter: tunnels leave 1300 to 1450 of 1500
(common practice, no source), the least packet that IPv6 has to carry is 1280 (RFC 8200 section 5).
"""
FULL = 1460
"""Most octets of data in an Ethernet frame; larger ones were joined in the PC."""
ETHERNET = 1500
"""Octets of the largest packet in an Ethernet frame (RFC 894, from memory)."""
TCP_HEADERS, PING_HEADERS = (52, 72), (28, 48)
"""Octets in front of the data, with IPv4 and with IPv6 (RFC 791 3.1, RFC 8200 3): of a TCP segment
with times in it (RFC 9293 3.1, RFC 7323 3.2), of a ping (RFC 792, RFC 4443 4.1); from memory."""
TOLD_AGAIN = 2
"""Repeats of what a router's message is about that show that it was in vain."""
MESSAGE_DROPPED, MESSAGE_IGNORED = "message dropped", "message ignored"
NOT_JOINED, PIECES_DROPPED = "not joined", "pieces dropped"
"""Names of these causes in the rule."""
NOISE, NOT_UNDERSTOOD = "noise", "not understood"
"""Names of these in what would look the same."""
TOLD = (MESSAGE_DROPPED, PIECES_DROPPED, NOISE, NOT_UNDERSTOOD)
IN_SESSION = (MESSAGE_IGNORED, PIECES_DROPPED, NOT_UNDERSTOOD)
IN_FRAGMENTS = (MESSAGE_DROPPED, MESSAGE_IGNORED)
"""What is ruled out where a router says why, where data is lost in a session, and in datagrams."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    looks = (_told_by_router, _never_confirmed, _never_arrived, _never_answered)
    yield from islice((sighting for look in looks for sighting in look(linkup)), 1)


def _told_by_router(linkup: LinkUp) -> Iterator[Sighting]:
    """A router says so, and the PC repeats the large piece, or gets no answer any more."""
    for call in linkup.on_port:
        said = [one for one in call.errors if one.is_too_large]
        resent = None if call.ended_by_server else call.stuck(CLIENT)
        if said and resent is not None and resent.again.count >= TOLD_AGAIN:
            yield _told(linkup, said, resent)
    too_large = (one for one in linkup.errors if one.is_too_large)
    about = by(too_large, lambda one: (one.about_src, one.sport))
    for exchange in linkup.exchanges:
        said = about[exchange.client]
        if said and (exchange.answered.last or BEGINNING) < said[0].moment:
            yield _told(linkup, said)


def _told(linkup: LinkUp, said: Sequence[IcmpError], resent: Resent | None = None) -> Sighting:
    moments, again = [one.moment for one in said], resent.again.moments if resent else []
    silence = linkup.silence([*moments, *again], arrived=True)
    return _lost(linkup, {"too_large": moments, "again": again}, silence, TOLD, resent, said)


def _never_confirmed(linkup: LinkUp) -> Iterator[Sighting]:
    """The PC sends a large piece again and again, and the controller is still heard."""
    for call in linkup.on_port:
        resent = call.undelivered
        if resent is None or _ended_for_itself(call, resent):
            continue
        again = resent.again.moments
        if _is_size(linkup, CLIENT, resent.size) and _is_present(linkup, again[0]):
            silence = linkup.silence(again, resent.again.count + 1)
            yield _lost(linkup, {"again": again}, silence, IN_SESSION, resent)


def _ended_for_itself(call: Call, resent: Resent) -> bool:
    """Whether the controller ended the session before the data was repeated in vain, or by a reset.
    A close behind that still asks for the data: it is a consequence.
    """
    early = call.ended is not None and call.ended < resent.again.moments[REPEATS - 1]
    return call.broken or (call.ended_by_server and early)


def _never_arrived(linkup: LinkUp) -> Iterator[Sighting]:
    """A large piece of an answer is missing, and a later one is there."""
    for call in linkup.on_port:
        hole = call.hole(SERVER)
        if hole is not None and not call.ended_by_server and _is_size(linkup, SERVER, hole.size):
            silence = linkup.silence([call.last])
            yield _lost(linkup, {"missing": [hole.moment]}, silence, IN_SESSION, hole)


def _is_size(linkup: LinkUp, side: int, size: int) -> bool:
    """Whether a lost piece is larger than all of that side that arrived."""
    passed = (one.session.largest_confirmed(side) for one in linkup.on_port)
    return size >= LARGE and max(passed) < min(size, FULL)


def _never_answered(linkup: LinkUp) -> Iterator[Sighting]:
    """Datagrams in fragments, none of which was answered, beside small ones that all were."""
    sent = linkup.exchanges if linkup.target.transport == "udp" else []
    large = [one.large for one in sent]
    lost = sorted(moment for one in large for moment in one.unanswered)
    count = sum(one.unanswered_count for one in large)
    small = sum(one.asked.count for one in sent) - count
    all_answered = 0 < small <= sum(one.answered.count for one in sent)
    if count < REPEATS or not all_answered or any(one.answered for one in large):
        return
    if are_questions(lost[0], lost[-1], count) and _is_present(linkup, lost[0]):
        yield _lost(linkup, {"pieces": lost}, linkup.silence(lost, count), IN_FRAGMENTS)


def _is_present(linkup: LinkUp, since: Moment) -> bool:
    """Whether any frame of the controller came later, be it to somebody else."""
    station = linkup.facts.station(linkup.hardware)
    return linkup.is_alive_after(since) or (station is not None and station.last > since)


def _lost(
    linkup: LinkUp,
    frames: Mapping[str, Sequence[Moment]],
    silence: Silence | None,
    ruled_out: Sequence[str],
    piece: Resent | Hole | None = None,
    said: Sequence[IcmpError] = (),
) -> Sighting:
    cut_up = "pieces" in frames
    first = min(at for moments in frames.values() for at in moments)
    answers = [one.session.answered for one in linkup.on_port]
    answers += [one.answered.first for one in linkup.exchanges]
    sizes = [one.router & 0xFFFF for one in said]  # RFC 1191 4: the low half is the next size
    next_size = min(filter(None, sizes), default=None)
    side = SERVER if isinstance(piece, Hole) else CLIENT
    passed = [one.session.largest_confirmed(side) for one in linkup.on_port]
    lost = None if piece is None else min(piece.size, FULL)
    largest = ETHERNET if lost is None else min(lost + TCP_HEADERS[linkup.is_ipv6], ETHERNET)
    return Sighting(
        values={
            "size": piece and piece.size,
            "lost": lost,
            "passed": max(passed, default=0),
            "request": isinstance(piece, Resent),
            "answer": isinstance(piece, Hole),
            "cut_up": cut_up,
            "whole": not cut_up,
            "ping": (next_size or largest) - PING_HEADERS[linkup.is_ipv6],
            "repeats": len(frames.get("again", ())),
            "messages": len(said),
            "next_size": next_size,
            "named": next_size is not None,
            "unnamed": next_size is None,
            "only_said": bool(said) and next_size is None,
            "ipv4": not linkup.is_ipv6,
            "options": not (cut_up or linkup.is_ipv6),
            "ipv6": linkup.is_ipv6,
            "sender": said[0].sender if said else None,
        },
        frames={"small": [at for at in answers if at is not None and at < first], **frames},
        certainty=Certainty.SHOWN if said else Certainty.FITS,
        silence=silence,
        likeliest=NOT_JOINED if cut_up else "",
        ruled_out=ruled_out,
    )


RULE = Rule(
    slug="large-frames-lost",
    stage="route",
    title="Large frames between the PC and {controller}{fits:if likely} get lost",
    what_happened="{request:if With up to {passed} octets of data, the PC's packets got through to "
    "{controller}; one with {lost} octets never did.}{answer:if With up to {passed} octets of "
    "data, packets of {controller} got through to the PC; one with {lost} octets never "
    "did.}{cut_up:if {controller} answered the PC's datagrams that fit into one packet, and none "
    "that was cut up into several.}{named:if {sender} passes on {next_size} octets at most, "
    "headers included: it said so {messages:times}.}{only_said:if {sender} said {messages:times} "
    "that a packet of the PC is too large, and not how large one may be.}",
    means="Somewhere on the way a link takes only smaller packets. Short requests work, and the "
    "first long one hangs.",
    likely_causes={
        "tunnel": "A VPN or a mobile link on the way leaves less room in each packet.",
        MESSAGE_DROPPED: "A filter on the way drops the message that says so, and the PC never "
        "learns of it.",
        "adapter": "The PC's adapter is set to larger frames than the network carries.",
        MESSAGE_IGNORED: "The PC does not act on the router's message: its firewall drops it.",
        NOT_JOINED: "The controller or a device on the way cannot put cut-up packets together "
        "again.",
        PIECES_DROPPED: "A firewall on the way drops the later pieces of a packet that was cut up.",
    },
    what_to_do=(
        Step(
            "{whole:if Ping the controller with{ipv4:if don't-fragment set and} {ping} octets of "
            "data, then with{named:if more}{unnamed:if fewer and fewer}.}{cut_up:if Ping the "
            "controller with 3000 octets of data, which are cut up as the datagrams are. On "
            "Windows: ping -l 3000; on Linux and macOS: ping -s 3000.}"
        ),
        Step(
            "{options:if On Windows that is ping -f -l SIZE, on Linux ping -M do -s SIZE, on macOS "
            "ping -D -s SIZE.}"
        ),
        Step(
            "Do the same from a PC on the controller's own network: some controllers answer no "
            "large ping at all."
        ),
        Step(
            "Connect from that PC: if the long request works there, it is the way between.",
            cautions.COMMANDS,
        ),
        Step("Have the program ask for smaller blocks."),
        Step(
            "For TCP, set the PC's adapter to a smaller packet size{next_size:if, {next_size} "
            "octets,}{unnamed:if, such as 1300 octets,} for a test.",
            cautions.LINK_DROPS,
        ),
        Step(
            "Ask whoever looks after the network to let the router's message "
            "through{ipv4:if (ICMP type 3 code 4)}{ipv6:if (ICMPv6 type 2)}.",
            cautions.FIREWALL,
        ),
    ),
    evidence={
        "small": "the answer to a smaller request comes{again}",
        "too_large": "{sender} says that the PC's packet is too large for the way",
        "again": "the PC sends the same large piece again, without an acknowledgement",
        "pieces": "the PC sends a large datagram in fragments, and no answer follows{again}",
        "missing": "a later piece of the answer comes, and the large one before it does not",
    },
    cautions=(
        cautions.warning(
            "Load no program into the controller over this way: a load that ends half way can "
            "leave the machine stopped.",
        ),
    ),
    also_fits={
        NOISE: "Noise or a wrong duplex setting, where a long frame is hit more often than a short "
        "one.",
        NOT_UNDERSTOOD: "Large requests that the controller's service does not understand, and "
        "leaves unanswered.",
    },
    looks_alike=(
        "A PC that learns from the message and sends smaller pieces.",
        "Large pieces that are joined in the PC and cut up by its adapter.",
        "A path that broke as a whole.",
        "A controller that acknowledges the long request and takes its time.",
        "Large datagrams that are meant one way, sent fast, or of which one is answered.",
    ),
    confirm="Ping as in the first step, from here and from the controller's own network. If it "
    "always stops at the same size, and only from here, it is the packet size.",
    explains=("path-lost", "lossy-path", "request-unanswered", "session-closed"),
    sources=(
        "RFC 1191 sections 2 and 4, RFC 8201 section 4",
        "RFC 2923 section 2.1",
        "RFC 791 section 3.2 (fragments)",
    ),
    find=find,
)
