"""The controller's hardware address, and the way to its network."""

import time
from contextlib import suppress
from functools import partial

from rules.neighbour import unanswered_arp
from rules.port import port_silent
from rules.recording import no_attempt
from tests.lab import crafted
from tests.lab.actors import (
    LINES,
    SEARCHED,
    Server,
    announce,
    answer_searches,
    ask,
    call,
    chat,
    poll,
    reset,
    search,
)
from tests.lab.lab import (
    EVERYBODY,
    FAR_UNIT,
    PANEL,
    PC,
    ROUTER,
    SPARE_HW,
    UNIT,
    Lab,
    Scenario,
    cause,
    scenario,
)

NETWORK: list[Scenario] = []
fault = partial(scenario, NETWORK)
far = partial(scenario, NETWORK, told=f"{FAR_UNIT}:502")

DROP_ARP = (
    "add table arp quiet",
    "add chain arp quiet input { type filter hook input priority 0; }",
    "add rule arp quiet input drop",
)


# --- the controller's hardware address ------------------------------------------------------------


@fault("arp-silent-controller")
def controller_ignores_arp(lab: Lab) -> None:
    """It asks for the panel and greets everybody, but answers no question for its own address."""
    lab.stations()
    lab.unit.setting("ipv4.conf.all.arp_ignore", 8)
    chat(lab.unit, EVERYBODY, every=1.3)
    lab.record()
    lab.unit.raw().send(crafted.arp_request(lab.unit.hw, UNIT, PANEL))
    time.sleep(1)
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("unanswered-arp")
def controller_hears_no_arp(lab: Lab) -> None:
    """Its filter drops ARP, and it says nothing by itself: as good as switched off."""
    lab.stations()
    lab.unit.nft(*DROP_ARP)
    lab.record()
    call(lab.pc, UNIT)


@fault("stale-mapping")
def fixed_entry_of_the_old_unit(lab: Lab) -> None:
    """The PC's fixed neighbour entry names the unit that was replaced."""
    lab.stations()
    lab.pc.ip(f"neigh replace {UNIT} lladdr {SPARE_HW} nud permanent dev eth0")
    Server(lab.unit)
    lab.record()
    chat(lab.unit, PANEL, every=2.1)
    announce(lab.unit, UNIT)
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("stale-mapping")
def fixed_entry_and_a_swap(lab: Lab) -> None:
    """The unit is swapped while in use; the PC's fixed entry still names the first one."""
    lab.stations()
    lab.pc.ip(f"neigh replace {UNIT} lladdr {lab.unit.hw} nud permanent dev eth0")
    Server(lab.unit)
    lab.record()
    session = call(lab.pc, UNIT)
    poll(session)
    lab.unit.pull()
    spare = lab.station("spare", hw=SPARE_HW, up=False)
    Server(spare.up(f"{UNIT}/24"))
    announce(spare, UNIT)
    ask(session, 6)
    session.close()
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("duplicate-address")
def two_units_with_one_address(lab: Lab) -> None:
    lab.stations()
    spare = lab.station("spare", f"{UNIT}/24", hw=SPARE_HW)
    Server(lab.unit)
    Server(spare)
    lab.record()
    for _ in range(4):
        lab.pc.ip("neigh flush dev eth0")
        poll(call(lab.pc, UNIT, wait=2), times=2)


@fault("duplicate-address")
def two_units_and_one_refuses(lab: Lab) -> None:
    """The second unit has no such service: it resets what the first one agreed to."""
    lab.stations()
    lab.station("spare", f"{UNIT}/24", hw=SPARE_HW)
    Server(lab.unit)
    lab.record()
    for _ in range(5):
        lab.pc.ip("neigh flush dev eth0")
        poll(call(lab.pc, UNIT, wait=2), times=2, wait=1)


@fault("controller-restarted")
def unit_swapped_while_in_use(lab: Lab) -> None:
    """Another unit takes the place of the first; it knows nothing of the session."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session)
    lab.unit.pull()
    ask(session, 6, wait=2)
    spare = lab.station("spare", hw=SPARE_HW, up=False)
    Server(spare.up(f"{UNIT}/24"))
    announce(spare, UNIT)
    ask(session, 7, wait=3)
    poll(call(lab.pc, UNIT), times=3)


@fault("controller-starting", remark=True)
def controller_starts_while_the_pc_tries(lab: Lab) -> None:
    """Silence, then the network is up, then the service, and then all is well."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.unit = lab.station("unit", hw="00:00:5e:00:53:60", up=False)
    lab.add_panel()
    lab.record()
    call(lab.pc, UNIT, wait=3.5)
    announce(lab.unit.up(f"{UNIT}/24"), UNIT)
    for _ in range(3):
        time.sleep(1.5)
        call(lab.pc, UNIT, wait=2)
    Server(lab.unit)
    time.sleep(1)
    poll(call(lab.pc, UNIT))


