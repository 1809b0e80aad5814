"""What fuzzing begins with: small files that are sound, made from what is in the checkout."""

import gzip
import struct
import tempfile
from functools import cache
from itertools import accumulate
from pathlib import Path

from analyzer.inputs import snoop
from analyzer.reports.row import Row
from analyzer.triage import kept as keeping
from tests import raw
from tests.fuzz.shapes import taken_apart
from tests.parcels import PNG, gzipped, mailed, tarred, zipped
from tests.trim.test_canaries import PLACES, Site

ROOT = Path(__file__).parents[2]
LARGEST = 8000
"""Octets of a recording's beginning: some hundred frames, enough for most faults to show."""
SMALL, SMALLEST = 1500, 600
"""The same for readers alone, and for one of several in a parcel."""
BATCH = 20
"""Frames of a recording that has something of everything."""
NAMES = ("a.pcap", "folder/b.pcapng", "Störung.pcap", "\u202egnp.pcap", "=1+1;\x1b[2J\n#.pcap")
"""Names as people and traps have them."""

SHEET = b"""# What is known on site.
[[adapter]]
name = "Office"
address = "192.0.2.15"
mask = "255.255.255.0"
gateway = "192.0.2.1"
hardware_address = "00-00-5E-00-53-15"

[[adapter]]
address = "198.51.100.7"

[[controller]]
name = "Press 3"
address = "192.0.2.60"
mask = "255.255.255.0"
gateway = "192.0.2.1"
hardware_address = "00-00-5E-00-53-60"
port = 502
transport = "tcp"
answers_arp = true
sessions = 4
idle_limit = 60.5
answer_limit = 2
others = ["192.0.2.30", "panel"]
cable = "switch"
"""

ASKED = """The PC has 192.0.2.15, mask 255.255.255.0, the controller 192.0.2.60:502.
Its adapter is 00:00:5e:00:53:60, port 12 of the switch.
> Could you send a recording?
"""
FIELDS = (
    ("Reply-To", '"Line 3, night" <night@plant.example>'),
    ("Date", "Mon, 30 Nov 2026 05:00:00 +0100"),
    ("Message-ID", "<2@plant.example>"),
    ("References", "<1@plant.example> <0@support.example>"),
    ("Comments", "=?utf-8?q?St=C3=B6rung?= =?utf-8?b?w7w=?="),
)


@cache
def recordings() -> list[bytes]:
    """The beginnings of the demo recordings and of those that the lab kept."""
    folders = (ROOT / "captures", ROOT / "tests" / "lab" / "kept")
    paths = (path for folder in folders for path in sorted(folder.glob("*.pcap*")))
    return [begun(path.read_bytes()) for path in paths]


def begun(octets: bytes, most: int = LARGEST) -> bytes:
    """The first frames of a recording, unpacked."""
    if octets[:2] == b"\x1f\x8b":
        octets = gzip.decompress(octets)
    pieces, join = taken_apart(octets)
    sizes = accumulate(len(piece) + 12 for piece in pieces)
    return join(pieces[: sum(size < most for size in sizes)])


def working() -> bytes:
    """A link-up that works."""
    return (ROOT / "captures" / "healthy-first-contact.pcapng").read_bytes()


def pcaps() -> list[bytes]:
    return [begun(octets, SMALL) for octets in recordings() if octets[:2] != b"\n\r"][::10]


def snoops() -> list[bytes]:
    frame = pcaps()[0][40:]
    record = struct.pack(">6I", len(frame), len(frame), 24 + len(frame), 0, 0, 0) + frame
    return [snoop.MAGIC + struct.pack(">II", 2, 4) + record * 2]


def pcapngs() -> list[bytes]:
    return [begun(octets, SMALL) for octets in recordings() if octets[:2] == b"\n\r"][::20]


def gzips() -> list[bytes]:
    one, other = pcaps()[0], pcapngs()[0]
    return [gzipped(one), gzipped(other), gzipped(one[:500]) + gzipped(one[500:])]


def _members() -> dict[str, bytes]:
    """Recordings and a picture; the name that means worst is that of a link-up that works."""
    few = [begun(octets, SMALLEST) for octets in (*pcaps()[:2], *pcapngs()[:1])]
    works = begun((ROOT / "captures" / "tunnel-too-narrow.pcap").read_bytes(), 2 * SMALL)
    return dict(zip(NAMES, [*few, PNG, works], strict=True))


def zips() -> list[bytes]:
    one = pcaps()[0]
    return [
        zipped(_members()),
        zipped({"in.zip": zipped({"a.pcap": one}), "b.pcap.gz": gzipped(one)}),
    ]


def tars() -> list[bytes]:
    return [tarred(_members()), tarred({"a.pcap": pcaps()[0]}, 0), gzipped(tarred(_members()))]


def mails() -> list[bytes]:
    inner = mailed({name.replace("\n", " "): octets for name, octets in _members().items()})
    outer = mailed({"a.zip": zipped({"a.pcap": pcaps()[0]})})
    outer.add_attachment(inner)
    asked = mailed({"a.pcap": pcaps()[0]}, ASKED)
    for name, said in FIELDS:
        asked[name] = said
    return [inner.as_bytes(), outer.as_bytes(), asked.as_bytes()]


def protocols() -> list[bytes]:
    """Frames of every protocol that is read, with something in every place."""
    return [
        begun(raw.pcap(*((number * raw.SECOND, one) for number, one in enumerate(frames))))
        for place in PLACES.values()
        for frames in _batches(list(place(Site(0))))
    ]


def _batches(frames: list[bytes]) -> list[list[bytes]]:
    return [frames[at : at + BATCH] for at in range(0, len(frames), BATCH)]


def lines() -> list[bytes]:
    """What two say in turn."""
    return [
        b"Welcome to line 3\nUSER somebody\nPASS secret\nLogin of somebody failed",
        b"ERR 12: in use by somebody, sorry\nbusy busy BUSY\n" + b"too many " * 20,
    ]


def houses() -> list[bytes]:
    whole = (
        b'greeting = "Dear colleagues,"\nsignature = """\nKind regards\nThe desk"""\n'
        b'notes = ["The desk is there from 7 to 18 h.", "Stra\xc3\x9fe 3"]\n'
    )
    return [whole, b'notes = "\\u202e"\n']


def sheets() -> list[bytes]:
    return [SHEET, SHEET[SHEET.index(b"[[controller") :]]


def kept() -> list[bytes]:
    row = Row(file="a.pcap", verdict="stopped", stage="port", finding="Refused.", status=1)
    with tempfile.TemporaryDirectory() as folder:
        keeping.remember(Path(folder), "key", [row, row])
        return [Path(folder, "key.kept").read_bytes()]
