"""Writes the examples anew that `whynolink rules NAME` is filled with: `python -m tests.examples`.

They are the values of the first finding of each rule in the recordings that come along.
"""

import json
from collections.abc import Iterator
from pathlib import Path

from analyzer.diagnosis import Diagnosis
from rules import ALL
from rules.examples import EXAMPLES
from tests.support import diagnosed

ROOT = Path(__file__).parents[1]
FILE = ROOT / "rules" / EXAMPLES
INVENTED: dict[str, dict[str, object]] = {
    "wrong-adapter": {"held": ["198.51.100.15"], "link_type": "Ethernet"},
    "third-party-recording": {"client": "192.0.2.15", "there": 12, "back": 12},
    "no-address-given": {
        "client": "00-00-5E-00-53-15",
        "is_pc": True,
        "asks": 4,
        "span": 12.0,
        "silent": True,
    },
    "acceptance-unheard": {"calls": 3, "accepted": 5, "span": 7.0, "calls_on": True},
    "late-start": {"tries": 8, "waited": 8.0},
    "unlike-label": {"device": "00-00-5E-00-53-61", "label": "00-00-5E-00-53-60"},
}
"""Rules that none of those recordings shows."""
ENDS: dict[str, object] = {"pc": "192.0.2.15", "controller": "192.0.2.60", "port": 502}


def examples() -> dict[str, dict[str, object]]:
    """The values of each rule, in the order of the rules, as JSON can hold them."""
    found: dict[str, dict[str, object]] = {}
    for diagnosis in _diagnoses():
        for one in diagnosis.findings:
            found.setdefault(one.rule, {key: _plain(one.values[key]) for key in one.values})
    invented = {slug: {**ENDS, **values} for slug, values in INVENTED.items()}
    known = {**invented, **found}
    return {rule.slug: known[rule.slug] for rule in ALL if rule.slug in known}


def _plain(value: object) -> object:
    """An address is a number to JSON, and a text to a reader."""
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value if type(value) in (bool, int, float, str, type(None)) else str(value)


def _diagnoses() -> Iterator[Diagnosis]:
    for folder in ("captures", "tests/lab/kept"):
        for path in sorted((ROOT / folder).glob("*.pcap*")):
            yield diagnosed(path.read_bytes())
            yield diagnosed(path.read_bytes(), ["192.0.2.60"])


if __name__ == "__main__":
    lines = [f"{json.dumps(slug)}: {json.dumps(values)}" for slug, values in examples().items()]
    FILE.write_text("{\n" + ",\n".join(lines) + "\n}\n", "ascii", newline="\n")