@fault("controller-starting")
def controller_still_starting_at_the_end(lab: Lab) -> None:
    """The network is up, the service not yet, when the recording ends."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.unit = lab.station("unit", hw="00:00:5e:00:53:60", up=False)
    lab.add_panel()
    lab.record()
    call(lab.pc, UNIT, wait=3.5)
    announce(lab.unit.up(f"{UNIT}/24"), UNIT)
    for _ in range(3):
        time.sleep(1.5)
        call(lab.pc, UNIT, wait=2)


@fault("proxy-answer")
def router_answers_for_everybody(lab: Lab) -> None:
    """The controller is off; a router answers for its address and passes the calls on in vain."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.add_panel()
    router = lab.add_router(near=f"{ROUTER}/28")
    router.setting("ipv4.conf.eth0.proxy_arp", 1)
    router.setting("ipv4.neigh.eth0.proxy_delay", 0)
    router.ip("route add default via 198.51.100.7 dev eth1")
    router.ip("neigh replace 198.51.100.7 lladdr 00:00:5e:00:53:07 nud permanent dev eth1")
    lab.record()
    for address in ("192.0.2.61", "192.0.2.99", "192.0.2.77"):
        call(lab.pc, address, port=80, wait=0.5)
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("cloned-hardware-address")
def two_units_with_one_hardware_address(lab: Lab) -> None:
    """A restored image brought the other unit's hardware address along; the switch sends frames to
    the one that spoke last.
    """
    lab.stations()
    Server(lab.unit)
    clone = lab.station("clone", "192.0.2.31/24", hw=lab.unit.hw)
    clone.setting("ipv4.ip_default_ttl", 128)
    lab.record()
    chat(clone, EVERYBODY, every=0.05)
    session = call(lab.pc, UNIT)
    poll(session, times=12, wait=3)
    poll(call(lab.pc, UNIT), times=6, wait=3)


# --- masks and routes -----------------------------------------------------------------------------


@far("subnet-mismatch")
def other_network_on_one_cable(lab: Lab) -> None:
    """The controller hears the PC, but has no way to answer into another network."""
    lab.stations(unit=f"{FAR_UNIT}/24")
    lab.pc.ip("route add default dev eth0")
    Server(lab.unit)
    lab.record()
    call(lab.pc, FAR_UNIT)


@far("subnet-mismatch")
def other_network_and_strict(lab: Lab) -> None:
    """As before, but the controller does not even answer ARP from outside its network."""
    lab.stations(unit=f"{FAR_UNIT}/24")
    lab.pc.ip("route add default dev eth0")
    lab.unit.setting("ipv4.conf.all.rp_filter", 1)
    Server(lab.unit)
    lab.record()
    call(lab.pc, FAR_UNIT)


