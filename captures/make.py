"""Write every demo recording of the Quillfen bottling hall anew: python captures/make.py

The same octets on every day. What each file shows, and what the tool has to say about it,
stands in README.md beside this file.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from captures import layouts  # noqa: E402
from captures.plant import (  # noqa: E402
    Plant,
    Session,
    Station,
    modbus_answer,
    modbus_read,
    modbus_refusal,
)

SLOW_DOWN = (1, 2, 4)  # seconds between the tries of an unanswered SYN: 0, 1, 3, 7 s


@dataclass
class Hall:
    """The stations of the hall, and the plant that records at the PC."""

    plant: Plant
    phase: float  # seconds until the first of the regular frames
    pc: Station
    filler: Station
    panel: Station
    drive: Station
    camera: Station
    router: Station
    switch: Station

    def background(self) -> None:
        """The hall as the PC's port hears it, over the whole story: broadcasts and the switch."""
        plant = self.plant
        plant.chatter(self.panel, self.drive, self.camera, every=2.3, first=self.phase + 0.41)
        plant.meanwhile(2.0, lambda: plant.bpdu(self.switch), first=self.phase)
        plant.meanwhile(30.0, lambda: plant.lldp(self.switch), first=3 * self.phase)

    def find_filler(self) -> None:
        self.plant.resolve(self.pc, self.filler)

    def call(self, port: int = 502) -> Session:
        return self.plant.tcp(self.pc, self.filler, port)


def hall(hour: float, pc: str = "192.0.2.15") -> Hall:
    """The hall some hours after the first shift began."""
    plant = Plant(start=1_741_676_400.0 + 3600 * hour)  # 2025-03-11 07:00 UTC
    return Hall(
        plant,
        phase=hour % 0.7,
        pc=plant.pc(pc, hw="00:00:5e:00:53:15"),
        filler=plant.station("192.0.2.60"),
        panel=plant.station("192.0.2.20"),
        drive=plant.station("192.0.2.31", ttl=255),
        camera=plant.station("192.0.2.42", ttl=128),
        router=plant.station("192.0.2.1", ttl=255),
        switch=plant.station("192.0.2.5"),
    )


def healthy_first_contact() -> bytes:
    here = hall(0.21)
    plant, pc = here.plant, here.pc
    plant.wait(2.6)
    plant.link_up(pc)
    plant.wait(3.2)
    here.find_filler()
    session = here.call().open()
    session.poll(8)
    session.close(after=0.7)
    plant.wait(6)
    here.background()
    return plant.pcapng(
        name="cable", hw=pc.hw, address="192.0.2.15/24", speed=100_000_000, resolution=9, drops=0
    )


def healthy_cached_neighbour() -> bytes:
    here = hall(0.38)
    plant = here.plant
    plant.wait(4.1)
    session = here.call().open()
    session.poll(12)
    session.close(after=0.4)
    plant.wait(7)
    plant.chatter(here.panel, every=2.9)
    plant.chatter(here.drive, every=4.7, first=1.9)
    plant.meanwhile(2.0, lambda: plant.bpdu(here.switch), first=here.phase)
    return plant.pcap()


def healthy_busy_site() -> bytes:
    here = hall(0.77)
    plant, pc = here.plant, here.pc
    scanner = plant.station("192.0.2.99")
    labeller, its_panel = plant.station("192.0.2.34", ttl=255), plant.station("192.0.2.21")
    new_drive = plant.station("0.0.0.0", hw="00:00:5e:00:53:32")
    plant.wait(4.4)
    here.find_filler()
    session = here.call().open()
    session.poll(3)
    plant.resolve(scanner, pc, after=0.2)
    _knock(plant, scanner, pc, port=8080)
    session.poll(3)
    plant.ask(here.filler, pc, times=1, to=pc, after=0.3)
    plant.reply(pc, here.filler)
    session.poll(6)
    session.close(after=0.5)
    plant.wait(8)

    with plant.at(1.2):  # another panel's line to another controller loses segments and breaks
        lossy = plant.tcp(its_panel, labeller, sport=40211).open()
        lossy.poll(2)
        lossy.send(modbus_read(3), after=0.8)
        for pause in (0.3, 0.6, 1.2, 2.4):
            lossy.again(after=pause)
        lossy.rst(labeller, after=0.9)
    with plant.at(3.0):  # the panel looks for a station that was taken away
        for _ in range(4):
            plant.ask(here.panel, "192.0.2.33", after=1.5)
    with plant.at(6.1):  # the inventory of the works looks at every number, and at a port
        for number in range(100, 124):
            plant.ask(scanner, f"192.0.2.{number}", times=1, after=0.05)
        _knock(plant, scanner, its_panel, port=23)
    for seconds, secs in ((2.2, 0), (6.3, 4), (14.1, 12)):  # a new drive asks for an address
        with plant.at(seconds):
            plant.dhcp("discover", new_drive, xid=0x3232, secs=secs)
    here.background()
    return plant.pcap()


