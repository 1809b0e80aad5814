"""Parcels made to do harm, or spoilt: bounded time and memory, nothing written, no traceback."""

import gzip
import io
import os
import struct
import sys
import tarfile
import time
import tracemalloc
import zipfile
import zlib
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.errors import NotARecording
from analyzer.inputs import limits as known_limits
from analyzer.inputs.envelopes import envelope
from analyzer.inputs.limits import Limits
from analyzer.inputs.parcels import mails, unpack
from analyzer.words import clean
from tests import raw
from tests.parcels import (
    FRAME,
    OTHER,
    PNG,
    WHOLE,
    gzipped,
    looked,
    mailed,
    only_refusal,
    packed_deep,
    tarred,
    zipped,
)

MIB = 1 << 20


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Limits that are reached quickly."""
    monkeypatch.setattr(known_limits, "MAX_UNPACKED", 8 * MIB)
    monkeypatch.setattr(known_limits, "MAX_MEMBERS", 50)


def zeros(size: int, head: bytes = b"") -> bytes:
    """gzip of very many zeros, made without holding them."""
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    packed = [packer.compress(head)]
    packed += [packer.compress(bytes(MIB)) for _ in range(size // MIB)]
    return b"".join(packed) + packer.flush()


def peak(parcel: bytes, most: Limits | None = None) -> tuple[int, dict[str, int], list[str]]:
    """Octets of memory taken at most while a parcel is looked through."""
    looked(zipped({"warm.pcap": WHOLE}))
    tracemalloc.start()
    try:
        frames, refused = looked(parcel, limits=most)
        return tracemalloc.get_traced_memory()[1], frames, refused
    finally:
        tracemalloc.stop()


# --- bombs --------------------------------------------------------------------------------------

BOMB = zeros(100 * MIB)
FRAMES = raw.record(bytes(60_000)) * 10
MANY_FRAMES = zeros(0, raw.pcap_header() + FRAMES * 40)
"""A recording of 24 MB that packs to nearly nothing."""


@pytest.mark.parametrize(
    "parcel",
    [
        BOMB,
        gzipped(BOMB),
        zipped({"a.pcap": BOMB}),
        zipped({"a.zip": zipped({"a.gz": BOMB}), "b": WHOLE}),
        tarred({"x.tar.gz": BOMB}),
        bytes(mailed({"x.gz": gzipped(BOMB)})),
        zeros(100 * MIB, b"PK\x03\x04"),
        zeros(100 * MIB, tarred({"a": WHOLE})[:1024]),
        zeros(100 * MIB, bytes(mailed({}))),
        zeros(100 * MIB, raw.pcap_header()),
        zeros(100 * MIB, raw.section()),
        zeros(100 * MIB, raw.pcap_header() + raw.record(b"", stored=1 << 30)),
    ],
)
def test_bombs_take_neither_memory_nor_long(parcel: bytes) -> None:
    """100 MiB of zeros, however they are wrapped; a recording reader holds some blocks of 4 MiB."""
    memory, frames, refused = peak(parcel)
    assert memory < 40 * MIB
    assert set(frames.values()) <= {0, 5}
    assert refused or frames


@pytest.mark.usefixtures("small")
def test_unpacking_stops_at_the_limit_and_says_so() -> None:
    """What lies behind the limit is left out; what was found before is read all the same."""
    parcel = tarred({"a.pcap": WHOLE, "b.zip": zipped({"c.gz": bomb_in_a_tar()}), "d": WHOLE})
    frames, refused = looked(parcel)
    assert frames == {"parcel > a.pcap": 5}
    assert refused[-1] == (
        '"parcel": is not looked through to its end: it unpacks to more than 8 MiB. '
        "--limit raises the limit."
    )
    frames, refused = looked(parcel, limits=Limits(20))
    assert frames == {"parcel > a.pcap": 5, "parcel > d": 5}
    assert not any("--limit" in line for line in refused)


def bomb_in_a_tar() -> bytes:
    """A member of 64 MiB of zeros, and a recording behind it that can only be reached past them."""
    about = tarfile.TarInfo("zeros")
    about.size = 64 * MIB
    return gzip.compress(about.tobuf() + bytes(64 * MIB) + tarred({"late.txt": b"x"}), 1)


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("wrap", [gzipped, lambda octets: zipped({"a.pcap": octets})])
def test_a_recording_beyond_the_limit_is_read_up_to_it(wrap: Any) -> None:
    whole = raw.pcap_header() + FRAMES * 40
    items = list(read(wrap(whole + raw.record(FRAME))))
    assert items[0] < 9 * MIB / 60_000
    assert "is not looked through to its end" in items[1]
    assert list(read(wrap(whole), Limits(10))) == [400]


def read(parcel: bytes, most: Limits | None = None) -> Any:
    """Frames of each recording, the line of each thing that is none."""
    for item in unpack(io.BytesIO(parcel), "parcel", most):
        if isinstance(item, NotARecording):
            yield str(item)
        else:
            yield sum(len(chunk.start) for chunk in item.chunks)
            assert item.damage is None or "more than" in item.damage.why


# --- too many, too deep -------------------------------------------------------------------------


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("pack", [zipped, tarred, lambda members: bytes(mailed(members))])
def test_thousands_of_members(pack: Any) -> None:
    parcel = pack({"a.pcap": WHOLE} | {f"{n}.txt": b"x" for n in range(300)})
    frames, refused = looked(parcel)
    assert frames == {"parcel > a.pcap": 5}
    assert len(refused) <= 51
    assert "it holds more than 50 files. --limit raises the limit." in refused[-1]
    assert len(looked(parcel, limits=Limits(10))[1]) == 300


@pytest.mark.usefixtures("small")
def test_thousands_of_files_in_a_folder(tmp_path: Path) -> None:
    for n in range(60):
        (tmp_path / f"{n}.txt").write_bytes(b"x")
    assert "it holds more than 50 files" in looked(tmp_path)[1][-1]
    assert len(looked(tmp_path, limits=Limits(2))[1]) == 60


@pytest.mark.usefixtures("small")
def test_archives_that_multiply() -> None:
    """Ten in each of ten, seven deep: ten million at the end."""
    octets = zipped({"a.txt": b"x"})
    for _ in range(7):
        octets = zipped({f"{n}.zip": octets for n in range(10)})
    _, refused = looked(octets)
    assert "it holds more than 50 files" in refused[-1]


def test_a_directory_larger_than_memory_should_hold() -> None:
    names = {f"{n:05}" + "n" * 200: b"" for n in range(10_000)}
    line = only_refusal(zipped(names))
    assert "its directory is larger than 2 MiB" in line
    assert "--limit" in line


def test_a_zip_member_without_a_name() -> None:
    """zipfile looks for the last letter of every name (found by test_spoilt_parcels)."""
    octets = zipped({"a": WHOLE})
    directory = octets.index(b"PK\x01\x02")
    nameless = bytearray(octets[: directory + 46] + octets[directory + 47 :])
    nameless[directory + 28 : directory + 30] = bytes(2)
    size = nameless.index(b"PK\x05\x06") + 12
    nameless[size : size + 4] = (46).to_bytes(4, "little")
    frames, refused = looked(bytes(nameless))
    assert len(frames) + len(refused) == 1


def test_a_recording_that_a_limit_stops_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Behind much else, which is unpacked again to read it: nothing was cut on its way."""
    monkeypatch.setattr(known_limits, "MAX_UNPACKED", 9 * MIB)
    parcel = gzipped(tarred({"zeros": bytes(6 * MIB), "a.pcap": WHOLE, "b.pcap": WHOLE}))
    _, refused = looked(parcel)
    lines = [line for line in refused if "cannot be read: it unpacks to more than" in line]
    assert lines
    assert all(line.endswith("--limit raises the limit.") for line in lines)
    assert len(looked(parcel, limits=Limits(3))[0]) == 2


