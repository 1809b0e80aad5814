"""Who records, who is heard by whom, and whose an address is; each beside its healthy twin."""

import socket
import time
from contextlib import suppress
from functools import partial

from tests.lab import crafted
from tests.lab.actors import (
    MODBUS,
    Server,
    announce,
    ask,
    ask_unit,
    call,
    chat,
    last_of,
    lease,
    passes_over,
    ping,
    poll,
    reset,
    resets_after,
    send_every,
    serves_unit_one,
)
from tests.lab.lab import (
    EVERYBODY,
    FAR_UNIT,
    PC,
    SPARE_HW,
    UNIT,
    UNIT_HW,
    Lab,
    Scenario,
    scenario,
)
from tests.lab.network import Station
from tests.lab.recorder import Recorder

HEARD: list[Scenario] = []
fault, healthy = partial(scenario, HEARD), partial(scenario, HEARD, None)
far = f"{FAR_UNIT}:502"
FAR_NEIGHBOUR = "198.51.100.62"
GUEST = "192.0.2.66"
GIVER = "192.0.2.10"
GATE = "add table inet gate", "add chain inet gate pass { type filter hook input priority 0; }"


# --- the acceptance -------------------------------------------------------------------------------


@fault("acceptance-unheard")
def filter_on_the_pc_drops_the_acceptance(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit)
    lab.pc.nft(*GATE, "add rule inet gate pass tcp sport 502 drop")
    for _ in range(2):
        call(lab.pc, UNIT)


@fault("acceptance-unheard")
def acceptance_unheard_seen_at_the_controller(lab: Lab) -> None:
    """As before, recorded at the controller's switch port."""
    lab.stations()
    Server(lab.unit)
    lab.pc.nft(*GATE, "add rule inet gate pass tcp sport 502 drop")
    lab.mirror()
    for _ in range(2):
        call(lab.pc, UNIT)


@fault("acceptance-unheard")
def filter_on_the_pc_resets_the_acceptance(lab: Lab) -> None:
    """The program's own stack never hears of it, and calls on."""
    lab.plant()
    Server(lab.unit)
    lab.pc.nft(*GATE, "add rule inet gate pass tcp sport 502 reject with tcp reset")
    for _ in range(3):
        call(lab.pc, UNIT, wait=2.5)
        time.sleep(1)


