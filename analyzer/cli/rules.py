"""whynolink rules: what is looked for."""

import click

from analyzer.cli.options import by_example
from analyzer.cli.writing import write
from analyzer.errors import BadOption
from analyzer.reports.explain import explanation, rule_list
from analyzer.reports.to_text import to_text
from rules import all_rules
from rules.examples import examples

MOST_NEAR = 5
"""Rules that are named where a name is none."""


@click.command(
    name="rules",
    epilog=by_example(
        "whynolink rules",
        "whynolink rules subnet-mismatch",
    ),
)
@click.argument("name", required=False)
def command(name: str | None) -> int:
    """List what is looked for, or explain the rule NAME."""
    known = {rule.slug: rule for rule in all_rules()}
    if name is None:
        write(to_text(rule_list(list(known.values()), examples())), None)
    elif name.lower() in known:
        write(to_text(explanation(known[name.lower()], examples().get(name.lower(), {}))), None)
    else:
        near = _near(name.lower(), list(known))
        meant = f"Perhaps {' or '.join(near)}? " if near else ""
        raise BadOption("is not a rule.", name, f"{meant}List them with: whynolink rules")
    return 0


def _near(name: str, known: list[str]) -> list[str]:
    """Rules with the name in theirs, and those that are spelt much like it."""
    from difflib import get_close_matches

    inside = [one for one in known if name in one]
    return list(dict.fromkeys([*inside, *get_close_matches(name, known)]))[:MOST_NEAR]
