"""The switch port forwarded nothing for its start-up delay, and the PC tried in that time.

The PC's link comes up, and for twice the forward delay nothing comes in but the switch's own
frames, spanning tree among them. A fault where the PC gave up within the delay; a note where it
went on and got through. Shown where the switch's frames state that the port does not forward yet.
Quiet where a station was heard in that time (then the controller is late, not the port); where
others are heard sooner, as on an edge port; where the PC tried again afterwards, in vain; and where
the switch asks who is there, since that is port access control.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Moment
from analyzer.facts.starts import Start
from analyzer.facts.switch import Step as AccessStep
from analyzer.facts.switch import Tree, TreeState
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp, everything_tried, let_through, searches, silence
from rules import cautions

EARLIER = 4.0
"""Seconds by which the port may have come up before the PC's first check."""
LONGER = 35.0
"""Seconds that may be added: 20 s of max age (IEEE 802.1D), and until somebody speaks."""
CLOSED = (TreeState.DISCARDING, TreeState.LEARNING)
ENOUGH_FRAMES = 3
"""Spanning-tree frames that show a switch at work: one comes every 2 s (IEEE 802.1D)."""


def find(case: Case) -> Iterator[Sighting]:
    if case.pc is None or _is_asked(case):
        return
    for start in case.facts.starts.of(case.pc.hardware):
        opened = let_through(case.pc, start.moment.seconds)
        end = case.facts.coverage.seconds if opened is None else opened
        trees = [tree for tree in _trees(case, start) if tree.first.seconds < end]
        if not _is_delay(start, opened, end, trees):
            continue
        linkups: Sequence[LinkUp | None] = case.linkups or [None]
        for linkup in linkups:
            tried = everything_tried(case, linkup)
            within = [one for one in tried if start.moment.seconds <= one.seconds <= end]
            level = _level(case, linkup, within, end)
            if level is not None:
                yield _sighting(case, linkup, start, trees, opened, within, level)


def _sighting(
    case: Case,
    linkup: LinkUp | None,
    start: Start,
    trees: Sequence[Tree],
    opened: float | None,
    within: Sequence[Moment],
    level: Level,
) -> Sighting:
    end = case.facts.coverage.seconds if opened is None else opened
    told = [tree for tree in trees if tree.state in CLOSED]
    after = [path.first for path in case.facts.paths if path.first.seconds >= end]
    return Sighting(
        values={
            "closed": end - start.moment.seconds,
            "delay": trees[0].delay,
            "told": bool(told),
            "opened": opened is not None,
        },
        frames={
            "up": [start.moment],
            "told": [tree.first for tree in told],
            "tree": [tree.first for tree in trees if tree.state not in CLOSED],
            "tried": within,
            "opened": sorted(after)[:1] if opened is not None else [],
        },
        linkup=linkup,
        certainty=Certainty.SHOWN if told else Certainty.FITS,
        level=level,
        silence=silence(within, case.facts) if level is Level.FAULT else None,
    )


def _is_asked(case: Case) -> bool:
    """Whether port access control is at work."""
    return any(one.step is AccessStep.IDENTITY for one in case.facts.switch.access)


def _trees(case: Case, start: Start) -> list[Tree]:
    trees = case.facts.switch.trees.values()
    return sorted((tree for tree in trees if tree.last > start.moment), key=lambda tree: tree.first)


def _is_delay(start: Start, opened: float | None, end: float, trees: Sequence[Tree]) -> bool:
    """Whether the port stayed closed for about twice the forward delay, and not for longer."""
    if sum(tree.count for tree in trees) < ENOUGH_FRAMES:
        return False
    whole, closed = 2 * trees[0].delay, end - start.moment.seconds
    return closed <= whole + LONGER and (opened is None or closed >= whole - EARLIER)


def _level(case: Case, linkup: LinkUp | None, within: Sequence[Moment], end: float) -> Level | None:
    """A fault where the PC gave up too early, a note where it got through, else nothing."""
    if not within:
        return None
    if linkup is not None and linkup.is_heard:
        return Level.NOTE if linkup.works else None
    asked_early = searches(case)
    if linkup is None or linkup.self_assigned:
        gave_up = bool(asked_early) and asked_early[-1].seconds <= end
    else:
        gave_up = everything_tried(case, linkup)[-1].seconds <= end
    return Level.FAULT if gave_up else None


RULE = Rule(
    slug="late-forwarding",
    stage="link",
    title="The switch port was{fits:if likely} not open yet when the PC tried",
    what_happened="The PC's link came up, and for {closed:seconds} nothing came in but frames that "
    "the switch sends by itself. The PC tried in that time, and got no answer.",
    means="A switch with spanning tree keeps a new port closed for a while, to see whether it "
    "leads to a loop. This switch names a forward delay of {delay:seconds}; a new port waits for "
    "twice as long.",
    likely_causes={
        "port-set-up": "The port is not set up as one for an end device (edge port).",
        "something-changed-elsewhere": "Something changed elsewhere in the network, and the switches look for loops again.",
    },
    what_to_do=(
        Step(
            "Leave the cable in, wait 60 s after the link lamp lights, and connect again.",
            cautions.COMMANDS,
        ),
        Step("Where the PC gets its address automatically, ask for one again after that time."),
        Step("Plug the PC into a port that is already meant for PCs.", cautions.LINK_DROPS),
        Step(
            "Ask whoever is responsible for the network to set the port up as an edge port.",
            cautions.LINK_DROPS,
        ),
    ),
    evidence={
        "up": "the PC's link has come up: the first of its checks",
        "told": "the switch states that the port does not forward yet{again}",
        "tree": "a spanning-tree frame of the switch{again}",
        "tried": "the PC tries, and nothing comes back{again}",
        "opened": "the first frame of another station: the port is open",
    },
    cautions=(
        "Never turn off loop protection on a plant's switch: one loop stops the whole network, "
        "and the machines with it.",
    ),
    also_fits={
        "network-nobody-had": "A network on which nobody had anything to say for that time, and a controller that was "
        "still starting.",
        "port-vlan-nobody": "A port in a VLAN in which nobody else is, where no other frame ever comes.",
    },
    looks_alike=(
        "Other stations are heard while the controller keeps silent: the controller is late.",
        "An edge port, which opens within about 3 s.",
        "Spanning-tree frames among normal traffic: every managed switch sends them.",
    ),
    confirm="Record from before the cable is plugged in until 90 s later, with a ping running: "
    "the answers begin all at once.",
    confirm_caution=cautions.LINK_DROPS,
    explains=("nothing-heard", "self-assigned-address", "unanswered-arp"),
    sources=("IEEE 802.1D-1998 section 8.10 (forward delay 15 s, max age 20 s)",),
    needs=frozenset({Need.HARDWARE}),
    survey=find,
)
