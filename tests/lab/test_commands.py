"""The commands that a plan prints for Linux, typed on a real network stack of this kernel: they set
what they say, and are taken back.

Needs root and namespaces, like the lab. ping and arping are no part of it: they only ask.
"""

import subprocess
from collections.abc import Iterator

import pytest

from analyzer.reports.commands import SYSTEMS, Command, commands
from tests.lab.network import COMMAND_TIME, Site, Station, lacking
from tests.reports.test_plan import PRESS, ROUTED, planned

REASON = lacking()
pytestmark = pytest.mark.skipif(bool(REASON), reason=REASON or "the lab can run")

OLD, LENGTH = "192.0.2.60", "24"
"""What the PC has before: the controller's own address."""


@pytest.fixture
def pc() -> Iterator[Station]:
    with Site() as site:
        yield site.station("pc", f"{OLD}/{LENGTH}")


def typed(station: Station, line: str) -> str:
    """What a command of ip(8) prints, typed in the station."""
    filled = line.removeprefix("sudo ").replace("ADAPTER", "eth0")
    filled = filled.replace("OLD", OLD).replace("LENGTH", LENGTH)
    program, *words = filled.split()
    assert program == "ip"
    command = ["ip", "-n", station.name, *words]
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=COMMAND_TIME)
    return done.stdout


def linux(sheet: str) -> list[Command]:
    system = next(one for one in SYSTEMS if one.key == "linux")
    return [one for one in commands(planned(sheet), system) if " ip " in f" {one.typed} "]


def addresses(station: Station) -> list[str]:
    return typed(station, "ip -brief -4 address show dev ADAPTER").split()[2:]


def test_address_and_neighbour_are_set_and_taken_back(pc: Station) -> None:
    told = linux(PRESS)
    for one in told:
        typed(pc, one.typed)
    assert addresses(pc) == ["192.0.2.15/24"]
    entry = typed(pc, "ip neigh show dev ADAPTER").lower()
    assert "192.0.2.60 lladdr 00:00:5e:00:53:60 permanent" in entry
    for one in reversed(told):
        for undo in one.undo:
            typed(pc, undo.typed)
    assert addresses(pc) == [f"{OLD}/{LENGTH}"]
    assert "permanent" not in typed(pc, "ip neigh show dev ADAPTER").lower()


def test_a_route_is_set_and_taken_back(pc: Station) -> None:
    told = linux(ROUTED)
    before = typed(pc, "ip route show")
    for one in told:
        typed(pc, one.typed)
    assert "198.51.100.0/24 via 192.0.2.1 dev eth0" in typed(pc, "ip route show")
    for one in reversed(told):
        for undo in one.undo:
            typed(pc, undo.typed)
    assert typed(pc, "ip route show") == before