def _knock(plant: Plant, by: Station, at: Station, port: int) -> None:
    """A port is looked at and found closed."""
    attempt = plant.tcp(by, at, port, sport=50_000 + port)
    attempt.syn(after=0.1)
    attempt.refuse()


def healthy_priority_tags() -> bytes:
    here = hall(0.93)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(3.3)
    plant.ask(pc, filler, times=1)
    with plant.tagged(0, priority=6):
        plant.reply(filler, pc)
    session = here.call()
    session.syn()
    with plant.tagged(0, priority=6):
        session.syn_ack()
    session.ack()
    for turn in range(1, 7):
        session.send(modbus_read(turn), after=1.0)
        with plant.tagged(0, priority=6):
            session.send(modbus_answer(turn), filler, after=0.003)
        session.ack(after=0.04)
    session.fin(after=0.8)
    with plant.tagged(0, priority=6):
        session.fin(filler)
    session.ack()
    plant.wait(6)
    here.background()
    return plant.pcapng(name="cable", hw=pc.hw, address="192.0.2.15/24", speed=1_000_000_000)


def pc_has_controllers_address() -> bytes:
    here = hall(1.91)
    plant, filler = here.plant, here.filler
    plant.wait(3.7)
    here.find_filler()
    session = here.call().open()
    session.poll(3)
    session.close(after=0.5)
    changed = Station(filler.address, here.pc.hw, here.pc.ttl, is_pc=True)
    plant.wait(9)
    plant.link_up(changed)
    plant.announce(filler, times=1, after=0.1)
    plant.announce(changed, times=1, after=0.1)
    plant.ask(here.panel, changed, times=1, after=1.1)
    plant.reply(changed, here.panel)
    panel_call = plant.tcp(here.panel, changed, sport=40217)
    panel_call.syn()
    panel_call.refuse()
    plant.wait(8)
    here.background()
    return plant.pcap()


def rival_address_servers() -> bytes:
    here = hall(1.97, pc="198.51.100.15")
    plant, pc = here.plant, here.pc
    left_behind = plant.station("198.51.100.1", hw="00:00:5e:00:53:0a")
    mask = [("subnet_mask", "255.255.255.0")]
    plant.wait(4.2)
    plant.dhcp("discover", pc)
    plant.dhcp("offer", pc, pc.address, server=left_behind, options=mask, after=0.02)
    plant.dhcp("offer", pc, "192.0.2.115", server=here.router, options=mask, after=0.31)
    plant.dhcp("request", pc, pc.address, server=left_behind)
    plant.dhcp("ack", pc, pc.address, server=left_behind, options=mask)
    plant.announce(pc, after=1.0)
    plant.ask(pc, here.filler, after=3.0)
    plant.wait(8)
    here.background()
    return plant.pcap()


def nobody_has_the_address() -> bytes:
    here = hall(1.04)
    plant, pc = here.plant, here.pc
    plant.wait(5.2)
    plant.ask(pc, here.filler)
    plant.ask(pc, here.filler, after=2.0)
    plant.wait(10)
    here.background()
    return plant.pcap()


def nothing_heard() -> bytes:
    here = hall(1.31)
    plant, pc = here.plant, here.pc
    plant.wait(0.4)
    plant.link_up(pc)
    for pause in (3.0, 2.0, 5.0):
        plant.ask(pc, here.filler, after=pause)
    plant.wait(3)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, _name_question("filler"))
    plant.ask(pc, here.router, after=6.0)
    plant.wait(9)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, _name_question("filler"))
    return plant.pcap()


def pc_self_assigned() -> bytes:
    here = hall(1.52, pc="169.254.23.15")
    plant, pc = here.plant, here.pc
    plant.wait(2.4)
    for pause, secs in ((0, 0), (4, 4), (8, 12), (16, 28)):
        plant.dhcp("discover", pc, xid=0x7E15, secs=secs, after=pause)
    plant.probe(pc, after=2.5)
    plant.announce(pc, after=2.0)
    plant.ask(pc, here.filler, after=4.0)
    plant.ask(pc, here.filler, after=3.0)
    plant.wait(10)
    here.background()
    return plant.pcapng(name="cable", hw=pc.hw, address="169.254.23.15/16")


def address_in_use() -> bytes:
    here = hall(1.83)
    plant, pc, filler = here.plant, here.pc, here.filler
    laptop = plant.station("192.0.2.15", hw="00:00:5e:00:53:77", ttl=128)
    plant.wait(3.8)
    here.find_filler()
    first = here.call().open()
    first.poll(6)
    _take_over(here, laptop, first)
    plant.resolve(pc, filler, after=0.2)
    second = here.call().open(after=0.5)
    second.poll(4)
    _take_over(here, laptop, second)
    plant.wait(8)
    here.background()
    return plant.pcap()