def test_deep_nesting() -> None:
    assert "lies inside 8 others and is not opened. --limit" in only_refusal(packed_deep(WHOLE, 40))
    assert len(looked(packed_deep(WHOLE, 40), limits=Limits(6))[0]) == 1
    deepest = only_refusal(packed_deep(WHOLE, 80), Limits(1000))
    assert deepest.endswith("lies inside 64 others and is not opened. Take it out of them.")
    octets = WHOLE
    for _ in range(30):
        octets = gzipped(octets)
    assert "lies inside 8 others" in only_refusal(octets)
    mail = mailed({"a.pcap": WHOLE})
    for _ in range(20):
        outer = mailed({})
        outer.add_attachment(mail)
        mail = outer
    assert "lies inside 8 others" in only_refusal(bytes(mail))


def test_multiparts_in_multiparts() -> None:
    head = b"From: a\nSubject: b\n"
    levels = [
        b"Content-Type: multipart/mixed; boundary=b%d\n\n--b%d\n" % (n, n) for n in range(3000)
    ]
    line = only_refusal(head + b"".join(levels) + b"\nnothing\n")
    assert "is a mail" in line
    few = head + b"".join(levels[: mails.MAX_MULTIPARTS])
    part = b'Content-Type: a/b; name="a.pcap"\n\n' + WHOLE + b"\n--b0--\n"
    assert looked(few + part)[0] == {"parcel > a.pcap": 5}


