"""Who the PC and the controller are, and how that is known."""

from collections.abc import Set

from analyzer.diagnosis import Diagnosis, How, LinkUp, Pc, Station
from analyzer.reports.document.bounds import MOST_NAMED, MOST_PROOF, named
from analyzer.reports.document.verdict import far_end
from analyzer.words import count, listed, quoted

HOW_KNOWN = {
    "told": "given with --controller",
    "sheet": "named in the site sheet",
    "industrial": "the PC called a port there that is registered for industrial use",
    "tried": "the PC tried to reach it",
    "called": "it called the PC, and the PC answered",
    "asked": "the PC asked for its hardware address",
    "address server": "the PC asked it for an address",
}
WHICH_PC = {
    "told": "given with --pc",
    "sheet": "named in the site sheet",
    "recorded": "named by the recording itself",
    "traffic": "worked out from the traffic",
    "caller": "it is the one that called or asked",
}


def who(linkup: LinkUp) -> str:
    """Both ends of a link-up."""
    pc = f"The PC {linkup.pc_address}" if linkup.pc_address is not None else "The PC"
    port = ""
    if linkup.target.port is not None and linkup.target.transport is not None:
        port = f", {linkup.target.transport.upper()} port {linkup.target.port}"
    name = (
        f" ({quoted(linkup.sheet.name)} in the site sheet)"
        if linkup.sheet and linkup.sheet.name
        else ""
    )
    return f"{pc} and the {far_end(linkup)} {linkup.controller}{name}{port}"


def how_known(diagnosis: Diagnosis, linkup: LinkUp) -> str:
    """How the two are known, and whom else the PC had to do with."""
    others, unanswered = diagnosis.case.others, diagnosis.case.unanswered
    seen = f" The PC also had to do with {named(others)}." if others else ""
    if unanswered:
        silent = named(unanswered)
        seen += f" It asked in vain for {silent}. Name with --controller whom you want judged."
    told = (
        f"How the {far_end(linkup)} is known: {HOW_KNOWN[linkup.target.how_known]}. "
        f"How the PC is known: {WHICH_PC[linkup.pc.how_known]}.{seen}"
    )
    return f"{told} {other_port(linkup)}".rstrip()


def other_port(linkup: LinkUp) -> str:
    """A remark where the user named a port and the PC called others."""
    called = sorted({session.server.port for session in linkup.other_sessions})
    how = linkup.target.how_known
    if how not in ("told", "sheet") or linkup.sessions or not called:
        return ""
    given = "was given" if how == "told" else "stands in the site sheet"
    return (
        f"Port {linkup.target.port} {given}; the PC called port {named(called)} instead. "
        f"To have that judged: --controller {linkup.controller.with_port(called[0])}."
    )


def refusing_ports(linkup: LinkUp) -> str:
    """A remark where the PC called other ports of the same controller, and these refused."""
    refused = linkup.on_others.that(How.REFUSED)
    if not refused:
        return ""
    ports = named(sorted({one.session.server.port for one in refused}), MOST_PROOF)
    return f"{linkup.controller} refused {count(len(refused), 'call')} to another port: {ports}."


def other_controller(diagnosis: Diagnosis, linkup: LinkUp) -> str:
    """A remark where the PC tried nothing with the one that the user named, and met others."""
    others = diagnosis.case.others
    if linkup.target.how_known not in ("told", "sheet") or linkup.is_tried or not others:
        return ""
    return (
        f"The PC had to do with {named(others, MOST_PROOF)}. "
        f"To have that judged: --controller {others[0]}."
    )


def which_pc(diagnosis: Diagnosis) -> str | None:
    """What narrows the answer where every caller is taken for the PC; None where it is known."""
    case = diagnosis.case
    if not case.pc_unknown:
        return None
    callers = list(dict.fromkeys(_caller(one) for one in case.pcs))
    if len(callers) < 2:
        return "Who recorded is not known: whoever called or asked is taken for the PC."
    return (
        "Who recorded is not known: everybody who called or asked is taken for the PC in turn. To "
        f"have one of them judged alone, name it with --pc: {named(callers)}."
    )


def _caller(pc: Pc) -> str:
    """A caller, by its hardware address where several devices share its address."""
    own = pc.addresses[:1]
    shared = own and len(pc.facts.index.stations_at[own[0]]) > 1
    return str(own[0] if own and not shared else pc.hardware or own[0])


def nobody(diagnosis: Diagnosis) -> str:
    """Why there is no link-up, and what to tell so that there is one."""
    case = diagnosis.case
    if not diagnosis.facts.coverage.frames:
        return "Neither a PC nor a controller is in this recording."
    if case.pc is not None and case.pc.how_known == "told" and not _occurs(diagnosis):
        own = listed([*case.pc.addresses, *([case.pc.hardware] if case.pc.hardware else [])])
        return f"The PC {own}, given with --pc, sends nothing in this recording."
    if case.pc is None and len(case.candidates) > 1:
        by_name = dict.fromkeys(_name(diagnosis, one) for one in case.candidates)
        names = listed(list(by_name)[:MOST_NAMED])
        return (
            "Which station is the PC that recorded? These fit equally well: "
            f"{names}. Say so with --pc ADDRESS."
        )
    seen = f" It had to do with {named(case.others)}." if case.others else ""
    return (
        "No controller was found: the PC called none that can be told from its other traffic."
        f"{seen} If you know its address, name it with --controller ADDRESS."
    )


def _name(diagnosis: Diagnosis, station: Station) -> str:
    """A station by its address, or by its hardware address where it has none of its own."""
    at = diagnosis.facts.index.stations_at
    own = [
        str(one) for one in station.all_addresses if station.hardware is None or len(at[one]) == 1
    ]
    return own[0] if own else str(station.hardware)


def _occurs(diagnosis: Diagnosis) -> bool:
    """Whether the PC sent any frame."""
    pc = diagnosis.case.pc
    if pc is None:
        return False
    own = {pc.hardware}, set(pc.addresses)
    return any(is_among(one, *own) for one in diagnosis.facts.stations)


def is_among(station: Station, hardware: Set[object], addresses: Set[object]) -> bool:
    """Whether a station is known by its hardware address, or by an address where it has none."""
    if station.hardware is not None:
        return station.hardware in hardware
    return any(one in addresses for one in station.all_addresses)
