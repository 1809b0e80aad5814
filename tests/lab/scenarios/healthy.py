"""All is well between the PC and the controller, however alarming the recording looks."""

import socket
import time
from contextlib import suppress
from functools import partial

from scapy.layers.dhcp import BOOTP
from scapy.layers.l2 import Ether

from tests.lab import crafted
from tests.lab.actors import (
    ALERT,
    GOOD_SLOT,
    ISO,
    ISSUER_NOT_KNOWN,
    LINES,
    MODBUS,
    SECURED,
    Server,
    after,
    announce,
    answer_searches,
    ask,
    ask_by_datagram,
    call,
    chat,
    lease,
    one_answer,
    ping,
    poll,
    refuses,
    reset,
    search,
    send_every,
    serve_datagrams,
    turns_down,
    udp_socket,
)
from tests.lab.lab import (
    EVERYBODY,
    FAR_UNIT,
    PANEL,
    PC,
    ROUTER,
    SWITCH_HW,
    UNIT,
    UNIT_HW,
    Lab,
    Scenario,
    scenario,
)

HEALTHY: list[Scenario] = []
healthy = partial(scenario, HEALTHY, None)

CYCLIC = 0x8892  # EtherType of cyclic data; common practice, no source


def _work(lab: Lab, times: int = 8) -> None:
    """Connect, poll, close."""
    session = call(lab.pc, UNIT)
    poll(session, times=times)
    session.close()


@healthy()
def plain_polling(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit)
    _work(lab)


@healthy(plain=True)
def recorded_without_directions(lab: Lab) -> None:
    """A classic recording: nothing in it says which frames the PC sent."""
    lab.plant()
    Server(lab.unit)
    _work(lab)


@healthy(told=f"{UNIT}:2000")
def lines_of_text(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, 2000, framing=LINES)
    session = call(lab.pc, UNIT, 2000)
    poll(session, framing=LINES)
    session.close()


@healthy()
def direct_cable_without_others(lab: Lab) -> None:
    """Nobody else is there: the wire is silent before and after."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    Server(lab.unit)
    lab.record()
    _work(lab)


@healthy()
def hardware_address_known_from_before(lab: Lab) -> None:
    """No ARP in the recording: the PC's entry is fresh."""
    lab.stations()
    Server(lab.unit)
    _work(lab, times=1)
    lab.record()
    _work(lab)


@healthy()
def fixed_entry_that_is_right(lab: Lab) -> None:
    lab.stations()
    lab.pc.ip(f"neigh replace {UNIT} lladdr {lab.unit.hw} nud permanent dev eth0")
    Server(lab.unit)
    lab.record()
    _work(lab)


@healthy()
def first_question_unanswered(lab: Lab) -> None:
    """The controller's network interface sleeps; the second question wakes it."""
    lab.stations()
    Server(lab.unit)
    lab.unit.nft(
        "add table arp quiet",
        "add chain arp quiet input { type filter hook input priority 0; }",
        "add rule arp quiet input drop",
    )
    lab.record()
    lab.pc.start(lambda: poll(call(lab.pc, UNIT), times=5))
    time.sleep(0.6)
    lab.unit.nft("delete table arp quiet")
    time.sleep(4)


@healthy()
def keep_alives_on_an_idle_session(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    session.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    session.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 1)
    session.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 1)
    poll(session, times=3)
    time.sleep(7)
    poll(session, times=3, first=4)
    session.close()


@healthy()
def closed_after_every_answer(lab: Lab) -> None:
    """One request a session, by design."""
    lab.plant()
    Server(lab.unit, manner=one_answer)
    for number in range(6):
        session = call(lab.pc, UNIT)
        ask(session, number)
        session.close()
        time.sleep(0.5)


@healthy(told=f"{UNIT}:2000")
def old_port_refused_new_one_works(lab: Lab) -> None:
    """The program tries the port of an earlier release first."""
    lab.plant()
    Server(lab.unit, 2000, framing=LINES)
    call(lab.pc, UNIT, 1999)
    session = call(lab.pc, UNIT, 2000)
    poll(session, framing=LINES)
    session.close()


