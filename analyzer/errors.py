"""What can be wrong with an input or an option, told in one line.

Unusable
    NotARecording   the bytes are something else, or nothing
    BadOption       an option does not say what it should
    BadSheet        a site sheet with one thing or several wrong in it
    CannotRecord    a recording cannot begin, or has to end
Broken              octets end before their file does; readers tell it as damage
    LimitReached    because unpacking was stopped
"""

from collections.abc import Sequence

from analyzer.words import quoted


class Unusable(Exception):
    """The tool cannot work with what it was given.

    what: one plain sentence; where: file, option or byte; todo: the next step.
    """

    def __init__(self, what: str, where: str, todo: str) -> None:
        super().__init__(f"{where}: {what} {todo}")
        self.what = what
        self.where = where
        self.todo = todo

    @property
    def lines(self) -> list[str]:
        """One line for each thing that is wrong."""
        return [str(self)]


class NotARecording(Unusable):
    """The input is not a recording that can be read. where: its name, which others may have given
    it.
    """

    def __str__(self) -> str:
        return f"{quoted(self.where)}: {self.what} {self.todo}"


class BadOption(Unusable):
    """An option or argument cannot be understood."""


class CannotRecord(Unusable):
    """A recording cannot begin, or has to end before its time."""


class BadSheet(Unusable):
    """A site sheet that cannot be used; problems: one for each line that needs mending."""

    def __init__(self, problems: Sequence[Unusable]) -> None:
        first = problems[0]
        super().__init__(first.what, first.where, first.todo)
        self.problems = problems

    @property
    def lines(self) -> list[str]:
        """One line for each thing that is wrong."""
        return [str(problem) for problem in self.problems]


class Broken(Exception):
    """There are no more octets to be had; the text says why, as part of a sentence."""


class LimitReached(Broken):
    """Unpacking went as far as it is allowed to go."""
