"""The list of new names: written beside a copy, and used to say a text in the old names again."""

import re
from collections.abc import Mapping
from pathlib import Path

from analyzer.errors import BadOption
from analyzer.outputs.whole import OWNER_ONLY, write_new

ENDING = ".names"
ABOUT = (
    "# The names in a trimmed copy, and whose they are. Keep this list, and do not send it along."
)
MAX_LIST = 16 << 20
"""Octets of a list: about half a million names."""
ROW = re.compile(r"([0-9A-Fa-f.:-]{2,45}) ([0-9A-Fa-f.:-]{2,45})")


def write_names(names: Mapping[str, str], path: Path) -> None:
    """Write new names by old ones into a new file that only its owner can read.

    Raises BadOption where it exists or cannot be written.
    """
    rows = [ABOUT, *(f"{new} {old}" for old, new in names.items())]
    try:
        write_new(path, ("\n".join(rows) + "\n").encode("ascii"), OWNER_ONLY)
    except FileExistsError:
        todo = "Move it away, or choose another --output; nothing is overwritten."
        raise BadOption("exists already.", str(path), todo) from None
    except OSError as problem:
        todo = "Choose another --output, or look for room and rights there."
        raise BadOption(f"cannot be written: {problem.strerror}.", str(path), todo) from None


def read_names(path: Path) -> dict[str, str]:
    """Old names by new ones. Raises BadOption where it is no such list."""
    try:
        with path.open("rb") as stream:
            octets = stream.read(MAX_LIST + 1)
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "not a usable file name"
        todo = "Name the list that was written beside the copy."
        raise BadOption(f"cannot be read: {why}.", str(path), todo) from None
    about, *rows = octets.decode("ascii", "replace").splitlines() or [""]
    found = [ROW.fullmatch(row) for row in rows]
    if about != ABOUT or len(octets) > MAX_LIST or not all(found):
        todo = f"Name the list that was written beside the copy: it ends in {ENDING}."
        raise BadOption("is no list of names.", str(path), todo)
    return {one[1]: one[2] for one in found if one}


def say_back(text: str, names: Mapping[str, str]) -> str:
    """A text with every name of a list replaced; hardware addresses are found however written."""
    known = {new.lower(): old for new, old in names.items()}

    def old(found: re.Match[str]) -> str:
        word = found[0].rstrip(":")  # a colon behind an address belongs to the sentence
        said = known.get(word.lower()) or known.get(word.lower().replace(":", "-")) or word
        return said + found[0][len(word) :]

    return WORD.sub(old, text)


WORD = re.compile(
    r"(?<![\w.])\d{1,3}(?:\.\d{1,3}){3}(?!\.?\d)"
    r"|(?<![\w:-])[0-9A-Fa-f]{2}(?:[:-][0-9A-Fa-f]{2}){5}(?![:-]?\w)"
    r"|(?<![\w:])[0-9A-Fa-f]{0,4}(?::[0-9A-Fa-f]{0,4}){2,7}(?!\w)"
)
"""What may be an IPv4, a hardware or an IPv6 address."""