def _take_over(here: Hall, laptop: Station, session: Session) -> None:
    """The laptop claims the PC's address, the filler answers the laptop, and the session dies."""
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.announce(laptop, times=1, after=0.6)
    plant.announce(pc, times=1)
    plant.ask(laptop, filler, times=1, after=0.8)
    session.send(modbus_read(session.transaction + 1), lost=True, after=0.4)
    for pause in (0.3, 0.6, 1.2):
        session.again(lost=True, after=pause)
    plant.ask(pc, filler, times=1, to=filler, after=0.5)
    plant.reply(filler, pc)
    session.again(after=1.9)
    session.rst(filler, bare=True)


def two_units_one_address() -> bytes:
    here = hall(2.12)
    plant, pc, filler = here.plant, here.pc, here.filler
    spare = plant.station("192.0.2.60", hw="00:00:5e:00:53:61", ttl=64)
    spare.packet_id = 31_000

    def both_answer() -> None:
        plant.ask(pc, filler, times=1, after=0.4)
        plant.reply(filler, pc)
        plant.reply(spare, pc, after=0.0006)

    plant.wait(4.3)
    both_answer()
    for _ in range(3):
        session = plant.tcp(pc, spare, server_window=4096).open()
        session.poll(3)
        plant.announce(filler, times=1, after=0.5)
        session.server.station = filler  # the PC turns to the first unit, which knows no session
        session.send(modbus_read(session.transaction + 1), after=0.3)
        session.rst(filler, bare=True)
        both_answer()
    session = plant.tcp(pc, spare, server_window=4096).open()
    session.poll(3)
    plant.wait(6)
    here.background()
    return plant.pcap()


def router_answers_for_all() -> bytes:
    here = hall(2.31)
    plant, pc, router = here.plant, here.pc, here.router
    plant.wait(3.4)
    for wanted in ("192.0.2.61", "192.0.2.62", here.filler.address):
        plant.ask(pc, wanted, times=1, after=0.4)
        plant.reply(router, pc, for_ip=wanted)
    plant.tcp(pc, here.filler, via=router).syn(repeats=SLOW_DOWN)
    plant.wait(8)
    here.background()
    return plant.pcap()


def swapped_unit() -> bytes:
    here = hall(2.45)
    plant, pc, old = here.plant, here.pc, here.filler
    new = plant.station("192.0.2.60", hw="00:00:5e:00:53:61")
    plant.wait(1.1)
    plant.link_up(pc)
    plant.probe(new, after=1.4)
    plant.announce(new, after=2.0)
    plant.ask(new, here.panel, times=1, after=0.4)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.1)
    plant.ask(new, here.drive, times=1, after=0.9)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=4.0)
    plant.wait(10)
    here.background()
    return plant.pcap()


def controller_ignores_arp() -> bytes:
    here = hall(2.71, pc="192.0.2.200")
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.6)
    plant.ask(pc, filler)
    plant.ask(pc, filler, after=2.0)
    plant.ask(pc, filler, after=3.0)
    plant.wait(9)
    plant.chatter(filler, here.panel, every=3.1, first=0.9)
    here.background()
    return plant.pcapng(name="cable", hw=pc.hw, address="192.0.2.200/24", drops=0)


def different_network() -> bytes:
    here = hall(3.02)
    plant, pc, router = here.plant, here.pc, here.router
    capper = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.wait(4.0)
    plant.resolve(pc, router)
    plant.tcp(pc, capper, via=router).syn(repeats=SLOW_DOWN)
    plant.tcp(pc, capper, via=router).syn(repeats=SLOW_DOWN, after=5.0)
    plant.wait(10)
    here.background()
    return plant.pcapng(name="cable", hw=pc.hw, address="192.0.2.15/24", speed=100_000_000, drops=0)


def router_says_unreachable() -> bytes:
    here = hall(3.27)
    plant, pc, router = here.plant, here.pc, here.router
    capper = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    far_panel = plant.station("198.51.100.20", hw="00:00:5e:00:53:21")
    plant.wait(3.5)
    plant.resolve(pc, router)
    for sequence in (1, 2):
        plant.ping(pc, far_panel, sequence, via=router, after=1.0)
        plant.pong(far_panel, pc, sequence, via=router, after=0.002)
    for _ in range(2):
        session = plant.tcp(pc, capper, via=router)
        tries = [session.syn(after=2.0), session.again(after=1.0), session.again(after=2.0)]
        for number, attempt in enumerate(tries):
            plant.unreachable(router, pc, attempt, after=0.0001 if number else 0.12)
    plant.wait(9)
    here.background()
    return plant.pcap()


