"""What people send in place of a recording, recognised by its content."""

import re
from codecs import getincrementaldecoder

from analyzer.errors import NotARecording

HEAD = 4096
"""Octets looked at: the headers of a mail and some lines of a text fit in."""

SAVE_AS = "Save the recording as pcap or pcapng and send that file."
AGAIN = "Ask for the file again: it may have been cut on its way."
SENT_OPEN = "Send it unencrypted, by a way that both sides trust."
NO_LINK = "Send what it leads to; links are not followed."
NOT_A_FILE = "is no ordinary file."
NO_FILE = "Send the recordings themselves."
PICTURE = "is a picture, not a recording."
NO_PICTURE = "Frames cannot be judged from a picture. " + SAVE_AS
ARCHIVE = "is an archive of a kind that is not opened here."
PACK_AS_ZIP = "Pack the recording as ZIP, or send it as it is."
FILM = "is a film, not a recording of the network."
CARD = "is a visiting card, not a recording."
PDF = "is a PDF document, not a recording."
DOCUMENT = "is a text document, not a recording."
PAGE = "is a web page, not a recording."
MARKUP = "is text with markup, not a recording."
COLUMNS = "is text in columns, not a recording."
LOG = "is text of a log, not a recording."
TEXT = "is text, not a recording."
WITHOUT_FRAMES = {PICTURE, FILM, CARD, PDF, DOCUMENT, PAGE, MARKUP, COLUMNS, LOG, TEXT}
"""What comes along with recordings and never holds one: beside one, it need not be sent again."""
PROGRAM = "is a program, which is neither opened nor run here."
OFFICE = "is a document or a mail in an office program's own format, not a recording."
FROM_OFFICE = "Send the recording itself, or the mail saved as .eml."

MAGICS = (
    (b"PK\x03\x04", "is a ZIP archive, not a recording.", "Unpack it and pass the file inside."),
    (b"PK\x07\x08", "is a part of a ZIP archive that was split.", PACK_AS_ZIP),
    (b"\x89PNG", PICTURE, NO_PICTURE),
    (b"\xff\xd8\xff", PICTURE, NO_PICTURE),
    (b"GIF8", PICTURE, NO_PICTURE),
    (b"II*\x00", PICTURE, NO_PICTURE),
    (b"MM\x00*", PICTURE, NO_PICTURE),
    (b"%PDF", PDF, SAVE_AS),
    (b"{\\rtf", DOCUMENT, SAVE_AS),
    (b"7z\xbc\xaf\x27\x1c", ARCHIVE, PACK_AS_ZIP),
    (b"Rar!\x1a\x07", ARCHIVE, PACK_AS_ZIP),
    (b"\xfd7zXZ\x00", ARCHIVE, PACK_AS_ZIP),
    (b"BZh", ARCHIVE, PACK_AS_ZIP),
    (b"\x28\xb5\x2f\xfd", ARCHIVE, PACK_AS_ZIP),
    (b"MSCF", ARCHIVE, PACK_AS_ZIP),
    (b"\x78\x9f\x3e\x22", "is a mail's attachments in one mail program's own wrapping.",
     "Ask for the recording packed as ZIP."),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", OFFICE, FROM_OFFICE),
    (b"L\x00\x00\x00\x01\x14\x02\x00", "is a shortcut to a file, not the file.",
     "Send the file that it points to."),
    (b"-----BEGIN PGP", "is encrypted, and no key is tried here.",
     SENT_OPEN),
    (b"MZ", PROGRAM, "Pack the recording as an ordinary ZIP archive."),
    (b"\x7fELF", PROGRAM, SAVE_AS),
)  # fmt: skip
"""First octets, what they show, what to do."""

TEXTS = (
    (rb"(?i)\s*(<!doctype html|<html)", PAGE,
     "A download link may lead to a page first: fetch the file itself. " + SAVE_AS),
    (rb"(?i)\s*begin:vcard", CARD, SAVE_AS),
    (rb"\s*<\?xml|\s*<\w+[ >]", MARKUP, SAVE_AS),
    (rb"((([^\n;]*;){2}|([^\n,]*,){2}|([^\n\t]*\t){2})[^\n]*\n){2}",
     COLUMNS,
     "Frames cannot be judged from a table. " + SAVE_AS),
    (rb"\W{0,2}(\d{4}-\d\d-\d\d|\d\d[./]\d\d[./]\d{2,4}|\d\d:\d\d:\d\d)",
     LOG,
     "A log helps beside a recording. " + SAVE_AS),
)  # fmt: skip
"""How a text begins, what that shows, what to do."""

MAIL_FIELDS = {
    b"from", b"to", b"subject", b"date", b"received", b"return-path", b"mime-version",
    b"message-id", b"delivered-to", b"content-type", b"reply-to", b"sender",
}  # fmt: skip
ENOUGH_FIELDS = 2
"""Known header fields that make a text a mail: one alone may stand in any text."""
FIELD = re.compile(rb"([!-9;-~]+):")


def refusal(head: bytes, name: str) -> NotARecording:
    """The line about a file that is no recording, from its first HEAD octets."""
    what, todo = _told(head)
    return NotARecording(what, name, todo)


def _told(head: bytes) -> tuple[str, str]:
    if not head:
        return "is empty.", AGAIN
    if not any(head):
        return "holds only zeros, not a recording.", AGAIN
    for magic, what, todo in MAGICS:
        if head.startswith(magic):
            return what, todo
    if (head[:4], head[8:12]) == (b"RIFF", b"WEBP") or (head[:2], head[6:10]) == (b"BM", bytes(4)):
        return PICTURE, NO_PICTURE
    if head[4:8] == b"ftyp":
        still = head[8:12] in (b"heic", b"heix", b"mif1", b"avif")
        return (PICTURE, NO_PICTURE) if still else (FILM, SAVE_AS)
    text = _text(head)
    if text is None:
        return "does not start like a pcap or pcapng recording.", SAVE_AS
    for pattern, what, todo in TEXTS:
        if re.match(pattern, text):
            return what, todo
    return TEXT, "Frames cannot be judged from text. " + SAVE_AS


def _text(head: bytes) -> bytes | None:
    """The text that octets begin with, in UTF-8 or a code page; None where they are none."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        head = head.decode("utf-16", "replace").encode("utf-8", "replace")
    head = head.removeprefix(b"\xef\xbb\xbf")
    plain = sum(octet in b"\t\n\r" or 32 <= octet < 127 for octet in head)
    foreign = sum(octet >= 128 for octet in head)
    readable = plain + foreign if _is_utf_8(head) else plain
    return head if readable >= 0.95 * len(head) else None


def _is_utf_8(head: bytes) -> bool:
    try:
        getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return False
    return True


def is_mail(head: bytes) -> bool:
    """Whether octets begin like the header of a mail (RFC 5322 2.2)."""
    lines = head.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").split(b"\n")
    if lines[0].startswith(b"From "):
        lines = lines[1:]
    known: set[bytes] = set()
    for line in lines:
        if line[:1] in (b" ", b"\t") and known:
            continue
        field = FIELD.match(line)
        if field is None:
            break
        known.add(field[1].lower())
    return len(known & MAIL_FIELDS) >= ENOUGH_FIELDS
