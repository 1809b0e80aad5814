"""Frames that were on the wire are not in the file.

The recorder says so itself, or one end confirms data that the file does not hold. A warning where
the PC waits for an answer, or where no attempt is in the file: what is missing may be just that. A
note where the link-up works, or where frames show how it ended. Quiet where the recorder counted
no loss and all confirmed data is there; and about sessions of other stations.
"""

from collections.abc import Iterator

from analyzer.facts import Moment
from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import Case, LinkUp
from rules import cautions


def survey(case: Case) -> Iterator[Sighting]:
    dropped = case.facts.drops or 0
    confirmed = [one for linkup in case.linkups for one in _unseen(linkup)]
    if not dropped and not confirmed:
        return
    in_vain = [one for one in case.linkups if not one.works]
    spoils = not case.linkups or any(one.waiting or not one.last_sent for one in in_vain)
    yield Sighting(
        values={"dropped": dropped, "confirmed": sum(count for count, _ in confirmed)},
        frames={"confirmed": sorted(moment for _, moment in confirmed)},
        certainty=Certainty.SHOWN if dropped else Certainty.FITS,
        level=Level.WARNING if spoils else Level.NOTE,
    )


def _unseen(linkup: LinkUp) -> Iterator[tuple[int, Moment]]:
    """Acknowledgements of unrecorded data: how many, and the last, an end of a session each."""
    for call in (*linkup.on_port.opened, *linkup.on_others.opened):
        accepted = call.session.syn_ack
        for side in call.session.sides:
            last = side.last_unseen
            if last is not None and (accepted is None or last > accepted):
                yield side.unseen, last


RULE = Rule(
    slug="recorder-dropped",
    stage="recording",
    level=Level.WARNING,
    title="Frames that were on the wire are not in the file",
    what_happened="{dropped:if The recorder itself counted {dropped:count frame} lost.}"
    "{confirmed:if In the sessions between the PC and the controller, data that is not in the file "
    "is confirmed {confirmed:times}.}",
    means="An answer that is missing here may have come all the same, so a silence proves less.",
    likely_causes={
        "more-came-than": "More came in than the recorder could write: a busy mirror port, or a "
        "slow disk.",
        "filter-later-step": "A filter, or a later step that kept only some frames, left them out.",
        "mirror-port-passed": "A mirror port passed on less than it saw.",
    },
    what_to_do=(
        Step(
            "Record again while the PC connects, for a minute or two, with few programs open.",
            cautions.COMMANDS,
        ),
        Step("Give the recorder a larger buffer, and show no frames while it records."),
        Step("Send the file as the recorder wrote it, with no frames taken out."),
    ),
    evidence={"confirmed": "confirms data that is not in the file{again}"},
    also_fits={
        "recorder-counted-none": "Where the recorder counted none: frames written out of order.",
    },
    looks_alike=(
        "A segment that was lost on the wire: it is sent again, and nobody confirms it before.",
        "A confirmation of an older session's data, before a new session opens.",
    ),
    confirm="Record the same again: what is missing because of the recorder is another part now.",
    sources=(
        "draft-ietf-opsawg-pcapng section 4.6 (isb_ifdrop, isb_osdrop)",
        "RFC 9293 section 3.4 (an acknowledgement names data that was received)",
    ),
    needs=frozenset(),
    survey=survey,
)