# --- lies ---------------------------------------------------------------------------------------


def altered(octets: bytes, mark: bytes, offset: int, new: bytes) -> bytes:
    """Octets with something else at an offset behind each mark."""
    changed, at = bytearray(octets), octets.find(mark)
    assert at >= 0
    while at >= 0:
        changed[at + offset : at + offset + len(new)] = new
        at = octets.find(mark, at + 1)
    return bytes(changed)


STORED = zipped({"a.pcap": WHOLE, "b.pcap": raw.pcap((10**13, FRAME))}, zipfile.ZIP_STORED)
CENTRAL, END = b"PK\x01\x02", b"PK\x05\x06"
ALL_ONES = b"\xff" * 4


@pytest.mark.parametrize(
    ("mark", "offset", "new"),
    [
        (CENTRAL, 20, ALL_ONES),  # packed size
        (CENTRAL, 24, ALL_ONES),  # size
        (CENTRAL, 24, bytes(4)),
        (CENTRAL, 42, ALL_ONES),  # where the member lies
        (CENTRAL, 42, b"\xf0\xff\xff\x7f"),
        (CENTRAL, 42, bytes(4)),  # both at the same place
        (CENTRAL, 28, b"\xff\xff"),  # length of the name
        (CENTRAL, 30, b"\xff\xff"),  # length of the extra field
        (CENTRAL, 8, b"\x00\x08"),  # UTF-8 names
        (CENTRAL, 46, b"\xff\xfe"),
        (CENTRAL, 10, b"\x63\x00"),  # packing
        (CENTRAL, 6, b"\xff\x00"),  # version needed
        (CENTRAL, 8, b"\x41\x00"),  # strong encryption
        (CENTRAL, 8, b"\x20\x00"),  # patched data
        (END, 8, ALL_ONES),  # number of members
        (END, 12, ALL_ONES),  # size of the directory
        (END, 16, ALL_ONES),  # where the directory is
        (END, 12, ALL_ONES * 2),
        (END, 12, bytes(8)),
        (END, 20, b"\xff\xff"),  # length of the comment
    ],
)
def test_lies_in_a_zip_archive(mark: bytes, offset: int, new: bytes) -> None:
    memory, frames, refused = peak(altered(STORED, mark, offset, new))
    assert memory < 12 * MIB
    assert sum(frames.values()) <= 10
    assert frames or refused


def tar_header(size: bytes, kind: bytes = b"0", name: str = "a.pcap") -> bytes:
    block = bytearray(tarfile.TarInfo(name).tobuf())
    block[124 : 124 + len(size)] = size
    block[156:157] = kind
    block[148:156] = b"        "
    block[148:156] = b"%06o\0 " % sum(block)
    return bytes(block)