def filter_says_prohibited() -> bytes:
    here = hall(3.58)
    plant, pc, router = here.plant, here.pc, here.router
    capper = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.wait(3.9)
    plant.resolve(pc, router)
    for sequence in (1, 2):
        plant.ping(pc, capper, sequence, via=router, after=1.0)
        plant.pong(capper, pc, sequence, via=router, after=0.002)
    for _ in range(2):
        session = plant.tcp(pc, capper, via=router)
        plant.unreachable(router, pc, session.syn(after=2.0), code=13, after=0.001)
        for pause in SLOW_DOWN:
            plant.unreachable(router, pc, session.again(after=pause), code=13, after=0.001)
    plant.wait(9)
    here.background()
    return plant.pcap(big_endian=True, nanoseconds=True)


def port_refused() -> bytes:
    here = hall(3.94)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.2)
    here.find_filler()
    plant.ping(pc, filler)
    plant.pong(filler, pc)
    for pause in (2.0, 6.0):
        session = here.call(port=503)
        session.syn(after=pause)
        session.refuse()
        for _ in range(2):  # the system repeats the SYN by itself
            session.again(after=0.5)
            session.refuse()
    plant.wait(8)
    here.background()
    return plant.pcap()


def port_silent() -> bytes:
    here = hall(4.16)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(3.7)
    here.find_filler()
    for sequence in (1, 2, 3):
        plant.ping(pc, filler, sequence, after=1.0)
        plant.pong(filler, pc, sequence)
    here.call().syn(repeats=SLOW_DOWN, after=1.5)
    plant.wait(10)
    here.background()
    return layouts.compressed(plant.pcap())


def session_reset() -> bytes:
    here = hall(4.49)
    plant = here.plant
    plant.wait(4.5)
    here.find_filler()
    for polls in (6, 4, 7):
        session = here.call().open(after=1.2)
        session.poll(polls)
        session.send(modbus_read(polls + 1), after=1.0)
        session.rst(here.filler, after=0.002)
    plant.wait(8)
    here.background()
    return plant.pcap()


def idle_limit() -> bytes:
    here = hall(7.03)
    plant = here.plant
    plant.wait(3.9)
    here.find_filler()
    for limit in (30.0, 30.3, 30.1):
        session = here.call().open(after=0.4)
        session.poll(4, every=0.5)
        session.close(here.filler, after=limit)
    here.call().open(after=0.4).poll(4, every=0.5)
    plant.wait(7)
    here.background()
    return plant.pcap()


def closed_while_needed() -> bytes:
    here = hall(7.21)
    plant = here.plant
    plant.wait(4.3)
    here.find_filler()
    session = here.call().open()
    session.poll(7)
    session.fin(here.filler, after=0.2)
    session.ack()
    session.send(modbus_read(8), after=0.8)
    session.rst(here.filler, bare=True)
    plant.wait(8)
    here.background()
    return plant.pcap()


def path_breaks() -> bytes:
    here = hall(7.46)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.1)
    here.find_filler()
    session = here.call().open()
    session.poll(6)
    session.send(modbus_read(7), lost=True, after=1.0)
    for pause in (0.3, 0.6, 1.2, 2.4, 4.8):
        session.again(lost=True, after=pause)
    session.rst(lost=True, after=2.0)
    plant.ask(pc, filler, after=0.3)
    plant.wait(9)
    here.background()
    return plant.pcap()


def impatient_pc() -> bytes:
    here = hall(7.68)
    plant, filler = here.plant, here.filler
    plant.wait(4.4)
    here.find_filler()
    for think in (3.4, 4.1, 3.7):
        session = here.call().open(after=1.0)
        session.send(modbus_read(1, count=100), after=0.02)
        session.ack(filler, after=0.15)
        session.fin(after=2.85)
        session.send(modbus_answer(1, values=range(100)), filler, after=think - 3.0)
        session.rst(bare=True)
    plant.wait(8)
    here.background()
    return plant.pcap()


def noisy_cable() -> bytes:
    here = hall(7.92)
    plant, filler = here.plant, here.filler
    plant.wait(3.8)
    here.find_filler()
    session = here.call().open()
    for turn in range(1, 5):
        session.poll(14, every=0.25)
        session.send(modbus_read(100 + turn), lost=turn % 2 == 0, after=0.25)
        if turn % 2 == 0:
            session.again(after=0.3)
        session.send(modbus_answer(100 + turn), filler)
        session.ack(lost=turn % 2 == 1, after=0.04)
        if turn % 2 == 1:
            session.again(filler, after=0.6)
            session.ack()
    session.poll(3, every=0.25)
    session.close(after=0.5)
    plant.wait(7)
    here.background()
    return plant.pcap()


def pc_stops_reading() -> bytes:
    here = hall(8.17)
    plant, filler = here.plant, here.filler
    plant.wait(4.0)
    here.find_filler()
    session = here.call().open()
    session.send(b"send me all measured values", after=0.1)
    for _ in range(6):
        session.send(bytes(1000), filler, after=0.2)
        session.ack()
    session.send(bytes(1000), filler, after=0.2)
    session.ack(window=0)
    for pause in (1.0, 2.0, 4.0, 8.0):
        session.keep_alive(filler, after=pause)
        session.ack(window=0)
    plant.wait(6)
    here.background()
    return plant.pcap()


