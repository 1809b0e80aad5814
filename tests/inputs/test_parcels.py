"""What the site really sends: archives, mails and folders, in one another."""

import io
import os
import tarfile
import zipfile
from email.message import EmailMessage
from pathlib import Path

import pytest

from analyzer.errors import NotARecording
from analyzer.inputs.parcels import MAX_PIPED, unpack
from analyzer.inputs.parcels.sources import HELD, MAX_NAME
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

BOTH = {"a.pcap": WHOLE, "b.pcapng": OTHER}
FOUND = {"parcel > a.pcap": 5, "parcel > b.pcapng": 3}
STORED = zipfile.ZIP_STORED


@pytest.mark.parametrize(
    "parcel",
    [
        zipped(BOTH),
        zipped(BOTH, STORED),
        tarred(BOTH),
        tarred(BOTH, tarfile.GNU_FORMAT),
        tarred(BOTH, tarfile.USTAR_FORMAT),
        gzipped(tarred(BOTH)),
        gzipped(zipped(BOTH)),
        bytes(mailed(BOTH)),
        bytes(mailed(BOTH)).replace(b"\n", b"\r\n"),
        b"\xef\xbb\xbf" + bytes(mailed(BOTH)),
        b"From site@plant.example Mon Mar  3 10:00:00 2025\n" + bytes(mailed(BOTH)),
    ],
    ids=["zip", "stored", "pax", "gnu", "ustar", "tar.gz", "zip.gz", "mail", "crlf", "bom", "mbox"],
)
def test_each_recording_in_a_parcel(parcel: bytes) -> None:
    assert looked(parcel) == (FOUND, [])


def test_a_single_recording_is_its_own_parcel() -> None:
    assert looked(WHOLE) == ({"parcel": 5}, [])
    assert looked(gzipped(WHOLE)) == ({"parcel": 5}, [])


def test_a_packed_recording_keeps_the_digest_of_the_file_as_sent() -> None:
    (recording,) = unpack(io.BytesIO(zipped({"a.pcap.gz": gzipped(WHOLE)})), "parcel")
    assert not isinstance(recording, NotARecording)
    alone, _ = raw.read(gzipped(WHOLE))
    assert sum(len(chunk.start) for chunk in recording.chunks) == 5
    assert recording.sha256 == alone.sha256
    assert recording.compressed
    assert recording.size == recording.consumed == len(gzipped(WHOLE))


def test_parcels_in_parcels() -> None:
    inner = zipped({"day/a.pcap": WHOLE})
    mail = bytes(mailed({"capture.zip": zipped({"inner.tgz": gzipped(tarred({"x.zip": inner}))})}))
    way = "parcel > capture.zip > inner.tgz > x.zip > day/a.pcap"
    assert looked(mail) == ({way: 5}, [])


def test_forwarded_mails() -> None:
    """A mail in a mail, both with attachments, as mail programs forward them."""
    outer = mailed({"b.pcapng": OTHER})
    outer.add_attachment(mailed({"a.pcap": WHOLE}))
    packed = mailed({"first.eml": bytes(outer)})
    frames, refused = looked(bytes(packed))
    assert list(frames.values()) == [3, 5]
    assert list(frames)[1] == "parcel > first.eml > mail 2 > a.pcap"
    assert refused == []


def test_a_mail_that_is_nothing_but_the_recording() -> None:
    mail = EmailMessage()
    mail["From"], mail["Date"] = "site@plant.example", "Mon, 3 Mar 2025 10:00:00 +0000"
    mail.set_content(WHOLE, maintype="application", subtype="octet-stream", filename="a.pcap")
    assert looked(bytes(mail)) == ({"parcel > a.pcap": 5}, [])


@pytest.mark.parametrize("packing", ["base64", "quoted-printable"])
def test_how_a_mail_packs_its_parts(packing: str) -> None:
    mail = mailed({})
    text = b"time;source\r\n1;2\r\n" * 40
    octets = raw.pcap(text, FRAME)
    kind = {"maintype": "application", "subtype": "x"}
    mail.add_attachment(octets, **kind, filename="a.pcap", cte=packing)
    assert looked(bytes(mail)) == ({"parcel > a.pcap": 2}, [])


