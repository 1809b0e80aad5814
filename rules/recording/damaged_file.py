"""The file is damaged or cut: only the part before the damage could be read."""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case


def find(case: Case) -> Iterator[Sighting]:
    damage = case.facts.damage
    if damage is not None:
        yield Sighting(
            values={"octet": damage.octet, "frames": damage.after_frame, "why": damage.why},
            frames={},
        )


RULE = Rule(
    slug="damaged-file",
    stage="recording",
    level=Level.WARNING,
    title="The file is damaged: only its first {frames:count frame} could be read",
    what_happened="At octet {octet} of the unpacked file reading had to stop: {why}. "
    "The {frames:count frame} before that are used.",
    means="What came after the damage is unknown, so a missing answer is weak evidence.",
    likely_causes=(
        "The file was cut on its way, by a mail limit or a broken copy.",
        "The PC lost power, or the disk was full, while recording.",
    ),
    what_to_do=(
        Step("Ask for the file again, packed in an archive, and compare its size with the original."),
        Step("If the original is damaged too, make a new recording."),
    ),
    evidence={},
    looks_alike=("A file that ends right behind a whole frame is complete.",),
    confirm="Compare the size of the file here with its size on the PC where it was made.",
    sources=("draft-ietf-opsawg-pcap section 5", "draft-ietf-opsawg-pcapng section 3.1"),
    needs=frozenset(),
    find=find,
)
