"""Published worked examples of application protocols, and the meanings of their codes."""

import numpy as np
import pytest

from analyzer.facts.protocols import FRAMINGS, Framing, Kind, line_text, modbus, tls
from analyzer.facts.protocols import ethernet_ip as enip
from analyzer.facts.protocols import iso_on_tcp as iso
from analyzer.facts.protocols import opc_ua as ua

Head = tuple[int, int, Kind, int, int]


def head(framing: Framing, octets: str | bytes, by_server: bool = False) -> Head:
    """Size, id, kind, code and unit of the message at the start of some octets."""
    given = bytes.fromhex(octets) if isinstance(octets, str) else octets
    padded = np.frombuffer(given + bytes(128), np.uint8)
    found = framing.heads(padded, np.array([0]), np.array([len(given)]), np.array([by_server]))
    return (
        int(found.size[0]),
        int(found.id[0]),
        Kind(int(found.kind[0])),
        int(found.code[0]),
        int(found.unit[0]),
    )


def known(octets: str | bytes, by_server: bool = False) -> list[str]:
    """The protocols that take octets for the start of a message of theirs."""
    return [one.name for one in FRAMINGS if head(one, octets, by_server)[0]]


# --- Modbus/TCP -----------------------------------------------------------------------------------

READ = "0001 0000 0006 01 03 006B 0003"
"""MODBUS Application Protocol V1.1b3 section 6.3: read 3 holding registers from 108, behind the
header of the MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3."""
VALUES = "0001 0000 0009 01 03 06 022B 0000 0064"
"""The answer to it in the same section."""


def test_modbus_read_and_its_answer() -> None:
    assert head(modbus.FRAMING, READ) == (12, 1, Kind.DATA, 0, 1)
    assert head(modbus.FRAMING, VALUES, by_server=True) == (15, 1, Kind.DATA, 0, 1)
    assert known(READ) == known(VALUES, by_server=True) == ["Modbus/TCP"]


def test_modbus_exception() -> None:
    """Application protocol section 7: reading coils at 0x04A1 gives 81 02."""
    refusal = "1501 0000 0003 ff 81 02"
    assert head(modbus.FRAMING, refusal, by_server=True) == (9, 0x1501, Kind.REJECT, 2, 255)
    assert head(modbus.FRAMING, refusal)[0] == 0  # no request has this function


@pytest.mark.parametrize(
    ("code", "kind", "word"),
    [  # application protocol section 7
        (1, Kind.REJECT, "function"),
        (2, Kind.REJECT, "address"),
        (3, Kind.REJECT, "value"),
        (4, Kind.REJECT, "could not"),
        (5, Kind.LATER, "accepted"),
        (6, Kind.LATER, "busy"),
        (8, Kind.REJECT, "memory parity"),
        (0x0A, Kind.REJECT, "no path"),
        (0x0B, Kind.REJECT, "behind the gateway"),
        (0x77, Kind.REJECT, "no published meaning"),
    ],
)
def test_modbus_exception_codes(code: int, kind: Kind, word: str) -> None:
    octets = bytes.fromhex("0001 0000 0003 01 83") + bytes([code])
    assert head(modbus.FRAMING, octets, by_server=True)[2:4] == (kind, code)
    number, meaning = modbus.explain(code)
    assert number == code
    assert word in meaning


@pytest.mark.parametrize(
    "octets",
    [
        "0001 0001 0006 01 03 0000 0001",  # protocol number other than 0 (guide, 3.1.3)
        "0001 0000 0001 01",  # too short for unit and function
        "0001 0000 00FF 01 03",  # more than 260 octets in all (guide, 4.1)
        "0001 0000 0006 01 00 0000 0001",  # function 0 is not valid (application protocol, 4.1)
        "01 03 006B 0003 7417",  # the serial framing of the same request
    ],
)
def test_not_modbus_tcp(octets: str) -> None:
    assert head(modbus.FRAMING, octets)[0] == 0


def test_modbus_head_in_pieces() -> None:
    """The header alone claims the whole message; its unit may not be there yet."""
    assert head(modbus.FRAMING, "0001 0000 0006") == (12, 1, Kind.DATA, 0, -1)
    assert head(modbus.FRAMING, "0001 0000 0006 11") == (12, 1, Kind.DATA, 0, 0x11)
    assert head(modbus.FRAMING, "0001 0000 00")[0] == 0


# --- EtherNet/IP (CIP Networks Library volume 2, from memory) ------------------------------------

REGISTER = "6500 0400 00000000 00000000 0102030405060708 00000000 0100 0000"
INNER = "00000000 0000 0200 0000 0000 b200"


