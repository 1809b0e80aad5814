"""Cable, switch and the PC's own address."""

import socket
import time
from functools import partial

from rules.address import address_in_use
from rules.neighbour import unanswered_arp
from tests.lab import crafted
from tests.lab.actors import Server, announce, call, chat, lease, ping, poll, send_every, slow_cable
from tests.lab.lab import (
    EVERYBODY,
    PANEL,
    PC,
    ROUTER,
    SWITCH_HW,
    UNIT,
    UNIT_HW,
    Lab,
    Scenario,
    cause,
    scenario,
)

LOWER: list[Scenario] = []
fault = partial(scenario, LOWER)

SELF_ASSIGNED = "169.254.10.20"
CLIENT_WAITS = (0.0, 2.0, 4.0)
"""Seconds before each address request; RFC 2131 section 4.1 has 4 and 8, shortened here."""


# --- cable and switch -----------------------------------------------------------------------------


@fault("unanswered-arp")
def controller_off(lab: Lab) -> None:
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.add_panel()
    lab.record()
    call(lab.pc, UNIT)


@fault("unanswered-arp")
def controller_cable_dead(lab: Lab) -> None:
    lab.stations()
    lab.unit.pull()
    lab.record()
    call(lab.pc, UNIT)


@fault("no-attempt", remark=True)
def pc_cable_dead(lab: Lab) -> None:
    """Without a link the PC sends nothing; before that it talked to others."""
    lab.plant()
    lab.pc.pull()
    time.sleep(1.5)  # the kernel takes a moment to notice
    call(lab.pc, UNIT)


@fault("nothing-heard")
def switch_port_closed(lab: Lab) -> None:
    """The link is up, the switch passes nothing; another program of the PC talks on."""
    lab.stations()
    chat(lab.pc, EVERYBODY, every=1.9)
    lab.switch.ip("link set pc nomaster")
    lab.record()
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


def _spanning_tree(lab: Lab, calls: int) -> None:
    """A real spanning tree opens the PC's port: listening and learning take 8 s each."""
    lab.stations()
    Server(lab.unit)
    lab.switch.ip("link set lan type bridge stp_state 1 forward_delay 800 hello_time 200")
    lab.pc.pull()
    time.sleep(16.5)  # the others' ports are open by now
    lab.record()
    lab.pc.plug()
    time.sleep(1.2)  # the kernel takes a moment to notice
    _check(lab, PC)
    for _ in range(calls):
        if poll(call(lab.pc, UNIT, wait=2)):
            return
    time.sleep(17)


@fault("late-forwarding", remark=True)
def spanning_tree_delay(lab: Lab) -> None:
    """The PC goes on trying until its port is open."""
    _spanning_tree(lab, calls=12)


@fault("late-forwarding")
def spanning_tree_delay_is_longer_than_patience(lab: Lab) -> None:
    """The program gives up before the port is open."""
    _spanning_tree(lab, calls=2)


@fault("link-flapping")
def cable_with_a_bent_contact(lab: Lab) -> None:
    """The PC's link goes and comes back, again and again, while it works."""
    lab.plant()
    Server(lab.unit)
    for _ in range(3):
        session = call(lab.pc, UNIT, wait=2)
        poll(session, times=3, wait=1)
        lab.pc.pull()
        time.sleep(2)
        lab.pc.plug()
        time.sleep(1.2)
        _check(lab, PC)
    call(lab.pc, UNIT, wait=2)


