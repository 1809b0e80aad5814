"""Endurance: a thousand files as people send them go through triage, a third of them damaged.

`pytest tests/benchmarks/test_thousand_parcels.py -s` prints what it measured. No traceback, nothing
left over, flat memory; what cannot be read has a row that says so. The same files each time.
"""

import gzip
import io
import json
import random
import subprocess
import sys
import tarfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from analyzer.diagnosis import UNUSABLE

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="measures memory by POSIX means")
ROOT = Path(__file__).parents[2]
RECORDINGS = sorted(path for path in (ROOT / "captures").iterdir() if ".pcap" in path.name)
NOTE = b"The controller on line 3 does not answer. Regards.\n"
BOMB = 32 << 20
"""Octets of zeros: small enough for a test, far more than what they are packed in."""
GROWTH = 40
"""MiB that ten times as many files may take more: rows and the allocator's play."""
FEW, MANY = 100, 1000

Named = tuple[str, bytes]
Packer = Callable[[str, bytes], Named]


def plain(name: str, octets: bytes) -> Named:
    return name, octets


def gzipped(name: str, octets: bytes) -> Named:
    return f"{name}.gz", gzip.compress(octets, mtime=0)


def zipped(name: str, octets: bytes) -> Named:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("note.txt"), NOTE)
        archive.writestr(zipfile.ZipInfo(f"for support/{name}"), octets, zipfile.ZIP_DEFLATED)
    return f"{name}.zip", out.getvalue()


def tarred(name: str, octets: bytes) -> Named:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as archive:
        for member, content in (("note.txt", NOTE), (name, octets)):
            entry = tarfile.TarInfo(member)
            entry.size = len(content)
            archive.addfile(entry, io.BytesIO(content))
    return f"{name}.tar", out.getvalue()


def mailed(name: str, octets: bytes) -> Named:
    mail = EmailMessage()
    mail["From"], mail["To"] = "line3@example.com", "support@example.com"
    mail["Subject"] = "No connection to the filler"
    mail.set_content(NOTE.decode())
    mail.add_attachment(octets, maintype="application", subtype="octet-stream", filename=name)
    mail.set_boundary("=====quillfen=====")
    return f"{name}.eml", bytes(mail)


def both(outer: Packer, inner: Packer) -> Packer:
    return lambda name, octets: outer(*inner(name, octets))


PACKERS: tuple[Packer, ...] = (
    plain, gzipped, zipped, tarred, mailed,
    both(gzipped, tarred), both(zipped, zipped), both(mailed, zipped), both(mailed, gzipped),
)  # fmt: skip


def cut(octets: bytes, choose: random.Random) -> bytes:
    return octets[: choose.randrange(len(octets))]


def flipped(octets: bytes, choose: random.Random) -> bytes:
    spoilt = bytearray(octets)
    for _ in range(choose.randint(1, 20)):
        spoilt[choose.randrange(len(spoilt))] ^= 1 << choose.randrange(8)
    return bytes(spoilt)


def replaced(octets: bytes, choose: random.Random) -> bytes:
    """A stretch of the file is another stretch of it."""
    size = choose.randrange(1, max(2, len(octets) // 2))
    to, origin = (choose.randrange(len(octets) - size + 1) for _ in range(2))
    return octets[:to] + octets[origin : origin + size] + octets[to + size :]


def write_parcels(folder: Path, number: int) -> None:
    """Two whole ones, then a damaged one: before it was packed, after, or packed far too large."""
    choose = random.Random(number)
    for place in range(number):
        recording = choose.choice(RECORDINGS)
        pack, name, octets = choose.choice(PACKERS), recording.name, recording.read_bytes()
        spoil = choose.choice((cut, flipped, replaced))
        if place % 3 != 2:
            name, octets = pack(name, octets)
        elif place % 60 == 2:
            name, octets = choose.choice(PACKERS[1:])(name, octets[:24] + bytes(BOMB))
        elif choose.random() < 0.5:
            name, octets = pack(name, spoil(octets, choose))
        else:
            name, octets = pack(name, octets)
            octets = spoil(octets, choose)
        (folder / f"{place:04} {name}").write_bytes(octets)


MEASURED = """
import resource, subprocess, sys
done = subprocess.run(sys.argv[1:], stdout=subprocess.PIPE)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, file=sys.stderr)
sys.stdout.buffer.write(done.stdout)
sys.exit(done.returncode)
"""
"""Runs a command, and tells the peak memory of its largest process in KiB behind what it says."""


def through_triage(folder: Path, number: int) -> tuple[int, float, list[dict[str, Any]]]:
    """Peak memory of the largest process in MiB, seconds, and the rows."""
    parcels, temporary, keep, reports = (folder / name for name in ("in", "tmp", "keep", "reports"))
    for path in (parcels, temporary):
        path.mkdir(parents=True)
    write_parcels(parcels, number)
    before = sorted(folder.rglob("*"))
    command = [sys.executable, "-m", "analyzer", "triage", str(parcels), "--format", "json"]
    command += ["--keep", str(keep), "--reports", str(reports)]
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, *command],
        capture_output=True,
        cwd=ROOT,
        env={"TMPDIR": str(temporary), "HOME": str(temporary), "PATH": "", "PYTHONPATH": str(ROOT)},
        check=False,
    )
    took = time.monotonic() - began
    *told, peak = done.stderr.decode().splitlines()
    assert done.returncode in (1, 2), told
    assert all(line.startswith("whynolink: ") for line in told), told
    rows = json.loads(done.stdout)["recordings"]
    assert_told(rows, number)
    pages = {row["report"].rsplit("/", 1)[1] for row in rows if row["report"]}
    assert {path.name for path in reports.iterdir()} == pages
    after = [path for path in folder.rglob("*") if not {keep, reports} & {path, path.parent}]
    assert sorted(after) == before
    assert {path.suffix for path in keep.iterdir()} == {".kept"}
    return int(peak) // 1024, took, rows


def assert_told(rows: list[dict[str, Any]], number: int) -> None:
    """Every file has a row or more, and none of them stumbled over a defect or lost its process."""
    files = {int(row["file"].split(" ", 1)[0]) for row in rows}
    assert files == set(range(number))
    stumbled = [row for row in rows if row["finding"].startswith(("Stopped", "No answer", "Needs"))]
    assert stumbled == []


def test_a_thousand_parcels(tmp_path: Path) -> None:
    """Ten times as many files, the same memory."""
    few, _, _ = through_triage(tmp_path / "few", FEW)
    many, took, rows = through_triage(tmp_path / "many", MANY)
    print(f"\n{MANY:,} files in {took:.0f} s; largest process {few} MiB at {FEW}, {many} at {MANY}")
    verdicts = Counter(row["verdict"] for row in rows).most_common()
    print(f"{len(rows):,} rows: {', '.join(f'{count:,} {verdict}' for verdict, count in verdicts)}")
    refused = Counter(row["finding"] for row in rows if row["status"] == UNUSABLE)
    print(f"{refused.total():,} files refused:")
    print("\n".join(f"  {count:4} {why}" for why, count in refused.most_common()))
    assert many < few + GROWTH
