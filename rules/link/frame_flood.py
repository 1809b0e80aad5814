"""The cable is full of broadcasts or multicasts.

Either the same frames come in again and again within one second, as in a loop (shown), or more
than a thousand different ones a second (fits). The PC's own questions that come back to it are the
best proof of a loop. A fault where that lasts while the PC waits for a controller in vain; else a
note, whoever the PC is. Quiet for cyclic I/O, whose period is steady; for pictures of each frame by
a mirror port, which are two; for one station that searches the network; and for a short burst.
"""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence

from analyzer.facts import Facts, Hardware, Kind, Series
from analyzer.facts.flood import Busy
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

MANY = 1000
"""Different frames to groups in one second (a starting value, not measured)."""
REPEATED = 5
"""Times that each frame comes on average in a loop; a mirror port writes two, with tags four."""
LASTING = 3
"""Seconds of such frames that are more than a short burst."""
NEAR = 5.0
"""Seconds around the PC's tries in which a flood keeps the controller busy: it answers late, and
recovers late (common practice, no source)."""
SHOWN = 2
"""Frames of the PC that are listed as they come back: enough to see it."""
LOOP, WORN_OUT, NOT_A_LOOP = "loop", "worn out", "not a loop"
"""Names of these causes in the rule."""


def survey(case: Case) -> Iterator[Sighting]:
    flood = case.facts.flood.seconds.values()
    full = sorted((one for one in flood if _is_full(one, case.facts)), key=lambda one: one.second)
    if len(full) < LASTING:
        return
    worst, (sender, share) = max(full, key=lambda one: one.unsteady), _busiest(full)
    looped = sum(map(_is_looped, full))
    questions = case.pc.questions if case.pc is not None else []
    came_back = Series.joined(one.came_back for one in questions)
    hurt: list[LinkUp | None] = [one for one in case.linkups if _waits_in_it(one, full)]
    for linkup in hurt or [None]:
        waiting = None if linkup is None else linkup.waiting
        yield Sighting(
            values={
                "rate": worst.unsteady,
                "seconds": len(full),
                "begin": full[0].first.seconds,
                "end": full[-1].last.seconds,
                "repeats": worst.unsteady // max(worst.different, 1),
                "sender": sender,
                "share": round(100 * share),
                "came_back": came_back.count > 0,
            },
            frames={
                "came_back": came_back.moments[:SHOWN],
                "first": [full[0].first],
                "worst": [worst.first],
                "last": [full[-1].last],
                "waits": [waiting.first] if waiting else [],
            },
            linkup=linkup,
            certainty=Certainty.SHOWN if looped >= LASTING else Certainty.FITS,
            level=Level.NOTE if linkup is None else Level.FAULT,
            silence=waiting,
            likeliest=LOOP if looped or came_back.count else NOT_A_LOOP,
            ruled_out=[WORN_OUT, NOT_A_LOOP] if came_back.count else [],
        )


def _is_full(busy: Busy, facts: Facts) -> bool:
    return _is_looped(busy) or (busy.different >= MANY and not _is_search(busy, facts))


def _is_looped(busy: Busy) -> bool:
    return busy.unsteady >= MANY // 2 and busy.unsteady >= REPEATED * busy.different


def _is_search(busy: Busy, facts: Facts) -> bool:
    """Whether the busiest station asks for all the addresses of a network."""
    (sender, kind), _ = busy.senders.most_common(1)[0]
    return kind == Kind.ARP and sender in facts.index.searchers


def _busiest(full: Sequence[Busy]) -> tuple[Hardware, float]:
    """The sender of most of these frames, and its part of all."""
    counts = Counter[Hardware]()
    for busy in full:
        for (sender, _), count in busy.senders.items():
            counts[sender] += count
    sender, most = counts.most_common(1)[0]
    return sender, most / sum(busy.unsteady for busy in full)


def _waits_in_it(linkup: LinkUp, full: Sequence[Busy]) -> bool:
    """Whether the PC waits in vain for an answer, and the flood lasts meanwhile."""
    waiting = linkup.waiting
    if waiting is None or not waiting.is_evidence or not linkup.in_reach:
        return False
    begin = bisect_left(full, waiting.first.seconds - NEAR, key=lambda one: one.second)
    end = bisect_right(full, waiting.last.seconds + NEAR, key=lambda one: one.second)
    return end - begin >= LASTING


RULE = Rule(
    slug="frame-flood",
    stage="link",
    title="The network is flooded with frames for everybody{came_back:if, by a loop}",
    what_happened="Between {begin:seconds} and {end:seconds} after the first frame, up to "
    "{rate:count frame} for everybody came in each second{came_back:if, the PC's own question "
    "among them: there is a loop}. Each one came {repeats:times} on average, {share} % of them "
    "with {sender} as their sender."
    "{controller:if Meanwhile the PC waited for {controller}.}",
    means="Every device has to look at each frame for everybody. A small controller then answers "
    "late or not at all, and frames get lost in the switches.",
    likely_causes={
        LOOP: "A loop: a cable leads from one switch port to another, or a ring has lost the "
        "device that keeps it open. Frames of the PC that come back to it prove this.",
        WORN_OUT: "An adapter or device is worn out and sends without end.",
        NOT_A_LOOP: "Data for many, such as I/O, video or a disk image, reaches ports where nobody "
        "wants it.",
    },
    what_to_do=(
        Step("Ask which cable was plugged in last, and look for one with both ends in switches."),
        Step("Ask whoever is responsible for the network whether a switch reports a loop."),
        Step(
            "If nobody finds a loop, have {sender} looked for in the switches' address tables. In "
            "a loop, the busiest sender is innocent: its frames are copied.",
            about=WORN_OUT,
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
        cautions.warning(
            "Taking out the wrong cable stops I/O.",
            make_safe=True,
        ),
    ),
    also_fits={
        "controller off": "A controller that is off or has another address, and a flood that is "
        "older.",
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
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
