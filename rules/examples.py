"""For each rule the values of a finding, to read its texts with."""

import json
from pkgutil import get_data

EXAMPLES = "examples.json"


def examples() -> dict[str, dict[str, object]]:
    """Those values by the name of the rule; rules that a team adds have none."""
    told: dict[str, dict[str, object]] = json.loads(get_data("rules", EXAMPLES) or b"{}")
    return told
