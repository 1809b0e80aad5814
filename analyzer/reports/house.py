"""House wording: how a desk begins and ends its letters, read from TOML.

greeting = "Dear colleagues,"
signature = '''
Kind regards
The support desk'''
notes = ["The desk is there from 7 to 18 h."]
"""

import tomllib
from dataclasses import dataclass

from analyzer.errors import BadOption

LARGEST = 1 << 14
"""Octets of the file at most: a few sentences."""
EXAMPLE = 'Write: greeting = "...", signature = "...", notes = ["..."].'


@dataclass(frozen=True, slots=True)
class House:
    """greeting: of one line; signature: of one line or several; notes: sentences before it."""

    greeting: str = "[Your greeting]"
    signature: str = "[Your name]"
    notes: tuple[str, ...] = ()


def read(octets: bytes, name: str) -> House:
    """Read house wording. Raises BadOption where it cannot be used."""
    if len(octets) > LARGEST:
        raise BadOption(f"is larger than {LARGEST >> 10} KiB.", name, EXAMPLE)
    try:
        told = tomllib.loads(octets.decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError:
        raise BadOption("is not UTF-8 text.", name, "Save it as UTF-8.") from None
    except (ValueError, RecursionError) as problem:
        raise BadOption(f"is not TOML ({problem}).", name, EXAMPLE) from None
    for key, value in told.items():
        if key not in House.__slots__:
            raise BadOption(f"has no use for {key!r}.", name, EXAMPLE)
        texts = value if key == "notes" and isinstance(value, list) else [value]
        if not all(isinstance(one, str) and _is_text(one, key) for one in texts):
            raise BadOption(f"has no text of that kind as {key}.", name, EXAMPLE)
    notes = told.get("notes", ())
    told["notes"] = (notes,) if isinstance(notes, str) else tuple(notes)
    return House(**{key: one.strip("\n") if key != "notes" else one for key, one in told.items()})


def _is_text(text: str, key: str) -> bool:
    """Whether a text can be printed; only a signature has several lines."""
    lines = text.split("\n") if key == "signature" else [text]
    return bool(text.strip()) and all(line.isprintable() for line in lines)
