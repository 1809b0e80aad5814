"""The controller as the one that calls: either end may open a session (RFC 9293 3.5)."""

from analyzer.facts import Session
from analyzer.facts.ports import OFFICE_PORTS
from analyzer.linkup.model import LinkUp, Pc


def is_taken_call(session: Session, pc: Pc) -> bool:
    """Whether another station called the PC, and a program of the PC answered its requests; no
    office service.
    """
    to_pc = session.server.address in pc.addresses and session.client.address not in pc.addresses
    serves = session.is_open and session.answers > 0
    return to_pc and serves and session.server.port not in OFFICE_PORTS


def taken_calls(linkup: LinkUp) -> list[Session]:
    """The controller's calls that the PC took, where the PC itself called nobody there."""
    port = linkup.target.port
    if linkup.on_port or linkup.on_others or linkup.exchanges:
        return []
    return [
        one
        for one in linkup.facts.index.sessions_from[linkup.controller]
        if is_taken_call(one, linkup.pc) and port in (None, one.server.port)
    ]