def tunnel_too_narrow() -> bytes:
    here = hall(8.39)
    plant, pc, router = here.plant, here.pc, here.router
    capper = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.wait(4.2)
    plant.resolve(pc, router)
    session = plant.tcp(pc, capper, via=router).open()
    session.poll(3)
    sent = session.send(bytes(1460), lost=True, after=1.0)
    for pause in (0.3, 0.6, 1.2, 2.4):
        plant.unreachable(router, pc, sent, code=4, next_size=1400, after=0.001)
        sent = session.again(lost=True, after=pause)
    plant.wait(8)
    here.background()
    return plant.pcap()


def request_unanswered() -> bytes:
    here = hall(4.82)
    plant, filler = here.plant, here.filler
    plant.wait(4.0)
    here.find_filler()
    for pause in (0.2, 3.0):
        session = here.call().open(after=pause)
        session.send(modbus_read(1, unit=255), after=0.02)
        session.ack(filler, after=0.16)
        session.close(after=5.0)
    plant.wait(8)
    here.background()
    return plant.pcap()


def started_late() -> bytes:
    here = hall(5.11)
    plant = here.plant
    session = here.call()
    opening = [session.syn(), session.syn_ack(), session.ack()]
    for record in opening:
        plant.lose(record)
    session.poll(9, every=0.35)
    session.close(after=0.6)
    plant.wait(7)
    here.background()
    return plant.pcap()


def stopped_early() -> bytes:
    here = hall(5.36)
    plant = here.plant
    plant.wait(5.0)
    here.find_filler()
    here.call().syn()
    plant.wait(0.4)
    here.background()
    return plant.pcap()


def no_attempt() -> bytes:
    here = hall(5.62)
    plant, pc = here.plant, here.pc
    plant.wait(1.3)
    plant.link_up(pc)
    for _ in range(3):
        plant.wait(7.5)
        plant.datagram(pc, "224.0.0.251", 5353, 5353, _name_question("quillfen"))
    plant.wait(5)
    here.background()
    return plant.pcap()


def frames_cut_short() -> bytes:
    here = hall(5.97)
    plant, pc = here.plant, here.pc
    plant.wait(4.0)
    here.find_filler()
    session = here.call().open()
    for turn in range(1, 9):
        answer = modbus_answer(turn, values=range(60))
        session.exchange(modbus_read(turn, count=60), answer, after=1.0)
    session.close(after=0.5)
    plant.wait(6)
    here.background()
    return plant.pcapng(name="cable", hw=pc.hw, address="192.0.2.15/24", snaplen=96)


def damaged_file() -> bytes:
    here = hall(6.18)
    plant = here.plant
    plant.wait(3.6)
    here.find_filler()
    session = here.call().open()
    session.poll(8)
    session.close(after=0.5)
    plant.wait(6)
    here.background()
    return plant.pcap()[:-27]


def no_hardware_addresses() -> bytes:
    here = hall(6.44)
    plant = here.plant
    plant.wait(4.2)
    session = here.call().open()
    session.poll(8)
    session.close(after=0.5)
    plant.wait(6)
    here.background()
    return plant.pcap(link_type=layouts.RAW)


def sessions_taken() -> bytes:
    here = hall(6.71)
    plant = here.plant
    plant.wait(4.4)
    here.find_filler()
    for _ in range(2):
        here.call().open(after=1.5).poll(2)
    for _ in range(2):
        session = here.call()
        session.syn(after=4.0)
        session.refuse()
    plant.wait(8)
    here.background()
    return plant.pcap()


def half_open_session() -> bytes:
    here = hall(6.98)
    plant = here.plant
    plant.wait(4.1)
    here.find_filler()
    session = here.call()
    session.syn()
    session.ack(here.filler, seq=4_100_000_000, ack=1_200_345)
    for pause in (1.0, 2.0, 4.0):
        session.again(after=pause)
        session.ack(here.filler, seq=4_100_000_000, ack=1_200_345)
    plant.wait(8)
    here.background()
    return plant.pcap()


def call_back_refused() -> bytes:
    here = hall(7.23)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.7)
    here.find_filler()
    session = here.call(port=30_002).open()
    session.send(b"call 192.0.2.15 port 50002", after=0.01)
    session.ack(filler)
    plant.tcp(filler, pc, 50_002).syn(SLOW_DOWN, after=0.2)
    plant.wait(8)
    here.background()
    return plant.pcap()


def udp_port_closed() -> bytes:
    here = hall(7.52)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.3)
    here.find_filler()
    for _ in range(3):
        asked = plant.datagram(pc, filler, 50_100, 47_808, b"who is there", after=2.0)
        plant.unreachable(filler, pc, asked, code=3)
    plant.wait(8)
    here.background()
    return plant.pcap()