@healthy()
def priority_tags(lab: Lab) -> None:
    """The controller's frames arrive with a tag: priority 6, no VLAN."""
    lab.stations()
    Server(lab.unit)
    lab.switch.nft(
        "add table netdev untagged",
        'add chain netdev untagged in { type filter hook ingress device "unit" priority 0; }',
        f"add rule netdev untagged in ether daddr {lab.pc.hw} drop",
    )
    tap, port = lab.port_socket("unit"), lab.port_socket("pc")
    tap.settimeout(0.2)
    to_pc = bytes.fromhex(lab.pc.hw.replace(":", ""))

    def tags() -> None:
        while not lab.switch.stopping.is_set():
            with suppress(OSError):
                frame = tap.recv(2000)
                if frame[:6] == to_pc:
                    port.send(crafted.tagged(frame))

    lab.switch.start(tags)
    lab.record()
    _work(lab)


@healthy()
def busy_hall_where_others_fail(lab: Lab) -> None:
    """The switch floods everything: refused calls, resets and scans of others are in the file."""
    lab.stations()
    Server(lab.unit)
    lab.switch.ip("link set lan type bridge ageing_time 0")
    drive = lab.station("drive", "192.0.2.31/24")
    Server(drive, 2000, manner=lambda session, *rest: reset(session) or False, framing=LINES)
    lab.record()

    def others() -> None:
        for number in range(6):
            call(lab.panel, "192.0.2.31", port=80 + number, wait=0.5)
            call(lab.panel, f"192.0.2.{200 + number}", wait=0.6)
            ask(call(lab.panel, "192.0.2.31", 2000, wait=0.5), wait=0.5, framing=LINES)

    lab.panel.start(others)
    _work(lab, times=15)


@healthy()
def asset_scanner(lab: Lab) -> None:
    """Somebody looks for devices: ARP for a hundred addresses, calls to those that answer."""
    lab.plant()
    Server(lab.unit)
    scanner = lab.station("scanner", "192.0.2.90/24")

    def sweeps() -> None:
        wire = scanner.raw()
        for last in range(1, 101):
            wire.send(crafted.arp_request(scanner.hw, "192.0.2.90", f"192.0.2.{last}"))
            time.sleep(0.02)
        for port in (21, 80, 443, 502, 2000):
            call(scanner, PC, port, wait=0.5)

    scanner.start(sweeps)
    _work(lab, times=15)


@healthy()
def spanning_tree_and_neighbour_notices(lab: Lab) -> None:
    """The switch's own frames, tagged ones among them, while all works."""
    lab.stations()
    Server(lab.unit)
    port = lab.port_socket("pc")
    send_every(lab.switch, port, crafted.spanning_tree(SWITCH_HW), 1.0)
    send_every(lab.switch, port, crafted.spanning_tree(SWITCH_HW, vlan=12), 1.0)
    send_every(lab.switch, port, crafted.neighbour_notice(SWITCH_HW), 3.0)
    lab.record()
    _work(lab)


@healthy()
def identity_asked_on_an_open_port(lab: Lab) -> None:
    lab.stations()
    Server(lab.unit)
    send_every(lab.switch, lab.port_socket("pc"), crafted.identity_request(SWITCH_HW), 3.0)
    lab.record()
    _work(lab, times=15)


@healthy()
def switch_checks_addresses(lab: Lab) -> None:
    """Probes with sender 0.0.0.0 for the PC's address, and nobody minds."""
    lab.stations()
    Server(lab.unit)
    probe = crafted.arp_probe(SWITCH_HW, PC, to=lab.pc.hw)
    send_every(lab.switch, lab.port_socket("pc"), probe, 3.0)
    lab.record()
    _work(lab, times=15)