@fault("port-access-control")
def port_asks_who_is_there(lab: Lab) -> None:
    """The switch asks for an identity again and again, and passes nothing else."""
    lab.stations()
    lab.switch.ip("link set pc nomaster")
    port = lab.port_socket("pc")
    send_every(lab.switch, port, crafted.identity_request(SWITCH_HW), 3.0)
    lab.record()
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("vlan-mismatch", cause(unanswered_arp.RULE, unanswered_arp.VLAN))
def pc_in_another_vlan(lab: Lab) -> None:
    """The PC's port belongs to the office: it hears that network, not the controller's."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.segment("hall", "00:00:5e:00:53:04")
    lab.unit = lab.station("unit", f"{UNIT}/24", segment="hall")
    for number in (21, 22, 23):
        other = lab.station(f"office{number}", f"203.0.113.{number}/24")
        greeting = other.socket(socket.AF_INET, socket.SOCK_DGRAM)
        greeting.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        announcement = crafted.arp_announcement(other.hw, f"203.0.113.{number}")
        send_every(other, other.raw(), announcement, 1.0 + number / 100)
    lab.record()
    call(lab.pc, UNIT)


@fault("frame-flood", by_chance=True)
def loop_between_switches(lab: Lab) -> None:
    """Two cables between two switches: broadcasts go round for ever, more than a thousand a second
    as one cable is slow. The controller takes a hundred frames a second and loses the rest.
    """
    lab.stations()
    Server(lab.unit)
    lab.unit.nft(
        "add table netdev busy",
        'add chain netdev busy in { type filter hook ingress device "eth0" priority 0; }',
        "add rule netdev busy in limit rate over 100/second drop",
    )
    lab.record()
    lab.segment("second", "00:00:5e:00:53:04")
    ports = {"loop1": "back1", "loop2": "slow1", "back2": "slow2"}
    for number, ends in enumerate(ports.items(), 0xA1):
        lab.switch.ip("link add {} type veth peer name {}".format(*ends))
        for end, hw in zip(ends, (number, number + 0x10), strict=True):
            lab.switch.ip(f"link set {end} address 00:00:5e:00:53:{hw:x} up")
    slow_cable(lab.switch, lab.port_socket("slow1"), lab.port_socket("slow2"), 0.0015)
    for end, segment in {
        "loop1": "lan",
        "loop2": "lan",
        "back1": "second",
        "back2": "second",
    }.items():
        lab.switch.ip(f"link set {end} master {segment}")
    time.sleep(1)
    for _ in range(2):
        poll(call(lab.pc, UNIT), wait=2)
    lab.switch.ip("link set loop1 down")


# --- the PC's own address -------------------------------------------------------------------------


def _ask_for_address(lab: Lab) -> None:
    """What an address client sends: RFC 2131 section 4.4.1."""
    wire = lab.pc.raw()
    seconds = 0
    for wait in CLIENT_WAITS:
        time.sleep(wait)
        seconds += int(wait)
        wire.send(crafted.dhcp("discover", lab.pc.hw, seconds=seconds))


def _check(lab: Lab, address: str) -> None:
    """Probe and announce an address (RFC 5227 section 2.1): this kernel does not, others do."""
    wire = lab.pc.raw()
    for _ in range(3):
        wire.send(crafted.arp_probe(lab.pc.hw, address))
        time.sleep(1)
    wire.send(crafted.arp_announcement(lab.pc.hw, address))


def _take(lab: Lab, address: str, mask: int) -> None:
    _check(lab, address)
    lab.pc.ip(f"addr add {address}/{mask} dev eth0")


@fault("self-assigned-address")
def no_address_server(lab: Lab) -> None:
    """Nobody gives the PC an address; it assigns itself one and tries all the same."""
    lab.pc = lab.station("pc", hw="00:00:5e:00:53:15")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    lab.add_panel()
    lab.record()
    _ask_for_address(lab)
    _take(lab, SELF_ASSIGNED, 16)
    lab.pc.ip("route add default dev eth0")
    call(lab.pc, UNIT)


@fault("rival-address-servers")
def two_address_servers(lab: Lab) -> None:
    """The wrong server is quicker: the PC gets an address that leads nowhere."""
    lab.pc = lab.station("pc", hw="00:00:5e:00:53:15")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    lab.add_panel()
    wrong = lab.station("wrong", "198.51.100.11/24")
    right = lab.station("right", "192.0.2.10/24")
    lab.record()
    mine = "198.51.100.33"
    lease(lab.pc, (wrong, "198.51.100.11", mine), (right, "192.0.2.10", PC))
    _take(lab, mine, 24)
    lab.pc.ip("route add default dev eth0")
    call(lab.pc, UNIT)


@fault("pc-has-controllers-address", cause(address_in_use.RULE, address_in_use.CONTROLLER))
def pc_was_given_the_controllers_address(lab: Lab) -> None:
    """The program talks to the PC itself; the controller answers the PC's check."""
    lab.pc = lab.station("pc", hw="00:00:5e:00:53:15")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    lab.add_panel()
    Server(lab.unit)
    lab.record()
    _take(lab, UNIT, 24)
    call(lab.pc, UNIT)
    ping(lab.pc, PANEL)
    call(lab.pc, UNIT)


@fault("address-in-use")
def address_taken_at_start(lab: Lab) -> None:
    """A colleague's laptop has the PC's address: it answers the check, the PC gives way."""
    lab.pc = lab.station("pc", hw="00:00:5e:00:53:15")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    lab.add_panel()
    lab.station("laptop", f"{PC}/24", hw="00:00:5e:00:53:77")
    lab.record()
    lab.pc.raw().send(crafted.arp_probe(lab.pc.hw, PC))
    time.sleep(1)
    _take(lab, SELF_ASSIGNED, 16)
    lab.pc.ip("route add default dev eth0")
    call(lab.pc, UNIT)


