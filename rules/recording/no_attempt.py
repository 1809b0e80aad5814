"""Nothing in the recording is an attempt of the PC to reach the controller.

Quiet where any frame of the PC was meant for the controller, and where it is unclear which station
is the PC: then that is asked first.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp


def find(case: Case) -> Iterator[Sighting]:
    frames = case.facts.coverage.frames
    if not case.linkups and (case.pc is not None or not case.candidates):
        yield Sighting(values={"frames": frames}, frames={})
    for linkup in case.linkups:
        if not _tried(linkup):
            yield Sighting(values={"frames": frames}, frames={}, linkup=linkup)


def _tried(linkup: LinkUp) -> bool:
    return bool(linkup.attempts or linkup.sent_to or linkup.is_heard or linkup.sessions)


RULE = Rule(
    slug="no-attempt",
    stage="recording",
    level=Level.WARNING,
    title="No attempt to reach the controller is in this recording",
    what_happened="Among {frames:count frame} there is no question for a controller's hardware "
    "address, no call to a port and no other packet from the PC to a controller.",
    means="So the recording cannot tell why link-up stopped.",
    likely_causes=(
        "The program did not try while the recording ran.",
        "The attempt left through another adapter: wireless, a second cable, VPN or virtual machine.",
        "The PC had no address or no route for the controller, so nothing was sent.",
        "The controller's own address was entered on the PC, which then talks to itself.",
    ),
    what_to_do=(
        Step("Compare the address typed in the program with the one on the controller's label."),
        Step("Look which adapter of the PC has an address in the controller's network."),
        Step(
            "Record on that cable adapter: start, wait 5 s, press Connect once, wait 30 s, stop. "
            "Note the clock time of the attempt."
        ),
    ),
    evidence={},
    also_fits=("A dead cable: many systems send nothing at all without a link.",),
    looks_alike=(
        "A PC that is left alone sends a few broadcasts a minute and nothing to a controller.",
    ),
    confirm="Record again while somebody presses Connect, on all adapters if possible.",
    sources=("common practice, no source",),
    needs=frozenset(),
    find=find,
)
