"""Rules -> documents: the list of them, and one explained from its own text, with an example."""

from collections.abc import Iterable, Mapping, Sequence

from analyzer.diagnosis import Rule, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table, safely
from analyzer.reports.document.verdict import at_stage
from analyzer.words import UNKNOWN, outline

Example = Mapping[str, object]
"""The values of a finding of the rule."""


def rule_list(rules: Sequence[Rule], examples: Mapping[str, Example]) -> list[Block]:
    """Every rule with its stage and what it says, by the example of each."""
    rows = [
        (
            one.slug,
            at_stage(one.stage),
            str(one.level),
            outline(one.title, examples.get(one.slug, {})),
        )
        for one in rules
    ]
    return [
        Paragraph(
            "What is looked for in a recording, in the order in which a connection is built. Each "
            "is shown with an example. `whynolink rules NAME` explains one."
        ),
        Table(("Rule", "Stage", "At most", "What it says"), rows),
    ]


def explanation(rule: Rule, example: Example) -> list[Block]:
    """One rule: what it means, how it looks, what looks alike, what to do."""
    blocks: list[Block] = [
        Heading(f"{rule.slug} (at most a {rule.level}; stage: {at_stage(rule.stage)})", 1),
        Paragraph(f"An example: {outline(rule.title, example)}."),
        Heading("How it looks in a recording", 3),
        Paragraph(outline(rule.what_happened, example)),
        Heading("What it means", 3),
        Paragraph(outline(rule.means, example)),
    ]
    for title, texts in (
        ("Likely causes, most likely first", rule.likely_causes.values()),
        ("What would look the same", rule.also_fits.values()),
        ("What looks alike and is innocent", rule.looks_alike),
    ):
        if texts:
            blocks += [Heading(title, 3), Listing(_said(map(Step, texts), example))]
    blocks.append(Heading("What to do", 3))
    blocks += rule.cautions
    blocks.append(Listing(_said(rule.what_to_do, example), numbered=True))
    if rule.confirm:
        confirm = Step(rule.confirm, rule.confirm_caution)
        blocks += [Heading("The test that decides", 3), Listing(_said([confirm], example))]
    blocks += [Heading("Sources", 3), Listing([Step(text) for text in rule.sources])]
    return list(safely(blocks))


def _said(steps: Iterable[Step], example: Example) -> list[Step]:
    """What is said in an example like this one: not what is about a value that it lacks."""
    said = [Step(outline(one.text, example), one.caution) for one in steps]
    return [one for one in said if one.text and not (example and UNKNOWN.search(one.text))]
