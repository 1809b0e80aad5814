"""Says from a recording at which stage link-up from a PC to a controller stopped.

`rules` is a package of its own beside this one. Read `analyzer/diagnosis.py` first: its function
`judge` is the whole program. DEVELOPERS.md has the parts, and which may import which.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analyzer.diagnosis import Diagnosis
    from analyzer.linkup import Told

__version__ = "0.3.0"


def diagnose(path: str | Path, told: Told | None = None) -> Diagnosis:
    """Diagnose one recording with every rule.

    Raises analyzer.errors.Unusable where the file is no recording, OSError where it cannot be read.
    """
    from analyzer import diagnosis
    from analyzer.inputs import open_recording
    from rules import all_rules

    with Path(path).open("rb") as stream:
        return diagnosis.diagnose(open_recording(stream, Path(path).name), all_rules(), told)
