"""README.md, .ci/run and the command line say the same."""

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import analyzer
from analyzer.cli import main
from analyzer.reports.document.answer import in_short
from analyzer.reports.to_text import to_text

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def fenced(language: str, text: str = README) -> list[str]:
    """Contents of the fenced blocks of one language, without their last line end."""
    return re.findall(rf"^```{language}\n(.*?)\n```$", text, flags=re.MULTILINE | re.DOTALL)


def visible(group: click.Group, name: str = "whynolink") -> Iterator[tuple[str, click.Command]]:
    """Whole name and command of everything that the tool's help shows, the tool itself first."""
    yield name, group
    for word, command in group.commands.items():
        if command.hidden:
            continue
        if isinstance(command, click.Group):
            yield from visible(command, f"{name} {word}")
        else:
            yield f"{name} {word}", command


def visible_options(group: click.Group) -> Iterator[tuple[str, click.Option]]:
    """Name of the command and option, for every option that the tool's help shows."""
    for name, command in visible(group):
        for option in command.params:
            if isinstance(option, click.Option) and not option.hidden:
                yield name, option


def unknown(text: str, group: click.Group) -> set[str]:
    """Commands, options and values of options that a text mentions and the tool does not have."""
    options: dict[str, list[click.Option]] = {}
    for _, option in visible_options(group):
        for spelling in option.opts:
            options.setdefault(spelling, []).append(option)
    said = set(re.findall(r"\bwhynolink [a-z]+(?=[ \n])", code(text)))
    said |= set(re.findall(r"--[a-z][a-z-]*", text))
    wrong = said - {name for name, _ in visible(group)} - set(options) - {"--help"}
    for spelling, value in re.findall(r"(--[a-z][a-z-]*) ([a-z]+)", code(text)):
        kinds = [option.type for option in options.get(spelling, ())]
        choices = [kind.choices for kind in kinds if isinstance(kind, click.Choice)]
        if choices and not any(value in one for one in choices):
            wrong.add(f"{spelling} {value}")
    return wrong


def code(text: str) -> str:
    """What a text marks as code, one piece a line."""
    pieces = re.findall(r"^```\w*\n(.*?)^```$|`([^`\n]+)`", text, flags=re.MULTILINE | re.DOTALL)
    return "".join(f"{block or piece}\n" for block, piece in pieces)


def unexplained(text: str, group: click.Group) -> set[str]:
    """Commands that have no help or that a text does not mention, and options that have no help."""
    wrong = set()
    for name, command in visible(group):
        if not command.help or not re.search(rf"{name}(?![\w-])", text):
            wrong.add(name)
    for name, option in visible_options(group):
        if not option.help:
            wrong.add(f"{name} {option.opts[0]}")
    return wrong


def test_readme_has_exactly_two_commands_of_one_line_each() -> None:
    demo, tests = fenced("sh")
    assert "\n" not in demo + tests
    assert demo.startswith("python3 -m venv .venv && ")
    assert demo.endswith("/whynolink demo")
    assert tests.startswith("python3 -m venv .venv && ")
    assert tests.endswith("pytest")


def test_windows_lines_do_the_same_as_the_two_commands() -> None:
    (block,) = fenced("powershell")
    changes = (" && ", "; "), ("python3 -m venv", "py -m venv"), (".venv/bin/", ".venv\\Scripts\\")
    expected = "\n".join(fenced("sh"))
    for here, there in changes:
        expected = expected.replace(here, there)
    assert block == expected


@pytest.mark.skipif(
    sys.platform == "win32" or not shutil.which("bash"), reason=".ci/run is for machines with bash"
)
def test_ci_takes_the_test_command_out_of_the_readme_and_runs_it() -> None:
    (taken,) = re.findall(r"^test_command=.*$", CI, flags=re.MULTILINE)
    script = f'{taken}\nprintf %s "$test_command"'
    told = subprocess.run(
        ["bash", "-c", script], cwd=ROOT, check=True, capture_output=True, encoding="utf-8"
    )
    assert told.stdout == fenced("sh")[1]
    assert '\nrun "$test_command"\n' in CI
    assert "-m pytest" not in CI


def test_the_answer_in_the_readme_is_what_the_tool_says() -> None:
    """Of the recording that comes with it, as far as the readme shows it."""
    (block,) = fenced("console")
    shown = re.split(r"^\$ .*$\n?", block, flags=re.MULTILINE)[2]
    demo = analyzer.diagnose(ROOT / "analyzer" / "demo.pcap")
    demo.facts.file = "monday.pcapng"
    assert to_text(in_short([demo])).startswith(shown)
    assert "Not reached" in shown


def test_readme_mentions_only_what_the_tool_has() -> None:
    assert unknown(README, main) == set()


def test_commands_stand_in_the_readme_and_options_are_explained_in_their_help() -> None:
    assert unexplained(README, main) == set()


@pytest.mark.parametrize("name", [name for name, _ in visible(main)][1:])
def test_every_command_has_examples_that_it_understands(name: str) -> None:
    word = name.split()[1]
    told = CliRunner().invoke(main, [word, "--help"]).output
    examples = re.findall(r"^  +(whynolink .*)$", told.split("Examples:")[1], flags=re.MULTILINE)
    assert examples
    assert unknown("".join(f"`{one}`\n" for one in examples), main) == set()


def a_tool() -> click.Group:
    """A small command line: one good command with two options, one hidden command."""
    form = click.Option(["--form"], type=click.Choice(["round", "square"]), help="The form.")
    return click.Group(
        help="A tool.",
        commands=[
            click.Command("cut", help="Cut it.", params=[form, click.Option(["--bare"])]),
            click.Command("secret", hidden=True),
            click.Command("mute"),
        ],
    )


def test_unknown_words_are_flagged() -> None:
    text = "`whynolink cut x --form round` `whynolink glue` `--wide` or `--form oval`"
    assert unknown(text, a_tool()) == {"whynolink glue", "--wide", "--form oval"}
    assert unknown("`whynolink secret`", a_tool()) == {"whynolink secret"}
    assert unknown("The whynolink glue sticks.", a_tool()) == set()


def test_missing_explanations_are_flagged() -> None:
    text = "`whynolink cut --form round` `whynolink mute`"
    assert unexplained(text, a_tool()) == {"whynolink cut --bare", "whynolink mute"}
    assert unexplained("`whynolink mute`", a_tool()) >= {"whynolink cut"}
