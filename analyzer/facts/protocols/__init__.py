"""The application protocols that are recognised, one file each: framing, numbers and refusals.

Nothing is understood beyond that: what a request asks for is not judged.
"""

from analyzer.facts.protocols import ethernet_ip, iso_on_tcp, line_text, modbus, opc_ua, tls
from analyzer.facts.protocols.framing import Framing, Heads, Kind

__all__ = ["FRAMINGS", "Framing", "Heads", "Kind"]

FRAMINGS = (
    opc_ua.FRAMING,
    tls.FRAMING,
    ethernet_ip.FRAMING,
    iso_on_tcp.FRAMING,
    modbus.FRAMING,
    line_text.FRAMING,
)
"""Those that tell themselves most surely first."""