@fault("address-in-use")
def address_taken_later(lab: Lab) -> None:
    """A colleague's laptop joins with the PC's address, and the controller answers the laptop."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session)
    laptop = lab.station("laptop", f"{PC}/24", hw="00:00:5e:00:53:77", up=False)
    laptop.up(f"{PC}/24")
    for _ in range(3):
        announce(laptop, PC)
        poll(session, times=2, wait=2)
    call(lab.pc, UNIT, wait=3)


@fault("address-in-use", remark=True)
def panel_has_the_same_address(lab: Lab) -> None:
    """The PC works all the same; an answer for the panel's session gets to the PC, which resets
    that session.
    """
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    panel = lab.station("panel", f"{PC}/24", hw="00:00:5e:00:53:20")
    chat(panel, EVERYBODY)
    lab.record()
    Server(lab.unit)
    used = call(panel, UNIT)
    panel.start(lambda: poll(used, times=20))
    time.sleep(0.5)
    for _ in range(2):
        session = call(lab.pc, UNIT, wait=3)
        poll(session, times=4, wait=2)
        session.close()


@fault("no-attempt", remark=True)
def recorded_on_a_bystander(lab: Lab) -> None:
    """Another PC works with the controller; the switch passes on only what is for everybody."""
    lab.stations()
    worker = lab.station("worker", "192.0.2.16/24")
    Server(lab.unit)
    chat(lab.pc, EVERYBODY)
    lab.record()
    for _ in range(3):
        worker.ip("neigh flush dev eth0")
        session = call(worker, UNIT)
        poll(session, times=3)
        session.close()


@fault("unanswered-arp")
def controller_gave_itself_an_address(lab: Lab) -> None:
    """No address server was there as it started; it announces what it took."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.add_panel()
    lab.unit = lab.station("unit", f"{SELF_ASSIGNED}/16", hw=UNIT_HW)
    lab.record()
    for _ in range(2):
        announce(lab.unit, SELF_ASSIGNED)
    call(lab.pc, UNIT)


@fault("switch-probe")
def switch_checks_silence_the_controller(lab: Lab) -> None:
    """A switch looks for its stations with sender 0.0.0.0. The controller, which checks its own
    address as it starts, takes that for a second owner and keeps silent.
    """
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.unit = lab.station("unit", hw=UNIT_HW)
    lab.add_panel()
    port = lab.port_socket("pc")
    send_every(lab.switch, port, crafted.arp_probe(SWITCH_HW, PC, to=lab.pc.hw), 4.0)
    lab.record()
    lab.unit.raw().send(crafted.arp_probe(UNIT_HW, UNIT))
    time.sleep(3)
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)
    time.sleep(2)


@fault("address-lost")
def controller_lost_its_address(lab: Lab) -> None:
    """After a restart the controller asks for an address, and nobody gives one."""
    lab.plant()
    server = Server(lab.unit)
    poll(call(lab.pc, UNIT), times=2)
    server.stop()
    lab.unit.ip("addr flush dev eth0")
    lab.unit.ip("link set eth0 down")
    lab.unit.ip("link set eth0 up")
    lab.pc.ip("neigh flush dev eth0")
    wire = lab.unit.raw()
    for seconds in range(0, 12, 3):
        wire.send(crafted.bootp(UNIT_HW, seconds))
        call(lab.pc, UNIT, wait=3)


def _device_asks(lab: Lab, ipv6: bool) -> None:
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.unit = lab.station("unit", hw=UNIT_HW, up=False)
    lab.unit.setting("ipv6.conf.all.disable_ipv6", int(not ipv6))
    lab.unit.up()
    lab.add_panel()
    lab.record()
    wire = lab.unit.raw()
    for seconds in range(0, 12, 3):
        wire.send(crafted.dhcp("discover", UNIT_HW, seconds=seconds))
        call(lab.pc, UNIT, wait=3)


@fault("address-lost")
def device_without_address_asks_for_one(lab: Lab) -> None:
    """As before, but the recording begins too late to know whose hardware address it is."""
    _device_asks(lab, ipv6=False)


@fault("address-lost", cause(unanswered_arp.RULE, unanswered_arp.LOST))
def unknown_device_asks_for_an_address(lab: Lab) -> None:
    """As before, and it speaks IPv6, as PCs and telephones do."""
    _device_asks(lab, ipv6=True)


@fault("overlapping-adapters")
def leftover_route_names_the_wrong_sender(lab: Lab) -> None:
    """The PC has an address in the controller's network, and calls as its other one."""
    lab.stations()
    lab.pc.ip("addr add 198.51.100.15/24 dev eth0")
    lab.pc.ip(f"route add {UNIT}/32 dev eth0 src 198.51.100.15")
    Server(lab.unit)
    lab.record()
    chat(lab.pc, EVERYBODY, every=2.1)
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("illegal-address", told="192.0.2.0:502")
def first_number_of_the_network_typed(lab: Lab) -> None:
    """192.0.2.0 is the network itself. The PC's greetings to all tell its mask."""
    lab.stations()
    lab.record()
    chat(lab.pc, EVERYBODY, every=2.1)
    time.sleep(2.5)
    call(lab.pc, "192.0.2.0")
    call(lab.pc, "192.0.2.0")


@fault("wrong-device-answers", told=f"{ROUTER}:502")
def routers_address_typed(lab: Lab) -> None:
    """The router refuses what is meant for the controller; it brings others' packets, too."""
    lab.beyond_router()
    for number in (61, 62):
        device = lab.station(f"far{number}", f"198.51.100.{number}/24", segment="far")
        device.ip("route add default via 198.51.100.1")
        ping(lab.pc, f"198.51.100.{number}")
        time.sleep(0.5)
    for _ in range(2):
        call(lab.pc, ROUTER)
        time.sleep(1)
