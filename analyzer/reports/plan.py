"""Plans -> one connection sheet: what to check, to set and to plug in, in which order.

Everything is printed only: nothing here touches a PC or a network.
"""

from collections.abc import Iterator, Sequence

from analyzer.cautions import (
    ADDRESS_CHANGE,
    CABINET,
    COMMANDS,
    FIXED_ENTRY,
    LINK_DROPS,
    OTHERS_SESSION,
    UNPLUG,
)
from analyzer.diagnosis import Step
from analyzer.planning import Check, Entry, Plan, Result, Way
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table, Typed, safely
from analyzer.reports.cable import CROSSED, OTHER_PLUGS, SOURCES, STRAIGHT, WHICH, pins
from analyzer.reports.commands import SYSTEMS, Command, System, Task, commands
from analyzer.site import Adapter, Controller
from analyzer.words import LONGEST_IN_A_CELL, clean, count, listed, quoted, say, seconds

ABOUT = {
    "controller": "The controller's address",
    "controller gateway": "The controller's gateway",
    "pc": "The PC's address",
    "pc gateway": "The PC's gateway",
    "network": "A way between the two",
    "masks": "Both masks alike",
    "adapters": "The PC's other adapters",
}
BY_FOUND = {
    "taken": "Only the PC has it",
    "own address": "Only the PC has it",
    "self-assigned": "Where it is from",
}
"""What a further check of the PC's address is about."""
FOUND = {
    "host number": "A device can have {address}: its network has {first} to {last}.",
    "network number": "{address} is the number of the network itself. Devices have {first} to "
    "{last}.",
    "broadcast number": "{address} calls everybody in the network (broadcast). Devices have "
    "{first} to {last}.",
    "reserved": "{address} is reserved: no device can have it.",
    "self-assigned": "{address} is one that a PC gives itself where nobody gives it one.",
    "taken": "{address} is taken already, by {owner}.",
    "own address": "Nobody else in this sheet has {address}.",
    "same network": "Both are in {pc}.",
    "router": "The PC is in {pc}, the controller in {controller}. The router {gateway} has to know "
    "both.",
    "other network": "By their masks the PC is in {pc}, the controller in {controller}. No router "
    "between the two is named.",
    "presumed apart": "No mask is known. By the presumed one the PC is in {pc}, the controller in "
    "{controller}, and no router between the two is named. Read both masks.",
    "masks differ": "The PC has {pc}, the controller {controller}. Find out which one the plant "
    "uses.",
    "gateway inside": "{gateway} is in the network of {own}.",
    "gateway outside": "{gateway} is no device in the network of {own}: it cannot be reached from "
    "there.",
    "gateway is itself": "{gateway} is the address of the station itself.",
    "adapters overlap": "Another adapter has {other}, this one {pc}. The PC may send through the "
    "wrong one.",
    "adapters apart": "Another adapter has {other}, this one {pc}.",
}
OWNERS = {
    "controller": "the controller",
    "gateway": "the gateway",
    "other": "another that uses the controller",
    "adapter": "another adapter of the PC",
}
ENTRIES = {
    Entry.NEEDED: "Neighbour table: {controller} does not answer when it is asked for its hardware "
    "address. It has to be entered by hand, with {hardware} from its label.",
    Entry.LABEL_MISSING: "Neighbour table: {controller} does not answer when it is asked for its "
    "hardware address. It has to be entered by hand: read the hardware address on its label first.",
    Entry.NOT_NEEDED: "Neighbour table: nothing has to be entered by hand.",
    Entry.NOT_KNOWN: "Neighbour table: nothing has to be entered by hand, unless the manual says "
    "that the controller does not answer when it is asked for its hardware address (ARP). Then "
    "put answers_arp = false into the site sheet.",
}
ONLY_PRINTED = (
    "This sheet changes nothing by itself. Before any step at a machine that can move, make it "
    "safe, and ask whoever is responsible for the machine and for the network. What is behind a "
    "cabinet's door, a label or a lamp too, is for those who may open it."
)