@healthy()
def port_probed_beside_a_session(lab: Lab) -> None:
    """A program looks whether the port still opens: the PC resets each acceptance, on purpose."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    for number in range(4):
        lab.pc.raw().send(crafted.syn(lab.pc.hw, lab.unit.hw, PC, UNIT, 502))
        poll(session, times=3, first=1 + 3 * number)


@healthy()
def acceptance_taken_late(lab: Lab) -> None:
    """A filter on the PC drops the first acceptances, until somebody lets them through."""
    lab.plant()
    Server(lab.unit)
    lab.pc.nft(*GATE, "add rule inet gate pass tcp sport 502 drop")
    caller = lab.pc.start(lambda: poll(call(lab.pc, UNIT, wait=12)))
    time.sleep(2.5)
    lab.pc.nft("delete table inet gate")
    caller.join()


# --- the PC's address -----------------------------------------------------------------------------


def _without_address(lab: Lab) -> Station:
    """The PC has none yet; the address server."""
    lab.pc = lab.station("pc", hw="00:00:5e:00:53:15")
    lab.unit = lab.station("unit", f"{UNIT}/24")
    lab.add_panel()
    Server(lab.unit)
    giver = lab.station("giver", f"{GIVER}/24")
    lab.record()
    return giver


def _refused(lab: Lab, giver: Station) -> None:
    """The PC comes from another network, and asks for the address of there (RFC 2131 4.3.2)."""
    lab.pc.raw().send(crafted.dhcp("request", lab.pc.hw, offered="198.51.100.15"))
    time.sleep(0.02)
    giver.raw().send(crafted.dhcp("nak", lab.pc.hw, server=GIVER, server_hw=giver.hw))
    time.sleep(2)


def _gets_an_address(lab: Lab, giver: Station) -> None:
    lease(lab.pc, (giver, GIVER, PC))
    lab.pc.ip(f"addr add {PC}/24 brd + dev eth0")
    poll(call(lab.pc, UNIT))


@fault("no-address-given")
def address_server_refuses(lab: Lab) -> None:
    giver = _without_address(lab)
    for _ in range(4):
        _refused(lab, giver)


@fault("no-address-given")
def address_server_has_none_left(lab: Lab) -> None:
    """Another device is served meanwhile."""
    giver = _without_address(lab)
    other = lab.station("other", hw="00:00:5e:00:53:31")
    for seconds in range(0, 9, 3):
        lab.pc.raw().send(crafted.dhcp("discover", lab.pc.hw, seconds=seconds))
        time.sleep(3)
    lease(other, (giver, GIVER, "192.0.2.31"))


@healthy()
def address_server_is_slow(lab: Lab) -> None:
    giver = _without_address(lab)
    for seconds in range(0, 9, 3):
        lab.pc.raw().send(crafted.dhcp("discover", lab.pc.hw, seconds=seconds))
        time.sleep(3)
    _gets_an_address(lab, giver)


@healthy()
def address_refused_once_and_given(lab: Lab) -> None:
    giver = _without_address(lab)
    _refused(lab, giver)
    _gets_an_address(lab, giver)


# --- whose a hardware address is ------------------------------------------------------------------


def _answers_no_arp(lab: Lab, entry: str) -> None:
    """The PC has a fixed entry for a controller that only greets everybody."""
    lab.stations()
    lab.pc.ip(f"neigh replace {UNIT} lladdr {entry} nud permanent dev eth0")
    lab.unit.setting("ipv4.conf.all.arp_ignore", 8)
    Server(lab.unit)
    chat(lab.unit, EVERYBODY, every=1.3)
    lab.record()


@fault("stale-mapping")
def fixed_entry_and_a_controller_that_answers_no_arp(lab: Lab) -> None:
    _answers_no_arp(lab, SPARE_HW)
    for _ in range(2):
        call(lab.pc, UNIT)


@healthy()
def fixed_entry_for_a_controller_that_answers_no_arp(lab: Lab) -> None:
    _answers_no_arp(lab, "00:00:5e:00:53:60")
    poll(call(lab.pc, UNIT))


@fault("duplicate-address")
def guest_claims_the_controllers_address_unasked(lab: Lab) -> None:
    """It tells the PC again and again that the controller's address is its own, and drops what
    comes.
    """
    lab.plant()
    Server(lab.unit)
    poll(call(lab.pc, UNIT), times=3)
    guest = lab.station("guest", f"{GUEST}/24")
    announce(guest, GUEST)
    claim = crafted.arp_reply(guest.hw, UNIT, lab.pc.hw, PC)
    send_every(guest, guest.raw(), claim, 0.7)
    for _ in range(3):
        lab.pc.ip("neigh flush dev eth0")
        ask(call(lab.pc, UNIT, wait=3), wait=2)
        time.sleep(3.5)


@healthy()
def controller_with_two_adapters_tells_which(lab: Lab) -> None:
    """It shares out what comes in: it tells the PC unasked to send to its second adapter."""
    lab.stations()
    lab.unit.wire("second", SPARE_HW, "lan", "eth1")
    lab.unit.wire_checksums("eth1")
    lab.unit.up(name="eth1")
    for name, value in (("arp_ignore", 1), ("rp_filter", 0)):
        lab.unit.setting(f"ipv4.conf.all.{name}", value)
    lab.unit.setting("ipv4.conf.eth1.rp_filter", 0)
    Server(lab.unit)
    lab.record()
    session = call(lab.pc, UNIT)
    wire = lab.unit.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
    wire.bind(("eth1", 0))
    for turn in range(4):
        time.sleep(3.2)
        wire.send(crafted.arp_reply(SPARE_HW, UNIT, lab.pc.hw, PC))
        poll(session, times=3, first=1 + 3 * turn)
    session.close()


def _takes_over(lab: Lab, hardware: str) -> None:
    """The unit sends by another of its adapters from now on, and announces that."""
    lab.unit.ip(f"link set eth0 address {hardware}")
    lab.unit.raw().send(crafted.arp_announcement(hardware, UNIT))


@fault("duplicate-address", remark=True)
def two_adapters_take_over_in_turn(lab: Lab) -> None:
    """Of one device; each session of the PC lies between two changes."""
    lab.plant()
    Server(lab.unit)
    for hardware in (UNIT_HW, SPARE_HW, UNIT_HW, SPARE_HW, UNIT_HW):
        _takes_over(lab, hardware)
        session = call(lab.pc, UNIT)
        poll(session, times=4)
        session.close()
        time.sleep(1)


@healthy()
def session_outlives_the_turns_of_two_adapters(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    for turn, hardware in enumerate((UNIT_HW, SPARE_HW, UNIT_HW, SPARE_HW, UNIT_HW)):
        _takes_over(lab, hardware)
        poll(session, times=4, first=1 + 4 * turn)
        time.sleep(1)
    session.close()


# --- the way back ---------------------------------------------------------------------------------


def _with_a_neighbour(lab: Lab) -> None:
    """A second device beside the controller, behind the router."""
    lab.beyond_router()
    neighbour = lab.station("neighbour", f"{FAR_NEIGHBOUR}/24", segment="far")
    neighbour.ip("route add default via 198.51.100.1")
    Server(lab.unit)
    Server(neighbour, 80)
    poll(call(lab.pc, FAR_NEIGHBOUR, port=80), times=2)


@fault("controllers-gateway-wrong", told=far)
def neighbour_answers_and_the_controller_has_no_gateway(lab: Lab) -> None:
    _with_a_neighbour(lab)
    lab.unit.ip("route del default")
    for _ in range(2):
        call(lab.pc, FAR_UNIT)


@fault("controllers-gateway-wrong", told=far)
def gateway_of_the_controller_seen_at_its_port(lab: Lab) -> None:
    """It asks for a gateway that nobody has, each time the PC calls; the PC is behind a router."""
    lab.beyond_router()
    lab.unit.ip("route replace default via 198.51.100.254")
    Server(lab.unit)
    lab.mirror()
    for _ in range(2):
        call(lab.pc, FAR_UNIT)


@healthy(told=far)
def neighbour_and_controller_answer_through_the_router(lab: Lab) -> None:
    _with_a_neighbour(lab)
    poll(call(lab.pc, FAR_UNIT))


# --- sessions -------------------------------------------------------------------------------------


@fault("session-reset")
def reset_nine_times_and_the_pc_comes_back(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, manner=resets_after(2))
    for _ in range(9):
        poll(call(lab.pc, UNIT), times=4)
        time.sleep(0.5)


@healthy()
def nine_sessions_that_the_program_resets(lab: Lab) -> None:
    """A program that opens a session for each look, and ends it without ado."""
    lab.plant()
    Server(lab.unit)
    for _ in range(9):
        session = call(lab.pc, UNIT)
        poll(session, times=4)
        reset(session)
        time.sleep(0.5)


@fault("request-unanswered", remark=True)
def every_fourth_request_passed_over(lab: Lab) -> None:
    """The program gives each request 2 s, and goes on in the same session."""
    lab.plant()
    Server(lab.unit, manner=passes_over(4))
    session = call(lab.pc, UNIT)
    for number in range(1, 20):
        ask(session, number, wait=2)
        time.sleep(0.3)
    session.close()


def _two_programs(lab: Lab, *units: int) -> None:
    """One reads unit 1, the other one these units in turn."""
    lab.plant()
    Server(lab.unit, manner=serves_unit_one)
    first, second = call(lab.pc, UNIT), call(lab.pc, UNIT)
    for number, unit in enumerate(units):
        ask(first, number)
        ask_unit(second, unit, number)
        time.sleep(0.4)
    first.close()
    second.close()


@fault("request-rejected", remark=True)
def second_program_asks_the_wrong_unit(lab: Lab) -> None:
    _two_programs(lab, *[7] * 12)


@healthy()
def second_program_looks_for_its_unit(lab: Lab) -> None:
    _two_programs(lab, 3, 2, *[1] * 10)


@healthy()
def every_fourth_answer_overtaken(lab: Lab) -> None:
    """Four requests are under way at a time; the first of each four is answered last, and late."""
    lab.plant()
    Server(lab.unit, manner=last_of(4))
    session = call(lab.pc, UNIT)
    session.settimeout(3)
    for begin in range(1, 20, 4):
        for number in range(begin, begin + 4):
            session.sendall(MODBUS.request(number))
            time.sleep(0.01)
        came = b""
        while len(came) < 4 * len(MODBUS.answer(MODBUS.request(1))):
            came += session.recv(200)
        time.sleep(0.3)
    session.close()


@fault("path-lost")
def last_data_never_acknowledged(lab: Lab) -> None:
    """From one moment on nothing of the session gets to the controller, which answers pings."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session)
    lab.unit.nft(*GATE, "add rule inet gate pass tcp dport 502 drop")
    ask(session, 6, wait=5)
    for number in range(3):
        ping(lab.pc, UNIT, number)
        time.sleep(1)
    time.sleep(4)