@healthy()
def address_renewed(lab: Lab) -> None:
    """The PC renews its lease, unicast (RFC 2131 section 4.3.2)."""
    lab.plant()
    Server(lab.unit)
    giver = lab.station("giver", "192.0.2.10/24")
    client, server = (one.socket(socket.AF_INET, socket.SOCK_DGRAM) for one in (lab.pc, giver))
    client.bind((PC, 68))
    server.bind(("192.0.2.10", 67))
    client.sendto(_message(crafted.dhcp("request", lab.pc.hw), ciaddr=PC), ("192.0.2.10", 67))
    server.recv(2000)
    answer = crafted.dhcp("ack", lab.pc.hw, server="192.0.2.10", server_hw=giver.hw, offered=PC)
    server.sendto(_message(answer, ciaddr=PC), (PC, 68))
    _work(lab)


def _message(frame: bytes, ciaddr: str) -> bytes:
    message = Ether(frame)[BOOTP]
    message.ciaddr = ciaddr
    message.flags = 0
    return bytes(message)


@healthy()
def address_given_by_redundant_servers(lab: Lab) -> None:
    """Two servers with one list of leases offer the same address."""
    lab.pc = lab.station("pc", hw="00:00:5e:00:53:15")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    lab.add_panel()
    Server(lab.unit)
    first, second = (lab.station(f"giver{last}", f"192.0.2.{last}/24") for last in (10, 11))
    lab.record()
    lease(lab.pc, (first, "192.0.2.10", PC), (second, "192.0.2.11", PC))
    lab.pc.ip(f"addr add {PC}/24 dev eth0")
    _work(lab)


@healthy(told="192.0.2.160:502")
def router_answers_arp_on_purpose(lab: Lab) -> None:
    """Proxy ARP, and it works: the router passes everything on."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.add_panel()
    router = lab.add_router(near=f"{ROUTER}/25", far="192.0.2.129/25")
    router.setting("ipv4.conf.eth0.proxy_arp", 1)
    router.setting("ipv4.neigh.eth0.proxy_delay", 0)
    lab.unit = lab.station("unit", "192.0.2.160/25", segment="far")
    lab.unit.ip("route add default via 192.0.2.129")
    Server(lab.unit)
    lab.record()
    session = call(lab.pc, "192.0.2.160")
    poll(session)
    session.close()


@healthy()
def discovery_of_others(lab: Lab) -> None:
    """A program of the PC looks for devices by broadcast, and none knows that protocol."""
    lab.plant()
    Server(lab.unit)
    seeker = lab.pc.socket(socket.AF_INET, socket.SOCK_DGRAM)
    seeker.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
    for _ in range(3):
        seeker.sendto(b"who is there?", ("192.0.2.255", 30718))
        time.sleep(0.5)
    _work(lab)


@healthy()
def other_stations_take_over(lab: Lab) -> None:
    """A redundant pair that is not ours: the standby announces the address, the first is silent."""
    lab.plant()
    Server(lab.unit)
    first = lab.station("first", "192.0.2.30/24", up=False)
    standby = lab.station("standby", hw="00:00:5e:00:53:33", up=False)
    announce(first.up("192.0.2.30/24"), "192.0.2.30")
    poll(call(lab.pc, UNIT), times=6)
    first.pull()
    announce(standby.up("192.0.2.30/24"), "192.0.2.30")
    _work(lab, times=6)


@healthy()
def busy_answers_then_success(lab: Lab) -> None:
    """Exceptions 6 (busy) and 5 (acknowledged, wait): the program asks again."""
    lab.plant()
    Server(lab.unit, manner=refuses(6, 5, 0))
    _work(lab, times=10)


@healthy()
def several_requests_at_a_time(lab: Lab) -> None:
    """Three requests under way at a time; every answer has the number of its request."""
    lab.plant()
    Server(lab.unit, manner=after(0.05))
    session = call(lab.pc, UNIT)
    session.settimeout(2)
    for start in range(1, 19, 3):
        for number in range(start, start + 3):
            session.sendall(MODBUS.request(number))
            time.sleep(0.01)
        came = b""
        while len(came) < 3 * 15:
            came += session.recv(200)
        time.sleep(0.2)
    session.close()


@healthy(told=f"{UNIT}:2000")
def large_transfer(lab: Lab) -> None:
    """A download of 20 kB: the PC's adapter cuts and sums, so the recorder sees neither."""
    lab.plant()
    Server(lab.unit, 2000, framing=LINES)
    session = call(lab.pc, UNIT, 2000)
    poll(session, times=2, framing=LINES)
    session.sendall(bytes(20_000) + b"\n")
    session.recv(100)
    poll(session, times=2, framing=LINES)
    session.close()