def plan_report(
    plans: Sequence[Plan], systems: Sequence[System] = SYSTEMS, wires: bool = False
) -> list[Block]:
    """The connection sheet for one or several controllers, with commands for kinds of PC; wires:
    with the pins and colours of cables.
    """
    blocks: list[Block] = [
        Heading("Connection sheet", 1),
        Paragraph(verdict(plans), strong=True),
        Paragraph(ONLY_PRINTED),
    ]
    for one in plans:
        blocks += _connection(one)
    blocks += [Heading("Steps, in this order"), Listing(steps(plans, systems), numbered=True)]
    if can_go_on(plans):
        texts = [Step(text) for text in success(plans)]
        blocks += [Heading("What success looks like"), Listing(texts)]
    if wires:
        blocks += [Heading("Cables"), Listing([Step(STRAIGHT), Step(CROSSED)]), pins()]
        blocks += [Paragraph(f"{OTHER_PLUGS} {' '.join(SOURCES)}")]
    for system in systems if can_go_on(plans) else ():
        blocks += [Heading(f"Commands for {system.name}"), Paragraph(system.rights), Paragraph(HOW)]
        for command in commands(plans, system):
            blocks += _command(command)
    return list(safely(blocks))


def can_go_on(plans: Sequence[Plan]) -> bool:
    """Whether nothing has to be mended and planned again first."""
    return all(one.can_go_on for one in plans)


HOW = (
    "Put the adapter's name, as the first command shows it, in the place of ADAPTER. Undo only "
    "what you have set, the last first, and unplug the PC before you undo an address."
)


def verdict(plans: Sequence[Plan]) -> str:
    """Whether the numbers hold, in one sentence."""
    broken = sum(check.result is Result.BROKEN for one in plans for check in one.checks)
    if broken:
        return f"The numbers do not hold yet: {count(broken, 'check')} below."
    if not all(one.holds for one in plans):
        return "By a presumed mask the numbers do not hold: read the masks first."
    if any(check.result is Result.OPEN for one in plans for check in one.checks):
        return "The numbers hold, as far as they are known: see what is to be checked."
    return "The numbers hold."


def _connection(plan: Plan) -> Iterator[Block]:
    yield Heading(f"The PC and {who(plan.controller)}")
    yield Table(("", "The PC", "The controller"), list(_numbers(plan)))
    yield Table(("Check", "Result", "Why"), [_check(one) for one in plan.checks])
    if plan.presumed:
        yield Paragraph(
            f"No mask is known: {plan.mask} is presumed. Read it on the controller, and write it "
            "into the site sheet."
        )
    yield Paragraph(_address(plan))
    yield Paragraph(WHICH[plan.controller.cable])
    yield Paragraph(entry(plan))


def who(controller: Controller) -> str:
    """The controller by name and address."""
    name = controller.name
    return f"{quoted(name)} ({controller.address})" if name else str(controller.address)


def _numbers(plan: Plan) -> Iterator[tuple[str, str, str]]:
    """What is known of both ends; rows in which nothing is known are left out."""
    pc, unit = plan.adapter, plan.controller
    rows = (
        ("Name", _named(pc.name) if pc else None, _named(unit.name)),
        ("Address", pc and pc.address, unit.address),
        ("Mask", pc and pc.mask, unit.mask),
        ("Gateway", pc and pc.gateway, unit.gateway),
        ("Hardware address", pc and pc.hardware_address, unit.hardware_address),
        ("Port", None, _port(unit)),
        ("Sessions at a time", None, unit.sessions),
        (
            "Others that use it",
            None,
            listed(list(map(_named, unit.others))) if unit.others else None,
        ),
    )
    for name, here, there in rows:
        if here is not None or there is not None:
            yield name, _text(here), _text(there)


def _named(name: str) -> str | None:
    """A name out of the sheet, in a cell."""
    return quoted(name, LONGEST_IN_A_CELL) if name else None


def _text(value: object) -> str:
    return clean(str(value)) if value else "-"


def _port(controller: Controller) -> str | None:
    if controller.port is None:
        return None
    return f"{(controller.transport or 'tcp').upper()} {controller.port}"


