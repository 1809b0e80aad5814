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

from collections.abc import Iterator
from dataclasses import replace

from analyzer.facts import CLIENT, SERVER, IcmpError, Moment, Resent, Session
from analyzer.findings import Certainty, Rule, Sighting, Step
from analyzer.linkup import LISTEN_AFTER, LinkUp, silence
from rules import cautions

LARGE = 1200
"""Octets of data from which on a tunnel on the way may matter: tunnels leave 1300 to 1450 of 1500
(common practice, no source), the least packet that IPv6 has to carry is 1280 (RFC 8200 section 5).
"""
FULL = 1460
"""Most octets of data in an Ethernet frame; larger ones were joined in the PC."""
REPEATS = 3
"""Repeats from which on chance is no explanation; with a router's message two are enough."""
UNREACHABLE, TOO_LARGE = 3, 4
"""Type and code of the message (RFC 792, RFC 1191 section 4)."""
UDP = 17
SLOW = 0.3
"""Seconds from one datagram to the next: those who wait for an answer take longer than a stream
does (common practice, no source)."""
MESSAGE_DROPPED, MESSAGE_IGNORED, NOT_JOINED, PIECES_DROPPED = (
    "message dropped",
    "message ignored",
    "not joined",
    "pieces dropped",
)
"""Names of these causes in the rule."""
NOISE, NOT_UNDERSTOOD = "noise", "not understood"
"""Names of these in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    for look in (_told_by_router, _never_confirmed, _never_arrived, _never_answered):
        sighting = look(linkup)
        if sighting is not None:
            yield sighting
            break


def _told_by_router(linkup: LinkUp) -> Sighting | None:
    errors = [one for one in linkup.errors if _is_too_large(one, linkup)]
    for session in linkup.sessions:
        resent = session.stuck(CLIENT)
        about = [one for one in errors if one.sport == session.client.port]
        if about and resent and resent.again.count >= REPEATS - 1 and not session.server_ended:
            again = resent.again.moments
            return _sighting(linkup, resent.size, again, about, [*again, about[-1].moment])
    for exchange in linkup.exchanges:
        about = [e for e in errors if e.protocol == UDP and e.sport == exchange.client[1]]
        heard = exchange.answered.last
        if about and (heard is None or heard < about[0].moment):
            return _sighting(linkup, None, [], about, [one.moment for one in about])
    return None


def _is_too_large(error: IcmpError, linkup: LinkUp) -> bool:
    own = error.about_src == linkup.pc_address
    return own and (error.type, error.code) == (UNREACHABLE, TOO_LARGE)


def _never_confirmed(linkup: LinkUp) -> Sighting | None:
    for session in linkup.sessions:
        resent = session.stuck(CLIENT)
        if resent is None or resent.again.count < REPEATS or _ended_for_itself(session, resent):
            continue
        size = min(resent.size, FULL)
        passed = max(one.largest_confirmed(CLIENT) for one in linkup.sessions)
        if size >= LARGE and passed < size and _still_heard(linkup, resent.again.first):
            again = resent.again.moments
            heard_out = [m for m in again if linkup.facts.heard_after(m) >= LISTEN_AFTER]
            since = heard_out if len(heard_out) >= REPEATS else again
            return _sighting(linkup, resent.size, again, [], since)
    return None


def _ended_for_itself(session: Session, resent: Resent) -> bool:
    """Whether the controller ended the session before the data was repeated in vain, or by a reset.
    A close behind that still asks for the data: it is a consequence.
    """
    end = session.ended_by_server
    return end is not None and (end.reset or end.moment < resent.again.moments[REPEATS - 1])


def _still_heard(linkup: LinkUp, since: Moment) -> bool:
    answers = [moment for one in linkup.questions for moment, _ in one.answers]
    heard = [linkup.last_heard] if linkup.last_heard else []
    return any(moment > since for moment in [*heard, *answers])


def _never_arrived(linkup: LinkUp) -> Sighting | None:
    for session in linkup.sessions:
        hole = session.hole(SERVER)
        if hole is None or hole.size < LARGE or session.server_ended:
            continue
        if max(one.largest_confirmed(SERVER) for one in linkup.sessions) < min(hole.size, FULL):
            last = session.from_server.last or hole.moment
            return _sighting(linkup, hole.size, [], [], [last], missing=hole.moment)
    return None


def _never_answered(linkup: LinkUp) -> Sighting | None:
    """Datagrams in fragments, none of which was answered, beside small ones that all were."""
    port, transport = linkup.target.port, linkup.target.transport
    asked = [one for one in linkup.exchanges if transport == "udp" and one.server[1] == port]
    lost = sorted(moment for one in asked for moment in one.large.unanswered)
    count = sum(one.large.unanswered_count for one in asked)
    small = sum(one.asked.count for one in asked) - count
    if any(one.large.answered for one in asked) or count < REPEATS or small < 1:
        return None
    all_small_answered = sum(one.answered.count for one in asked) >= small
    slow = lost[-1].seconds - lost[0].seconds >= SLOW * (count - 1)
    if not all_small_answered or not slow or not _is_present(linkup, lost[0]):
        return None
    found = _sighting(linkup, None, [], [], lost)
    answers = [one.answered.first for one in asked if one.answered.first]
    return replace(
        found,
        frames={"small": answers, "pieces": lost},
        likeliest=NOT_JOINED,
        excluded=[MESSAGE_DROPPED, MESSAGE_IGNORED],
        also_excluded=[],
    )


def _is_present(linkup: LinkUp, since: Moment) -> bool:
    """Whether any frame of the controller came later, be it to somebody else."""
    station = linkup.facts.station(linkup.hardware)
    return _still_heard(linkup, since) or (station is not None and station.last > since)


def _sighting(
    linkup: LinkUp,
    size: int | None,
    again: list[Moment],
    errors: list[IcmpError],
    since: list[Moment],
    missing: Moment | None = None,
) -> Sighting:
    troubles = [*again, *(error.moment for error in errors), *([missing] if missing else [])]
    answered = [one.answered for one in linkup.sessions if one.answered]
    told = [error.router & 0xFFFF for error in errors]
    return Sighting(
        values={
            "controller": linkup.controller,
            "pc": linkup.pc_address,
            "size": size,
            "repeats": len(again),
            "messages": len(errors),
            "next_size": min((one for one in told if one), default=None),
            "sender": errors[0].sender if errors else None,
        },
        frames={
            "small": [moment for moment in answered if moment < min(troubles)],
            "too_large": [error.moment for error in errors],
            "again": again,
            "missing": [missing] if missing else [],
        },
        linkup=linkup,
        certainty=Certainty.SHOWN if errors else Certainty.FITS,
        silence=silence(since, linkup.facts),
        excluded=[MESSAGE_DROPPED if errors else MESSAGE_IGNORED, PIECES_DROPPED],
        also_excluded=[NOISE, NOT_UNDERSTOOD] if errors else [NOT_UNDERSTOOD],
    )


RULE = Rule(
    slug="large-frames-lost",
    stage="route",
    title="Large frames between the PC and {controller}{fits:if likely} get lost",
    what_happened="Small packets between the PC and {controller} get through, and large ones do "
    "not.{messages:if {sender} said {messages:times} that a packet of the PC is too large.}",
    means="Somewhere on the way a link takes only smaller packets. Short requests work, and the "
    "first long one hangs.",
    likely_causes={
        "vpn-mobile-link": "A VPN or a mobile link on the way leaves less room in each packet.",
        MESSAGE_DROPPED: "A filter on the way drops the message that says so, and the PC never "
        "learns of it.",
        "pc-s-adapter": "The PC's adapter is set to larger frames than the network carries.",
        MESSAGE_IGNORED: "The PC does not act on the router's message: its firewall drops it.",
        NOT_JOINED: "The controller or a device on the way cannot put cut-up packets together "
        "again.",
        PIECES_DROPPED: "A firewall on the way drops the later pieces of a packet that was cut up.",
    },
    what_to_do=(
        Step("Ping the controller with 100, 1400 and 4000 octets of data, and compare."),
        Step(
            "Connect from a PC on the controller's own network: there the long request works.",
            cautions.COMMANDS,
        ),
        Step("Have the program ask for smaller blocks."),
        Step(
            "For TCP, set the PC's adapter to a smaller packet size, such as 1300, for a test.",
            cautions.LINK_DROPS,
        ),
        Step(
            "Ask whoever looks after the network to let the router's message through (ICMP type "
            "3 code 4).",
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
        "Do not load a program into the controller over this way: a load that ends half way can "
        "leave the machine stopped. Use a cable on the spot.",
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
    confirm="Ping with growing sizes: if it stops at one size every time, it is the packet size.",
    explains=("path-lost", "lossy-path", "request-unanswered", "session-closed"),
    sources=("RFC 1191 section 4", "RFC 2923 section 2.1", "RFC 791 section 3.2 (fragments)"),
    find=find,
)
