"""Files that are there as a whole or not at all: written beside, and moved into place."""

import os
import stat
from contextlib import suppress
from functools import partial
from pathlib import Path

USUAL, OWNER_ONLY = 0o666, 0o600
"""Rights of a new file, before the user's mask: for everybody, and for its owner alone."""


def write_whole(path: Path, octets: bytes, rights: int = USUAL) -> None:
    """Write a file. What was there stays as it was until then, and lends its rights. Raises
    OSError, and ValueError where the path is none.
    """
    unfinished = path.with_name(f"unfinished-{os.urandom(8).hex()}")
    try:
        with open(unfinished, "xb", opener=partial(os.open, mode=rights)) as out:
            out.write(octets)
        with suppress(OSError):
            unfinished.chmod(stat.S_IMODE(path.stat().st_mode))
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)


def write_to(path: Path, octets: bytes) -> None:
    """The same where somebody names the file: through a link, or into what is no plain file."""
    path = path.resolve()
    if path.exists() and not path.is_file():
        path.write_bytes(octets)
    else:
        write_whole(path, octets)


def write_new(path: Path, octets: bytes, rights: int = USUAL) -> None:
    """Write a file that must not be there yet. Raises FileExistsError, OSError and ValueError."""
    open(path, "xb", opener=partial(os.open, mode=rights)).close()
    try:
        write_whole(path, octets, rights)
    except BaseException:
        path.unlink()
        raise