@pytest.mark.parametrize("kind", [b"0", b"L", b"K", b"x", b"g", b"S", b"5", b"1", b"?"])
@pytest.mark.parametrize(
    "size",
    [
        b"77777777777\0",
        b"\x80" + b"\0" * 3 + b"\x7f" + ALL_ONES * 2,  # in base 256
        b"\xff" * 12,  # below zero
        b"00000000000\0",
        b"00000000777\0",
    ],
)
def test_lies_in_a_tar_archive(size: bytes, kind: bytes) -> None:
    for parcel in (
        tar_header(size, kind) + WHOLE + bytes(1024),
        gzipped(tar_header(size, kind) + WHOLE + bytes(1024)),
    ):
        memory, frames, refused = peak(parcel)
        assert memory < 12 * MIB
        assert frames or refused


@pytest.mark.parametrize(
    "record",
    [b"30 size=99999999999999999999\n", b"30 size=-512\n", b"x", b"99999999 path=a\n", b"\n" * 500],
)
def test_lies_in_extended_headers(record: bytes) -> None:
    size = b"%011o\0" % len(record)
    octets = record + bytes(-len(record) % 512) + tar_header(b"00000000500\0")
    frames, refused = looked(tar_header(size, b"x") + octets + WHOLE + bytes(1024))
    assert frames or refused


@pytest.mark.usefixtures("small")
def test_names_without_end_in_a_tar_archive() -> None:
    """A long name of 7 MiB, and very many names before a member that never comes."""
    long = zeros(7 * MIB, tar_header(b"%011o\0" % (7 * MIB), b"L"))
    memory, _, _ = peak(long)
    assert memory < 12 * MIB
    many = gzipped((tar_header(b"00000000000\0", b"L")) * 1000)
    assert "it holds more than 50 files" in only_refusal(many)


# --- mails --------------------------------------------------------------------------------------

START = b"From: a\nSubject: b\nMIME-Version: 1.0\n"


def test_parameters_of_a_mail_cost_little() -> None:
    """Half a minute a megabyte, were all of them read."""
    head = b"From: a@plant.example\nContent-Type: multipart/mixed; boundary=b" + b";" * 250_000
    part = b"--b\nContent-Disposition: attachment; filename=a.pcap" + b";x" * 8000 + b"\n\n\n"
    mail = head + b"\nMIME-Version: 1.0\nSubject: x\n\n" + part * 60
    began = time.process_time()
    _, refused = looked(mail)
    assert len(refused) == 60
    assert "a.pcap" in refused[0]
    with NamedTemporaryFile(suffix=".eml") as file:
        Path(file.name).write_bytes(mail)
        assert envelope(Path(file.name)) is not None
    assert time.process_time() - began < 3


@pytest.mark.parametrize(
    "rest",
    [
        b"Content-Type: multipart/mixed; boundary=\n\n--\n--\n",
        b'Content-Type: multipart/mixed; boundary="\xff\xfe"\n\n--\xff\xfe\n\nx\n--\xff\xfe--\n',
        b"Content-Type: multipart/mixed; boundary*=no-code''%FF%00\n\n--x\n",
        b"Content-Type: \xc3\x28; name*=utf-8''%C3%28\n\nx",
        b"Content-Type: application/x; name*0*=a''%; name*1=b; name*99999999999=c\n\nx",
        b"Content-Type: application/x;" + b";" * 20_000 + b'"' * 9_000 + b"\n\nx",
        b"Content-Type: application/x; name==?utf-8?b?" + b"A" * 99_999 + b"?=\n\nx",
        b"Content-Type: application/x\nContent-Transfer-Encoding: base64\n\n====\n=A=\nA\n",
        b"Content-Type: application/x\nContent-Transfer-Encoding: quoted-printable\n\n=ZZ=\n=",
        b"Content-Type: application/x\nContent-Disposition: \x00\x1b[31m; filename=\x00\n\nx",
        b"Content-Type: application/x\n" + b" folded\n" * 50_000 + b"\nx",
        b"X-Endless: " + b"x" * 3 * MIB,
        b"\n" + b"--" * 500_000,
    ],
)
def test_broken_mails(rest: bytes) -> None:
    memory, frames, refused = peak(START + rest)
    assert memory < 12 * MIB
    assert frames == {}
    assert refused
    assert all(clean(line).isascii() for line in refused)