@fault(
    "subnet-mismatch",
    cause(unanswered_arp.RULE, unanswered_arp.TOO_WIDE),
    told="192.0.2.160:502",
)
def pc_mask_too_wide(lab: Lab) -> None:
    """The controller is behind a router; the PC's mask makes it look near."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.add_panel()
    lab.add_router(near=f"{ROUTER}/25", far="192.0.2.129/25")
    lab.unit = lab.station("unit", "192.0.2.160/25", segment="far")
    lab.unit.ip("route add default via 192.0.2.129")
    lab.record()
    call(lab.pc, "192.0.2.160")


@fault("subnet-mismatch", cause(unanswered_arp.RULE, unanswered_arp.GATEWAY))
def pc_mask_too_narrow(lab: Lab) -> None:
    """The controller is near; the PC's mask makes it look far, and its gateway does not exist. With
    nothing told, the gateway is all that the PC looks for.
    """
    lab.stations(pc=f"{PC}/27")
    lab.pc.ip(f"route add default via {ROUTER}")
    lab.record()
    call(lab.pc, UNIT)


@fault("subnet-mismatch")
def pc_mask_too_narrow_and_router_refuses(lab: Lab) -> None:
    """As before, and the gateway exists, but does not pass packets back to where they came from."""
    lab.stations(pc=f"{PC}/27")
    router = lab.add_router(near=f"{ROUTER}/27")
    lab.pc.ip(f"route add default via {ROUTER}")
    router.ip("route add unreachable 192.0.2.32/27")
    Server(lab.unit)
    lab.record()
    chat(lab.unit, EVERYBODY, every=2.3)
    call(lab.pc, UNIT)


@fault("subnet-mismatch", cause(port_silent.RULE, port_silent.NO_WAY_BACK))
def controller_mask_too_narrow(lab: Lab) -> None:
    """ARP is answered, but the controller has no way to send packets to the PC."""
    lab.stations(unit=f"{UNIT}/28")
    Server(lab.unit)
    lab.record()
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("controllers-gateway-wrong")
def controller_mask_too_narrow_and_gateway_gone(lab: Lab) -> None:
    """As before, and the controller looks for its gateway each time it is called."""
    lab.stations(unit=f"{UNIT}/28")
    lab.unit.ip("route add default via 192.0.2.49")
    Server(lab.unit)
    lab.record()
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("arp-silent-controller")
def controller_mask_too_narrow_and_strict(lab: Lab) -> None:
    """The controller does not answer ARP from outside its network, but is heard."""
    lab.stations(unit=f"{UNIT}/28")
    lab.unit.setting("ipv4.conf.all.rp_filter", 1)
    chat(lab.unit, "192.0.2.63", every=1.3)
    lab.record()
    lab.unit.raw().send(crafted.arp_request(lab.unit.hw, UNIT, "192.0.2.61"))
    time.sleep(1)
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@far("subnet-mismatch", cause(no_attempt.RULE, no_attempt.NO_WAY))
def pc_without_gateway(lab: Lab) -> None:
    """There is no route to the controller's network: the PC sends nothing."""
    lab.stations(unit=f"{FAR_UNIT}/24")
    lab.record()
    call(lab.pc, FAR_UNIT)


@far("subnet-mismatch", cause(unanswered_arp.RULE, unanswered_arp.GATEWAY))
def pc_with_a_gateway_that_nobody_has(lab: Lab) -> None:
    """The router is there, with another address than the one entered on the PC."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.add_panel()
    lab.add_router()
    lab.unit = lab.station("unit", f"{FAR_UNIT}/24", segment="far")
    lab.pc.ip("route add default via 192.0.2.254")
    lab.record()
    call(lab.pc, FAR_UNIT, wait=5)
    call(lab.pc, FAR_UNIT)


@far("subnet-mismatch")
def controller_without_gateway(lab: Lab) -> None:
    """The router delivers, the controller cannot answer."""
    lab.beyond_router()
    Server(lab.unit)
    lab.unit.ip("route del default")
    call(lab.pc, FAR_UNIT)
    call(lab.pc, FAR_UNIT)


@far("router-cannot-deliver")
def controller_off_behind_router(lab: Lab) -> None:
    """The router asks for the controller in vain, and says so after about 3 s."""
    lab.beyond_router()
    lab.unit.pull()
    call(lab.pc, FAR_UNIT, wait=6)
    call(lab.pc, FAR_UNIT, wait=6)


@fault("router-cannot-deliver", told=f"{ROUTER}:8502")
def controller_off_behind_address_translation(lab: Lab) -> None:
    """The PC calls the router, which passes the call on to a unit that is off."""
    lab.pc = lab.station("pc", f"{PC}/24")
    lab.add_panel()
    router = lab.add_router()
    router.nft(
        "add table ip translate",
        "add chain ip translate there { type nat hook prerouting priority -100; }",
        f"add rule ip translate there tcp dport 8502 dnat to {FAR_UNIT}:502",
        "add chain ip translate back { type nat hook postrouting priority 100; }",
        "add rule ip translate back oifname eth1 masquerade",
    )
    lab.record()
    call(lab.pc, ROUTER, port=8502, wait=6)


@far("router-cannot-deliver")
def router_without_route(lab: Lab) -> None:
    router = lab.beyond_router()
    router.ip("route add unreachable 198.51.100.60/32")
    call(lab.pc, FAR_UNIT)
    call(lab.pc, FAR_UNIT)


def _filter(rule: str, hook: str = "forward") -> tuple[str, ...]:
    chain = f"add chain inet gate pass {{ type filter hook {hook} priority 0; }}"
    return ("add table inet gate", chain, f"add rule inet gate pass {rule}")


@far("path-refused")
def router_filter_refuses(lab: Lab) -> None:
    router = lab.beyond_router()
    Server(lab.unit)
    router.nft(*_filter("tcp dport 502 reject with icmp type admin-prohibited"))
    call(lab.pc, FAR_UNIT)
    call(lab.pc, FAR_UNIT)


@fault("path-refused")
def controller_filter_refuses(lab: Lab) -> None:
    """The controller's own list does not allow the PC, and says so."""
    lab.plant()
    Server(lab.unit)
    lab.unit.nft(*_filter("tcp dport 502 reject with icmp type admin-prohibited", "input"))
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@far("router-cannot-deliver")
def redirected_to_a_dead_router(lab: Lab) -> None:
    """The gateway sends the PC to a second router, and that one is gone."""
    router = lab.beyond_router()
    Server(lab.unit)
    poll(call(lab.pc, FAR_UNIT), times=2)
    router.ip("link set eth1 down")
    router.ip("route add 198.51.100.0/24 via 192.0.2.3")
    lab.pc.setting("ipv4.conf.all.secure_redirects", 0)
    call(lab.pc, FAR_UNIT)
    call(lab.pc, FAR_UNIT)


