"""Rules -> documents: the list of them, and one explained from its own text."""

from collections.abc import Sequence

from analyzer.diagnosis import Rule, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table, safely
from analyzer.words import outline


def rule_list(rules: Sequence[Rule]) -> list[Block]:
    """Every rule with its stage and what it says."""
    rows = [(rule.slug, rule.stage, str(rule.level), outline(rule.title)) for rule in rules]
    return [
        Paragraph(
            "What is looked for in a recording, in the order in which a connection is built. "
            "`whynolink rules NAME` explains one."
        ),
        Table(("Rule", "Stage", "At most", "What it says"), rows),
    ]


def explanation(rule: Rule) -> list[Block]:
    """One rule: what it means, how it looks, what looks alike, what to do."""
    blocks: list[Block] = [
        Heading(f"{rule.slug} (at most a {rule.level}; stage: {rule.stage})", 1),
        Paragraph(outline(rule.title) + "."),
        Heading("How it looks in a recording", 3),
        Paragraph(outline(rule.what_happened)),
        Heading("What it means", 3),
        Paragraph(outline(rule.means)),
    ]
    for title, texts in (
        ("Likely causes, most likely first", rule.likely_causes),
        ("What would look the same", rule.also_fits),
        ("What looks alike and is innocent", rule.looks_alike),
    ):
        if texts:
            steps = [Step(outline(text)) for text in texts]
            blocks += [Heading(title, 3), Listing(steps)]
    steps = [Step(outline(step.text), step.caution) for step in rule.what_to_do]
    blocks.append(Heading("What to do", 3))
    blocks += rule.cautions
    blocks.append(Listing(steps, numbered=True))
    if rule.confirm:
        confirm = Step(outline(rule.confirm), rule.confirm_caution)
        blocks += [Heading("The test that decides", 3), Listing([confirm])]
    blocks += [Heading("Sources", 3), Listing([Step(text) for text in rule.sources])]
    return list(safely(blocks))
