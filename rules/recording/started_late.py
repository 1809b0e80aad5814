"""The recording began in the middle of a session.

A note only where the link-up works all the same. Quiet where the session's opening is in the file.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case
from rules import cautions


def find(case: Case) -> Iterator[Sighting]:
    for linkup in case.linkups:
        joined = [session for session in linkup.sessions if not session.syns.count]
        if joined:
            yield Sighting(
                values={"controller": linkup.controller, "port": joined[0].server.port},
                frames={"first": [joined[0].first]},
                linkup=linkup,
                level=Level.NOTE if linkup.works else Level.WARNING,
            )


RULE = Rule(
    slug="started-late",
    stage="recording",
    level=Level.WARNING,
    title="The recording began after the session to {controller} was open",
    what_happened="The first frame of the session with {controller} on port {port} is in the "
    "middle of it: its opening is not in the recording.",
    means="What happened before cannot be judged: finding the hardware address, opening the port.",
    likely_causes=(
        "The recorder was started after Connect was pressed.",
        "The program keeps its session open all the time.",
    ),
    what_to_do=(
        Step("Close the program's connection in the program itself.", cautions.OTHERS_SESSION),
        Step("Start the recording, wait 5 s, then press Connect once and wait 30 s."),
    ),
    evidence={"first": "the session is already under way"},
    looks_alike=("A session whose SYN is in the file began inside the recording.",),
    confirm="Make a second recording that starts before the program does.",
    sources=("RFC 9293 section 3.5 (opening a session)",),
    find=find,
)