# --- recordings ---------------------------------------------------------------------------------


def test_a_billion_interfaces() -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    packed = packer.compress(raw.section())
    for _ in range(200):
        packed += packer.compress(raw.interface() * 10_000)
    memory, frames, _ = peak(packed + packer.flush())
    assert frames == {"parcel": 0}
    assert memory < 40 * MIB


@pytest.mark.parametrize(
    "options",
    [
        raw.option(4, bytes(8)) * 500_000,  # addresses
        raw.option(2, b"n" * 65_000) * 90,  # names
        raw.option(1, b"c" * 60_000) * 90,  # comments
        raw.option(9, b"") * 1_000_000,
        struct.pack("<HH", 4, 0xFFFF) * 1000,
    ],
)
def test_endless_options(options: bytes) -> None:
    octets = raw.section() + raw.interface(options=options) * 2 + raw.enhanced(FRAME, index=1)
    memory, frames, _ = peak(octets + raw.statistics(0, options) * 2)
    assert frames == {"parcel": 1}
    assert memory < 60 * MIB  # the file itself is up to 24 MB


# --- names --------------------------------------------------------------------------------------

NAMES = [
    "../../../etc/a.pcap",
    "/etc/a.pcap",
    "C:\\windows\\a.pcap",
    "a\x1b]0;title\x07\x1b[2J.pcap",
    "a\u202egnp.pcap",
    "a\r\nwhynolink: all is well.pcap",
    "<script>alert(1)</script>.pcap",
    "=1+1.pcap",
    "{0}{values}%s$(id)`id`.pcap",
    "a\ud800.pcap".encode("utf-8", "surrogatepass").decode("utf-8", "replace"),
]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("pack", [zipped, tarred])
def test_names_are_only_shown(name: str, pack: Any) -> None:
    frames, (line,) = looked(pack({name: WHOLE, f"{name}.png": PNG}))
    assert frames == {f"parcel > {name}": 5}
    shown = " ".join(clean(" ".join(f"parcel > {name}.png".split())).split())
    assert line.startswith(f'"{shown}": is a picture')


def test_a_member_without_a_name() -> None:
    """A name ends at its first zero."""
    frames, _ = looked(zipped({"?": WHOLE}).replace(b"?", b"\0"))
    assert frames == {"parcel > a file without a name": 5}


# --- nothing leaves the program -----------------------------------------------------------------

SEEN: list[str] = []
WATCHING = [False]
HARMFUL = ("os.mkdir", "os.rename", "os.symlink", "os.link", "os.remove", "os.truncate",
           "tempfile", "socket.connect", "subprocess.Popen", "os.system", "shutil")  # fmt: skip


def _watch(event: str, arguments: tuple[Any, ...]) -> None:
    if not WATCHING[0]:
        return
    if event == "open":
        path, _, flags = arguments
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            SEEN.append(f"writes {path}")
    elif event.startswith(HARMFUL):
        SEEN.append(event)


sys.addaudithook(_watch)


@pytest.fixture
def watched() -> Any:
    """What is written, removed, started or connected to meanwhile."""
    SEEN.clear()
    WATCHING[0] = True
    yield SEEN
    WATCHING[0] = False


def test_nothing_is_written(tmp_path: Path, watched: list[str]) -> None:
    """Not even for a while: no file is opened for writing, made, or removed."""
    everything = dict.fromkeys(NAMES, WHOLE)
    parcel = zipped(
        {
            "a.tar.gz": gzipped(tarred(everything)),
            "b.eml": bytes(mailed({"c.zip": zipped(everything), "d.gz": BOMB})),
            "e.zip": zipped({"large.pcap": MANY_FRAMES, "x": os.urandom(6 * MIB)}),
        }
    )
    frames, _ = looked(parcel)
    assert len(frames) == 2 * len(NAMES) + 1
    assert watched == []
    assert list(tmp_path.iterdir()) == []


