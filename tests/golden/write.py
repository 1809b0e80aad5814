"""Writes the golden reports anew: `python tests/golden/write.py`. Read the difference before a
commit: it is what users will see."""

import sys
from pathlib import Path

FOLDER = Path(__file__).parent
sys.path.insert(0, str(FOLDER.parents[1]))
GOLDEN = ("two-units-one-address.pcap", "healthy-first-contact.pcapng", "stopped-early.pcap")


def reports(name: str) -> dict[str, str]:
    """The golden file names and what they should hold, for one recording."""
    import analyzer
    from analyzer.reports.document import report
    from analyzer.reports.to_json import to_json
    from analyzer.reports.to_text import to_text

    diagnosis = analyzer.diagnose(FOLDER.parents[1] / "captures" / name)
    stem = name.split(".")[0]
    return {f"{stem}.txt": to_text(report([diagnosis])), f"{stem}.json": to_json([diagnosis])}


if __name__ == "__main__":
    for name in GOLDEN:
        for file, text in reports(name).items():
            (FOLDER / file).write_text(text, "ascii", newline="\n")
