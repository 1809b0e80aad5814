"""Who asked for an address, who offered one (RFC 2131, options RFC 2132)."""

from dataclasses import dataclass

from analyzer.facts.values import Address, Hardware, Moment
from analyzer.frames import NO_HARDWARE, Frames

SERVER_PORT, CLIENT_PORT = 67, 68
MAX_MESSAGES = 10_000
"""Messages kept; a recording of a link-up holds a handful."""
MAX_OCTETS = 1500
BOOTP, DISCOVER, OFFER, REQUEST, DECLINE, ACK, NAK, RELEASE, INFORM = range(9)
NAMES = (
    "BOOTP", "discover", "offer", "request", "decline", "acknowledge", "refuse", "release", "inform"
)  # fmt: skip
"""Option 53 (RFC 2132 9.6); BOOTP where the message has none."""


@dataclass(slots=True, eq=False, repr=False)
class DhcpMessage:
    """One message. from_client: a request rather than a reply; client: the hardware address that
    wants an address; offered: the address given; server: option 54; mask: option 1; routers:
    option 3; name: option 12, as sent, not to be trusted; sender: the hardware address it came
    from, a relay's where there is one, None where the link has none.
    """

    moment: Moment
    sender: Hardware | None
    type: int
    from_client: bool
    client: Hardware
    transaction: int
    offered: Address
    current: Address
    requested: Address | None
    server: Address | None
    mask: Address | None
    routers: list[Address]
    name: str

    @property
    def kind(self) -> str:
        """What the message is called: one of NAMES."""
        return NAMES[self.type]


@dataclass(slots=True, eq=False, repr=False)
class Dhcp:
    """The messages of a recording, in file order."""

    messages: list[DhcpMessage]

    def add(self, frames: Frames) -> None:
        """Take in the DHCP messages of one chunk."""
        table = frames.udp
        ports = (table.sport == SERVER_PORT) | (table.sport == CLIENT_PORT)
        ports &= (table.dport == SERVER_PORT) | (table.dport == CLIENT_PORT)
        for index in ports.nonzero()[0][: MAX_MESSAGES - len(self.messages)].tolist():
            row = int(table.row[index])
            octets = frames.octets_at(row, int(table.payload[index]), MAX_OCTETS)
            moment = Moment(int(frames.number[row]), float(frames.seconds[row]))
            sender = None if frames.src[row] == NO_HARDWARE else Hardware(int(frames.src[row]))
            message = _decode(octets, moment, sender)
            if message is not None:
                self.messages.append(message)


def _decode(octets: bytes, moment: Moment, sender: Hardware | None) -> DhcpMessage | None:
    import dpkt  # only the rare recording needs it, and it takes long to import

    try:
        message = dpkt.dhcp.DHCP(octets)
    except (dpkt.UnpackError, IndexError):
        return None
    options = dict(message.opts)
    kind, mask = options.get(53, b"\0"), _address(options.get(1))
    return DhcpMessage(
        moment=moment,
        sender=sender,
        type=kind[0] if len(kind) == 1 and kind[0] < len(NAMES) else BOOTP,
        from_client=message.op == dpkt.dhcp.DHCP_OP_REQUEST,
        client=Hardware(int.from_bytes(octets[28:34])),
        transaction=message.xid,
        offered=Address(message.yiaddr),
        current=Address(message.ciaddr),
        requested=_address(options.get(50)),
        server=_address(options.get(54)),
        mask=mask if mask is not None and mask.is_mask else None,
        routers=_addresses(options.get(3, b"")),
        name=options.get(12, b"").decode("utf-8", "replace"),
    )


def _address(option: bytes | None) -> Address | None:
    return Address(int.from_bytes(option)) if option is not None and len(option) == 4 else None


def _addresses(option: bytes) -> list[Address]:
    whole = len(option) - len(option) % 4
    return [Address(int.from_bytes(option[at : at + 4])) for at in range(0, whole, 4)]
