"""What the command says about adapters and about a recording that it makes."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from analyzer.cautions import ADDRESS_CHANGE, Caution
from analyzer.diagnosis import Step
from analyzer.recorder.adapters import Adapter, Reason, Trouble, Warned
from analyzer.recorder.running import Ended, Recorder
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table, safely
from analyzer.reports.document.verdict import capital
from analyzer.words import LONGEST_NAME, clean, count, listed, quoted, say, seconds, times

WORDS: Mapping[Trouble, tuple[str, str, Caution | None]] = {
    Trouble.NO_LINK: (
        "The adapter {adapter:quoted} has no link.",
        "Look at the cable and at the lamps at both ends. The recording will show when it comes.",
        None,
    ),
    Trouble.NO_ADDRESS: (
        "The adapter {adapter:quoted} has no IPv4 address: the PC cannot reach a controller "
        "over it.",
        "Have it given an address in the controller's network.",
        ADDRESS_CHANGE,
    ),
    Trouble.SELF_ASSIGNED: (
        "The adapter {adapter:quoted} gave itself {address}: no address server answered it.",
        "Have it given a fixed address in the controller's network.",
        ADDRESS_CHANGE,
    ),
    Trouble.OTHER_NETWORK: (
        "The controller {controller} is not in a network of the adapter {adapter:quoted} "
        "({networks:list}): without a router this cannot work.{elsewhere}",
        "Compare the addresses and masks of both with the plan.",
        None,
    ),
    Trouble.OWN_ADDRESS: (
        "{controller} is the PC's own address, on its adapter {adapter:quoted}.",
        "Read the controller's address again. If it is right, unplug the PC and give it another "
        "address before you plug it in.",
        ADDRESS_CHANGE,
    ),
    Trouble.NO_HOST: (
        "{controller} names all of the network {network}, or its beginning: no controller has it.",
        "Read the controller's address and the PC's mask again.",
        None,
    ),
    Trouble.TWO_WAYS: (
        "The adapters {adapter:quoted} and {other:quoted} are both in the network {network}: the "
        "PC may call the controller over the wrong one.",
        "Find out which of them the controller is behind. Record on that one.",
        None,
    ),
}
REASONS = {
    Reason.NAMED: "it is the one named",
    Reason.NETWORK: "the controller is in its network",
    Reason.ONLY_LINK: "no other one has a link to the outside",
}
ELSEWHERE = " Another adapter is in that network: {names:list}."
COMMENT = "Other adapter of this PC: {adapter:quoted}, {addresses}, {link}."
TOLD = "The controller as given to the recorder: {controller}."
ENDED = {
    Ended.TIME: "the time was over",
    Ended.COMPLETE: "the connection was complete and stayed so",
    Ended.BREAK: "the connection broke, and a minute had passed",
    Ended.PROBLEM: "it could not go on",
    Ended.KEYBOARD: "from the keyboard",
    Ended.SIGNAL: "by a signal of the system",
}


def adapter_list(adapters: Sequence[Adapter], chosen: Adapter | None = None) -> Iterator[Block]:
    """The adapters as a table; the chosen one is marked."""
    rows = [
        (
            f"{'-> ' if one is chosen else ''}{quoted(one.name)}",
            listed(one.addresses) or "-",
            _hardware(one),
            "yes" if one.has_link else "no",
            "-" if one.speed is None else f"{one.speed / 1e6:,.0f} Mbit/s",
        )
        for one in adapters
    ]
    yield Heading("Adapters of this PC")
    header = ("Adapter", "Addresses", "Hardware address", "Link", "Speed")
    yield Table(header, rows, name_above=True)


def choice(chosen: Adapter, why: Reason) -> Iterator[Block]:
    """Which adapter it is, and why."""
    yield Paragraph(f"Adapter to record on: {quoted(chosen.name)}, since {REASONS[why]}.")


def no_choice(why: str) -> Iterator[Block]:
    """Why no adapter can be chosen."""
    yield Paragraph(f"Adapter to record on: none yet, {clean(why)}")
    yield Paragraph('Record with: whynolink record "ADAPTER"')


def readiness(problem: str) -> Iterator[Block]:
    """Whether recording could begin now. problem: what is missing, empty where nothing is."""
    if not problem:
        yield Paragraph("Recording can begin: the rights and the driver for it are there.")
    else:
        yield Paragraph(f"Recording cannot begin: {clean(problem)}")


def _hardware(one: Adapter) -> str:
    if one.hardware is None:
        return "-"
    return one.hardware.to_bytes(6).hex("-").upper()


def warned(warnings: Sequence[Warned]) -> Iterator[Block]:
    """What stands in the way, and what to do about each."""
    if not warnings:
        return
    whats, todos = [], []
    for one in warnings:
        what, todo, caution = WORDS[one.trouble]
        values: dict[str, Any] = dict(one.values)
        elsewhere = [quoted(name) for name in values.get("elsewhere", ())]
        values["elsewhere"] = say(ELSEWHERE, {"names": elsewhere}) if elsewhere else ""
        whats.append(Step(say(what, values)))
        todos.append(Step(todo, caution))
    yield Heading("This stands in the way")
    yield Listing(whats, numbered=True)
    yield Heading("What to do about it", 3)
    yield from safely([Listing(todos, numbered=True)])


def begins(
    adapter: Adapter, path: Path, at: str, limit: float, octets: int, breaks: int = 0
) -> Iterator[Block]:
    """What is about to happen. limit: seconds; octets: of all pieces; breaks: after how many it
    ends, 0 where it waits for none.
    """
    yield Heading("Recording")
    if breaks:
        often = "broke" if breaks == 1 else f"broke {times(breaks)}"
        kept = f"{octets / 1e6:,.0f} MB at most, and as much again around each break"
        yield Paragraph(
            f"On {quoted(adapter.name)} into {quoted(str(path))}, since {at}, for {seconds(limit)} "
            f"and {kept}. Nothing is sent. It ends a minute after the connection {often}. Ctrl-C "
            "ends it sooner. Let your program work as it always does."
        )
        return
    yield Paragraph(
        f"On {quoted(adapter.name)} into {quoted(str(path))}, since {at}, for {seconds(limit)} and "
        f"{octets / 1e6:,.0f} MB at most. Nothing is sent. Ctrl-C ends it. Wait 5 s, then connect "
        "once from your program, if the machine is safe for it. Times are seconds since the first "
        "frame."
    )


def ended(why: Ended, recorder: Recorder) -> Iterator[Block]:
    """What was recorded, and where it lies."""
    told = "the system does not say how many were lost"
    if recorder.lost is not None:
        told = f"{count(recorder.lost, 'frame')} lost" if recorder.lost else "none lost"
    paths, removed = recorder.pieces.paths, recorder.pieces.removed
    yield Heading("The recording")
    because = f" {capital(recorder.problem.what)}" if recorder.problem is not None else ""
    yield Paragraph(f"It ended: {ENDED[why]}.{because} {count(recorder.frames, 'frame')}, {told}.")
    if removed:
        yield Paragraph(
            f"{count(removed, 'older piece')} gave way to newer ones, to stay within the room "
            "given. Frames are counted from the first piece that is left."
        )
    yield Paragraph(
        "It lies here. It holds everything the adapter saw, passwords too: ask before "
        "it leaves the site."
    )
    yield Listing([Step(quoted(str(path), LONGEST_NAME)) for path in paths])


def comments(
    adapters: Sequence[Adapter], chosen: Adapter, controllers: Sequence[str]
) -> Iterator[str]:
    """What an intake form asks for and no frame shows: it goes into the recording itself."""
    for text in controllers:
        yield say(TOLD, {"controller": text})
    for one in adapters:
        in_use = one.addresses or one.has_link
        if in_use and one is not chosen and not one.is_loopback:
            link = "link" if one.has_link else "no link"
            yield say(
                COMMENT,
                {
                    "adapter": one.name,
                    "addresses": listed(one.addresses) or "no address",
                    "link": link,
                },
            )
