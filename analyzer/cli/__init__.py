"""The command: parse options, call, print. It decides nothing.

A file for each command, imported when the command is given: much of what they need takes long to
import. options.py, reading.py and writing.py hold what they share.
"""

import gc
import sys
from collections import UserDict
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from analyzer import __version__
from analyzer.errors import Unusable
from analyzer.words import middle_out, unbroken

LONGEST_LINE = 1000
"""Letters of a line on standard error: what was given may be of any length."""
COMMANDS = ("compare", "demo", "diagnose", "plan", "record", "rules", "triage", "trim")


class _Files(UserDict[str, Any]):
    """Name -> command, out of the file of that name."""

    def __getitem__(self, name: str) -> click.Command:
        gc.disable()  # what is loaded stays: looking through it again and again takes a tenth
        command: click.Command = import_module(self.data[name]).command
        gc.enable()
        return command


class _OneLine(click.Group):
    """Says what is wrong with a call in one line on standard error, with exit status 2. Without the
    name of a command it diagnoses.
    """

    def parse_args(self, context: click.Context, args: list[str]) -> list[str]:
        own = {name for option in self.get_params(context) for name in option.opts}
        if args and args[0] not in own and not self._may_be_a_command(args[0]):
            args = ["diagnose", *args]
        return super().parse_args(context, args)

    def _may_be_a_command(self, word: str) -> bool:
        """A command, or a single word that is no file: more likely one that is misspelt."""
        return word in self.commands or (word.isalpha() and not Path(word).exists())

    def main(self, *args: Any, **settings: Any) -> Any:
        settings["standalone_mode"] = False
        try:
            status = super().main(*args, **settings)
        except Unusable as problem:
            status = complain(*problem.lines)
        except click.exceptions.NoArgsIsHelpError as problem:
            click.echo(problem.format_message())
            status = 0
        except click.ClickException as problem:
            said = problem.format_message()
            stop = "" if said.endswith((".", "?")) else "."
            status = complain(f"{said}{stop} See whynolink --help.")
        except click.Abort:
            status = complain("stopped from the keyboard.")
        except OSError as problem:
            if problem.filename is not None:
                raise
            todo = "Make room, or name a file with --output."  # what has no name was printed
            status = complain(f"standard output: cannot be written: {problem.strerror}. {todo}")
        sys.exit(status)


def complain(*lines: str) -> int:
    """Say on standard error what is wrong; the exit status."""
    from analyzer.diagnosis import UNUSABLE  # takes long to import

    for line in lines:
        with suppress(OSError):  # nobody reads on, or there is no room
            click.echo(f"whynolink: {middle_out(unbroken(line), LONGEST_LINE)}", err=True)
    return UNUSABLE


@click.group(
    cls=_OneLine,
    commands=_Files({name: f"analyzer.cli.{name}" for name in COMMANDS}),
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="whynolink", message="%(prog)s %(version)s")
def main() -> None:
    """Say at which stage a PC's connection to a controller stopped.

    "whynolink FILE" is short for "whynolink diagnose FILE", with all of its options.

    Reads recordings (pcap, pcapng, gzip) that were made on the PC while it tried to connect. Sends
    nothing, and changes nothing.
    """