@fault("redirected-path")
def two_ways_and_a_watchful_router(lab: Lab) -> None:
    """The PC's mask is too narrow: it calls by the router, which passes on and watches sessions.
    The controller answers directly, so the router sees half of each session, and drops it.
    """
    lab.stations(pc=f"{PC}/27")
    router = lab.add_router()
    lab.pc.ip(f"route add default via {ROUTER}")
    router.setting("ipv4.conf.all.send_redirects", 0)
    router.setting("ipv4.conf.eth0.send_redirects", 0)
    router.nft(*_filter("ct state invalid drop"))
    Server(lab.unit)
    lab.record()
    session = call(lab.pc, UNIT)
    ask(session, wait=6)
    reset(session)


@fault("discovery-unanswered", remark=True)
def search_finds_nothing(lab: Lab) -> None:
    """The controller takes no part in the search, and can be reached by its address."""
    lab.plant()
    Server(lab.unit)
    search(lab.pc, EVERYBODY, times=3)
    poll(call(lab.pc, UNIT))


@fault("discovery-unanswered", told=f"{UNIT}:{SEARCHED}")
def search_is_answered_behind_a_filter(lab: Lab) -> None:
    """The controller answers each search; a filter on the PC keeps that from the program."""
    lab.plant()
    answer_searches(lab.unit)
    lab.pc.nft(*_filter(f"udp sport {SEARCHED} drop", "input"))
    for _ in range(2):
        search(lab.pc, EVERYBODY, times=3)


def _download(lab: Lab, address: str) -> None:
    """Small requests work, then 4000 octets at once; and all of it a second time."""
    for _ in range(2):
        session = call(lab.pc, address, port=2000)
        with suppress(OSError), session:
            session.settimeout(5)
            for size in (20, 20, 4000):
                session.sendall(bytes(size - 1) + b"\n")
                session.recv(100)
                time.sleep(0.3)


def _serve_downloads(lab: Lab) -> None:
    Server(lab.unit, 2000, framing=LINES)


@fault("large-frames-lost", told=f"{FAR_UNIT}:2000")
def large_frames_lost_without_a_word(lab: Lab) -> None:
    router = lab.beyond_router()
    router.ip("link set eth1 mtu 1280")
    router.nft(*_filter("icmp type destination-unreachable drop", "output"))
    _serve_downloads(lab)
    _download(lab, FAR_UNIT)


@fault("large-frames-lost", told=f"{FAR_UNIT}:2000")
def large_frames_lost_and_told(lab: Lab) -> None:
    """The router says what fits; a filter on the PC keeps that from its network stack."""
    router = lab.beyond_router()
    router.ip("link set eth1 mtu 1280")
    lab.pc.nft(*_filter("icmp type destination-unreachable drop", "input"))
    _serve_downloads(lab)
    _download(lab, FAR_UNIT)
