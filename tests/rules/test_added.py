"""Rules that a team adds through an entry point, wherever the package with it lies."""

import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from rules import ALL, all_rules
from rules.link import nothing_heard

POINTS = "[{group}]\nown = rules.link.nothing_heard:RULE\n"


def installed(folder: Path, group: str) -> Path:
    """A place for packages with one that has an entry point."""
    info = folder / "places" / "own-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: own\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(POINTS.format(group=group))
    return info.parent


def archived(folder: Path, group: str) -> Path:
    """The same in an archive that Python imports from."""
    place, archive = installed(folder, group), folder / "own.zip"
    with zipfile.ZipFile(archive, "w") as out:
        for path in filter(Path.is_file, place.rglob("*")):
            out.write(path, path.relative_to(place))
    return archive


@pytest.mark.parametrize("put", [installed, archived])
@pytest.mark.parametrize(("group", "added"), [("whynolink.rules", 1), ("others.rules", 0)])
def test_a_rule_is_added_by_its_entry_point(
    put: Callable[[Path, str], Path],
    group: str,
    added: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.syspath_prepend(put(tmp_path, group))
    assert all_rules() == (*ALL, *[nothing_heard.RULE] * added)


def test_no_metadata_is_read_where_nobody_adds_a_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    """Importing what reads it takes a tenth of a small diagnosis."""
    monkeypatch.setitem(sys.modules, "importlib.metadata", None)
    assert all_rules() == ALL
