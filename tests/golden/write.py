"""Writes the golden reports anew: `python tests/golden/write.py`. Read the difference before a
commit: it is what users will see."""

import sys
from pathlib import Path

FOLDER = Path(__file__).parent
sys.path.insert(0, str(FOLDER.parents[1]))
GOLDEN = ("two-units-one-address.pcap", "healthy-first-contact.pcapng", "stopped-early.pcap")
"""Told in full, as text and as JSON."""
SHORT = (
    *(f"captures/{name}" for name in GOLDEN),
    "captures/nobody-has-the-address.pcap",
    "captures/no-attempt.pcap",
    "captures/nothing-heard.pcap",
    "captures/wrong-vlan.pcap",
    "captures/different-network.pcapng",
    "captures/port-refused.pcap",
    "captures/half-open-session.pcap",
    "captures/session-reset.pcap",
    "captures/request-unanswered.pcap",
    "captures/late-answer-mixed-up.pcap",
    "captures/tunnel-too-narrow.pcap",
    "captures/started-late.pcap",
    "tests/lab/kept/asset-scanner.pcapng.gz",
    "tests/lab/kept/controller-still-starting-at-the-end.pcapng.gz",
    "tests/lab/kept/no-address-server.pcapng.gz",
    "tests/lab/kept/old-port-refused-new-one-works.pcapng.gz",
    "tests/lab/kept/one-frame-in-seven-lost.pcapng.gz",
)
"""Told in short, as text."""


def reports(name: str) -> dict[str, str]:
    """The golden file names and what they should hold, for one recording."""
    import analyzer
    from analyzer.reports.document.answer import in_full
    from analyzer.reports.to_json import to_json
    from analyzer.reports.to_text import to_text

    diagnosis = analyzer.diagnose(FOLDER.parents[1] / "captures" / name)
    stem = name.split(".")[0]
    return {f"{stem}.txt": to_text(in_full([diagnosis])), f"{stem}.json": to_json([diagnosis])}


def short(path: str) -> dict[str, str]:
    """The same for the short report on a recording."""
    import analyzer
    from analyzer.reports.document.answer import in_short
    from analyzer.reports.to_text import to_text

    recording = FOLDER.parents[1] / path
    stem = recording.name.split(".")[0]
    return {f"short/{stem}.txt": to_text(in_short([analyzer.diagnose(recording)]))}


if __name__ == "__main__":
    told = [*map(reports, GOLDEN), *map(short, SHORT)]
    for file, text in (item for one in told for item in one.items()):
        (FOLDER / file).write_text(text, "ascii", newline="\n")
