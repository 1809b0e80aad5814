"""What the terminal shows while a recording goes on: stages in order, and what is waited for."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pytest

from analyzer.diagnosis import judge
from analyzer.facts import Address, Gatherer
from analyzer.inputs.records import Interface, Recording
from analyzer.linkup import Told
from analyzer.recorder.capture import Frames
from analyzer.recorder.running import chunk_of
from analyzer.reports.document.verdict import NAMES
from analyzer.reports.live import QUIET, STALLS, Live
from captures.plant import Plant
from rules import ALL
from tests.support import acquainted, begun, ended

TICK = 0.5  # seconds between two looks
UNIT = Told(((Address.parse("192.0.2.60"), 502),))
OWN = Interface(1, addresses=[(0xC000020F, 0xFFFFFF00)], hardware=0x00005E005315)


@dataclass
class Shown:
    """One line: when it was shown, and what; both in seconds since the first frame."""

    shown: float
    time: float
    text: str


def watched(plant: Plant, told: Told = UNIT, until: float = 0.0) -> list[Shown]:
    """What is shown while the story goes on; without frames, until so many seconds."""
    return [one for lines in _looks(plant, told, until) for one in lines]


def _looks(plant: Plant, told: Told, until: float) -> Iterator[list[Shown]]:
    frames = plant.records
    began = frames[0].time if frames else 0
    last = max(until, (frames[-1].time - began) / 1e9 if frames else 0.0)
    gatherer, live, seen = Gatherer(Recording("", "pcapng", [OWN])), Live(), 0
    for tick in range(int(last / TICK) + 2):
        OWN.ended = began + round(tick * TICK * 1e9)
        new = [one for one in frames[seen:] if one.time <= OWN.ended]
        if new:
            columns = Frames([one.time for one in new], [one.data for one in new])
            gatherer.take(chunk_of([columns], seen + 1))
            seen += len(new)
        now = tick * TICK
        lines = list(live.lines(judge(gatherer.facts(), ALL, told), now, has_link=True))
        assert all(len(line) < 80 and line.isascii() for line in lines)
        yield [Shown(now, *_parts(text)) for text in _unwrapped(lines)]


def _unwrapped(lines: Sequence[str]) -> list[str]:
    return "\n".join(lines).replace("\n" + " " * 13, " ").split("\n") if lines else []


def _parts(line: str) -> tuple[float, str]:
    time, text = line[:9].strip(), line[13:]
    return float(time) if time != "-" else 0.0, text


def stages(shown: Sequence[Shown], who: str = "192.0.2.60") -> list[int]:
    """Numbers of the stages that came up."""
    numbers = {name: number for number, name in enumerate(NAMES.values(), 1)}
    found = (re.match(rf"{re.escape(who)}: the (.+?) works: ", one.text) for one in shown)
    return [numbers[one[1]] for one in found if one]


def test_a_healthy_link_up_shows_all_stages_once_in_order() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(4)
    shown = watched(ended(plant))
    assert stages(shown) == [1, 2, 3, 4, 5, 6, 7]
    assert shown[-1].text == "192.0.2.60: The connection works: the controller answers the PC."
    assert not [one for one in shown if "waiting" in one.text]
    times = [one.time for one in shown]
    assert times == sorted(times)
    assert all(one.time <= one.shown + TICK for one in shown)


def test_times_and_frames_are_those_of_the_report() -> None:
    plant, pc, unit = begun()
    asked = plant.ask(pc, unit, times=1)
    answer = plant.reply(unit, pc)
    shown = watched(ended(plant))
    (third,) = [
        one for one in shown if one.text.startswith("192.0.2.60: the hardware address works")
    ]
    number = plant.number(answer)
    assert f"(frame {number})" in third.text
    began = plant.records[0].time
    assert third.time == pytest.approx((answer.time - began) / 1e9, abs=0.001)
    assert asked is not None


def test_the_pcs_own_call_shows_no_link() -> None:
    """Two frames, a call and its refusal: the link is shown by the second one."""
    plant = Plant()
    call = plant.tcp(plant.pc(), plant.station())
    call.syn()
    call.refuse()
    shown = watched(plant)
    texts = [one.text for one in shown]
    assert "192.0.2.60: the link works: another station is heard (frame 2)." in texts
    times = [one.time for one in shown]
    assert times == sorted(times)


def test_a_question_that_nobody_answers() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=3)
    shown = watched(ended(plant, 10))
    assert stages(shown) == [1, 2]
    (waiting,) = [one for one in shown if "waiting" in one.text]
    first = next(one for one in plant.records if one.data[12:14] == b"\x08\x06" and one.outbound)
    since = (first.time - plant.records[0].time) / 1e9
    assert f"waiting at the hardware address, since {since:.3f} s" in waiting.text
    assert since + STALLS <= waiting.shown <= since + STALLS + 2 * TICK
    assert shown[-1].text.startswith("192.0.2.60: Connecting stopped at the hardware address: ")
    assert waiting.shown < shown[-1].shown


def test_a_port_that_stays_silent() -> None:
    plant, pc, unit = acquainted()
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    shown = watched(ended(plant, 10))
    assert stages(shown) == [1, 2, 3, 4]
    assert [one.text for one in shown if "waiting at the port," in one.text]
    assert "stopped at the port: " in shown[-1].text


def test_a_refusal_is_told_at_once_and_taken_back_when_it_works() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        call = plant.tcp(pc, unit)
        call.syn()
        call.refuse()
        plant.wait(2)
    plant.tcp(pc, unit).open().poll(3)
    shown = watched(ended(plant))
    texts = [one.text for one in shown]
    stopped = [n for n, text in enumerate(texts) if "stopped at the port: " in text]
    works = [n for n, text in enumerate(texts) if "The connection works" in text]
    assert len(stopped) == len(works) == 1
    assert stopped < works
    assert stages(shown) == [1, 2, 3, 4, 5, 6, 7]


def test_a_request_without_an_answer() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(b"\0\1\0\0\0\6\1\3\0\1\0\1")
    session.ack(unit)
    shown = watched(ended(plant, 12))
    assert stages(shown) == [1, 2, 3, 4, 5]
    (waiting,) = [one for one in shown if "waiting" in one.text]
    assert "no session has carried an answer yet" in waiting.text


def test_a_pc_that_does_not_go_on() -> None:
    plant, *_ = acquainted()
    plant.wait(QUIET + 3)
    plant.chatter()
    shown = watched(plant)
    assert stages(shown) == [1, 2, 3]
    (waiting,) = [one for one in shown if "waiting" in one.text]
    assert "the next step is the PC's" in waiting.text
    assert waiting.shown >= QUIET


def test_nothing_heard_is_told_once() -> None:
    shown = watched(Plant(), until=QUIET + 5)
    assert [one.text for one in shown] == [
        "Nothing was heard on this adapter for 10 s: are its lamps lit?"
    ]
    assert QUIET <= shown[0].shown <= QUIET + TICK


def test_nobody_tries_anything() -> None:
    plant = Plant()
    plant.pc()
    other = plant.station()
    plant.wait(QUIET + 3)
    plant.chatter(other)
    shown = watched(plant, Told())
    assert len(shown) == 1
    assert "no try: connect when the machine is safe" in shown[0].text


def test_several_controllers_are_told_apart() -> None:
    plant, pc, unit = acquainted()
    second = plant.station("192.0.2.61")
    plant.tcp(pc, unit).open().poll(2)
    plant.ask(pc, second, times=3)
    shown = watched(ended(plant), Told())
    assert stages(shown) == [1, 2, 3, 4, 5, 6, 7]
    told = Told((*UNIT.controllers, (Address.parse("192.0.2.61"), None)))
    shown = watched(ended(plant), told)
    assert stages(shown, "192.0.2.61") == [1, 2]
    assert [
        one
        for one in shown
        if one.text.startswith("192.0.2.61: Connecting stopped at the hardware address")
    ]


def test_the_link_goes_and_comes_back() -> None:
    live, quiet = Live(), judge(Gatherer(Recording("", "pcapng", [Interface(1)])).facts(), [])
    states = [True, False, False, True, False]
    lines = [list(live.lines(quiet, 0, state)) for state in states]
    assert [bool(one) for one in lines] == [False, True, False, True, True]
    assert "no link" in " ".join(lines[1])
    assert "has a link" in " ".join(lines[3])


def test_a_link_that_is_down_from_the_start_is_told() -> None:
    quiet = judge(Gatherer(Recording("", "pcapng", [Interface(1)])).facts(), [])
    assert list(Live().lines(quiet, 0, has_link=False))
