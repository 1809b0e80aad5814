"""The switch port forwarded nothing for its start-up delay, and the PC tried in that time.

The PC's link comes up, and for twice the forward delay nothing comes in but the switch's own
frames, spanning tree among them; the last time that this happens is told. A fault where the PC gave
up within the delay; a note where it went on and got through. Shown where the switch's frames state
that the port does not forward yet. Quiet where a station was heard in that time (then the
controller is late, not the port); where others are heard sooner, as on an edge port; where the PC
tried again afterwards, in vain; and where the switch asks who is there, since that is port access
control.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Moment
from analyzer.facts.starts import Start
from analyzer.facts.switch import Step as AccessStep
from analyzer.facts.switch import Tree, TreeState
from analyzer.findings import Certainty, Level, Need, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions

EARLIER = 4.0
"""Seconds by which the port may have come up before the PC's first check."""
LONGER = 35.0
"""Seconds that may be added: 20 s of max age (IEEE 802.1D), and until somebody speaks."""
CLOSED = (TreeState.DISCARDING, TreeState.LEARNING)
ENOUGH_FRAMES = 3
"""Spanning-tree frames that show a switch at work: one comes every 2 s (IEEE 802.1D)."""


def survey(case: Case) -> Iterator[Sighting]:
    pc = case.pc
    if pc is None or any(one.step is AccessStep.IDENTITY for one in case.facts.switch.access):
        return
    for start in reversed(case.facts.starts.of(pc.hardware)):
        opened = pc.cable.let_through(start.moment.seconds)
        end = case.facts.coverage.seconds if opened is None else opened
        trees = _trees(case, start, end)
        if not _is_delay(start, opened, end, trees):
            continue
        told = [tree.first for tree in trees if tree.state in CLOSED]
        for linkup, tried in case.tried():
            within = [one for one in tried if start.moment.seconds <= one.seconds <= end]
            level = _level(linkup, tried, end) if within else None
            if level is None:
                continue
            yield Sighting(
                values={
                    "closed": end - start.moment.seconds,
                    "early": _early(within[-1], opened) if level is Level.FAULT else 0.0,
                    "delay": trees[0].delay,
                    "told": bool(told),
                    "opened": opened is not None,
                },
                frames={
                    "up": [start.moment],
                    "told": told,
                    "tree": [tree.first for tree in trees if tree.state not in CLOSED],
                    "tried": [within[0], within[-1]],
                    "opened": pc.cable.newly_heard(end),
                },
                linkup=linkup,
                certainty=Certainty.SHOWN if told else Certainty.FITS,
                level=level,
                silence=case.silence(linkup, within),
            )
        return


def _early(last: Moment, opened: float | None) -> float:
    """Seconds from the PC's last try until the port opened, 0 where it did not."""
    return 0.0 if opened is None else opened - last.seconds


def _trees(case: Case, start: Start, end: float) -> list[Tree]:
    """What the switch sends between the start and the end."""
    trees = case.facts.switch.trees.values()
    meanwhile = (one for one in trees if one.last > start.moment and one.first.seconds < end)
    return sorted(meanwhile, key=lambda tree: tree.first)


def _is_delay(start: Start, opened: float | None, end: float, trees: Sequence[Tree]) -> bool:
    """Whether the port stayed closed for about twice the forward delay, and not for longer."""
    if sum(tree.count for tree in trees) < ENOUGH_FRAMES:
        return False
    whole, closed = 2 * trees[0].delay, end - start.moment.seconds
    return closed <= whole + LONGER and (opened is None or closed >= whole - EARLIER)


def _level(linkup: LinkUp | None, tried: Sequence[Moment], end: float) -> Level | None:
    """A fault where the PC gave up too early, a note where it got through, else nothing. What a
    self-assigned address tries afterwards is in vain anyway.
    """
    if linkup is not None and linkup.is_heard:
        return Level.NOTE if linkup.works else None
    if linkup is not None and linkup.self_assigned:
        tried = linkup.pc.searches
    return Level.FAULT if tried and tried[-1].seconds <= end else None


RULE = Rule(
    slug="late-forwarding",
    stage="link",
    title="The switch port was{fits:if likely} not open yet when the PC tried",
    what_happened="The PC's link came up, and for {closed:seconds} nothing came in but frames that "
    "the switch sends by itself. What the PC tried in that time got no answer{early:if, the last "
    "of it {early:seconds} before the port opened}.",
    means="A switch with spanning tree keeps a new port closed for a while, to see whether it "
    "leads to a loop. This switch names a forward delay of {delay:seconds}; a new port waits for "
    "twice as long.",
    likely_causes={
        "no edge port": "The port is not set up as one for an end device (edge port).",
        "change elsewhere": "Something changed elsewhere in the network, and the switches look for "
        "loops again.",
    },
    what_to_do=(
        Step(
            "Leave the cable in, wait 60 s after the link lamp lights, and connect again.",
            cautions.COMMANDS,
        ),
        Step("Where the PC gets its address automatically, ask for one again after that time."),
        Step("Plug the PC into a port that is already meant for PCs.", cautions.LINK_DROPS),
        Step(
            "Ask whoever is responsible for the network to set the port up as an edge port, if it "
            "never leads to another switch.",
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
        cautions.warning(
            "Never turn off loop protection on a plant's switch: one loop stops the whole "
            "network, and the machines with it.",
        ),
    ),
    also_fits={
        "quiet network": "A network on which nobody had anything to say for that time, and a "
        "controller that was still starting.",
        "empty vlan": "A port in a VLAN in which nobody else is, where no other frame ever comes.",
    },
    looks_alike=(
        "Other stations are heard while the controller keeps silent: the controller is late.",
        "An edge port, which opens within about 3 s.",
        "Spanning-tree frames among normal traffic: every managed switch sends them.",
    ),
    confirm="Record from before the cable is plugged in until 90 s later, with a ping running: "
    "the answers begin all at once.",
    confirm_caution=cautions.LINK_DROPS,
    explains=("late-start", "nothing-heard", "self-assigned-address", "unanswered-arp"),
    sources=("IEEE 802.1D-1998 section 8.10 (forward delay 15 s, max age 20 s)",),
    needs=frozenset({Need.HARDWARE}),
    survey=survey,
)
