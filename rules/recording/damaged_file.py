"""The file is damaged or cut: reading stopped there, or went on behind what can be skipped."""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case


def survey(case: Case) -> Iterator[Sighting]:
    damage = case.facts.damage
    if damage is not None:
        frames = damage.after_frame if damage.stopped else case.facts.coverage.frames
        yield Sighting(
            values={
                "octet": damage.octet,
                "frames": frames,
                "none": not frames,
                "why": damage.why,
                "stopped": damage.stopped,
            },
            frames={},
        )


RULE = Rule(
    slug="damaged-file",
    stage="recording",
    level=Level.WARNING,
    title="The file is damaged:{frames:if {frames:count frame}}{none:if no frame} could be read",
    what_happened="At byte {octet} of the unpacked file{stopped:if reading had to stop}: {why}. "
    "What could be read is used ({frames:count frame}).",
    means="An answer that is missing may be in the damaged part{stopped:if, or in what came "
    "after it}.",
    likely_causes={
        "cut": "The file was cut on its way, by a mail limit or a copy that broke off.",
        "ended by force": "The recorder was ended by force, or the file was copied while it was "
        "still being written.",
        "power lost": "The PC lost power, or its disk was full, while recording.",
    },
    what_to_do=(
        Step(
            "Ask for the file again, packed in an archive, and compare its size with the original."
        ),
        Step("If the original is damaged too, make a new recording."),
    ),
    evidence={},
    looks_alike=("A file that ends right behind a whole frame is complete.",),
    confirm="Compare the size of the file here with its size on the PC where it was made.",
    sources=("draft-ietf-opsawg-pcap section 5", "draft-ietf-opsawg-pcapng section 3.1"),
    needs=frozenset(),
    survey=survey,
)
