"""Frames were stored shorter than they were on the wire.

A note only where the headers that link-up is judged by were kept whole.
"""

from collections.abc import Iterator

from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import Case

HEADERS = 20 + 20 + 20
"""Octets that hold the longest link header here, or Ethernet with a VLAN tag, and then IPv4 and
TCP without options."""


def survey(case: Case) -> Iterator[Sighting]:
    coverage = case.facts.coverage
    if coverage.cut_example is None:
        return
    harmless = coverage.shortest_cut >= HEADERS
    yield Sighting(
        values={"cut": coverage.cut, "kept": coverage.shortest_cut},
        frames={"cut": [coverage.cut_example]},
        level=Level.NOTE if harmless else Level.WARNING,
    )


RULE = Rule(
    slug="frames-cut-short",
    stage="recording",
    level=Level.WARNING,
    title="Only the beginning was stored of {cut:count frame}",
    what_happened="More bytes were on the wire than were stored, in {cut:count frame}. The "
    "shortest piece that was kept has {kept} bytes.",
    means="Addresses, ports and times are judged where they were kept. Contents are not.",
    likely_causes={
        "snap length": "The recorder was set to store only the beginning of each frame.",
    },
    what_to_do=(Step("Set the recorder to store whole frames, then record again."),),
    evidence={"cut": "the first frame that was not stored whole"},
    looks_alike=("Short frames that were stored whole are not cut.",),
    confirm="Look up the recorder's setting for the snap length: 262144 bytes keeps all.",
    sources=("draft-ietf-opsawg-pcap sections 4 and 5 (snap length, captured length)",),
    needs=frozenset(),
    survey=survey,
)