@pytest.mark.parametrize("packing", ["7bit", "8bit", "binary", "none of these"])
def test_parts_that_are_not_packed(packing: str) -> None:
    """The line end before a boundary belongs to the boundary (RFC 2046 5.1.1)."""
    octets = raw.pcap(FRAME.replace(b"\r", b".").replace(b"-", b"."), b"--\n\n--x\n" * 9)
    head = b'From: a\nSubject: b\nContent-Type: multipart/mixed; boundary="x y"\n\n--x y\n'
    part = f'Content-Type: a/b; name="a.pcap"\nContent-Transfer-Encoding: {packing}\n\n'.encode()
    frames, refused = looked(head + part + octets + b"\n--x y--\nbye\n")
    assert (frames, refused) == ({"parcel > a.pcap": 2}, [])


@pytest.mark.parametrize(
    ("field", "name"),
    [
        ('filename="=?utf-8?b?YW4gZGVyIFDDvG1wZS5wY2Fw?="', "an der P\xfcmpe.pcap"),
        ("filename*=utf-8''%C3%BC.pcap", "\xfc.pcap"),
        ("filename*0=long; filename*1=er.pcap", "longer.pcap"),
        ('filename="=?no-such-code?b?YQ==?="', "=?no-such-code?b?YQ==?="),
        ('filename="=?utf-8?b?broken?="', "=?utf-8?b?broken?="),
        ('filename="=?utf-8?b?a?="', "=?utf-8?b?a?="),
        ("filename=", "attachment 1"),
    ],
)
def test_names_of_attachments(field: str, name: str) -> None:
    head = "From: a\nSubject: b\nContent-Type: multipart/mixed; boundary=x\n\n--x\n"
    part = f"Content-Type: application/x\nContent-Disposition: attachment; {field}\n\n"
    frames, _ = looked((head + part).encode() + WHOLE + b"\n--x--\n")
    assert list(frames) == [f"parcel > {name}"]


def test_words_and_signatures_of_a_mail_are_no_attachments() -> None:
    mail = mailed({"a.pcap": WHOLE})
    mail.add_attachment(b"sig", maintype="application", subtype="pgp-signature", filename="s.asc")
    mail.get_payload(0).add_alternative("<p>It does not connect.</p>", subtype="html")
    assert looked(bytes(mail)) == ({"parcel > a.pcap": 5}, [])


def test_mails_with_nothing_in_them_or_encrypted() -> None:
    assert "is a mail without an attachment" in only_refusal(bytes(mailed({})))
    head = b"From: a\nSubject: b\nContent-Type: multipart/encrypted; boundary=x\n\n--x\n"
    body = b"Content-Type: application/octet-stream\n\nnobody knows\n--x--\n"
    assert "is encrypted, and no key is tried here" in only_refusal(head + body)
    pkcs = b"From: a\nSubject: b\nContent-Type: application/pkcs7-mime; name=smime.p7m\n\nMIIB\n"
    assert "is encrypted" in only_refusal(pkcs)


