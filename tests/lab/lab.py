"""The plant of the lab, and what a scenario is.

The usual plant: a PC, a controller and a panel on one switch. The panel greets everybody every
0.7 s, so that the recording shows that it was listening.
"""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from analyzer.findings import Rule
from captures import layouts
from captures.layouts import Record
from tests.lab.actors import chat
from tests.lab.network import Site, Station
from tests.lab.recorder import Recorder, from_begin

PC, UNIT, PANEL, ROUTER = "192.0.2.15", "192.0.2.60", "192.0.2.20", "192.0.2.1"
FAR_UNIT, FAR_ROUTER = "198.51.100.60", "198.51.100.1"
EVERYBODY = "192.0.2.255"
SWITCH_HW, UNIT_HW, SPARE_HW = "00:00:5e:00:53:05", "00:00:5e:00:53:60", "00:00:5e:00:53:61"
LEAD, TAIL = 3.0, 6.2
"""Seconds recorded before the first act, and after the last one: a little more than the ground
rule on silence asks for (analyzer.linkup: LISTEN_BEFORE, LISTEN_AFTER)."""


class Lab(Site):
    """A site with a recorder on the PC."""

    pc: Station
    unit: Station
    panel: Station

    def plant(self, pc: str = f"{PC}/24", unit: str = f"{UNIT}/24") -> None:
        """PC, controller and panel are up, and the recorder runs."""
        self.stations(pc, unit)
        self.record()

    def stations(self, pc: str = f"{PC}/24", unit: str = f"{UNIT}/24") -> None:
        self.pc = self.station("pc", pc)
        self.unit = self.station("unit", unit)
        self.add_panel()

    def add_panel(self) -> None:
        self.panel = self.station("panel", f"{PANEL}/24")
        chat(self.panel, EVERYBODY)

    def add_router(self, near: str = f"{ROUTER}/24", far: str = f"{FAR_ROUTER}/24") -> Station:
        """A router between the switch and a second segment, `far`."""
        self.segment("far", "00:00:5e:00:53:03")
        router = self.station("router", near, hw="00:00:5e:00:53:01")
        router.wire("uplink", "00:00:5e:00:53:09", "far", "eth1")
        router.wire_checksums("eth1")
        router.up(far, name="eth1")
        router.setting("ipv4.ip_forward", 1)
        return router

    def beyond_router(self, unit: str = f"{FAR_UNIT}/24") -> Station:
        """The controller is behind a router, and both ends know the way; the recorder runs."""
        self.pc = self.station("pc", f"{PC}/24")
        self.add_panel()
        router = self.add_router()
        self.unit = self.station("unit", unit, segment="far")
        self.pc.ip(f"route add default via {ROUTER}")
        self.unit.ip(f"route add default via {FAR_ROUTER}")
        self.record()
        return router

    def record(self, port_too: bool = False) -> None:
        """Begin to record; port_too: on the PC's switch port as well."""
        self._recorders = [Recorder(self.pc.raw())]
        if port_too:
            self._recorders.append(Recorder(self.port_socket("pc")))
        time.sleep(LEAD)

    def mirror(self) -> None:
        """Begin to record what comes and goes at the controller's switch port."""
        self._recorders = [Recorder(self.port_socket("unit"))]
        time.sleep(LEAD)

    def recorded(self) -> list[Record]:
        """Listen on for a while, and end the recording."""
        time.sleep(TAIL)
        return from_begin([one for recorder in self._recorders for one in recorder.stop()])


@dataclass(frozen=True)
class Scenario:
    """Something that happens in the lab.

    fault: slug of what is wrong, None where all is well; also: rules that lead instead where the
    frames do not tell, each with the words by which it names what is wrong (see `cause`); remark:
    the trouble heals or spoils nothing, so it is no fault; told: the controller as it would be
    given to the command; plain: kept as pcap, without directions; by_chance: what breaks by it
    differs from one time to the next, and may lead.
    """

    name: str
    act: Callable[[Lab], None]
    fault: str | None
    also: Mapping[str, str] = field(default_factory=dict)
    remark: bool = False
    told: str = f"{UNIT}:502"
    plain: bool = False
    by_chance: bool = False

    def make(self) -> bytes:
        """Let it happen: the recording, compressed."""
        with Lab() as lab:
            self.act(lab)
            records = lab.recorded()
        octets = layouts.pcap(records) if self.plain else layouts.pcapng(records)
        return layouts.compressed(octets)

    @property
    def file(self) -> str:
        return f"{self.name}.{'pcap' if self.plain else 'pcapng'}.gz"


def cause(rule: Rule, name: str) -> tuple[str, str]:
    """A rule that may lead, and the one of its causes that names what is wrong."""
    return rule.slug, rule.likely_causes[name]


Act = Callable[[Lab], None]


def scenario(
    into: list[Scenario], fault: str | None = None, *also: tuple[str, str], **more: object
) -> Callable[[Act], Act]:
    """List the function as a scenario under its own name."""

    def listed(act: Act) -> Act:
        into.append(Scenario(act.__name__.replace("_", "-"), act, fault, dict(also), **more))
        return act

    return listed