@healthy()
def slow_but_regular_answers(lab: Lab) -> None:
    """A gateway to a serial line: 0.7 s an answer."""
    lab.plant()
    Server(lab.unit, manner=after(0.7))
    _work(lab)


@healthy()
def program_ends_with_reset(lab: Lab) -> None:
    """The PC's program ends without ado: its stack resets the session."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session)
    reset(session)


@healthy()
def second_session_taken_too(lab: Lab) -> None:
    """The PC's program opens a session anew and does not close the one before."""
    lab.plant()
    Server(lab.unit, most=2)
    poll(call(lab.pc, UNIT), times=3)
    session = call(lab.pc, UNIT)
    for _ in range(2):
        poll(session, times=3)
        ping(lab.pc, UNIT)
        time.sleep(1)


@healthy(plain=True)
def every_frame_recorded_twice(lab: Lab) -> None:
    """Recorded on the adapter and on the switch port."""
    lab.stations()
    Server(lab.unit)
    lab.record(port_too=True)
    _work(lab)


@healthy()
def other_protocols_all_around(lab: Lab) -> None:
    """IPv6, multicast and group joins of others."""
    lab.stations()
    Server(lab.unit)
    lab.panel.ip("addr add 2001:db8::20/64 dev eth0 nodad")
    lab.panel.ip("route add 224.0.0.0/4 dev eth0")
    sender = lab.panel.socket(socket.AF_INET, socket.SOCK_DGRAM)
    six = lab.panel.socket(socket.AF_INET6, socket.SOCK_DGRAM)
    member = lab.panel.socket(socket.AF_INET, socket.SOCK_DGRAM)
    joined = socket.inet_aton("224.0.1.77") + socket.inet_aton(PANEL)
    six.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, b"eth0")

    def chats() -> None:
        member.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, joined)
        while not lab.panel.stopping.wait(0.4):
            sender.sendto(b"who offers what?", ("224.0.0.251", 5353))
            with suppress(OSError):
                six.sendto(b"who offers what?", ("ff02::fb", 5353))

    lab.panel.start(chats)
    lab.record()
    _work(lab)


@healthy()
def pc_with_two_addresses(lab: Lab) -> None:
    """An address of another plant was left on the PC's adapter."""
    lab.stations()
    lab.pc.ip("addr add 198.51.100.15/24 dev eth0")
    Server(lab.unit)
    lab.record()
    _work(lab)


@healthy(told=f"{FAR_UNIT}:502")
def controller_behind_a_router(lab: Lab) -> None:
    lab.beyond_router()
    Server(lab.unit)
    session = call(lab.pc, FAR_UNIT)
    poll(session)
    session.close()


@healthy(told=f"{FAR_UNIT}:502")
def router_needs_a_moment(lab: Lab) -> None:
    """The router cannot reach the controller at first and says so; then all works."""
    router = lab.beyond_router()
    Server(lab.unit)
    router.ip("route add unreachable 198.51.100.60/32")
    call(lab.pc, FAR_UNIT, wait=2)
    router.ip("route del unreachable 198.51.100.60/32")
    session = call(lab.pc, FAR_UNIT)
    poll(session)
    session.close()


@healthy(told=f"{FAR_UNIT}:2000")
def narrow_path_that_is_told(lab: Lab) -> None:
    """A part of the way takes smaller frames; the router says so and the PC follows."""
    router = lab.beyond_router()
    router.ip("link set eth1 mtu 1280")
    Server(lab.unit, 2000, framing=LINES)
    session = call(lab.pc, FAR_UNIT, 2000)
    poll(session, times=2, framing=LINES)
    session.sendall(bytes(8000) + b"\n")
    session.recv(100)
    poll(session, times=2, framing=LINES)
    session.close()


