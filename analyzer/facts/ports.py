"""Registered ports that tell what a session is for."""

INDUSTRIAL_PORTS = {
    102: "ISO on TCP",
    502: "Modbus/TCP",
    802: "Modbus/TCP over TLS",
    2222: "EtherNet/IP I/O",
    2404: "IEC 60870-5-104",
    4840: "OPC UA",
    20000: "DNP3",
    44818: "EtherNet/IP",
    47808: "BACnet/IP",
}
"""Registered ports of open industrial protocols (IANA service names and ports; from memory)."""

TUNNEL_PORTS = frozenset({500, 1194, 1701, 4500})
"""UDP ports of tunnels: key exchange and its NAT traversal (RFC 3947 4), L2TP (RFC 2661 8.1), and
1194 as registered with IANA (from memory)."""

OFFICE_PORTS = frozenset(
    {22, 25, 53, 67, 68, 80, 88, 110, 111, 123, 135, 137, 138, 139, 143, 161, 389, 443, 445, 500}
    | {514, 515, 546, 547, 587, 631, 636, 993, 995, 1194, 1701, 1723, 1900, 3268, 3389, 3702, 4500}
    | {5353, 5355, 5357, 5985, 6514, 7680, 9100, 51820}
)
"""Services of any office PC's background traffic, logs and the ends of tunnels (VPN) among them
(IANA; common practice, no source)."""
