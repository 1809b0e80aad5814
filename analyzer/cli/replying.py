"""Replies: what leaves the desk names nothing by the desk's own names."""

from collections.abc import Sequence
from pathlib import Path

from analyzer.cli.options import octets_of
from analyzer.cli.reading import called
from analyzer.diagnosis import Diagnosis
from analyzer.errors import BadOption, NotARecording
from analyzer.inputs.envelopes import envelope
from analyzer.inputs.strangers import WITHOUT_FRAMES
from analyzer.reports import house
from analyzer.reports.document.page import page
from analyzer.reports.letter import Style, letter
from analyzer.reports.to_text import to_text

Found = Sequence[Diagnosis | NotARecording]


class Desk:
    """A desk that answers one mail. Raises BadOption where several are given, or the house wording
    cannot be used.
    """

    def __init__(self, inputs: Sequence[str], wording: str | None) -> None:
        self.house = house.House()
        if wording is not None:
            self.house = house.read(octets_of(wording, "--house"), Path(wording).name)
        mails = [one for one in map(envelope, map(Path, inputs)) if one is not None]
        if len(mails) > 1:
            what = f"{len(mails):,} mails are given, and a letter answers one."
            raise BadOption(what, "--format", "Name one mail at a time.")
        self.mail = mails[0] if mails else None
        self.diagnoses: list[Diagnosis] = []
        self.refused: list[NotARecording] = []

    def take(self, name: str, found: Found) -> None:
        """Take in what an input holds. One without a recording is the desk's own matter."""
        usable = [one for one in found if isinstance(one, Diagnosis)]
        own = _own_name(Path(name))
        for one in usable:
            facts = one.facts
            facts.file = facts.file.removeprefix(own)
            facts.pieces = [o._replace(name=o.name.removeprefix(own)) for o in facts.pieces]
        self.diagnoses += usable
        if usable:
            self.refused += [
                NotARecording(one.what, one.where.removeprefix(own), one.todo)
                for one in found
                if isinstance(one, NotARecording)
            ]

    def reply(self, made: Sequence[str], everything: bool, as_draft: bool) -> str:
        """The letter, or a mail draft of it with the page attached."""
        lines = [str(one) for one in self.refused if one.what not in WITHOUT_FRAMES]
        beside = [one.where for one in self.refused if one.what in WITHOUT_FRAMES]
        style = Style(everything, as_draft, self.house)
        text = to_text(letter(self.diagnoses, lines, style, self.mail, beside))
        if not as_draft:
            return text
        from analyzer.reports.to_eml import to_eml
        from analyzer.reports.to_html import to_html

        html = to_html(page(self.diagnoses, everything, made, lines))
        return to_eml(text, html, self.mail)


def _own_name(path: Path) -> str:
    """How names of things in an input begin where that is the desk's own wording: a mail or a
    folder. An archive is called as its sender called it.
    """
    if path.is_dir():
        return f"{called(path)}/"
    return f"{called(path)} > " if envelope(path) is not None else ""
