"""The commands that a plan prints: what to type on which kind of PC, what it changes, how to undo
it. They are printed only, never run.

The systems' own commands, by their published help (from memory); those with ip are run in a test.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from analyzer.cautions import ADDRESS_CHANGE, FIXED_ENTRY
from analyzer.planning import Entry, Plan, Way, length

READ_IT = "HARDWARE-ADDRESS"
"""Stands for what has to be read from the label first."""


@dataclass(frozen=True, slots=True)
class Command:
    """Something to type. undo: the command that takes it back, empty where nothing is changed."""

    to: str
    typed: str
    changes: str
    undo: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True)
class System:
    """A kind of PC, by the command that it has.

    The commands are templates: pc, mask, length, controller, hardware and colons (the same written
    with colons), far (the controller's network) and gateway. stays: whether what is set outlasts a
    restart.
    """

    name: str
    rights: str
    look: str
    address: str
    address_undo: str
    address_changes: str
    route: str
    route_undo: str
    neighbours: str
    entry: str
    entry_undo: str
    ping: str
    stays: bool


SYSTEMS = (
    System(
        name="PC with netsh",
        rights="Type these in a command window that was opened as administrator.",
        look="netsh interface ip show addresses",
        address='netsh interface ip set address "ADAPTER" static {pc} {mask}',
        address_undo='netsh interface ip set address "ADAPTER" dhcp',
        address_changes="Replaces the adapter's address, mask and gateway; it outlasts a restart. "
        "The undo is for an adapter that got its address by itself. Otherwise repeat the command "
        "with the numbers noted before.",
        route='netsh interface ip add route {far} "ADAPTER" {gateway}',
        route_undo='netsh interface ip delete route {far} "ADAPTER" {gateway}',
        neighbours="netsh interface ip show neighbors",
        entry='netsh interface ip add neighbors "ADAPTER" {controller} {hardware}',
        entry_undo='netsh interface ip delete neighbors "ADAPTER" {controller}',
        ping="ping -n 4 {controller}",
        stays=True,
    ),
    System(
        name="PC with ip",
        rights="Type these in a terminal; sudo asks for the administrator's password.",
        look="ip address show",
        address="sudo ip address add {pc}/{length} dev ADAPTER",
        address_undo="sudo ip address del {pc}/{length} dev ADAPTER",
        address_changes="Gives the adapter one more address, until a restart. A network manager "
        "may take it away again.",
        route="sudo ip route add {far} via {gateway} dev ADAPTER",
        route_undo="sudo ip route del {far} via {gateway} dev ADAPTER",
        neighbours="ip neigh show dev ADAPTER",
        entry="sudo ip neigh replace {controller} lladdr {colons} dev ADAPTER",
        entry_undo="sudo ip neigh del {controller} dev ADAPTER",
        ping="ping -c 4 {controller}",
        stays=False,
    ),
    System(
        name="PC with ifconfig and networksetup",
        rights="Type these in a terminal; sudo asks for the administrator's password. The names of "
        "the adapters: networksetup -listallhardwareports",
        look="ifconfig -a",
        address="sudo ifconfig ADAPTER inet {pc} netmask {mask} alias",
        address_undo="sudo ifconfig ADAPTER inet {pc} -alias",
        address_changes="Gives the adapter one more address, until a restart.",
        route="sudo route add -net {far} {gateway}",
        route_undo="sudo route delete -net {far} {gateway}",
        neighbours="arp -an",
        entry="sudo arp -s {controller} {colons}",
        entry_undo="sudo arp -d {controller}",
        ping="ping -c 4 {controller}",
        stays=False,
    ),
)


def commands(plans: Sequence[Plan], system: System) -> list[Command]:
    """What to type for all plans, each command once."""
    return list(dict.fromkeys(one for plan in plans for one in _commands(plan, system)))


def _commands(plan: Plan, system: System) -> Iterator[Command]:
    values = _values(plan)
    lasts = "It outlasts a restart." if system.stays else "It is gone after a restart."
    yield Command("See what is set now, and note it", system.look, "Changes nothing.")
    if plan.pc is not None:
        yield Command(
            f"Give the adapter the address {plan.pc}",
            system.address.format_map(values),
            system.address_changes,
            system.address_undo.format_map(values),
            ADDRESS_CHANGE,
        )
    if plan.way is Way.ROUTER:
        yield Command(
            f"Name the router to {values['far']}",
            system.route.format_map(values),
            f"Packets for that network go to {values['gateway']}. {lasts}",
            system.route_undo.format_map(values),
            ADDRESS_CHANGE,
        )
    if plan.entry in (Entry.NEEDED, Entry.LABEL_MISSING):
        yield Command(
            f"Enter {plan.controller.address} in the neighbour table (ARP table)",
            system.entry.format_map(values),
            f"The PC no longer asks for this hardware address. {lasts}",
            system.entry_undo.format_map(values),
            FIXED_ENTRY,
        )
    yield Command("Send four pings", system.ping.format_map(values), "Changes nothing.")
    yield Command("See the neighbour table (ARP table)", system.neighbours, "Changes nothing.")


def _values(plan: Plan) -> dict[str, object]:
    hardware = plan.controller.hardware_address
    written = READ_IT if hardware is None else str(hardware).lower()
    return {
        "pc": plan.pc,
        "mask": plan.mask,
        "length": length(plan.mask),
        "controller": plan.controller.address,
        "hardware": written,
        "colons": written if hardware is None else written.replace("-", ":"),
        "far": plan.far,
        "gateway": plan.adapter.gateway if plan.adapter is not None else None,
    }