def test_a_cut_mail_gives_what_came() -> None:
    mail = bytes(mailed({"a.pcap": raw.pcap(*[bytes(90)] * 400)}))
    frames, refused = looked(mail[: len(mail) // 2])
    (kept,) = frames.values()
    assert 100 < kept < 300
    (recording,) = unpack(io.BytesIO(mail[: len(mail) // 2]), "parcel")
    assert not isinstance(recording, NotARecording)
    assert len(list(recording.chunks)) > 0
    assert recording.damage is not None
    assert recording.damage.why == "the mail ends too early"
    assert refused == []


# --- folders ------------------------------------------------------------------------------------


def test_a_folder_by_name_and_by_number(tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    for name in ("c10.pcap", "c9.pcap", "day/a.pcap"):
        (tmp_path / name).write_bytes(raw.pcap((len(name) * 10**12, FRAME)))
    (tmp_path / "more.zip").write_bytes(zipped(BOTH))
    (tmp_path / ".hidden.pcap").write_bytes(WHOLE)
    frames, refused = looked(tmp_path, "site")
    assert list(frames) == [
        "site/c9.pcap",
        "site/c10.pcap",
        "site/day/a.pcap",
        "site/more.zip > a.pcap",
        "site/more.zip > b.pcapng",
    ]
    assert refused == []


def test_folders_without_files(tmp_path: Path) -> None:
    assert "is a folder without files" in only_refusal(tmp_path)
    (tmp_path / "in").mkdir()
    assert "is a folder without files" in only_refusal(tmp_path)


def test_links_in_a_folder_are_not_followed(tmp_path: Path) -> None:
    outside, inside = tmp_path / "outside", tmp_path / "inside"
    outside.mkdir()
    inside.mkdir()
    (outside / "secret.pcap").write_bytes(WHOLE)
    try:
        (inside / "file.pcap").symlink_to(outside / "secret.pcap")
        (inside / "folder").symlink_to(outside, target_is_directory=True)
        (inside / "loop").symlink_to(inside, target_is_directory=True)
        (inside / "nowhere").symlink_to(outside / "missing")
    except OSError:
        pytest.skip("links cannot be made here")
    frames, refused = looked(inside)
    assert frames == {}
    assert len(refused) == 4
    assert all("is a link." in line for line in refused)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_pipe_in_a_folder_is_not_opened(tmp_path: Path) -> None:
    """Opening one would wait for ever."""
    os.mkfifo(tmp_path / "pipe.pcap")
    assert "is no ordinary file" in only_refusal(tmp_path)


def test_what_is_not_there(tmp_path: Path) -> None:
    assert "does not exist. Check" in only_refusal(tmp_path / "nowhere")
    assert "cannot be opened" in only_refusal(Path("a\x00b"))


# --- pipes --------------------------------------------------------------------------------------


class Pipe(io.RawIOBase):
    """Octets that come once, and a few at a time."""

    def __init__(self, octets: bytes) -> None:
        self.rest = io.BytesIO(octets)

    def readable(self) -> bool:
        return True

    def readinto(self, room: memoryview) -> int:  # type: ignore[override]
        return self.rest.readinto(room[:1000])


def piped(octets: bytes) -> list[str]:
    return [
        str(item)
        if isinstance(item, NotARecording)
        else f"{item.name}: {sum(len(chunk.start) for chunk in item.chunks)}"
        for item in unpack(io.BufferedReader(Pipe(octets)), "parcel")
    ]


def test_parcels_through_a_pipe() -> None:
    assert piped(WHOLE) == ["parcel: 5"]
    assert piped(gzipped(WHOLE)) == ["parcel: 5"]
    assert piped(gzipped(tarred(BOTH))) == ["parcel > a.pcap: 5", "parcel > b.pcapng: 3"]
    assert piped(bytes(mailed(BOTH))) == ["parcel > a.pcap: 5", "parcel > b.pcapng: 3"]
    assert piped(b"")[0].startswith('"parcel": is empty.')


def test_a_large_parcel_through_a_pipe_is_asked_for_as_a_file() -> None:
    (line,) = piped(b"PK\x03\x04" + bytes(MAX_PIPED))
    assert "Save it as a file" in line


# --- what is no recording -----------------------------------------------------------------------

STRANGERS = {
    "empty": (b"", "is empty."),
    "zeros": (bytes(5000), "holds only zeros"),
    "png": (PNG, "is a picture"),
    "jpeg": (b"\xff\xd8\xff\xe0" + bytes(90), "is a picture"),
    "heic": (b"\x00\x00\x00\x18ftypheic" + bytes(90), "is a picture"),
    "webp": (b"RIFF\x10\x00\x00\x00WEBPVP8 " + bytes(90), "is a picture"),
    "bmp": (b"BM\x00\x10\x00\x00" + bytes(90), "is a picture"),
    "film": (b"\x00\x00\x00\x18ftypisom" + bytes(90), "is a film"),
    "pdf": (b"%PDF-1.7\n" + bytes(90), "is a PDF document"),
    "office": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(90), "office program's own format"),
    "spreadsheet": (
        zipped({"[Content_Types].xml": b"<Types/>", "xl/workbook.xml": b"<workbook/>"}),
        "is an office document",
    ),
    "open spreadsheet": (
        zipped({"mimetype": b"application/x", "META-INF/manifest.xml": b"<m/>"}),
        "is an office document",
    ),
    "other archive": (b"7z\xbc\xaf\x27\x1c" + bytes(90), "archive of a kind"),
    "split archive": (b"PK\x07\x08PK\x03\x04" + bytes(90), "that was split"),
    "shortcut": (b"L\x00\x00\x00\x01\x14\x02\x00" + bytes(90), "is a shortcut"),
    "program": (b"MZ\x90\x00" + bytes(90), "is a program"),
    "encrypted": (b"-----BEGIN PGP MESSAGE-----\n\nhQ\n", "is encrypted"),
    "web page": (b"\n<!DOCTYPE html>\n<html>", "is a web page"),
    "markup": (b'<?xml version="1.0"?>\n<packet/>', "is text with markup"),
    "table": (b"No;Time;Source\n1;0.0;192.0.2.15\n", "is text in columns"),
    "log": (b"2025-03-03 10:00:00 connection lost\n", "is text of a log"),
    "text": (b"Frame 1: the PC asks for the address\n", "is text, not"),
    "wide text": ("Verbindung verloren\n".encode("utf-16"), "is text, not"),
    "other script": ("\u63a5\u7d9a\u3067\u304d\u306a\u3044\n".encode() * 9, "is text, not"),
    "unknown": (bytes(range(256)) * 4, "does not start like a pcap"),
    "empty zip": (zipped({}), "holds no files"),
    "half a zip": (zipped(BOTH, STORED)[:400], "ZIP archive that cannot be opened"),
    "later version": (raw.section().replace(b"\x1a\x01", b"\x1a\x02"), "of version 2"),
    "empty gzip": (gzipped(b""), "is empty."),
    "half a gzip": (gzipped(os.urandom(500))[:12], "the gzip packing ends too early"),
    "packed text": (gzipped(b"dear support,\n" * 9), "is text, not"),
}  # fmt: skip


@pytest.mark.parametrize("kind", STRANGERS)
def test_strangers_are_told_by_their_content(kind: str) -> None:
    """One line: where, what it is, what to do; and the same line inside a parcel."""
    octets, said = STRANGERS[kind]
    line = only_refusal(octets)
    assert said in line
    assert line.startswith('"parcel": ')
    assert line.endswith(".")
    assert "\n" not in line
    frames, (inside,) = looked(tarred({"a.pcap": WHOLE, "stranger": octets}))
    assert frames == {"parcel > a.pcap": 5}
    assert inside == line.replace('"parcel": ', '"parcel > stranger": ', 1)


def test_locked_archives() -> None:
    """The flag is set in the octets, as no library here writes locked archives."""
    parcel = zipped(BOTH)
    locked = bytearray(parcel)
    entries = [at for at in range(len(parcel)) if parcel.startswith(b"PK\x01\x02", at)]
    for at in entries:
        locked[at + 8] |= 1
    line = only_refusal(bytes(locked))
    assert "is locked with a password, and none is tried here" in line
    locked[entries[1] + 8] &= 0xFE
    frames, (line,) = looked(bytes(locked))
    assert frames == {"parcel > b.pcapng": 3}
    assert "holds 1 of 2 files locked" in line


def test_packings_that_are_not_opened() -> None:
    frames, refused = looked(zipped(BOTH, zipfile.ZIP_LZMA))
    assert (frames, len(refused)) == ({}, 2)
    assert all("is packed in a way that is not opened here" in line for line in refused)


def test_links_in_archives_are_not_followed() -> None:
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w") as archive:
        for kind in (tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.FIFOTYPE, tarfile.CHRTYPE):
            about = tarfile.TarInfo("a.pcap")
            about.type, about.linkname = kind, "/etc/hostname"
            archive.addfile(about)
    frames, refused = looked(made.getvalue())
    assert frames == {}
    assert ["is a link" in line for line in refused] == [True, True, False, False]
    assert all("is no ordinary file" in line for line in refused[2:])
    link = zipfile.ZipInfo("a.pcap")
    link.external_attr = 0o120777 << 16
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        archive.writestr(link, "/etc/hostname")
    assert "is a link to another file" in only_refusal(made.getvalue())


def test_what_programs_leave_for_themselves_is_left_out() -> None:
    left = {"__x/._a.pcap": b"\x00\x05", ".store": b"x", "day/": b"", "..\\..\\up.pcap": WHOLE}
    assert looked(zipped(left)) == ({"parcel > ..\\..\\up.pcap": 5}, [])
    assert looked(tarred({".store": b"x", "..": WHOLE})) == ({"parcel > ..": 5}, [])


def test_long_names_are_shortened() -> None:
    name = "n" * 3000 + ".pcap"
    for parcel in (zipped({name: WHOLE}), tarred({name: WHOLE})):
        (way,) = looked(parcel)[0]
        assert len(way) == len("parcel > ") + MAX_NAME + 3
        assert way.endswith("n.pcap")


NOISE = raw.pcap(*(os.urandom(60) for _ in range(2000)))


def spoilt(octets: bytes, at: int) -> bytes:
    return octets[:at] + bytes([octets[at] ^ 0x55]) + octets[at + 1 :]


def spoilt_zip(packing: int) -> bytes:
    """An archive with a wrong checksum in its directory (APPNOTE 4.3.12)."""
    octets = zipped({"a.pcap": NOISE}, packing)
    return spoilt(octets, octets.index(b"PK\x01\x02") + 16)


WRONG_SUMS = {
    "gzip": spoilt(gzipped(NOISE), -6),
    "deflated in zip": spoilt_zip(zipfile.ZIP_DEFLATED),
    "stored in zip": spoilt_zip(STORED),
    "tar in gzip": spoilt(gzipped(tarred({"a.pcap": NOISE})), -6),
    "gzip in tar": tarred({"a.pcap.gz": spoilt(gzipped(NOISE), -6)}),
    "gzip in a mail": bytes(mailed({"a.pcap.gz": spoilt(gzipped(NOISE), -6)})),
    "base64 of a mail": b"\nY=YY\n--=".join(bytes(mailed({"a.pcap": NOISE})).rsplit(b"\n--=", 1)),
}


@pytest.mark.parametrize("kind", WRONG_SUMS)
def test_what_comes_before_a_damage_is_handed_out(kind: str) -> None:
    """A wrong checksum at the end costs no frame, and is told."""
    frames, told = 0, []
    for item in unpack(io.BytesIO(WRONG_SUMS[kind]), "parcel"):
        if isinstance(item, NotARecording):
            told.append(str(item))
        else:
            frames += sum(len(chunk.start) for chunk in item.chunks)
            told += [item.damage.why] if item.damage else []
    assert frames == 2000
    assert "is damaged" in " ".join(told)


def test_a_zip_archive_in_damaged_gzip_is_opened() -> None:
    frames, _ = looked(spoilt(gzipped(zipped({"a.pcap": NOISE}, STORED)), -6))
    assert frames == {"parcel > a.pcap": 2000}


def test_damage_inside_an_archive_is_told() -> None:
    """The recording is read up to the damage, and the others are read in full."""
    noise = raw.pcap(*(os.urandom(1000) for _ in range(300)))
    parcel = bytearray(zipped({"a.pcap": noise, "b.pcapng": OTHER}, STORED))
    parcel[200_000] ^= 0xFF
    frames, refused = looked(bytes(parcel))
    assert frames["parcel > a.pcap"] == 300
    assert frames["parcel > b.pcapng"] == 3
    assert refused == []
    cut = tarred({"a.pcap": WHOLE, "b.pcap": noise})[:100_000]
    frames, refused = looked(cut)
    assert frames["parcel > a.pcap"] == 5
    assert 90 < frames["parcel > b.pcap"] < 100
    assert "tar archive that cannot be read on: it ends too early" in refused[0]


def test_large_archives_in_archives_are_read_again_rather_than_held() -> None:
    noise = {f"{n}.pcap": raw.pcap(*([os.urandom(60_000)] * 30)) for n in range(5)}
    assert sum(map(len, noise.values())) > 2 * HELD
    frames, refused = looked(zipped({"in.zip": zipped(noise), "in.tar": tarred(noise)}, STORED))
    assert list(frames.values()) == [30] * 10
    assert refused == []


def test_depth() -> None:
    assert len(looked(packed_deep(WHOLE, 8))[0]) == 1
    assert "lies inside 8 others and is not opened" in only_refusal(packed_deep(WHOLE, 9))
