"""The commands that a plan prints: what to type on which kind of PC, what it changes, what is seen
when it worked, how to undo it. They are printed only, never run.

The systems' own commands, by their published help (from memory); those with ip are run in a test.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from analyzer.cautions import ADDRESS_CHANGE, FIXED_ENTRY, LINK_DROPS, Caution
from analyzer.planning import Entry, Plan, length
from analyzer.words import say

READ_IT = "HARDWARE-ADDRESS"
"""Stands for what has to be read from the label first."""
NOTHING = "Changes nothing."
LASTS = "It outlasts a restart of the PC."
GOES = "It is gone after a restart of the PC."


class Task(StrEnum):
    """What a command is for, in the order in which they are typed."""

    LOOK = "look"
    OLD = "old"
    FREE = "free"
    ADDRESS = "address"
    GATEWAY = "gateway"
    ROUTE = "route"
    ROUTES = "routes"
    ENTRY = "entry"
    PING = "ping"
    NEIGHBOURS = "neighbours"


@dataclass(frozen=True, slots=True)
class Undo:
    """What takes a command back. where: in which case, empty where it always does."""

    typed: str
    where: str = ""
    caution: Caution = LINK_DROPS


@dataclass(frozen=True, slots=True)
class Command:
    """Something to type, with what it changes. undo: empty where it changes nothing. In a template,
    to: what it is for, where this system needs other words than the task; success: what this system
    adds to the words of the task.
    """

    typed: str
    changes: str = NOTHING
    undo: tuple[Undo, ...] = ()
    to: str = ""
    success: str = ""
    caution: Caution | None = None


@dataclass(frozen=True, slots=True)
class System:
    """A kind of PC, with what it has for each task.

    What it has no command for, it does not need. The commands are templates: pc, mask, length, kept
    (the PC's gateway, where it fits), lost (the same where it does not), controller, hardware and
    colons (the same written with colons), far (the controller's network), gateway (the router to
    it), and next (whose hardware address the PC needs). asks: how it is found out whether pc is
    free, and by whom.
    """

    key: str
    name: str
    rights: str
    asks: str
    commands: Mapping[Task, Command]


TO = {
    Task.LOOK: "See what is set now, and note it",
    Task.OLD: "With the cable out, take every other address away that is the controller's, or in "
    "the network of {pc}",
    Task.FREE: "With the cable plugged in, ask whether {pc} is free",
    Task.ADDRESS: "Where nobody answered, give the adapter the address {pc}, if it does not have "
    "it yet",
    Task.GATEWAY: "Name the PC's gateway {kept} again, if the step before was needed",
    Task.ROUTE: "Name the router to {far}",
    Task.ROUTES: "See the table of routes",
    Task.ENTRY: "Enter {controller} in the neighbour table (ARP table)",
    Task.PING: "Send four pings",
    Task.NEIGHBOURS: "See the neighbour table (ARP table)",
}
SUCCESS = {
    Task.LOOK: "it shows the adapter with its address.",
    Task.OLD: "the first command no longer shows the old address.",
    Task.FREE: "nobody answers; any answer means that {pc} is taken.",
    Task.ADDRESS: "the first command shows {pc} for the adapter.",
    Task.GATEWAY: "the first command shows {kept} as the adapter's gateway.",
    Task.ROUTE: "the next command shows {gateway} for that network.",
    Task.ROUTES: "it shows {gateway} for {far}.",
    Task.ENTRY: "the last command shows {controller} with the hardware address of the label.",
    Task.PING: "four answers come from {controller}. Some controllers do not answer by design.",
    Task.NEIGHBOURS: "it shows a hardware address for {next}.",
}
CAUTION = {
    Task.OLD: ADDRESS_CHANGE,
    Task.ADDRESS: ADDRESS_CHANGE,
    Task.GATEWAY: ADDRESS_CHANGE,
    Task.ROUTE: ADDRESS_CHANGE,
    Task.ENTRY: FIXED_ENTRY,
}
ONE_MORE = "The adapter has this address beside those that are left, until a restart of the PC."
OLD_GOES = (
    "The PC no longer has that address: a ping to it is not answered by the PC itself. What goes "
    "over it ends."
)
GATEWAY = (
    "{kept:if The next command sets the gateway {kept} again.}"
    "{lost:if No gateway is set: {lost} is no other device in the network of {pc}.}"
    "{none:if No gateway is set: this sheet names none for the PC.}"
)
ROUTED = "Packets for {far} go to {gateway}."
ENTERED = "The PC no longer asks for this hardware address."

SYSTEMS = (
    System(
        "windows",
        "Windows (netsh)",
        "Type these in a command window that was opened as administrator.",
        "Windows asks by itself whether {pc} is free: see that the adapter keeps it.",
        {
            Task.LOOK: Command("netsh interface ip show addresses"),
            Task.ADDRESS: Command(
                'netsh interface ip set address "ADAPTER" static {pc} {mask}',
                "Replaces all of the adapter's addresses, with mask and gateway: what the PC does "
                "over "
                "them ends."
                f"{GATEWAY} {LASTS}",
                to="With the cable still out, give the adapter the address {pc}, if it does not "
                "have it yet",
                undo=(
                    Undo(
                        'netsh interface ip set address "ADAPTER" dhcp',
                        "where the address was automatic (DHCP) before",
                    ),
                    Undo(
                        'netsh interface ip set address "ADAPTER" static ADDRESS MASK GATEWAY',
                        "where it was fixed before; leave out GATEWAY where there was none, and "
                        "name further addresses with add in place of set",
                        ADDRESS_CHANGE,
                    ),
                ),
            ),
            Task.GATEWAY: Command(
                'netsh interface ip add address "ADAPTER" gateway={kept} gwmetric=1',
                f"The PC sends packets for other networks to {{kept}}. {LASTS}",
                (Undo('netsh interface ip delete address "ADAPTER" gateway={kept}'),),
            ),
            Task.ROUTE: Command(
                'netsh interface ip add route {far} "ADAPTER" {gateway}',
                f"{ROUTED} {LASTS}",
                (Undo('netsh interface ip delete route {far} "ADAPTER" {gateway}'),),
            ),
            Task.ROUTES: Command("netsh interface ip show route"),
            Task.ENTRY: Command(
                'netsh interface ip set neighbors "ADAPTER" {controller} {hardware}',
                f"{ENTERED} {LASTS}",
                (Undo('netsh interface ip delete neighbors "ADAPTER" {controller}'),),
            ),
            Task.PING: Command(
                "ping -n 4 {controller}",
                success="A line from the PC's own address is no answer, although it is counted.",
            ),
            Task.NEIGHBOURS: Command("netsh interface ip show neighbors"),
        },
    ),
    System(
        "linux",
        "Linux (ip)",
        "Type these in a terminal; sudo asks for the password of the user who types (sudoers(5)). "
        "Where the first command shows the adapter as DOWN, type: sudo ip link set ADAPTER up",
        "On Linux ask with arping -D whether {pc} is free.",
        {
            Task.LOOK: Command("ip address show"),
            Task.OLD: Command(
                "sudo ip address del OLD/LENGTH dev ADAPTER",
                OLD_GOES,
                (Undo("sudo ip address add OLD/LENGTH dev ADAPTER", caution=ADDRESS_CHANGE),),
            ),
            Task.FREE: Command(
                "sudo arping -D -c 3 -I ADAPTER {pc}",
                success="With none, arping counts 0 responses.",
            ),
            Task.ADDRESS: Command(
                "sudo ip address add {pc}/{length} dev ADAPTER",
                f"{ONE_MORE} A network manager may take it away again.",
                (Undo("sudo ip address del {pc}/{length} dev ADAPTER"),),
            ),
            Task.ROUTE: Command(
                "sudo ip route add {far} via {gateway} dev ADAPTER",
                f"{ROUTED} {GOES}",
                (Undo("sudo ip route del {far} via {gateway} dev ADAPTER"),),
            ),
            Task.ROUTES: Command("ip route show"),
            Task.ENTRY: Command(
                "sudo ip neigh replace {controller} lladdr {colons} dev ADAPTER",
                f"{ENTERED} {GOES}",
                (Undo("sudo ip neigh del {controller} dev ADAPTER"),),
            ),
            Task.PING: Command("ping -c 4 {controller}"),
            Task.NEIGHBOURS: Command("ip neigh show dev ADAPTER"),
        },
    ),
    System(
        "macos",
        "macOS (ifconfig, route, arp)",
        "Type these in a terminal; sudo asks for the password of the user who types (sudoers(5)). "
        "Which adapter has which name is told by: networksetup -listallhardwareports",
        "On macOS have another device, if there is one, ask whether {pc} is free.",
        {
            Task.LOOK: Command("ifconfig -a"),
            Task.OLD: Command(
                "sudo ifconfig ADAPTER inet OLD -alias",
                OLD_GOES,
                (
                    Undo(
                        "sudo ifconfig ADAPTER inet OLD netmask MASK alias", caution=ADDRESS_CHANGE
                    ),
                ),
            ),
            Task.FREE: Command(
                "ping -c 4 {pc}",
                to="On another device of the network, ask whether {pc} is free: ifconfig does not",
                success="The neighbour table of that device shows no hardware address for it.",
            ),
            Task.ADDRESS: Command(
                "sudo ifconfig ADAPTER inet {pc} netmask {mask} alias",
                f"{ONE_MORE} Where another address in that network is left, the mask has to be "
                "255.255.255.255 (ifconfig(8)).",
                (Undo("sudo ifconfig ADAPTER inet {pc} -alias"),),
            ),
            Task.ROUTE: Command(
                "sudo route add -net {far} {gateway}",
                f"{ROUTED} {GOES}",
                (Undo("sudo route delete -net {far} {gateway}"),),
            ),
            Task.ROUTES: Command(
                "netstat -rn -f inet",
                success="A network may be printed without its last zeros.",
            ),
            Task.ENTRY: Command(
                "sudo arp -s {controller} {colons}",
                f"{ENTERED} {GOES}",
                (Undo("sudo arp -d {controller}"),),
            ),
            Task.PING: Command("ping -c 4 {controller}"),
            Task.NEIGHBOURS: Command(
                "arp -an",
                success="It is printed without the leading zero of each pair.",
            ),
        },
    ),
)


def commands(plans: Sequence[Plan], system: System) -> list[Command]:
    """What to type for all plans, each command once, in the order of the tasks."""
    filled = (
        _filled(task, system, plan)
        for task in Task
        for plan in plans
        if task in system.commands and task in _tasks(plan)
    )
    return list(dict.fromkeys(filled))


def _tasks(plan: Plan) -> Iterator[Task]:
    yield Task.LOOK
    if plan.pc is not None:
        yield from (Task.OLD, Task.FREE, Task.ADDRESS)
    if plan.gateway is not None:
        yield Task.GATEWAY
    if plan.router is not None:
        yield from (Task.ROUTE, Task.ROUTES)
    if plan.entry in (Entry.NEEDED, Entry.LABEL_MISSING):
        yield Task.ENTRY
    yield from (Task.PING, Task.NEIGHBOURS)


def _filled(task: Task, system: System, plan: Plan) -> Command:
    values, command = _values(plan), system.commands[task]
    return Command(
        typed=say(command.typed, values),
        changes=say(command.changes, values),
        undo=tuple(Undo(say(one.typed, values), one.where, one.caution) for one in command.undo),
        to=say(command.to or TO[task], values),
        success=f"{say(SUCCESS[task], values)} {command.success}".strip(),
        caution=CAUTION.get(task),
    )


def _values(plan: Plan) -> dict[str, object]:
    hardware = plan.controller.hardware_address
    gateway = plan.adapter.gateway if plan.adapter is not None else None
    written = READ_IT if hardware is None else str(hardware).lower()
    return {
        "pc": plan.pc,
        "mask": plan.mask,
        "length": length(plan.mask),
        "kept": plan.gateway,
        "lost": gateway if plan.gateway is None else None,
        "none": gateway is None,
        "controller": plan.controller.address,
        "hardware": written,
        "colons": written if hardware is None else written.replace("-", ":"),
        "far": plan.far,
        "gateway": plan.router,
        "next": plan.router or plan.controller.address,
    }
