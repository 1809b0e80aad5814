"""Frames that no kernel sends by itself: what switches, address clients and other stacks send."""

from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.eap import EAP, EAPOL
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.l2 import ARP, LLC, STP, Dot1Q, Dot3, Ether
from scapy.packet import Packet, Raw

BROADCAST = "ff:ff:ff:ff:ff:ff"
NOBODY = "00:00:00:00:00:00"
BRIDGES = "01:80:c2:00:00:00"  # IEEE 802.1Q table 8-1
PORT_ACCESS = "01:80:c2:00:00:03"  # IEEE 802.1X
NEAREST_BRIDGE = "01:80:c2:00:00:0e"  # IEEE 802.1AB


def arp_request(hw: str, sender: str, target: str, to: str = BROADCAST) -> bytes:
    asked = ARP(op=1, hwsrc=hw, psrc=sender, hwdst=NOBODY, pdst=target)
    return bytes(Ether(src=hw, dst=to) / asked)


def arp_probe(hw: str, target: str, to: str = BROADCAST) -> bytes:
    """RFC 5227 section 2.1.1."""
    return arp_request(hw, "0.0.0.0", target, to)


def arp_announcement(hw: str, address: str) -> bytes:
    """RFC 5227 section 2.3."""
    return arp_request(hw, address, address)


def arp_reply(hw: str, address: str, to_hw: str, to: str) -> bytes:
    given = ARP(op=2, hwsrc=hw, psrc=address, hwdst=to_hw, pdst=to)
    return bytes(Ether(src=hw, dst=to_hw) / given)


def dhcp(
    kind: str,
    client: str,
    *,
    number: int = 0x5301,
    server: str = "",
    server_hw: str = "",
    offered: str = "0.0.0.0",
    mask: str = "255.255.255.0",
    seconds: int = 0,
) -> bytes:
    """A message of RFC 2131: from the client, or with server_hw from the server; to everybody."""
    options = [("message-type", kind)]
    options += [("server_id", server)] if server else []
    if server_hw:
        options += [("lease_time", 3600), ("subnet_mask", mask)]
    elif offered != "0.0.0.0":
        options += [("requested_addr", offered)]
    reply = bool(server_hw)
    message = BOOTP(
        op=2 if reply else 1,
        chaddr=bytes.fromhex(client.replace(":", "")),
        xid=number,
        secs=seconds,
        flags="B",
        yiaddr=offered if reply else "0.0.0.0",
    )
    ports = UDP(sport=67, dport=68) if reply else UDP(sport=68, dport=67)
    packet = IP(src=server if reply else "0.0.0.0", dst="255.255.255.255") / ports / message
    return bytes(
        Ether(src=server_hw or client, dst=BROADCAST) / packet / DHCP(options=[*options, "end"])
    )


def bootp(client: str, seconds: int) -> bytes:
    """A request for an address without DHCP (RFC 951)."""
    message = BOOTP(op=1, chaddr=bytes.fromhex(client.replace(":", "")), xid=0x5302, secs=seconds)
    packet = IP(src="0.0.0.0", dst="255.255.255.255") / UDP(sport=68, dport=67) / message
    return bytes(Ether(src=client, dst=BROADCAST) / packet / Raw(bytes(64)))


def spanning_tree(hw: str, vlan: int | None = None) -> bytes:
    """A configuration message of a bridge (IEEE 802.1D section 9.3.1)."""
    tree = LLC(dsap=0x42, ssap=0x42, ctrl=3) / STP(rootmac=hw, bridgemac=hw, portid=0x8005)
    if vlan is None:
        return bytes(Dot3(src=hw, dst=BRIDGES) / tree)
    body = bytes(tree)
    tagged = Ether(src=hw, dst=BRIDGES, type=0x8100) / Dot1Q(vlan=vlan, type=len(body))
    return bytes(tagged / Raw(body))


def identity_request(hw: str, number: int = 1) -> bytes:
    """IEEE 802.1X: the switch asks who is there."""
    asked = EAPOL(version=2, type=0) / EAP(code=1, id=number, type=1)
    return bytes(Ether(src=hw, dst=PORT_ACCESS) / asked)


def neighbour_notice(hw: str, name: str = "hall switch") -> bytes:
    """IEEE 802.1AB: chassis, port, time to live, system name."""

    def part(kind: int, value: bytes) -> bytes:
        return (kind << 9 | len(value)).to_bytes(2) + value

    chassis = part(1, b"\x04" + bytes.fromhex(hw.replace(":", "")))
    body = chassis + part(2, b"\x05p5") + part(3, b"\0\x78") + part(5, name.encode()) + part(0, b"")
    return bytes(Ether(src=hw, dst=NEAREST_BRIDGE, type=0x88CC) / Raw(body))


def redirect(hw: str, router: str, to_hw: str, about: Packet, gateway: str) -> bytes:
    """RFC 792: use another gateway for this packet."""
    message = ICMP(type=5, code=1, gw=gateway) / Raw(bytes(about)[:28])
    return bytes(Ether(src=hw, dst=to_hw) / IP(src=router, dst=about[IP].src) / message)


def tagged(frame: bytes, vlan: int = 0, priority: int = 6) -> bytes:
    """The frame with a tag (IEEE 802.1Q)."""
    return frame[:12] + b"\x81\0" + (priority << 13 | vlan).to_bytes(2) + frame[12:]


def syn(hw: str, to_hw: str, source: str, target: str, port: int) -> bytes:
    packet = IP(src=source, dst=target) / TCP(sport=40000 + port, dport=port, flags="S")
    return bytes(Ether(src=hw, dst=to_hw) / packet)


def echo(number: int) -> bytes:
    """An ICMP echo request without its packet (RFC 792)."""
    return bytes(ICMP(id=0x53, seq=number) / Raw(b"is anybody there?"))