@healthy()
def narrow_mask_and_a_helpful_router(lab: Lab) -> None:
    """The PC's mask is too narrow; the router passes on, and redirects."""
    lab.stations(pc=f"{PC}/27")
    router = lab.add_router()
    lab.pc.ip(f"route add default via {ROUTER}")
    router.setting("ipv4.conf.all.send_redirects", 1)
    Server(lab.unit)
    lab.record()
    _work(lab)


@healthy()
def controller_answers_through_a_router(lab: Lab) -> None:
    """The controller's mask is too narrow: its answers come by way of its gateway."""
    lab.stations(unit=f"{UNIT}/27")
    lab.add_router()
    lab.unit.ip(f"neigh replace {ROUTER} lladdr 00:00:5e:00:53:01 dev eth0")
    lab.unit.ip(f"route add {ROUTER}/32 dev eth0")
    lab.unit.ip(f"route add default via {ROUTER}")
    Server(lab.unit)
    lab.record()
    _work(lab)


@healthy()
def pc_plugged_in_at_the_start(lab: Lab) -> None:
    """The link comes up while recording, with all that a PC sends then."""
    lab.stations()
    Server(lab.unit)
    lab.pc.pull()
    lab.record()
    lab.pc.plug()
    time.sleep(4)
    _work(lab)


@healthy()
def controller_announces_itself(lab: Lab) -> None:
    """Announcements of the same unit again and again are no conflict."""
    lab.plant()
    Server(lab.unit)
    send_every(lab.unit, lab.unit.raw(), crafted.arp_announcement(lab.unit.hw, UNIT), 1.0)
    _work(lab, times=12)


@healthy()
def another_station_starts(lab: Lab) -> None:
    """It checks its own address before it uses it, and nobody answers: that is the good case."""
    lab.plant()
    Server(lab.unit)
    late = lab.station("late", hw="00:00:5e:00:53:35", up=False).up()
    wire = late.raw()

    def starts() -> None:
        for _ in range(3):
            wire.send(crafted.arp_probe(late.hw, "192.0.2.35"))
            time.sleep(1)
        wire.send(crafted.arp_announcement(late.hw, "192.0.2.35"))

    late.start(starts)
    _work(lab, times=15)


@healthy()
def fast_cyclic_data_of_others(lab: Lab) -> None:
    """Regular multicast every 4 ms, by design."""
    lab.stations()
    Server(lab.unit)
    drive = lab.station("drive", "192.0.2.31/24")
    head = bytes.fromhex("010e cf00 0001".replace(" ", "")) + bytes.fromhex("00005e005331")
    frame = head + CYCLIC.to_bytes(2) + bytes(46)
    send_every(drive, drive.raw(), frame, 0.004)
    lab.record()
    _work(lab, times=5)


@healthy(told=f"{UNIT}:2222")
def udp_service(lab: Lab) -> None:
    lab.plant()
    server = lab.unit.socket(socket.AF_INET, socket.SOCK_DGRAM)
    server.bind(("0.0.0.0", 2222))
    server.settimeout(0.2)

    def serves() -> None:
        while not lab.unit.stopping.is_set():
            with suppress(OSError):
                asked, sender = server.recvfrom(100)
                server.sendto(LINES.answer(asked), sender)

    lab.unit.start(serves)
    client = lab.pc.socket(socket.AF_INET, socket.SOCK_DGRAM)
    client.connect((UNIT, 2222))
    for number in range(8):
        client.send(LINES.request(number))
        client.recv(100)
        time.sleep(0.3)


@healthy(told=f"{UNIT}:6900")
def udp_service_answers_from_a_new_port(lab: Lab) -> None:
    """By design, as in RFC 1350 section 4."""
    lab.plant()
    serve_datagrams(lab.unit, 6900, b"block 1", by=udp_socket(lab.unit, 34567))
    ask_by_datagram(lab.pc, (UNIT, 6900), b"read", times=8)