def _plug_out(lab: Lab, times: int) -> None:
    """The controller's plug is out for 3.5 s, again and again, and the program waits."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session, times=6)
    for turn in range(1, times + 1):
        lab.unit.pull()
        polling = lab.pc.start(partial(poll, session, 8, 0.3, 10, first=20 * turn))
        time.sleep(3.5)
        lab.unit.plug()
        polling.join()
    session.close()


@fault("path-lost", remark=True)
def controllers_plug_is_loose(lab: Lab) -> None:
    _plug_out(lab, times=3)


@healthy()
def controllers_plug_is_out_once(lab: Lab) -> None:
    _plug_out(lab, times=1)


@healthy()
def last_data_acknowledged_late(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session)
    lab.unit.nft(*GATE, "add rule inet gate pass tcp dport 502 drop")
    asking = lab.pc.start(lambda: poll(session, times=3, wait=9, first=6))
    time.sleep(1.5)
    lab.unit.nft("delete table inet gate")
    asking.join()
    session.close()


# --- ports beside one another ---------------------------------------------------------------------


@fault("port-refused", told=f"{UNIT}:503")
def refused_while_another_port_works(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit)
    poll(call(lab.pc, UNIT), times=3)
    for _ in range(4):
        call(lab.pc, UNIT, port=503)
        time.sleep(1)
    poll(call(lab.pc, UNIT), times=3)


@healthy()
def tries_a_port_of_earlier_days_each_time(lab: Lab) -> None:
    """Each session is asked for on another port first, and taken on the one that there is."""
    lab.plant()
    Server(lab.unit)
    for _ in range(4):
        call(lab.pc, UNIT, port=503)
        session = call(lab.pc, UNIT)
        poll(session, times=3)
        session.close()
        time.sleep(1)


@healthy()
def refused_over_ipv6_and_taken_over_ipv4(lab: Lab) -> None:
    """The program tries both addresses of the controller's name, that of IPv6 first."""
    lab.stations()
    for station, last in ((lab.pc, "15"), (lab.unit, "60")):
        station.setting("ipv6.conf.all.disable_ipv6", 0)
        station.setting("ipv6.conf.eth0.disable_ipv6", 0)
        station.ip(f"-6 addr add 2001:db8::{last}/64 dev eth0 nodad")
    Server(lab.unit)
    lab.record()
    with suppress(ConnectionRefusedError):
        lab.pc.socket(socket.AF_INET6).connect(("2001:db8::60", 502))
    session = call(lab.pc, UNIT)
    poll(session)
    session.close()


