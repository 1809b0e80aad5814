"""The recording began in the middle of a session.

A note only where the link-up works all the same, or where a later attempt is in the file from its
beginning. Quiet where the session's opening is in the file, if only the controller's half of it.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp
from rules import cautions


def find(linkup: LinkUp) -> Iterator[Sighting]:
    calls = linkup.on_port
    joined = [one for one in calls if not one.calls and one.session.syn_ack is None]
    enough = linkup.works or any(one.calls for one in calls)
    if joined:
        yield Sighting(
            values={"port": joined[0].port},
            frames={"first": [joined[0].first]},
            level=Level.NOTE if enough else Level.WARNING,
        )


RULE = Rule(
    slug="started-late",
    stage="recording",
    level=Level.WARNING,
    title="The recording began when a session with {controller} was already open",
    what_happened="The first frame of a session with port {port} of {controller} belongs to the "
    "middle of it. Its opening is not in the recording.",
    means="How the PC found the hardware address and how the port opened cannot be judged for this "
    "session.",
    likely_causes={
        "recorder late": "The recorder was started after the program had connected.",
        "kept open": "The program keeps its session open all the time.",
    },
    what_to_do=(
        Step("Close the connection in the program that opened it.", cautions.OTHERS_SESSION),
        Step("Start the recording, wait 5 s, then connect once and wait 30 s.", cautions.COMMANDS),
    ),
    evidence={"first": "the session is already under way"},
    looks_alike=(
        "A session whose SYN, or its acceptance, is in the file began inside the recording.",
        "The last frames of an old session before a new attempt: only a note.",
    ),
    confirm="Make a second recording that starts before the program does.",
    sources=("RFC 9293 section 3.5 (opening a session)",),
    find=find,
)