@healthy(told=UNIT)
def controller_calls_the_pc(lab: Lab) -> None:
    """The program on the PC is the one that listens and answers."""
    lab.plant()
    Server(lab.pc, 2000, framing=LINES)
    session = call(lab.unit, PC, 2000)
    poll(session, framing=LINES)
    session.close()


@healthy()
def another_unit_is_refused(lab: Lab) -> None:
    """A background program of the PC calls somebody else in vain, again and again."""
    lab.plant()
    Server(lab.unit)

    def background() -> None:
        for port in range(9100, 9106):
            call(lab.pc, PANEL, port, wait=1)
            time.sleep(0.8)

    lab.pc.start(background)
    _work(lab, times=12)


@healthy()
def search_and_then_a_session(lab: Lab) -> None:
    """The controller answers the search, and the program connects to what it found."""
    lab.plant()
    Server(lab.unit)
    answer_searches(lab.unit)
    search(lab.pc, EVERYBODY, times=3)
    _work(lab)


@healthy(told=f"{UNIT}:102")
def second_slot_is_the_right_one(lab: Lab) -> None:
    """The program tries slot 1, is turned down, and is let in at slot 2."""
    lab.plant()
    Server(lab.unit, 102, manner=turns_down, framing=ISO)
    ask(call(lab.pc, UNIT, 102), number=1, framing=ISO)
    session = call(lab.pc, UNIT, 102)
    ask(session, number=GOOD_SLOT, framing=ISO)
    time.sleep(1)
    session.close()


@healthy(told="10.20.1.0:502")
def address_ends_in_zero(lab: Lab) -> None:
    """In a network with a wide mask that is a number like any other."""
    lab.pc = lab.station("pc", "10.20.0.15/23")
    lab.unit = lab.station("unit", "10.20.1.0/23", hw=UNIT_HW)
    Server(lab.unit)
    lab.record()
    chat(lab.pc, "10.20.1.255", every=2.1)
    time.sleep(2.5)
    session = call(lab.pc, "10.20.1.0")
    poll(session)
    session.close()


@healthy()
def controller_is_the_router_of_its_cell(lab: Lab) -> None:
    """Devices behind it are reached through it, and it answers requests itself."""
    lab.stations()
    lab.segment("cell", "00:00:5e:00:53:03")
    lab.unit.wire("uplink", "00:00:5e:00:53:09", "cell", "eth1")
    lab.unit.wire_checksums("eth1")
    lab.unit.up("198.51.100.1/24", name="eth1")
    lab.unit.setting("ipv4.ip_forward", 1)
    lab.pc.ip(f"route add 198.51.100.0/24 via {UNIT}")
    for number in (61, 62, 63):
        device = lab.station(f"cell{number}", f"198.51.100.{number}/24", segment="cell")
        device.ip("route add default via 198.51.100.1")
    Server(lab.unit)
    lab.record()
    for number in (61, 62, 63):
        ping(lab.pc, f"198.51.100.{number}")
        time.sleep(0.3)
    _work(lab)


@healthy()
def another_program_only_holds_a_session(lab: Lab) -> None:
    """It opens one, says nothing, and closes it after 3 s, beside a session that works."""
    lab.plant()
    Server(lab.unit)

    def watches() -> None:
        for _ in range(2):
            session = call(lab.pc, UNIT)
            time.sleep(3)
            session.close()

    lab.pc.start(watches)
    _work(lab, times=20)


@healthy(told=f"{UNIT}:4843")
def certificate_trusted_at_the_second_try(lab: Lab) -> None:
    """The user is asked, and accepts it."""
    lab.plant()
    Server(lab.unit, 4843, framing=SECURED)
    session = call(lab.pc, UNIT, 4843)
    ask(session, framing=SECURED)
    session.sendall(ALERT + ISSUER_NOT_KNOWN)
    session.close()
    time.sleep(2)
    session = call(lab.pc, UNIT, 4843)
    poll(session, times=6, framing=SECURED)
    session.close()