def _check(check: Check) -> tuple[str, str, str]:
    result = check.result.upper() if check.result is Result.BROKEN else str(check.result)
    return BY_FOUND.get(check.found, ABOUT[check.about]), result, why(check)


def why(check: Check) -> str:
    """What a check found, in words."""
    values = dict(check.values)
    if "owner" in values:
        values["owner"] = (
            f"{OWNERS[str(values['owner'])]} {_named(str(values['name'])) or ''}".strip()
        )
    return say(FOUND[check.found], values)


def _address(plan: Plan) -> str:
    if plan.pc is None:
        return f"The PC's address: this sheet leaves none free in {plan.far}."
    if plan.changes_address:
        return (
            f"The PC's address: {plan.pc} with the mask {plan.mask} is free as far as this sheet "
            "knows. It does not know every device: ask whoever looks after the network first."
        )
    return f"The PC's address: it keeps {plan.pc} with the mask {plan.mask}."


def entry(plan: Plan) -> str:
    """Whether something has to be entered in the neighbour table, in words."""
    values = {
        "controller": plan.controller.address,
        "hardware": plan.controller.hardware_address,
    }
    return say(ENTRIES[plan.entry], values)


def _command(command: Command) -> Iterator[Block]:
    yield Heading(command.to, 3)
    yield Listing([Step(command.changes, command.caution)])
    yield Typed(command.typed)
    yield Paragraph(f"What success looks like: {command.success}")
    for undo in command.undo:
        where = f", {undo.where}" if undo.where else ""
        yield Listing([Step(f"To undo it{where}:", undo.caution)])
        yield Typed(undo.typed)


def steps(plans: Sequence[Plan], systems: Sequence[System] = SYSTEMS) -> list[Step]:
    """What to do for all plans together with these kinds of PC, each with its caution; no more than
    mending where the numbers do not hold and the steps would not change that.
    """
    if not can_go_on(plans):
        return [COMPARE, MEND]
    return [
        *_before(plans),
        *_set(plans, systems),
        *_plug_in(plans),
        *_ask(plans, systems),
        *_routes(plans),
        *_enter(plans),
        *_try(plans),
        Step(
            "When you are done: disconnect in the program, unplug the PC, and only then take back "
            "each setting with its command.",
            UNPLUG,
        ),
    ]


COMPARE = Step(
    "Read address, mask and hardware address on the controller itself, on its display or label, "
    "and compare them with this sheet."
)
MEND = Step(
    "Mend what does not hold above, in the site sheet or on the devices, and plan again.",
    ADDRESS_CHANGE,
)


def _before(plans: Sequence[Plan]) -> Iterator[Step]:
    yield COMPARE
    if any(check.found == "presumed apart" for one in plans for check in one.checks):
        yield Step(
            "Read the masks of the PC and of the controller, and plan again with --mask: by a "
            "wider one the PC may keep its address."
        )
    if any(check.result is Result.BROKEN for one in plans for check in one.checks):
        yield Step(
            "See what does not hold above: the steps below mend it on the PC. Correct the site "
            "sheet too."
        )
    yield Step("See what the PC's adapter is set to now, and note it: you go back to that.")
    if any(one.controller.sessions or one.controller.others for one in plans):
        yield Step(
            "Ask who is connected to the controller now. Where it has no room for the PC, agree on "
            "whose session is closed.",
            OTHERS_SESSION,
        )
    yield Step(
        "Agree with whoever is responsible on a time for what follows, and have the machine made "
        "safe for it."
    )


PLUGGED = {
    "direct": ("Plug one cable from the PC directly into {unit}.", UNPLUG),
    "switch": ("Plug the PC into a free socket of the switch that leads to {unit}.", CABINET),
    None: (
        "Plug the PC into a free socket of the switch that leads to {unit}. Where there is none, "
        "join the two by one cable.",
        UNPLUG,
    ),
}


def _plug_in(plans: Sequence[Plan]) -> Iterator[Step]:
    for cable, (text, caution) in PLUGGED.items():
        units = [who(one.controller) for one in plans if one.controller.cable == cable]
        if units:
            yield Step(say(text, {"unit": listed(units)}), caution)
    yield Step("Look at the lamps at both ends of the cable: they have to be lit.")
    if any(one.controller.cable != "direct" for one in plans):
        yield Step(
            "Wait 60 s behind a switch: its port may open late, and nobody could answer before."
        )


