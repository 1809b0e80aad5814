"""Demo recordings in other clothes: what has nothing to do with the link-up is changed."""

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from unittest import mock

from analyzer.findings import Level
from captures import layouts, make
from captures.layouts import Record
from captures.plant import Plant, Station, modbus_read
from rules import ALL

SECOND = 10**9  # nanoseconds
LEVELS = {rule.slug: rule.level for rule in ALL}


@dataclass(frozen=True)
class Story:
    """Frames, and what the user tells beside them.

    alone: that nobody else is heard is the point of it, or nothing else may be.
    """

    records: tuple[Record, ...]
    controllers: tuple[str, ...] = ()
    pc: str | None = None
    alone: bool = False


ALONE = (
    "nothing-heard.pcap",
    "filtered-recording.pcap",
    "port-kept-closed.pcap",
    "port-not-open-yet.pcapng",
)
"""Demo recordings whose point is that nobody else is heard."""


def of_the_demo(name: str) -> Story:
    kept: list[Record] = []

    def keep(records: Sequence[Record], **_: Any) -> bytes:
        kept.extend(records)
        return b""

    with mock.patch.object(layouts, "pcap", keep), mock.patch.object(layouts, "pcapng", keep):
        make.STORIES[name]()
    return Story(tuple(kept), alone=name in ALONE)


def asking(plant: Plant, one: Station, other: Station) -> None:
    plant.ask(one, "192.0.2.139")
    plant.resolve(one, other)


def polling(plant: Plant, one: Station, other: Station) -> None:
    session = plant.tcp(one, other).open()
    session.poll(2, every=0.4)
    session.close()


def refusing(plant: Plant, one: Station, other: Station) -> None:
    for _ in range(2):
        session = plant.tcp(one, other, 503)
        session.syn(after=0.5)
        session.refuse()


def breaking(plant: Plant, one: Station, other: Station) -> None:
    session = plant.tcp(one, other).open()
    session.send(modbus_read(1))
    session.again(after=0.3)
    session.rst(other, after=0.2)


def unanswered(plant: Plant, one: Station, other: Station) -> None:
    plant.tcp(one, other).syn(repeats=(1, 2))
    plant.ping(one, other, after=0.1)


def shouting(plant: Plant, one: Station, other: Station) -> None:
    for station in (one, other, one):
        plant.datagram(station, "192.0.2.255", 50000, 50000, b"running", after=0.7)


def joining(plant: Plant, one: Station, _: Station) -> None:
    plant.probe(one)
    plant.announce(one)


SCENES = (asking, polling, refusing, breaking, unanswered, shouting, joining)


def woven(records: Sequence[Record], scenes: Sequence[tuple[int, float]]) -> list[Record]:
    """The frames with scenes among others between the first and the last of them."""
    begin, end = records[0].time, records[-1].time
    plant = Plant(start=begin / SECOND)
    one, other = plant.station("192.0.2.131", ttl=255), plant.station("192.0.2.132")
    for number, share in scenes:
        with plant.at(share * (end - begin) / SECOND):
            SCENES[number](plant, one, other)
    inside = [record for record in plant.records if begin < record.time < end]
    return sorted([*records, *inside], key=lambda record: record.time)


def tagged(record: Record) -> Record:
    tag = bytes.fromhex("81000005")
    if record.data[12:14] == tag[:2]:
        return record
    return replace(record, data=record.data[:12] + tag + record.data[12:])


@dataclass(frozen=True)
class Demo:
    """A demo recording and what is wrong in it: None for nothing; remark: no fault is due."""

    name: str
    story: Story
    wrong: str | None

    @property
    def remark(self) -> bool:
        return self.wrong is not None and LEVELS[self.wrong] is not Level.FAULT

    @property
    def octets(self) -> bytes:
        return make.STORIES[self.name]()


def demos(table: dict[str, str]) -> list[Demo]:
    """All demo recordings; table: what the tool has to say of each, as captures/README.md does."""
    return [
        Demo(name, of_the_demo(name), None if says == "nothing wrong" else says.strip("`"))
        for name, says in ((name, says.strip()) for name, says in table.items())
    ]


def dressed(demo: Demo, dice: random.Random) -> bytes:
    """The story of a demo recording with others around it, on another day, in another layout."""
    records = list(demo.story.records)
    if not demo.story.alone:
        scenes = [(dice.randrange(len(SCENES)), dice.random() * 0.9) for _ in range(6)]
        records = woven(records, scenes)
    later = dice.randrange(SECOND) + dice.randrange(86_400) * SECOND
    records = [replace(one, time=one.time + later) for one in records]
    if dice.random() < 0.3:
        records = [tagged(one) for one in records]
    if dice.random() < 0.5:
        return layouts.pcapng(records, directions=dice.random() < 0.5)
    return layouts.pcap(records, nanoseconds=dice.random() < 0.5, big_endian=dice.random() < 0.5)
