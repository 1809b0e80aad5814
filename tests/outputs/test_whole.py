"""A file is there as a whole or not at all, whatever happens while it is written."""

import os
import stat
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from analyzer.outputs.whole import OWNER_ONLY, write_new, write_to, write_whole


def full(*arguments: Any) -> Any:
    raise OSError(28, "No space left on device")


def test_the_old_one_stays_until_the_new_one_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = tmp_path / "old"
    old.write_bytes(b"old")
    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(old, b"new")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("old", b"old")]
    monkeypatch.undo()
    write_whole(old, b"new")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("old", b"new")]


@pytest.mark.parametrize("problem", [OSError, KeyboardInterrupt])
def test_a_new_one_that_fails_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, problem: type[BaseException]
) -> None:
    def stopped(*arguments: Any) -> Any:
        raise problem

    monkeypatch.setattr(Path, "replace", stopped)
    with pytest.raises(problem):
        write_new(tmp_path / "new", b"x")
    assert list(tmp_path.iterdir()) == []


def test_a_new_one_replaces_nothing(tmp_path: Path) -> None:
    (tmp_path / "old").write_bytes(b"old")
    with pytest.raises(FileExistsError):
        write_new(tmp_path / "old", b"new")
    assert (tmp_path / "old").read_bytes() == b"old"


@pytest.mark.skipif(sys.platform == "win32", reason="such rights are not there")
def test_what_is_for_its_owner_alone_never_was_for_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kinds: dict[str, int] = {}

    def looked(unfinished: Path, path: Path) -> Path:
        kinds.update((one.name, one.stat().st_mode & 0o777) for one in (unfinished, path))
        return unfinished.rename(path)

    monkeypatch.setattr(Path, "replace", looked)
    monkeypatch.setattr(Path, "chmod", full)
    before = os.umask(0)
    try:
        write_new(tmp_path / "new", b"x", OWNER_ONLY)
    finally:
        os.umask(before)
    assert len(kinds) == 2
    assert set(kinds.values()) == {0o600}


@pytest.mark.skipif(sys.platform == "win32", reason="such things are not there")
def test_links_pipes_and_rights_stay_what_they_are(tmp_path: Path) -> None:
    old, link, pipe = (tmp_path / name for name in ("old", "link", "pipe"))
    old.write_bytes(b"old")
    old.chmod(0o640)
    link.symlink_to(old)
    write_to(link, b"new")
    assert link.is_symlink()
    assert (old.read_bytes(), stat.S_IMODE(old.stat().st_mode)) == (b"new", 0o640)
    os.mkfifo(pipe)
    read: list[bytes] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_bytes()))
    reader.start()
    write_to(pipe, b"through")
    reader.join(5)
    assert read == [b"through"]
    write_to(Path(os.devnull), b"x")
    assert not Path(os.devnull).is_file()