# --- all fall silent ------------------------------------------------------------------------------


@fault("link-flapping")
def loose_plug_cuts_each_session(lab: Lab) -> None:
    """The program gives up while the link is down; the PC's system checks nothing afterwards."""
    lab.plant()
    Server(lab.unit)
    for _ in range(3):
        session = call(lab.pc, UNIT)
        poll(session, times=8)
        lab.pc.pull()
        ask(session, 9, wait=2)
        session.close()
        time.sleep(1)
        lab.pc.plug()
        time.sleep(1.2)
    poll(call(lab.pc, UNIT))


@fault("link-flapping", remark=True)
def loose_plug_and_a_patient_program(lab: Lab) -> None:
    """One session outlives all breaks of the link."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    for turn in range(3):
        poll(session, times=10, wait=9, first=1 + 10 * turn)
        lab.pc.pull()
        time.sleep(3.5)
        lab.pc.plug()
    poll(session, times=3, wait=9, first=31)
    session.close()


@healthy()
def program_that_rests_three_times(lab: Lab) -> None:
    """In an open session, for 4 s each time; another station is heard meanwhile."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    for turn in range(4):
        poll(session, times=10, first=1 + 10 * turn)
        time.sleep(4)
    session.close()


# --- who records ----------------------------------------------------------------------------------


@healthy(told=far)
def routed_copy(lab: Lab) -> None:
    """Recorded on both sides of the router, in one file: each packet twice."""
    lab.beyond_router()
    Server(lab.unit)
    lab._recorders.append(Recorder(lab.port_socket("unit")))
    session = call(lab.pc, FAR_UNIT)
    poll(session)
    session.close()


@healthy(told="127.0.0.1:502")
def call_inside_the_pc(lab: Lab) -> None:
    """The program calls a service of the same machine; recorded on the loopback interface."""
    lab.stations()
    Server(lab.pc)
    listener = lab.pc.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
    listener.bind(("lo", 0))
    lab._recorders = [Recorder(listener)]
    time.sleep(3)
    session = call(lab.pc, "127.0.0.1")
    poll(session)
    session.close()


@healthy()
def observer_at_a_bridge(lab: Lab) -> None:
    """A third machine between the two records their call on one of its two interfaces."""
    lab.stations()
    Server(lab.unit)
    lab.mirror()
    session = call(lab.pc, UNIT)
    poll(session)
    session.close()


@fault("port-refused")
def observer_at_a_bridge_sees_a_refusal(lab: Lab) -> None:
    lab.stations()
    lab.mirror()
    for _ in range(3):
        call(lab.pc, UNIT)
        time.sleep(1)
