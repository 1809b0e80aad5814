"""Frames were stored shorter than they were on the wire."""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case

USUAL_HEADERS = 14 + 20 + 20
"""Octets that hold the headers without options."""


def find(case: Case) -> Iterator[Sighting]:
    coverage = case.facts.coverage
    if not coverage.cut or coverage.cut_example is None:
        return
    harmless = coverage.shortest_cut >= USUAL_HEADERS
    yield Sighting(
        values={"cut": coverage.cut, "kept": coverage.shortest_cut},
        frames={"cut": [coverage.cut_example]},
        level=Level.NOTE if harmless else Level.WARNING,
    )


RULE = Rule(
    slug="frames-cut-short",
    stage="recording",
    level=Level.WARNING,
    title="Frames were stored without their ends: {cut:count frame}, cut at {kept} octets",
    what_happened="{cut:count frame} on the wire had more octets than were stored. The shortest "
    "cut left {kept} octets.",
    means="Addresses, ports and times are judged where the headers were kept. Contents are not.",
    likely_causes=("The recorder was set to store only the beginning of each frame.",),
    what_to_do=(Step("Set the recorder to store whole frames, and record again."),),
    evidence={"cut": "the first frame that was not stored whole"},
    looks_alike=("Short frames that were stored whole are not cut.",),
    confirm="Look up the recorder's setting for the snap length: 262144 octets keeps all.",
    sources=("draft-ietf-opsawg-pcap sections 4 and 5 (snap length, captured length)",),
    needs=frozenset(),
    find=find,
)
