"""The command as its user sees it: real clients, real servers, and a pseudo-terminal.

Everybody acts at the same time, each on a site of their own, so that waiting costs little.
"""

import re
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

from analyzer import diagnose
from analyzer.diagnosis import Diagnosis, Verdict
from analyzer.facts import Address
from analyzer.linkup import Stage, Told
from analyzer.reports.document.verdict import NAMES
from tests.lab import network
from tests.lab.actors import (
    Server,
    ask,
    call,
    chat,
    closes_after,
    mute,
    poll,
    refuses,
    resets_after,
)
from tests.lab.network import Site, Station
from tests.recorder.terminal import Terminal
from tests.support import lead

LACKING = network.lacking()
pytestmark = pytest.mark.skipif(bool(LACKING), reason=LACKING)
UNIT = "192.0.2.60"
LEAD, TAIL = 2.5, 6.5
"""Seconds before the first act and after the last: a little more than the rule on silence
ask for (analyzer.linkup: LISTEN_BEFORE, LISTEN_AFTER)."""
GATE = (
    "add table inet gate",
    "add chain inet gate pass { type filter hook input priority 0; }",
)


class Plant(Site):
    """A PC, a controller, and a panel that speaks to everybody."""

    pc: Station
    unit: Station
    panel: Station

    def build(self, pc: str = "192.0.2.15/24") -> None:
        self.pc = self.station("pc", pc)
        self.unit = self.station("unit", f"{UNIT}/24")
        self.panel = self.station("panel", "192.0.2.20/24")
        chat(self.panel, "192.0.2.255")


Act = Callable[[Plant], None]


@dataclass(frozen=True)
class Case:
    """before: what is so when the recorder starts; act: what the PC does; fault: slugs that may
    lead; stages: how many come up at least.
    """

    act: Act
    fault: tuple[str, ...]
    stages: int
    before: Act = lambda plant: None
    pc: str = "192.0.2.15/24"


def calls(plant: Plant, address: str = UNIT) -> None:
    for _ in range(2):
        call(plant.pc, address, wait=3.5)
        time.sleep(1)


def polls(plant: Plant) -> None:
    for _ in range(2):
        poll(call(plant.pc, UNIT), times=4, wait=2.0)
        time.sleep(1)


def asks_once(plant: Plant) -> None:
    ask(call(plant.pc, UNIT), wait=6.0)


def gated(rule: str) -> Act:
    def before(plant: Plant) -> None:
        Server(plant.unit)
        plant.unit.nft(*GATE, f"add rule inet gate pass tcp dport 502 {rule}")

    return before


def serving(**manner: object) -> Act:
    def before(plant: Plant) -> None:
        Server(plant.unit, **manner)  # type: ignore[arg-type]

    return before


def taken(plant: Plant) -> None:
    """The panel holds the only session."""
    serving(most=1)(plant)
    poll(call(plant.panel, UNIT), times=1)


def unplugged(plant: Plant) -> None:
    plant.unit.ip("link set eth0 down")


def twin(plant: Plant) -> None:
    """A second station with the controller's address."""
    serving()(plant)
    plant.station("twin", f"{UNIT}/24", hw="00:00:5e:00:53:61")


def asks_both(plant: Plant) -> None:
    plant.pc.ip("neigh flush dev eth0")
    polls(plant)


def by_gateway(plant: Plant) -> None:
    """The PC's mask is too narrow: it looks for a gateway."""
    plant.pc.ip("route add default via 192.0.2.1")


CASES = {
    "healthy": Case(polls, (), 7, serving()),
    "nobody listens": Case(calls, ("port-refused",), 4),
    "calls are dropped": Case(calls, ("port-silent",), 3, gated("drop")),
    "calls are prohibited": Case(
        calls, ("path-refused",), 3, gated("reject with icmpx type admin-prohibited")
    ),
    "nobody has the address": Case(calls, ("unanswered-arp",), 2, unplugged),
    "two have the address": Case(asks_both, ("duplicate-address",), 2, twin),
    "no answer to requests": Case(asks_once, ("request-unanswered",), 5, serving(manner=mute)),
    "closed before the answer": Case(
        polls,
        ("session-closed", "dropped-on-first-request"),
        5,
        serving(manner=closes_after(0)),
    ),
    "reset after two answers": Case(polls, ("session-reset",), 5, serving(manner=resets_after(2))),
    "requests are rejected": Case(polls, ("request-rejected",), 5, serving(manner=refuses(2))),
    "the only session is taken": Case(calls, ("port-refused", "session-limit"), 4, taken),
    "the PC's mask is too narrow": Case(
        calls, ("subnet-mismatch", "unanswered-arp"), 1, by_gateway, "192.0.2.15/27"
    ),
}


@dataclass
class Seen:
    """What the terminal showed, the exit status, and the diagnosis of the file."""

    text: str
    status: int
    diagnosis: Diagnosis


def happen(case: Case, folder: Path) -> Seen:
    folder.mkdir()
    with Plant() as plant:
        plant.build(case.pc)
        case.before(plant)
        arguments = ("eth0", "--controller", f"{UNIT}:502", "--output", "seen.pcapng")
        with Terminal(plant.pc.name, folder, *arguments) as terminal:
            terminal.wait_for("Times are seconds since")
            time.sleep(LEAD)
            case.act(plant)
            time.sleep(TAIL)
            status = terminal.interrupt()
            text = terminal.text
    told = Told(((Address.parse(UNIT), 502),))
    return Seen(text, status, diagnose(folder / "seen.pcapng", told))


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Seen]]:
    folder = tmp_path_factory.mktemp("recordings")
    with ThreadPoolExecutor(len(CASES)) as pool:
        jobs = {
            name: pool.submit(happen, case, folder / name.replace(" ", "-"))
            for name, case in CASES.items()
        }
        yield {name: job.result() for name, job in jobs.items()}


@pytest.mark.parametrize("name", CASES)
def test_recorded_live_and_diagnosed(name: str, seen: dict[str, Seen]) -> None:
    case, one = CASES[name], seen[name]
    (outcome,) = one.diagnosis.outcomes
    assert outcome.linkup.pc.how_known == "recorded"
    assert str(outcome.linkup.mask) == ("255.255.255.224" if "/27" in case.pc else "255.255.255.0")
    assert one.diagnosis.facts.damage is None
    assert one.diagnosis.facts.drops == 0
    assert (lead(one.diagnosis) in case.fault) if case.fault else lead(one.diagnosis) is None
    assert one.status == one.diagnosis.status == (1 if case.fault else 0)

    live, ending, report = one.text.partition("It ended: from the keyboard.")
    stages = re.findall(rf"s  {UNIT}: the ([\w' ]+?) works", live)
    assert stages == [NAMES[stage] for stage in Stage][: len(stages)]
    assert len(stages) >= case.stages
    assert ending
    assert "none lost" in report
    if case.fault:
        assert outcome.fault is not None
        assert outcome.fault.title.split(":")[0] in _one_line(live)
    else:
        assert outcome.verdict is Verdict.COMPLETE
        assert "The connection works" in live
    assert all(len(line) < 80 for line in one.text.splitlines())


def _one_line(text: str) -> str:
    return " ".join(text.split())
