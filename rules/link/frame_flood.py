"""The cable is full of broadcasts or multicasts while the PC waits for the controller.

Either the same frames come in again and again within one second, as in a loop (shown), or more
than a thousand different ones a second (fits). The PC's own questions that come back to it are the
best proof of a loop. A fault where that lasts while the PC waits in vain;
a note where the link-up works all the same. Quiet for cyclic I/O, whose period is steady; for
pictures of each frame by a mirror port, which are two; for one station that searches the network;
and for a short burst.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Facts, Hardware, Kind, Moment
from analyzer.facts.flood import Busy
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import LISTEN_AFTER, Case, LinkUp, silence
from rules import cautions

MANY = 1000
"""Different frames to groups in one second (a starting value, not measured)."""
REPEATED = 5
"""Times that each frame comes on average in a loop; a mirror port writes two, with tags four."""
LASTING = 3
"""Seconds of such frames that are more than a short burst."""
SHOWN = 2
"""Frames of the PC that are listed as they come back: enough to see it."""
LOOP, NOT_A_LOOP = "loop", "not a loop"
"""Names of these causes in the rule."""


def find(case: Case) -> Iterator[Sighting]:
    full = [one for one in case.facts.flood.seconds.values() if _is_full(one, case.facts)]
    if len(full) < LASTING:
        return
    looped = [one for one in full if _is_looped(one)]
    sender, share = _busiest(full)
    worst = max(full, key=lambda one: one.unsteady)
    for linkup in case.linkups:
        in_vain = _waits_in_it(linkup, full)
        came_back = _came_back(linkup)
        yield Sighting(
            values={
                "rate": worst.unsteady,
                "seconds": len(full),
                "repeats": worst.unsteady // max(worst.different, 1),
                "sender": sender,
                "share": round(100 * share),
                "is_pc": sender == linkup.pc.hardware,
                "came_back": bool(came_back),
                "controller": linkup.controller,
            },
            frames={
                "came_back": came_back[:SHOWN],
                "first": [full[0].first],
                "worst": [worst.first],
                "last": [full[-1].last],
                "waits": [linkup.waiting_since] if linkup.waiting_since else [],
            },
            linkup=linkup,
            certainty=Certainty.SHOWN if len(looped) >= LASTING else Certainty.FITS,
            level=Level.FAULT if in_vain else Level.NOTE,
            silence=silence(linkup.attempts, case.facts) if in_vain else None,
            likeliest=LOOP if looped or came_back else NOT_A_LOOP,
        )


def _is_full(busy: Busy, facts: Facts) -> bool:
    return _is_looped(busy) or (busy.different >= MANY and not _is_search(busy, facts))


def _is_looped(busy: Busy) -> bool:
    return busy.unsteady >= MANY // 2 and busy.unsteady >= REPEATED * busy.different


def _is_search(busy: Busy, facts: Facts) -> bool:
    """Whether one station asks for all the addresses of a network."""
    (sender, kind), count = busy.senders.most_common(1)[0]
    return kind == Kind.ARP and 2 * count > busy.unsteady and facts.arp.is_sweep(sender)


def _busiest(full: Sequence[Busy]) -> tuple[Hardware, float]:
    """The sender of most of these frames, and its part of all."""
    counts: dict[Hardware, int] = {}
    for busy in full:
        for (sender, _), count in busy.senders.items():
            counts[sender] = counts.get(sender, 0) + count
    sender = max(counts, key=counts.__getitem__)
    return sender, counts[sender] / sum(busy.unsteady for busy in full)


def _came_back(linkup: LinkUp) -> list[Moment]:
    """When the PC received questions of its own again."""
    own = (one for one in linkup.facts.arp.questions.values() if one.asker == linkup.pc.hardware)
    return sorted(moment for one in own for moment in one.came_back.moments)


def _waits_in_it(linkup: LinkUp, full: Sequence[Busy]) -> bool:
    """Whether the PC waits in vain for an answer, and the flood lasts meanwhile."""
    waiting = linkup.waiting_since
    if waiting is None or not (linkup.same_network or linkup.is_heard) or linkup.self_assigned:
        return False
    begin = min([waiting, *linkup.attempts]).seconds - LISTEN_AFTER
    end = waiting.seconds + LISTEN_AFTER
    return sum(begin <= one.second <= end for one in full) >= LASTING


RULE = Rule(
    slug="frame-flood",
    stage="link",
    title="The network is flooded with frames for everybody",
    what_happened="For {seconds:count second}, broadcasts and multicasts came in: up to "
    "{rate:count frame} a second. Each one came {repeats:times} on average, {share} % of them with "
    "{sender} as their sender. Meanwhile the PC waited for {controller}.",
    means="Every device has to look at each frame for everybody. A small controller then answers "
    "late or not at all, and frames get lost in the switches.",
    likely_causes={
        LOOP: "A loop: a cable leads from one switch port to another, or a ring has lost the device "
        "that keeps it open. Frames of the PC that come back to it prove this.",
        "adapter-device-worn": "An adapter or device is worn out and sends without end.",
        NOT_A_LOOP: "Data for many, such as I/O, video or a disk image, reaches ports where nobody wants it.",
    },
    what_to_do=(
        Step("Ask which cable was plugged in last, and look for one with both ends in switches."),
        Step("Ask whoever is responsible for the network whether a switch reports a loop."),
        Step(
            "If nobody finds a loop, have {sender} looked for in the switches' address tables. In "
            "a loop, the busiest sender is innocent: its frames are copied."
        ),
        Step("Take out one suspected cable at a time, outside production.", cautions.UNPLUG),
        Step("Connect again when the network is calm, and record it.", cautions.COMMANDS),
    ),
    evidence={
        "came_back": "a question that the PC sent comes back to it: a loop",
        "first": "the flood is heard for the first time",
        "worst": "the fullest second begins",
        "last": "the last frame of the flood",
        "waits": "the PC waits for {controller}",
    },
    cautions=(
        "Taking out the wrong cable stops I/O. The machine has to be in a safe state first.",
    ),
    also_fits={
        "controller-off-another": "A controller that is off or has another address, and a flood that is older.",
    },
    looks_alike=(
        "Cyclic I/O: as fast, and with a steady period.",
        "A recording at a mirror port, where each frame stands twice.",
        "A station that searches the whole network for devices.",
        "A short burst of less than 3 s, as when a ring closes.",
    ),
    confirm="Connect the PC to the controller alone, without the network, outside production.",
    confirm_caution=cautions.UNPLUG,
    explains=(
        "unanswered-arp",
        "arp-silent-controller",
        "port-silent",
        "request-unanswered",
        "lossy-path",
        "path-lost",
        "pc-gave-up",
        "slow-answers",
    ),
    sources=("common practice, no source (1,000 frames a second is a starting value)",),
    needs=frozenset({Need.LINKUP, Need.HARDWARE}),
    survey=find,
)