def wrong_device_answers() -> bytes:
    here = hall(7.86)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.6)
    plant.resolve(here.camera, pc)
    here.find_filler()
    session = here.call()
    session.syn(after=0.4)
    session.refuse(by=Station(filler.address, here.camera.hw, here.camera.ttl))
    plant.wait(8)
    here.background()
    return plant.pcap()


def reconnect_storm() -> bytes:
    here = hall(8.12)
    plant = here.plant
    plant.wait(4.2)
    here.find_filler()
    for _ in range(75):
        session = here.call().open(after=0.02)
        session.poll(1, every=0.001)
        session.close()
    for _ in range(2):
        here.call().syn(SLOW_DOWN, after=0.1)
    plant.wait(8)
    here.background()
    return plant.pcap()


def one_way_stream() -> bytes:
    here = hall(8.47)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.8)
    here.find_filler()
    session = here.call(port=44_818).open()
    session.exchange(b"open cyclic I/O, 50 ms", b"open")
    for _ in range(8):
        plant.datagram(filler, pc, 2222, 2222, b"inputs", after=0.05)
    session.close(filler, after=0.05)
    plant.wait(8)
    here.background()
    return plant.pcap()


def _name_question(name: str) -> bytes:
    """Ask everybody for the address of a name (RFC 6762; the message is that of RFC 1035, 4.1)."""
    labels = b"".join(bytes([len(label)]) + label.encode() for label in (name, "local"))
    return bytes.fromhex("000000000001000000000000") + labels + bytes.fromhex("0000010001")


def loose_plug() -> bytes:
    here = hall(6.71)
    plant, pc = here.plant, here.pc
    plant.wait(1.4)
    for polls in (6, 9, 4, 7):
        up = plant.now
        plant.link_up(pc)
        plant.resolve(pc, here.filler, after=1.1)
        here.call().open(after=0.3).poll(polls)
        plant.chatter(here.panel, here.drive, here.camera, every=0.8, first=up + 0.2)
        plant.wait(2.9)
    plant.link_up(pc)
    plant.wait(6)
    plant.chatter(here.panel, here.drive, every=0.8, first=plant.now - 7)
    return plant.pcap()


def port_not_open_yet() -> bytes:
    here = hall(6.94)
    plant, pc = here.plant, here.pc
    plant.wait(0.3)
    plant.link_up(pc)
    for pause in (1.5, 2.0, 4.0):
        plant.ask(pc, here.filler, after=pause)
    plant.wait(26)
    plant.meanwhile(2.0, lambda: plant.bpdu(here.switch), first=0.9)
    plant.chatter(here.panel, here.drive, here.camera, every=1.3, first=30.7)
    return plant.pcapng(name="cable", hw=pc.hw, address="192.0.2.15/24", speed=1_000_000_000)


def port_kept_closed() -> bytes:
    here = hall(7.13)
    plant, pc = here.plant, here.pc
    plant.wait(0.2)
    plant.link_up(pc)
    for pause in (2.5, 6.0, 12.0, 9.0):
        plant.ask(pc, here.filler, after=pause)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, _name_question("filler"), after=9.0)
    plant.meanwhile(30.0, lambda: plant.eapol(here.switch), first=0.7)
    plant.meanwhile(30.0, lambda: plant.lldp(here.switch), first=4.1)
    return plant.pcap()


def wrong_vlan() -> bytes:
    here = hall(7.42)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.1)
    for pause in (0.3, 1.0, 1.0, 3.0, 1.0, 1.0):
        plant.ask(pc, filler, times=1, after=pause)
        with plant.tagged(20):
            plant.reply(filler, pc)
    plant.wait(9)
    with plant.tagged(20):
        plant.chatter(here.panel, here.drive, here.camera, every=2.3, first=here.phase)
    plant.meanwhile(30.0, lambda: plant.lldp(here.switch, vlan=10), first=here.phase)
    return plant.pcap()


def filtered_recording() -> bytes:
    here = hall(6.71)
    plant = here.plant
    plant.wait(3.4)
    here.find_filler()
    for pause in (0.4, 9.0, 12.0):
        here.call().syn(repeats=SLOW_DOWN, after=pause)
    plant.wait(8)
    here.background()
    return layouts.pcap([record for record in plant.records if _is_tcp(record)])


def _is_tcp(record: layouts.Record) -> bool:
    at = layouts.network_header(record.data)
    return record.data[at - 2 : at] == b"\x08\x00" and record.data[at + 9] == 6


def recorder_dropped() -> bytes:
    here = hall(6.93)
    plant, filler = here.plant, here.filler
    plant.wait(4.1)
    here.find_filler()
    session = here.call().open()
    session.send(modbus_read(1), after=0.8)
    plant.lose(session.send(modbus_answer(1), filler, after=0.004))
    session.ack(after=0.04)
    plant.wait(9)
    here.background()
    return plant.pcapng(name="cable", hw=here.pc.hw, address="192.0.2.15/24", drops=212)


