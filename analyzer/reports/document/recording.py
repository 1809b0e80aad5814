"""What was recorded: how much, when, of which files, and what is odd about it."""

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, timedelta, tzinfo

from analyzer.diagnosis import Diagnosis, Kind, Moment, Step
from analyzer.reports.blocks import Block, Listing, Paragraph, Quote
from analyzer.reports.dates import local
from analyzer.reports.document.bounds import MOST_PIECES, first, left_out
from analyzer.reports.document.verdict import capital
from analyzer.words import count, quoted, say, seconds, times, unspaced


class Clock:
    """Tells the time of day in a recording. zone: None for that of this machine. What it is at the
    first frame holds for all of the recording, so that its times stay in order.
    """

    def __init__(self, diagnosis: Diagnosis, zone: tzinfo | None) -> None:
        began = diagnosis.facts.first_seen
        self._began = None if began is None else local(began, zone)

    @property
    def zone(self) -> str:
        """What times are told in: "UTC", or "UTC+01:00"."""
        return self._began.tzname() or "" if self._began is not None else "UTC"

    def began(self) -> str:
        """When the recording began; nothing where it knows no time."""
        return f"{self._began:%Y-%m-%d %H:%M:%S} {self.zone}" if self._began is not None else ""

    def at(self, moment: Moment) -> str:
        """The time of day of a frame; nothing where the recording knows none."""
        if self._began is None:
            return ""
        return f"{self._began + timedelta(seconds=moment.seconds):%H:%M:%S}"


def about(diagnosis: Diagnosis, everything: bool, zone: tzinfo | None) -> Iterator[Block]:
    """What was recorded, what the file says of itself, and of which files it was joined."""
    yield Paragraph(what_it_is(diagnosis, zone))
    yield from comments(diagnosis)
    yield from pieces(diagnosis, everything)


def what_it_is(diagnosis: Diagnosis, zone: tzinfo | None = UTC) -> str:
    """How much was recorded, when, and how it is stored."""
    facts = diagnosis.facts
    packed = ", gzip" if facts.compressed else ""
    how = f"Recorded as {facts.format}{packed}, link type {facts.link_type}."
    return f"{capital(how_much(diagnosis, zone))}. {how}"


def how_much(diagnosis: Diagnosis, zone: tzinfo | None = UTC) -> str:
    """How much was recorded, and when."""
    facts = diagnosis.facts
    if facts.first_seen is None:
        return "no frames"
    return f"{count(facts.coverage.frames, 'frame')} in {when(diagnosis, zone)}"


def when(diagnosis: Diagnosis, zone: tzinfo | None = UTC) -> str:
    """How long was recorded, and from when on."""
    if diagnosis.facts.first_seen is None:
        return "no frames"
    return f"{seconds(diagnosis.facts.coverage.seconds)} {since(diagnosis, zone)}"


def since(diagnosis: Diagnosis, zone: tzinfo | None) -> str:
    """From when on was recorded; nothing where the recording knows no time."""
    began = Clock(diagnosis, zone).began()
    return f"from {began}" if began else ""


def pieces(diagnosis: Diagnosis, everything: bool) -> Iterator[Block]:
    """Which files were joined, and where each begins."""
    joined = diagnosis.facts.pieces
    if not joined:
        return
    yield Paragraph("These files follow on from one another. They are joined in order of time:")
    shown = first(joined, MOST_PIECES, everything)
    yield Listing([Step(f"{quoted(one.name)}: from frame {one.first:,} on") for one in shown])
    yield from left_out(joined, shown)


def comments(diagnosis: Diagnosis) -> Iterator[Block]:
    """What the file says of itself, each text once: a copy whose addresses are made up says so."""
    texts = diagnosis.facts.comments
    if texts:
        yield Paragraph(f"{capital(count(len(texts), 'comment'))} in the file, by whoever made it:")
        for text, often in Counter(texts).items():
            yield Quote(unspaced(text))
            if often > 1:
                yield Paragraph(f"{capital(times(often))} the same.")


def oddities(diagnosis: Diagnosis) -> list[str]:
    """What is odd about the recording itself, in sentences."""
    facts, coverage = diagnosis.facts, diagnosis.facts.coverage
    said = []
    if facts.damage is not None:
        said.append(
            say(
                "Damaged at byte {octet}, after {frames:count frame}: {why}.",
                {
                    "octet": facts.damage.octet,
                    "frames": facts.damage.after_frame,
                    "why": facts.damage.why,
                },
            )
        )
    counts = {
        "{n:count copy} of frames seen before, not counted again.": coverage.copies,
        "Only the beginning was stored of {n:count frame}.": coverage.cut,
        "{n:count packet} with a length beyond the frame: only what was on the wire counts.": (
            coverage.overlong
        ),
        "{n:count frame} without a time.": facts.untimed,
        "{n:count ping frame} of pairs beyond those that can be kept: not judged.": (
            facts.icmp.left_out
        ),
        "{n:count frame} of a kind that cannot be read here.": coverage.count(Kind.UNREADABLE),
        "{n:count frame} lost by the recorder, as it says itself.": facts.drops or 0,
        "The clock was set back {n:times}.": coverage.backwards.count,
    }
    return said + [say(text, {"n": number}) for text, number in counts.items() if number]