def enip_answer(cip: str, status: int = 0, command: int = 0x6F) -> bytes:
    """An answer to an unconnected message that carries some octets of the inner protocol."""
    inner = bytes.fromhex(INNER) + len(bytes.fromhex(cip)).to_bytes(2, "little")
    inner += bytes.fromhex(cip)
    return (
        command.to_bytes(2, "little")
        + len(inner).to_bytes(2, "little")
        + bytes.fromhex("78563412")
        + status.to_bytes(4, "little")
        + bytes.fromhex("0102030405060708 00000000")
        + inner
    )


def test_ethernet_ip_register_session() -> None:
    context = int.from_bytes(bytes.fromhex("0102030405060708"), "little")
    assert head(enip.FRAMING, REGISTER) == (28, context, Kind.OPEN, 0, -1)
    assert known(REGISTER) == ["EtherNet/IP"]


@pytest.mark.parametrize(
    ("status", "word"),
    [
        (1, "command"), (2, "memory"), (3, "data"), (0x64, "session"), (0x65, "length"),
        (0x69, "version"), (0x7777, "no published meaning"),
    ],
)  # fmt: skip
def test_ethernet_ip_status(status: int, word: str) -> None:
    octets = bytes.fromhex(REGISTER.replace(" ", ""))
    refusal = octets[:8] + status.to_bytes(4, "little") + octets[12:]
    assert head(enip.FRAMING, refusal, by_server=True)[2:4] == (Kind.REFUSE, status)
    assert head(enip.FRAMING, enip_answer("", status), by_server=True)[2:4] == (
        Kind.REJECT,
        status,
    )
    assert head(enip.FRAMING, refusal)[0] == 0  # a request has no status
    assert enip.explain(status)[0] == status
    assert word in enip.explain(status)[1]


@pytest.mark.parametrize(
    ("cip", "kind", "number", "word"),
    [
        ("d400 00 00 11111111", Kind.OPEN, None, ""),  # forward open granted
        ("d400 01 01 1301", Kind.REFUSE, 0x0113, "no more inner connections"),
        ("db00 01 01 1203", Kind.REFUSE, 0x0312, "link address"),
        ("d400 05 00", Kind.REFUSE, 5, "path"),
        ("8e00 00 00 0100", Kind.DATA, None, ""),
        ("8e00 08 00", Kind.REJECT, 8, "service"),
        ("8e00 06 00", Kind.DATA, None, ""),  # the answer goes on: no refusal
    ],
)
def test_ethernet_ip_inner_status(cip: str, kind: Kind, number: int | None, word: str) -> None:
    octets = enip_answer(cip)
    size, _, seen, code, _ = head(enip.FRAMING, octets, by_server=True)
    assert (size, seen) == (len(octets), kind)
    if number is not None:
        assert enip.explain(code)[0] == number
        assert word in enip.explain(code)[1]
    assert head(enip.FRAMING, octets[:43], by_server=True)[2:4] == (Kind.DATA, 0)  # cut short


# --- ISO on TCP ----------------------------------------------------------------------------------

CONNECT = "03000016 11E00000000100 C0010A C1020100 C2020102"
"""RFC 1006 section 6 and RFC 905 section 13.3; 22 octets (computed from the layout)."""


def test_iso_connect_request_and_confirm() -> None:
    assert head(iso.FRAMING, CONNECT) == (22, 0, Kind.OPEN, 0, -1)
    confirm = CONNECT.replace("11E00000", "11D00001")
    assert head(iso.FRAMING, confirm, by_server=True) == (22, 0, Kind.OPEN, 0, -1)
    assert known(CONNECT) == ["ISO on TCP"]


def test_iso_data() -> None:
    """RFC 905 section 13.7: length 2, code 0xF0, end of unit."""
    assert head(iso.FRAMING, "03000009 02F080 3201")[:3] == (9, 0, Kind.DATA)


@pytest.mark.parametrize(
    ("reason", "kind", "word"),
    [  # RFC 905 section 13.5.3
        (0, Kind.REFUSE, "no reason"),
        (2, Kind.REFUSE, "nobody serves"),
        (3, Kind.REFUSE, "not known"),
        (128, Kind.ASIDE, "in order"),
        (129, Kind.REFUSE, "overloaded"),
        (136, Kind.REFUSE, "no further"),
    ],
)
def test_iso_disconnect_request(reason: int, kind: Kind, word: str) -> None:
    octets = bytes.fromhex("0300000B 06800001 0002") + bytes([reason])
    assert head(iso.FRAMING, octets, by_server=True)[:4] == (11, 0, kind, reason)
    assert head(iso.FRAMING, octets)[2] is Kind.ASIDE  # the PC's own end of work
    assert word in iso.explain(reason)[1]