def clock_jump() -> bytes:
    here = hall(7.16)
    plant = here.plant
    plant.wait(3.8)
    here.find_filler()
    session = here.call().open()
    session.poll(4)
    plant.step_clock(-3600.0)
    session.poll(4)
    session.close(after=0.5)
    plant.wait(6)
    here.background()
    return plant.pcap()


def recorded_twice() -> bytes:
    here = hall(7.38)
    plant = here.plant
    plant.wait(4.4)
    here.find_filler()
    session = here.call().open()
    session.poll(6)
    session.close(after=0.5)
    plant.wait(6)
    here.background()
    copies = [replace(record, time=record.time + 20_000) for record in plant.records]
    return layouts.pcap(sorted([*plant.records, *copies], key=lambda record: record.time))


def _voltage_dips(here: Hall, session: Session) -> None:
    """The filler's supply dips in the middle of a request."""
    session.send(modbus_read(session.transaction + 1), lost=True, after=1.0)
    for pause in (0.3, 0.6, 1.2, 2.4):
        session.again(after=pause, lost=True)
    here.filler.packet_id = 0


def tried_too_early() -> bytes:
    here = hall(6.83)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.1)
    plant.ask(pc, filler)
    plant.ask(pc, filler, after=3.0)
    plant.probe(filler, after=9.0)
    plant.announce(filler, after=2.0)
    here.find_filler()
    for pause in (1.5, 5.0):
        session = here.call()
        session.syn(after=pause)
        session.refuse()
    plant.wait(9)
    here.background()
    return plant.pcap()


def controller_restarted() -> bytes:
    here = hall(7.12)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.4)
    here.find_filler()
    session = here.call().open()
    session.poll(7)
    _voltage_dips(here, session)
    plant.probe(filler, after=17.0)
    plant.announce(filler, after=2.0)
    plant.ask(filler, pc, times=1, after=0.7)
    plant.reply(pc, filler)
    session.again(after=1.1)
    session.rst(filler, bare=True)
    refused = here.call()
    refused.syn(after=1.0)
    refused.refuse()
    here.call().open(after=8.0).poll(4)
    plant.wait(6)
    here.background()
    return plant.pcap()


def lost_address() -> bytes:
    here = hall(7.46)
    plant, pc, filler = here.plant, here.pc, here.filler
    plant.wait(4.7)
    here.find_filler()
    session = here.call().open()
    session.poll(6)
    _voltage_dips(here, session)
    for pause, secs in ((14, 0), (4, 4), (8, 12), (16, 28), (32, 60)):
        plant.dhcp("discover", filler, xid=0x6060, secs=secs, after=pause)
        plant.ask(pc, filler, after=1.3)
    plant.wait(9)
    here.background()
    return plant.pcapng(name="cable", hw=pc.hw, address="192.0.2.15/24", drops=0)


def two_ways() -> bytes:
    here = hall(7.81)
    plant, pc, router = here.plant, here.pc, here.router
    capper = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.wait(4.2)
    plant.resolve(pc, router)
    for number in (1, 2, 3):
        session = here.plant.tcp(pc, capper, via=router)
        call = session.syn(after=2.0)
        if number == 1:
            plant.redirect(router, pc, call, "192.0.2.2", after=0.0002)
            plant.ask(capper, pc, times=1, after=0.0004)
            plant.reply(pc, capper)
        session.via = None
        session.syn_ack()
        session.via = router
        session.ack()
        session.send(modbus_read(1), after=0.02)
        session.again(after=0.3)
        session.again(after=0.6)
        session.via = None
        session.rst(capper, after=0.4)
    plant.wait(8)
    here.background()
    return plant.pcap()


OPENING = bytes.fromhex("16 0301 0040 01") + bytes(63)


CONNECT = bytes.fromhex("0300001611E00000000100C0010AC1020100C2020102")


NOBODY_THERE = bytes.fromhex("0300000B06800001000202")


def dropped_on_first_request() -> bytes:
    here = hall(7.12)
    plant = here.plant
    plant.wait(3.9)
    here.find_filler()
    for _ in range(3):
        session = here.call().open(after=2.0)
        session.send(OPENING, after=0.002)
        session.ack(here.filler)
        session.close(here.filler, after=0.03)
    plant.wait(8)
    here.background()
    return plant.pcap()


def request_rejected() -> bytes:
    here = hall(7.31)
    plant = here.plant
    plant.wait(4.2)
    here.find_filler()
    session = here.call().open()
    for turn in range(1, 6):
        session.exchange(modbus_read(turn, register=4108), modbus_refusal(turn), after=1.0)
    session.close(after=0.6)
    plant.wait(8)
    here.background()
    return plant.pcap()