def _ask(plans: Sequence[Plan], systems: Sequence[System]) -> Iterator[Step]:
    """Whether the address is free, before it is used."""
    gives = any(Task.FREE in one.commands for one in systems)
    for address, mask in dict.fromkeys((one.pc, one.mask) for one in plans):
        if address is not None:
            asks = [say(one.asks, {"pc": address}) for one in systems]
            give = f"Where nobody answers, give the adapter {address} with the mask {mask}."
            yield Step(" ".join([*asks, *([give] if gives else [])]), ADDRESS_CHANGE)


def _routes(plans: Sequence[Plan]) -> Iterator[Step]:
    """No system takes a router that none of its addresses is in a network with."""
    for far in dict.fromkeys(one.far for one in plans if one.way is Way.ROUTER):
        yield Step(f"Name the router to {far} on the PC.", ADDRESS_CHANGE)


def _set(plans: Sequence[Plan], systems: Sequence[System]) -> Iterator[Step]:
    overlap = any(check.found == "adapters overlap" for one in plans for check in one.checks)
    if overlap:
        yield Step(
            "Have the PC's other adapters in that network switched off while you connect.",
            LINK_DROPS,
        )
    units: dict[object, list[str]] = {}
    for one in plans:
        units.setdefault(one.pc, []).append(who(one.controller))
    gives = any(Task.FREE not in one.commands for one in systems)
    for address, mask in dict.fromkeys((one.pc, one.mask) for one in plans):
        if address is not None:
            give = f" On Windows give the adapter {address} with the mask {mask} now."
            yield Step(
                f"For {listed(units[address])}, with the cable still out: take away every other "
                f"address of the PC that is the controller's, or in its network.{give * gives}",
                ADDRESS_CHANGE,
            )


def _enter(plans: Sequence[Plan]) -> Iterator[Step]:
    needed = [one for one in plans if one.entry in (Entry.NEEDED, Entry.LABEL_MISSING)]
    for one in needed:
        yield Step(
            f"Enter {one.controller.address} with its hardware address in the PC's neighbour "
            "table.",
            FIXED_ENTRY,
        )


def _try(plans: Sequence[Plan]) -> Iterator[Step]:
    yield Step(
        "Only now start a recording on that adapter, and wait 5 s. whynolink record ends by itself "
        "after 10 min, or as told with --minutes."
    )
    yield Step("Ping the controller. Some controllers do not answer pings by design.")
    if any(one.way is Way.SAME_NETWORK for one in plans):
        yield Step(
            "See the neighbour table: the controller's hardware address is the one on its label."
        )
    for router in dict.fromkeys(one.router for one in plans if one.router is not None):
        yield Step(
            f"See the neighbour table: it has the router {router}. What is behind a router is not "
            "in it."
        )
    yield Step("Connect once with the program, wait 30 s, and stop the recording.", COMMANDS)


def success(plans: Sequence[Plan]) -> list[str]:
    """What is to be seen when it works."""
    said = ["The lamps at both ends of the cable are lit."]
    for one in plans:
        unit, name = one.controller, one.controller.address
        if unit.hardware_address is not None and one.way is Way.SAME_NETWORK:
            said.append(f"The neighbour table shows {unit.hardware_address} for {name}.")
        port = f"The port of {name} that the program calls"
        if unit.port is not None:
            port = f"{_port(unit)} of {name}"
        limit = f" within {seconds(unit.answer_limit)}" if unit.answer_limit else ""
        said.append(f"{port} opens, and the first request is answered{limit}.")
        if unit.idle_limit is not None:
            said.append(
                f"{name} ends a session that had no request for {seconds(unit.idle_limit)}: that "
                "is by design."
            )
    said.append("The diagnosis of the recording with this sheet says that the connection works.")
    return said


def adapter_name(adapter: Adapter | None) -> str | None:
    """What the sheet calls the PC's adapter."""
    return adapter.name or None if adapter is not None else None
