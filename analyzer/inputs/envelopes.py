"""What a mail says of itself (RFC 5322): who sent it, when, about what, and its own words."""

import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email.header import decode_header, make_header
from email.message import Message
from email.parser import BytesParser
from email.utils import parseaddr, parsedate_to_datetime
from pathlib import Path

from analyzer.inputs.fields import BOUNDED
from analyzer.inputs.strangers import HEAD, is_mail

READ = 1 << 18
"""Octets of a mail that are looked at: its header and its words stand before what is attached."""
LONGEST = 200
"""Letters of a subject or a name that are kept."""
MOST_REFERENCES = 20
"""Earlier mails that an answer refers to; programs keep the first and the last (RFC 5537 3.4.4)."""
ADDRESS = re.compile(r"[\w.!#$%&'*+/=?^`{|}~-]{1,64}@[\w.-]{1,255}", re.ASCII)
MESSAGE_ID = re.compile(r"<[^<>\s\x00-\x1f\x7f-\U0010ffff]{1,250}>")
QUOTED = re.compile(r"^[ \t]*>.*$", re.MULTILINE)
"""Lines of an earlier mail: who answers may have been sent them."""
TAG = re.compile(r"<[^<>]{0,1000}>")


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """What a mail says of itself, all of it a claim. Texts are of one line, letters of any script.

    sender: the address to answer to, empty where it is none; name: what the sender is called;
    number: the mail's own Message-ID; references: those of the mails before it; words: its text
    without lines quoted from other mails.
    """

    sender: str
    name: str
    subject: str
    sent: datetime | None
    number: str
    references: tuple[str, ...]
    words: str


def envelope(path: Path) -> Envelope | None:
    """What a mail in a file says of itself; None where the file is no mail, or cannot be read."""
    try:
        if not path.is_file():
            return None
        with path.open("rb") as stream:
            octets = stream.read(READ)
    except (OSError, ValueError):
        return None
    if not is_mail(octets[:HEAD]):
        return None
    try:
        return _read(BytesParser(policy=BOUNDED).parsebytes(octets.removeprefix(b"\xef\xbb\xbf")))
    except Exception:  # the library raises whatever comes up on broken fields
        return None


def _read(mail: Message) -> Envelope:
    name, sender = parseaddr(_field(mail, "reply-to") or _field(mail, "from"))
    own, _ = parseaddr(_field(mail, "from"))
    number = MESSAGE_ID.search(_field(mail, "message-id"))
    before = MESSAGE_ID.findall(_field(mail, "references") or _field(mail, "in-reply-to"))
    return Envelope(
        sender=sender if ADDRESS.fullmatch(sender) else "",
        name=_line(own or name),
        subject=_line(_field(mail, "subject")),
        sent=_date(_field(mail, "date")),
        number=number[0] if number else "",
        references=tuple(before[:1] + before[1:][1 - MOST_REFERENCES :]),
        words=QUOTED.sub("", "\n".join(_words(mail))),
    )


def _field(mail: Message, name: str) -> str:
    return str(mail.get(name, ""))


def _line(text: str) -> str:
    """A text of one line, in bounded length, without letters that are not seen; encoded words
    (RFC 2047) are read, where they can be.
    """
    with suppress(ValueError, LookupError):
        text = str(make_header(decode_header(text)))
    return "".join(one if one.isprintable() else " " for one in text).strip()[:LONGEST]


def _date(text: str) -> datetime | None:
    """When it was sent; a date without a zone is UTC (RFC 5322 3.3: "-0000")."""
    try:
        when = parsedate_to_datetime(text)
        return (when if when.tzinfo else when.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _words(mail: Message) -> Iterator[str]:
    """The parts that are text and not attached: plain ones, or else marked-up ones."""
    parts = [one for one in mail.walk() if not one.get_filename() and not one.is_multipart()]
    plain = [one for one in parts if one.get_content_type() == "text/plain"]
    for part in plain or [one for one in parts if one.get_content_type() == "text/html"]:
        octets = part.get_payload(decode=True)
        if isinstance(octets, bytes):
            text = octets.decode(_charset(part), "replace")
            yield text if plain else TAG.sub(" ", text)


def _charset(part: Message) -> str:
    name = part.get_content_charset("utf-8")
    try:
        "".encode(name)
    except LookupError:
        return "utf-8"
    return name