def test_iso_error() -> None:
    """RFC 905 section 13.12.3: the cause stands behind the reference."""
    size, _, kind, code, _ = head(iso.FRAMING, "03000009 0470 0001 03", by_server=True)
    assert (size, kind) == (9, Kind.REFUSE)
    assert iso.explain(code) == (3, "parameter value not allowed")


@pytest.mark.parametrize(
    "octets",
    [
        "02000016 11E0 0000 0001 00",  # version 3 (RFC 1006 section 6)
        "03010016 11E0 0000 0001 00",  # reserved 0
        "03000006 11E0",  # shorter than 7 octets
        "03000007 11E0 00",  # the header claims more than the packet
    ],
)
def test_not_iso_on_tcp(octets: str) -> None:
    assert head(iso.FRAMING, octets)[0] == 0


# --- OPC UA --------------------------------------------------------------------------------------


def ua_message(letters: bytes, body: bytes = b"") -> bytes:
    """OPC 10000-6 section 7.1.2.2: three letters, F, size of the whole, little-endian."""
    return letters + b"F" + (8 + len(body)).to_bytes(4, "little") + body


@pytest.mark.parametrize(
    ("letters", "kind"),
    [
        (b"HEL", Kind.OPEN), (b"ACK", Kind.OPEN), (b"OPN", Kind.OPEN), (b"MSG", Kind.DATA),
        (b"CLO", Kind.ASIDE),
    ],
)  # fmt: skip
def test_opc_ua_messages(letters: bytes, kind: Kind) -> None:
    octets = ua_message(letters, bytes(24))
    assert head(ua.FRAMING, octets) == (32, 0, kind, 0, -1)
    assert known(octets) == ["OPC UA"]


def test_opc_ua_error_carries_a_status_code() -> None:
    """OPC 10000-6 section 7.1.2.5 and annex A (from memory)."""
    octets = ua_message(b"ERR", bytes.fromhex("00008380 ffffffff"))
    assert head(ua.FRAMING, octets, by_server=True)[2:4] == (Kind.REFUSE, 0x80830000)
    assert "endpoint" in ua.explain(0x80830000)[1]


def test_not_opc_ua() -> None:
    assert known(b"HELO plant\r\n") == ["lines of text"]
    assert head(ua.FRAMING, b"HELF" + bytes(4))[0] == 0  # a size below 8


# --- TLS -----------------------------------------------------------------------------------------


def test_tls_records() -> None:
    """RFC 8446 section 5.1; a first record may say 0x0301."""
    assert head(tls.FRAMING, bytes.fromhex("16 0301 0040 01") + bytes(63)) == (
        69, 0, Kind.OPEN, 0, -1,
    )  # fmt: skip
    assert head(tls.FRAMING, "17 0303 0010")[2] is Kind.DATA
    assert head(tls.FRAMING, "16 0000 0006 01 03 0000 0001")[0] == 0  # Modbus with number 0x1600


@pytest.mark.parametrize(
    ("level", "reason", "kind", "word"),
    [  # RFC 8446 section 6
        (2, 40, Kind.REFUSE, "no agreement"),
        (2, 45, Kind.REFUSE, "not yet valid"),
        (2, 48, Kind.REFUSE, "issuer"),
        (2, 70, Kind.REFUSE, "version"),
        (1, 0, Kind.ASIDE, ""),  # the end of the work
    ],
)
def test_tls_alerts(level: int, reason: int, kind: Kind, word: str) -> None:
    octets = bytes([21, 3, 3, 0, 2, level, reason])
    assert head(tls.FRAMING, octets, by_server=True)[:3] == (7, 0, kind)
    assert word in tls.explain(reason)[1]


def test_an_encrypted_alert_says_nothing() -> None:
    assert head(tls.FRAMING, bytes([21, 3, 3, 0, 19, 2, 40]) + bytes(17), True)[2] is Kind.ASIDE


# --- text ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [b"READ D100\r", b"*IDN?\n", b"A" * 300 + b"\r\n"])
def test_lines_of_text(text: bytes) -> None:
    assert head(line_text.FRAMING, text)[0] == len(text)
    assert known(text) == ["lines of text"]


@pytest.mark.parametrize("text", [b"READ D100", b"\x02READ D100\r", b"READ\x00D100\r\n", b"\n"])
def test_not_lines_of_text(text: bytes) -> None:
    assert head(line_text.FRAMING, text)[0] == 0