def test_the_watch_sees_what_is_written(tmp_path: Path, watched: list[str]) -> None:
    (tmp_path / "x").write_bytes(b"")
    assert watched == [f"writes {tmp_path / 'x'}"]


# --- anything at all ----------------------------------------------------------------------------

GOOD = {
    "zip": zipped({"a.pcap": WHOLE, "b/c.txt": b"x" * 99}),
    "stored": STORED,
    "zip in zip": zipped({"in.zip": STORED}, zipfile.ZIP_STORED),
    "tar": tarred({"n" * 120: WHOLE, "b.pcapng": OTHER}),
    "gnu": tarred({"n" * 120: WHOLE}, tarfile.GNU_FORMAT),
    "tar.gz": gzipped(tarred({"a.pcap": WHOLE})),
    "mail": bytes(mailed({"a.pcap": WHOLE, "b.zip": STORED})),
}


def survives(octets: bytes) -> None:
    """Everything that comes out can be read and printed; nothing is raised."""
    for item in unpack(io.BytesIO(octets), "parcel"):
        if isinstance(item, NotARecording):
            assert clean(str(item)).isascii()
        else:
            for chunk in item.chunks:
                assert len(chunk.start)
            assert clean(item.name).isascii()


@pytest.mark.parametrize("kind", GOOD)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_spoilt_parcels(kind: str, data: st.DataObject) -> None:
    """Octets altered, taken out, put in, or cut off, anywhere."""
    octets = bytearray(GOOD[kind])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, max(0, len(octets) - 1)))
        length = data.draw(st.sampled_from([0, 1, 1, 2, 4, 100]))
        octets[at : at + length] = data.draw(
            st.one_of(
                st.binary(max_size=8), st.sampled_from([ALL_ONES, bytes(4), b"\xff\xff\xff\x7f"])
            )
        )
    if data.draw(st.booleans()):
        del octets[data.draw(st.integers(0, len(octets))) :]
    survives(bytes(octets))


HEADS = [b"", b"PK\x03\x04", b"PK\x05\x06" + bytes(18), b"\x1f\x8b\x08", START, START + b"\n",
         tar_header(b"00000000777\0"), raw.pcap_header(), raw.section()]  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(head=st.sampled_from(HEADS), rest=st.binary(max_size=600))
def test_anything_behind_a_good_beginning(head: bytes, rest: bytes) -> None:
    survives(head + rest)


LINES = st.sampled_from(
    [b"--x", b"--x--", b"--y", b"--y--", b"", b"Content-Type: multipart/mixed; boundary=y",
     b"Content-Type: message/rfc822", b"Content-Type: application/x; name=a.pcap",
     b"Content-Transfer-Encoding: base64", b"1MOyoQIABAAAAAAAAAAAAAAABAABAAAA", b"From: a",
     b"Date: b", b"=", b"\xff", b"begin 644 a.pcap", b" folded"]
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(lines=st.lists(LINES, max_size=30), end=st.sampled_from([b"\n", b"\r\n"]))
def test_any_order_of_the_lines_of_a_mail(lines: list[bytes], end: bytes) -> None:
    head = [b"From: a", b"Subject: b", b"Content-Type: multipart/mixed; boundary=x", b""]
    survives(end.join(head + lines))


@settings(max_examples=30, deadline=None)
@given(names=st.lists(st.text(min_size=1, max_size=20), max_size=5, unique=True))
def test_any_names(names: list[str]) -> None:
    usable = {name: WHOLE for name in names if "\0" not in name}
    for pack in (zipped, tarred):
        try:
            octets = pack(usable)
        except UnicodeEncodeError:
            continue  # the library writes no lone surrogates
        survives(octets)
