"""What a mail says of itself, whatever it says."""

from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path

import pytest

from analyzer.inputs.envelopes import LONGEST, MOST_REFERENCES, READ, Envelope, envelope
from tests.parcels import mailed, zipped


def told(mail: EmailMessage | bytes, tmp_path: Path) -> Envelope:
    path = tmp_path / "a.eml"
    path.write_bytes(bytes(mail))
    found = envelope(path)
    assert found is not None
    return found


def test_everything_that_an_answer_needs(tmp_path: Path) -> None:
    mail = mailed({"a.pcap": b"x"}, "It fails.\n> What fails?\nSince Monday.\n")
    mail.replace_header("From", "Site \u00fcber <site@plant.example>")
    mail.replace_header("Subject", "St\u00f6rung")
    mail["Date"] = "Mon, 02 Mar 2026 09:00:00 +0100"
    mail["Message-ID"] = "<2@plant.example>"
    mail["References"] = "<0@plant.example> <1@plant.example>"
    found = told(mail, tmp_path)
    assert (found.sender, found.name) == ("site@plant.example", "Site \u00fcber")
    assert found.subject == "St\u00f6rung"
    assert found.sent == datetime(2026, 3, 2, 8, tzinfo=UTC)
    assert found.number == "<2@plant.example>"
    assert found.references == ("<0@plant.example>", "<1@plant.example>")
    assert found.words == "It fails.\n\nSince Monday.\n"


def test_an_answer_goes_where_the_sender_wants_it(tmp_path: Path) -> None:
    mail = mailed({})
    mail["Reply-To"] = "desk@plant.example"
    found = told(mail, tmp_path)
    assert (found.sender, found.name) == ("desk@plant.example", "")


def test_marked_up_words_only_where_there_are_no_others(tmp_path: Path) -> None:
    mail = mailed({})
    mail.add_alternative("<p>marked</p>", subtype="html")
    assert told(mail, tmp_path).words == "It does not connect.\n"
    mail = mailed({})
    mail.set_content("<p>The port is <b>502</b></p>", subtype="html")
    assert told(mail, tmp_path).words.split() == ["The", "port", "is", "502"]


def test_no_mail_has_no_envelope(tmp_path: Path) -> None:
    for octets in (b"", b"dear support,\n", zipped({"a.eml": bytes(mailed({}))})):
        (tmp_path / "x").write_bytes(octets)
        assert envelope(tmp_path / "x") is None
    for path in (tmp_path, tmp_path / "none", Path("-"), Path("a\0b")):
        assert envelope(path) is None


BROKEN = [
    b"Subject: =?utf-8?b?////?= =?no?q?x?=",
    b"From: =?utf-8?q?=0d=0aBcc:_x@plant.example?= <site@plant.example>",
    b"From: <>\r\nReply-To: a b c",
    b"From: x@plant.example, y@plant.example\nDate: Mon, 99 Foo 99999 25:61:61 +9999",
    b"Date: Mon, 01 Jan 0001 00:00:00 +2359",
    b"Message-ID: <a b>\nIn-Reply-To: <\xff@x>",
    b"Subject: " + b"x" * 10_000,
    b"References: " + b"<1@plant.example> " * 1000,
    b"Content-Type: text/plain; charset=no-such\nContent-Transfer-Encoding: base64\n\n====\n",
    b"Content-Type: multipart/mixed; boundary=b\n\n" + b"--b\n" * 5000,
    b"Content-Type: text/html; charset=base64\n\n" + b"<" * READ,
]


@pytest.mark.parametrize("fields", BROKEN)
def test_broken_mails_say_less(fields: bytes, tmp_path: Path) -> None:
    """Every text is of one line and short, every number is one."""
    found = told(b"To: support@plant.example\nMIME-Version: 1.0\n" + fields, tmp_path)
    for text in (found.sender, found.name, found.subject, found.number, *found.references):
        assert text == "" or text.isprintable()
        assert len(text) <= LONGEST + 60
    assert "," not in found.sender
    assert " " not in found.sender
    assert len(found.references) <= MOST_REFERENCES