def inner_open_refused() -> bytes:
    here = hall(7.56)
    plant = here.plant
    plant.wait(3.1)
    here.find_filler()
    for _ in range(2):
        session = here.call(port=102).open(after=3.0)
        session.exchange(CONNECT, NOBODY_THERE, think=0.006)
        session.close(here.filler, after=0.05)
    plant.wait(8)
    here.background()
    return plant.pcapng(name="cable", hw=here.pc.hw, address="192.0.2.15/24", drops=0)


def late_answer_mixed_up() -> bytes:
    here = hall(7.84)
    plant, filler = here.plant, here.filler
    plant.wait(4.4)
    here.find_filler()
    session = here.call().open()
    session.poll(4)
    session.send(modbus_read(5), after=1.0)
    session.ack(filler, after=0.1)
    session.send(modbus_read(6), after=0.9)  # the PC gave question 5 up
    for turn in range(6, 12):
        session.send(modbus_answer(turn - 1), filler, after=0.02)
        session.send(modbus_read(turn + 1), after=1.0)
    session.ack(filler, after=0.1)
    plant.wait(8)
    here.background()
    return plant.pcap()


STORIES: dict[str, Callable[[], bytes]] = {
    "healthy-first-contact.pcapng": healthy_first_contact,
    "healthy-cached-neighbour.pcap": healthy_cached_neighbour,
    "healthy-busy-site.pcap": healthy_busy_site,
    "healthy-priority-tags.pcapng": healthy_priority_tags,
    "started-late.pcap": started_late,
    "stopped-early.pcap": stopped_early,
    "no-attempt.pcap": no_attempt,
    "frames-cut-short.pcapng": frames_cut_short,
    "damaged-file.pcap": damaged_file,
    "no-hardware-addresses.pcap": no_hardware_addresses,
    "nothing-heard.pcap": nothing_heard,
    "pc-self-assigned.pcapng": pc_self_assigned,
    "address-in-use.pcap": address_in_use,
    "pc-has-controllers-address.pcap": pc_has_controllers_address,
    "rival-address-servers.pcap": rival_address_servers,
    "nobody-has-the-address.pcap": nobody_has_the_address,
    "two-units-one-address.pcap": two_units_one_address,
    "router-answers-for-all.pcap": router_answers_for_all,
    "swapped-unit.pcap": swapped_unit,
    "controller-ignores-arp.pcapng": controller_ignores_arp,
    "different-network.pcapng": different_network,
    "router-says-unreachable.pcap": router_says_unreachable,
    "filter-says-prohibited.pcap": filter_says_prohibited,
    "tunnel-too-narrow.pcap": tunnel_too_narrow,
    "port-refused.pcap": port_refused,
    "port-silent.pcap.gz": port_silent,
    "session-reset.pcap": session_reset,
    "closed-while-needed.pcap": closed_while_needed,
    "idle-limit.pcap": idle_limit,
    "path-breaks.pcap": path_breaks,
    "impatient-pc.pcap": impatient_pc,
    "noisy-cable.pcap": noisy_cable,
    "pc-stops-reading.pcap": pc_stops_reading,
    "request-unanswered.pcap": request_unanswered,
    "sessions-taken.pcap": sessions_taken,
    "half-open-session.pcap": half_open_session,
    "call-back-refused.pcap": call_back_refused,
    "udp-port-closed.pcap": udp_port_closed,
    "wrong-device-answers.pcap": wrong_device_answers,
    "reconnect-storm.pcap": reconnect_storm,
    "one-way-stream.pcap": one_way_stream,
    "loose-plug.pcap": loose_plug,
    "port-kept-closed.pcap": port_kept_closed,
    "port-not-open-yet.pcapng": port_not_open_yet,
    "wrong-vlan.pcap": wrong_vlan,
    "filtered-recording.pcap": filtered_recording,
    "recorder-dropped.pcapng": recorder_dropped,
    "clock-jump.pcap": clock_jump,
    "recorded-twice.pcap": recorded_twice,
    "lost-address.pcapng": lost_address,
    "tried-too-early.pcap": tried_too_early,
    "two-ways.pcap": two_ways,
    "controller-restarted.pcap": controller_restarted,
    "dropped-on-first-request.pcap": dropped_on_first_request,
    "request-rejected.pcap": request_rejected,
    "inner-open-refused.pcapng": inner_open_refused,
    "late-answer-mixed-up.pcap": late_answer_mixed_up,
}
DEMO = "nobody-has-the-address.pcap"


def main() -> None:
    for name, tell in STORIES.items():
        (HERE / name).write_bytes(tell())
    demo = HERE.parent / "analyzer" / "demo.pcap"
    demo.parent.mkdir(exist_ok=True)
    demo.write_bytes((HERE / DEMO).read_bytes())


if __name__ == "__main__":
    main()
