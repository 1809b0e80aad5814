"""Files of bounded size that can be read at any moment."""

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from analyzer.errors import Unusable
from analyzer.inputs.records import Interface
from analyzer.outputs import pcapng
from analyzer.recorder.pieces import KEPT, Pieces
from tests import raw

HEAD = pcapng.section() + pcapng.interface(Interface(1))
FRAME = pcapng.packet(1_780_000_000_000_000_000, bytes(60))


def frames(path: Path) -> int:
    recording, chunks = raw.read(path.read_bytes())
    assert recording.damage is None
    return sum(len(chunk.start) for chunk in chunks)


def test_what_is_written_is_in_the_file_at_once(tmp_path: Path) -> None:
    pieces = Pieces(tmp_path / "a.pcapng", HEAD, 10_000)
    for number in range(3):
        assert frames(tmp_path / "a.pcapng") == number
        pieces.write(FRAME)
        pieces.sync()
    pieces.close()
    assert frames(tmp_path / "a.pcapng") == 3


def test_the_oldest_piece_gives_way(tmp_path: Path) -> None:
    pieces = Pieces(tmp_path / "line.3.pcapng", HEAD, KEPT * (len(HEAD) + 5 * len(FRAME)))
    for _ in range(33):
        if not pieces.fits(FRAME):
            pieces.go_on()
        pieces.write(FRAME)
    pieces.close()
    names = [path.name for path in pieces.paths]
    assert names == [f"line.3-{number}.pcapng" for number in (4, 5, 6, 7)]
    assert sorted(path.name for path in tmp_path.iterdir()) == names
    assert [frames(path) for path in pieces.paths] == [5, 5, 5, 3]
    assert pieces.removed == 3


def test_pieces_around_a_break_do_not_give_way(tmp_path: Path) -> None:
    pieces = Pieces(tmp_path / "a.pcapng", HEAD, KEPT * (len(HEAD) + 5 * len(FRAME)))
    for number in range(53):
        if not pieces.fits(FRAME):
            pieces.go_on()
        pieces.write(FRAME)
        if number == 17:
            pieces.keep()
    pieces.close()
    names = [path.name for path in pieces.paths]
    assert names == [f"a-{number}.pcapng" for number in (3, 4, 8, 9, 10, 11)]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names)
    assert pieces.removed == 5


def test_blocks_larger_than_a_piece_are_written_all_the_same(tmp_path: Path) -> None:
    pieces = Pieces(tmp_path / "a.pcapng", HEAD, 4)
    assert pieces.fits(FRAME * 9)
    pieces.write(FRAME * 9)
    assert not pieces.fits(FRAME)
    pieces.close()
    assert frames(tmp_path / "a.pcapng") == 9


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(b"precious")
    with pytest.raises(Unusable, match="exists already"):
        Pieces(path, HEAD, 10_000)
    assert path.read_bytes() == b"precious"


@pytest.mark.parametrize("name", ["missing/a.pcapng", "a\0b.pcapng"])
def test_a_place_where_nothing_can_be_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(Unusable, match="cannot be written"):
        Pieces(tmp_path / name, HEAD, 10_000)


class Narrow:
    """A file on a disk that is full after so many octets more."""

    def __init__(self, file: Any, room: int) -> None:
        self.file, self.room = file, room

    def write(self, octets: memoryview) -> int:
        if not self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken: int = self.file.write(octets[: min(self.room, 50)])
        self.room -= taken
        return taken

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)


@pytest.mark.parametrize("room", [0, 1, len(FRAME) - 1, len(FRAME) + 7])
def test_a_full_disk_ends_the_piece_behind_the_last_whole_blocks(tmp_path: Path, room: int) -> None:
    path = tmp_path / "a.pcapng"
    pieces = Pieces(path, HEAD, 10_000)
    pieces.write(FRAME)
    pieces._file = Narrow(pieces._file, room)
    with pytest.raises(Unusable, match=r"no more can be written: .*Make room"):
        pieces.write(FRAME + FRAME)
    assert frames(path) == 1
    pieces._file.room = 10_000
    pieces.write(FRAME)
    pieces.close()
    assert frames(path) == 2


def test_a_next_piece_that_cannot_be_begun_leaves_no_empty_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pieces = Pieces(tmp_path / "a.pcapng", HEAD, 4)
    pieces.write(FRAME)
    opened = Path.open
    monkeypatch.setattr(Path, "open", lambda *how, **more: Narrow(opened(*how, **more), 10))
    with pytest.raises(Unusable, match="no more can be written"):
        pieces.go_on()
    with pytest.raises(Unusable, match="no more can be written"):
        pieces.write(FRAME)
    pieces.close()
    assert list(pieces.paths) == list(tmp_path.iterdir()) == [tmp_path / "a.pcapng"]
    monkeypatch.undo()
    assert frames(tmp_path / "a.pcapng") == 1


def test_what_is_left_of_an_earlier_recording_stays(tmp_path: Path) -> None:
    """The next free names are taken; a link that leads nowhere is not free."""
    (tmp_path / "a-2.pcapng").write_bytes(b"old")
    (tmp_path / "a-3.pcapng").symlink_to(tmp_path / "nowhere")
    pieces = Pieces(tmp_path / "a.pcapng", HEAD, 10_000)
    pieces.go_on()
    pieces.go_on()
    pieces.close()
    assert [path.name for path in pieces.paths] == ["a.pcapng", "a-4.pcapng", "a-5.pcapng"]
    assert (tmp_path / "a-2.pcapng").read_bytes() == b"old"
