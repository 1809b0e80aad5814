"""Who made an adapter: the public registry of the IEEE, as netaddr ships it.

The registry's file is looked into directly, since netaddr reads all of its index when it is
imported, which takes as long as a small diagnosis.
"""

from functools import cache
from importlib.util import find_spec
from pathlib import Path


def registered(prefix: int) -> str | None:
    """The organisation that a prefix of 24 bits (OUI) is registered for."""
    index = _index()
    at = index.find(b"\n%d," % prefix)
    if at < 0:
        return None
    row = index[at + 1 : index.index(b"\n", at + 1)]
    _, offset, size = map(int, row.split(b","))
    with (_folder() / "oui.txt").open("rb") as registry:
        registry.seek(offset)
        first_line = registry.read(size).split(b"\n")[0]
    return first_line.split(b"(hex)")[-1].strip().decode("utf-8", "replace")


@cache
def _index() -> bytes:
    """Rows of prefix, offset and octets; each begins behind a line feed."""
    return b"\n" + (_folder() / "oui.idx").read_bytes()


@cache
def _folder() -> Path:
    found = find_spec("netaddr")
    assert found is not None
    assert found.origin is not None
    return Path(found.origin).parent / "eui"
