"""A letter -> a draft that mail programs open to be sent: an answer, with the page attached.

RFC 5322 and MIME; "X-Unsent: 1" is how some programs know a draft (common practice, no source).
"""

from email.header import Header
from email.mime.multipart import MIMEMultipart
from email.mime.text import MIMEText
from hashlib import sha256

from analyzer.inputs.envelopes import Envelope

WIDEST = 78
"""Letters of a line in a header (RFC 5322 2.1.1)."""
ATTACHED = "report.html"


def to_eml(text: str, page: str, mail: Envelope | None) -> str:
    """The draft, in ASCII, lines ended by a line feed. mail: the one that is answered; without it,
    there is neither receiver nor reference. The same letter gives the same draft.
    """
    draft = MIMEMultipart(boundary=sha256((text + page).encode()).hexdigest()[:40])
    subject = _subject(mail)
    draft.add_header("Subject", subject if subject.isascii() else Header(subject, "utf-8").encode())
    draft["X-Unsent"] = "1"
    if mail is not None and mail.sender:
        draft["To"] = mail.sender
    if mail is not None and mail.number:
        draft["In-Reply-To"] = mail.number
        draft["References"] = " ".join([*mail.references, mail.number])
    draft.attach(MIMEText(text))
    attached = MIMEText(page, "html", "utf-8")
    attached.add_header("Content-Disposition", "attachment", filename=ATTACHED)
    draft.attach(attached)
    return draft.as_string(maxheaderlen=WIDEST)


def _subject(mail: Envelope | None) -> str:
    """That of the mail, marked as an answer once."""
    subject = mail.subject if mail is not None else ""
    if not subject:
        return "Your recording"
    return subject if subject[:3].lower() == "re:" else f"Re: {subject}"
