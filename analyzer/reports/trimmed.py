"""What a trimmed copy says of itself, and what whoever made it is told."""

from collections.abc import Iterator

from analyzer.diagnosis import Diagnosis, Kind, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table
from analyzer.reports.document.verdict import headline
from analyzer.trim import Order, Trimmed
from analyzer.words import count, listed, quoted, say

KINDS = {
    "ARP frames": (Kind.ARP,),
    "IPv4 frames": (Kind.IPV4,),
    "IPv6 frames": (Kind.IPV6,),
    "Frames of the switch": (Kind.SPANNING_TREE, Kind.LLDP, Kind.EAPOL),
}
COVERED = (
    "Contents are filler of the same length: what programs and pings carried, names of hosts and "
    "users, what switches say of themselves. Headers, ports, times and lengths stay. Of messages "
    "in known protocols number, function, code and length stay, of a text a word like 'busy'."
)
RENAMED = (
    "Addresses are renamed, each one the same everywhere. Who shares a network, and what is "
    "private or public, stays true; who made an adapter does not: hardware addresses are made up."
)

STAY = "As they are, because they stand for all stations or a group, stay"
BACK = "whynolink trim --back"


def comment(made_by: str, keep_payload: bool, rename: bool) -> str:
    """What is written into the copy; readers cut a longer text off."""
    said = [
        f"Trimmed copy made by {made_by}: frames that its diagnosis does not need may be left out.",
        "Contents are as recorded." if keep_payload else "Contents are filler of the same length.",
        "Its addresses are made up: translate them before you act on any." if rename else "",
    ]
    return " ".join(text for text in said if text)


def summary(trimmed: Trimmed, order: Order, told: str, names: str) -> list[Block]:
    """What left and what stayed. told: options for diagnosing the copy; names: the file with the
    list of new names, where there are some.
    """
    original, copy = trimmed.original, trimmed.copy
    name = quoted(copy.facts.file)
    return [
        Heading(f"{name}: a trimmed copy of {quoted(original.facts.file)}", 1),
        Paragraph(_judged_alike(original), strong=True),
        Table(("What", "Recording", "Copy"), list(_rows(trimmed))),
        Heading("What was done"),
        Listing([Step(text) for text in _done(trimmed, order)]),
        *_names(trimmed, quoted(names)),
        Heading("Before you send it"),
        Listing(
            [
                Step(f"Look at it: whynolink diagnose {name}{told}"),
                Step("Ask whoever is responsible for the network whether it may leave the site."),
                Step("Keep the recording: the copy cannot be turned back into it."),
            ]
        ),
    ]


def _judged_alike(original: Diagnosis) -> str:
    said = [f"{one.linkup.controller}: {headline(one)}" for one in original.outcomes]
    alike = "The copy was diagnosed, and is judged as the recording is."
    return " ".join([alike, *said[:1]]) + (f" And {len(said) - 1} more." if said[1:] else "")


def _rows(trimmed: Trimmed) -> Iterator[tuple[str, str, str]]:
    both = trimmed.original.facts, trimmed.copy.facts

    def row(name: str, *counts: int) -> tuple[str, str, str]:
        here, there = (f"{number:,}" for number in counts)
        return name, here, there

    yield row("Octets of the file", *trimmed.sizes)
    yield row("Frames", *(facts.coverage.frames for facts in both))
    for name, kinds in KINDS.items():
        counts = [sum(facts.coverage.count(kind) for kind in kinds) for facts in both]
        if any(counts):
            yield row(f"  {name}", *counts)
    yield row("Stations", *(len(facts.stations) for facts in both))
    yield row("IP addresses", *(len(facts.addresses) for facts in both))


def _done(trimmed: Trimmed, order: Order) -> Iterator[str]:
    facts, copy = trimmed.original.facts, trimmed.copy.facts
    left = facts.coverage.frames - copy.coverage.frames
    if left:
        yield (
            f"Left out: {count(left, 'frame')} between other stations. A thin sample stays, as it "
            "matters that they were heard."
        )
    elif not trimmed.original.outcomes:
        yield "All frames stay: without a PC and a controller nobody knows which ones matter."
    elif trimmed.sparing:
        yield "All frames stay: the diagnosis needs them."
    else:
        yield "All frames stay: without those of other stations it would be judged otherwise."
    if order.keep_payload:
        yield "Contents stay as recorded, with any password or name in them (--keep-payload)."
    else:
        yield f"{COVERED} Filled were {say('{n:count octet}', {'n': trimmed.covered})}."
    if order.key is not None:
        yield RENAMED
        if order.keep_payload:
            yield "Addresses inside contents are not renamed."
    else:
        yield "Addresses stay as recorded; --rename gives them other names."
    yield "Left out: names of adapters, comments. Checksums fit, or not, as they did before."
    yield "Times and directions stay. Frames are numbered anew, from 1."


def _names(trimmed: Trimmed, path: str) -> Iterator[Block]:
    if trimmed.renamed:
        yield Heading("New names")
        changed = [(old, new) for old, new in trimmed.renamed.items() if old != new]
        same = [old for old, new in trimmed.renamed.items() if old == new]
        yield Table(("Here", "In the copy"), changed)
        if same:
            yield Paragraph(f"{STAY}: {listed(same)}.")
        yield Paragraph(
            f"The list is in {path} too. It undoes the renaming: keep it, and do not send it along."
        )
        yield Paragraph(f"An answer about the copy, in the names here: {BACK} {path} ANSWER")
