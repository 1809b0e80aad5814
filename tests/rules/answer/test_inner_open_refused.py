"""inner-open-refused: the opening inside the open TCP session is refused."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty
from captures.layouts import Record
from captures.plant import Plant, Session, Station
from rules import cautions
from rules.answer.inner_open_refused import (
    FULL,
    PLACE,
    RULE,
    SWITCHED_OFF,
    TRUST,
    TRUST_OF_PC,
    VERSION,
)
from tests.support import (
    acquainted,
    assert_healthy,
    diagnosed,
    ended,
    found,
    lead,
    left_out,
    slugs,
)

SLUG = "inner-open-refused"
OF_CONTROLLER = 3
"""Steps that are only told where the controller refuses."""
told_or_not = pytest.mark.parametrize("controllers", [(), ("192.0.2.60",)], ids=["", "told"])

# RFC 1006 section 6 and RFC 905 section 13: connect request, confirm, disconnect request, data
CONNECT = bytes.fromhex("0300001611E00000000100C0010AC1020100C2020102")
CONFIRM = bytes.fromhex("0300001611D00001000200C0010AC1020100C2020102")
DISCONNECT = bytes.fromhex("0300000B06800001000203")
DATA = bytes.fromhex("0300000902F0803201")


def ua(letters: bytes, body: bytes = bytes(24)) -> bytes:
    """OPC 10000-6 section 7.1.2.2."""
    return letters + b"F" + (8 + len(body)).to_bytes(4, "little") + body


NOT_TRUSTED = ua(b"ERR", 0x801A0000.to_bytes(4, "little") + b"\xff" * 4)
NOT_KNOWN = ua(b"ERR", 0x80830000.to_bytes(4, "little") + b"\xff" * 4)
TOO_BUSY = ua(b"ERR", 0x807D0000.to_bytes(4, "little") + b"\xff" * 4)


def enip(command: int, body: bytes, status: int = 0, session: int = 7) -> bytes:
    """CIP Networks Library volume 2 (from memory)."""
    numbers = ((command, 2), (len(body), 2), (session, 4), (status, 4))
    head = b"".join(number.to_bytes(size, "little") for number, size in numbers)
    return head + bytes(12) + body


def unconnected(cip: bytes) -> bytes:
    inner = bytes.fromhex("000000000000020000000000b200") + len(cip).to_bytes(2, "little") + cip
    return enip(0x6F, inner)


REGISTER, REGISTERED = enip(0x65, b"\1\0\0\0", session=0), enip(0x65, b"\1\0\0\0")
NO_VERSION = enip(0x65, b"\1\0\0\0", status=0x69)
READ, VALUE = unconnected(bytes.fromhex("0e0320012401")), unconnected(bytes.fromhex("8e0000000100"))
OPEN = unconnected(bytes.fromhex("540220062401") + bytes(36))
OPENED = unconnected(bytes.fromhex("d4000000") + bytes(26))
NONE_LEFT = unconnected(bytes.fromhex("d40001011301"))
HELLO = bytes.fromhex("16 0301 0040 01") + bytes(63)
ALERT = bytes([21, 3, 3, 0, 2, 2, 48])
"""RFC 8446 section 6: fatal, unknown issuer."""
SECRET = bytes.fromhex("1703030010") + bytes(16)
FLIGHT = bytes.fromhex("16 0303 0100 02") + bytes(255)
"""What a server answers: hello and certificate in one record (RFC 5246 section 7.3)."""
FLIGHT_OF_13 = FLIGHT + SECRET
"""From TLS 1.3 on the certificate is encrypted already (RFC 8446 section 2)."""

CASES = [
    pytest.param(102, [(CONNECT, DISCONNECT)], 3, id="iso"),
    pytest.param(4840, [(ua(b"HEL"), TOO_BUSY)], 0x807D0000, id="opc ua hello"),
    pytest.param(
        4840,
        [(ua(b"HEL"), ua(b"ACK")), (ua(b"OPN"), NOT_TRUSTED)],
        0x801A0000,
        id="opc ua channel",
    ),
    pytest.param(44818, [(REGISTER, NO_VERSION)], 0x69, id="register"),
    pytest.param(
        44818,
        [(REGISTER, REGISTERED), (READ, VALUE), (OPEN, NONE_LEFT)],
        0x113,
        id="forward open",
    ),
    pytest.param(4843, [(HELLO, ALERT)], 48, id="tls"),
]


def talked(
    plant: Plant, session: Session, said: list[tuple[bytes, bytes]], unit: Station | None = None
) -> None:
    session.open(after=1.0)
    for request, answer in said:
        session.exchange(request, answer)
    if unit is not None:
        session.close(unit, after=0.05)


def assert_leads(diagnosis: Diagnosis, code: int, **values: object) -> None:
    assert lead(diagnosis) == SLUG
    finding = found(diagnosis, SLUG)
    assert (finding.values["code"], finding.certainty) == (code, Certainty.SHOWN)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert outcome.stopped_at == "answer"
    assert diagnosis.status == FAULT


@pytest.mark.parametrize(("said", "first"), [(NOT_TRUSTED, TRUST), (NOT_KNOWN, PLACE)])
def test_an_endpoint_address_that_is_not_known_there_comes_before_trust(
    said: bytes, first: int
) -> None:
    plant, pc, unit = acquainted()
    talked(plant, plant.tcp(pc, unit, 4840), [(ua(b"HEL"), said)])
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[first]


@told_or_not
@pytest.mark.parametrize("closed_by_controller", [True, False])
@pytest.mark.parametrize(("port", "said", "code"), CASES)
def test_found_on_every_attempt(
    controllers: tuple[str, ...],
    closed_by_controller: bool,
    port: int,
    said: list[tuple[bytes, bytes]],
    code: int,
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        talked(plant, plant.tcp(pc, unit, port), said, unit if closed_by_controller else None)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, code, sessions=2, refusals=2, port=port)
    assert len(found(diagnosis, SLUG).evidence) == 4


def test_found_as_what_explains_the_reset() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 102)
    talked(plant, session, [(CONNECT, DISCONNECT)])
    session.rst(unit, after=0.01)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert_leads(diagnosis, 3)
    assert diagnosis.outcomes[0].verdict is Verdict.STOPPED


def test_found_after_it_worked_once() -> None:
    """All inner connections are taken now."""
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit, 102)
    talked(plant, first, [(CONNECT, CONFIRM), (DATA, DATA)])
    first.close(after=1.0)
    talked(plant, plant.tcp(pc, unit, 102), [(CONNECT, DISCONNECT)])
    assert_leads(diagnosed(ended(plant)), 3, sessions=1)


def declined(
    plant: Plant,
    session: Session,
    unit: Station,
    flight: bytes,
    how: str = "rst",
    alert: bytes = ALERT,
) -> tuple[Record, Record]:
    """The PC turns down what the controller has answered to its hello."""
    session.open(after=1.0)
    hello = session.send(HELLO)
    session.send(flight, unit, after=0.004)
    session.ack()
    turned_down = session.send(alert)
    if how == "rst":
        session.rst()
    else:
        session.close(unit if how == "fin of the controller" else None)
    return hello, turned_down


def test_found_where_the_pc_turns_the_version_down() -> None:
    plant, pc, unit = acquainted()
    version = ALERT[:-1] + bytes([70])
    declined(plant, plant.tcp(pc, unit, 4843), unit, FLIGHT, alert=version)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert left_out(finding, RULE)[0] == [PLACE, FULL, TRUST, SWITCHED_OFF]
    assert finding.likely_causes[0] == RULE.likely_causes[VERSION]


@told_or_not
@pytest.mark.parametrize("how", ["rst", "fin", "fin of the controller"])
@pytest.mark.parametrize("flight", [FLIGHT, FLIGHT_OF_13], ids=["1.2", "1.3"])
def test_found_where_the_pc_turns_the_certificate_down(
    controllers: tuple[str, ...], flight: bytes, how: str
) -> None:
    plant, pc, unit = acquainted()
    records = []
    for _ in range(3):
        records += declined(plant, plant.tcp(pc, unit, 4843), unit, flight, how)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert_leads(diagnosis, 48, by_pc=True, by_controller=False, sessions=3, refusals=3)
    finding = found(diagnosis, SLUG)
    assert diagnosis.outcomes[0].verdict is Verdict.STOPPED
    assert left_out(finding, RULE)[0] == [PLACE, FULL, TRUST, VERSION, SWITCHED_OFF]
    assert len(finding.what_to_do) == len(RULE.what_to_do) - OF_CONTROLLER
    assert cautions.OTHERS_SESSION not in finding.cautions
    assert finding.likely_causes[0] == RULE.likely_causes[TRUST_OF_PC]
    assert [one.moment.frame for one in finding.evidence] == [plant.number(r) for r in records]


def test_found_where_the_controller_refuses_without_a_word_of_the_pcs_trust() -> None:
    plant, pc, unit = acquainted()
    talked(plant, plant.tcp(pc, unit, 4843), [(HELLO, ALERT)], unit)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert len(finding.what_to_do) == len(RULE.what_to_do)
    assert left_out(finding, RULE)[0] == [TRUST_OF_PC]


@pytest.mark.parametrize("code", [40, 42, 43, 44, 45, 46, 47, 48])
def test_the_version_is_ruled_out_where_the_pc_speaks_of_the_certificate(code: int) -> None:
    """RFC 8446 section 6.2: 40 and 47 are about the handshake as a whole."""
    plant, pc, unit = acquainted()
    said = ALERT[:-1] + bytes([code])
    declined(plant, plant.tcp(pc, unit, 4843), unit, FLIGHT, alert=said)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (VERSION in left_out(finding, RULE)[0]) is (code not in (40, 47))


@told_or_not
def test_quiet_where_the_pc_trusts_it_at_the_next_try(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    declined(plant, plant.tcp(pc, unit, 4843), unit, FLIGHT)
    session = plant.tcp(pc, unit, 4843)
    talked(plant, session, [(HELLO, FLIGHT), (SECRET, SECRET)])
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_pc_falls_back_to_another_port() -> None:
    plant, pc, unit = acquainted()
    declined(plant, plant.tcp(pc, unit, 4843), unit, FLIGHT)
    plant.tcp(pc, unit, 502).open(after=0.5).poll(4)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_the_pc_says_goodbye(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 4843)
    talked(plant, session, [(HELLO, FLIGHT), (SECRET, SECRET)])
    session.send(ALERT[:5] + b"\1\0", after=1.0)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
@pytest.mark.parametrize(
    ("port", "said"),
    [
        (102, [(CONNECT, DISCONNECT), (CONNECT, CONFIRM), (DATA, DATA)]),
        (44818, [(REGISTER, REGISTERED), (OPEN, NONE_LEFT), (OPEN, OPENED), (READ, VALUE)]),
        (44818, [(REGISTER, REGISTERED), (OPEN, NONE_LEFT), (READ, VALUE)]),
    ],
)
def test_quiet_where_the_program_falls_back_in_the_session(
    controllers: tuple[str, ...], port: int, said: list[tuple[bytes, bytes]]
) -> None:
    plant, pc, unit = acquainted()
    talked(plant, plant.tcp(pc, unit, port), said)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_later_session_is_let_in(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit, 4840)
    talked(plant, first, [(ua(b"HEL"), ua(b"ACK")), (ua(b"OPN"), NOT_TRUSTED)])
    first.close(after=0.1)
    said = [(ua(b"HEL"), ua(b"ACK")), (ua(b"OPN"), ua(b"OPN")), (ua(b"MSG"), ua(b"MSG"))]
    talked(plant, plant.tcp(pc, unit, 4840), said)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_program_falls_back_to_another_port() -> None:
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit, 102)
    talked(plant, first, [(CONNECT, DISCONNECT)])
    first.close(after=0.1)
    plant.tcp(pc, unit, 502).open(after=0.5).poll(4)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_the_end_of_work_is_announced(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 102)
    talked(plant, session, [(CONNECT, CONFIRM), (DATA, DATA), (DATA, DATA)])
    session.send(DISCONNECT[:-1] + b"\x80", unit, after=1.0)
    session.close(unit)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_it_breaks_in_the_middle_of_work(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 4840)
    said = [(ua(b"HEL"), ua(b"ACK")), (ua(b"OPN"), ua(b"OPN")), (ua(b"MSG"), ua(b"MSG"))]
    talked(plant, session, said)
    session.send(TOO_BUSY, unit, after=2.0)
    session.close(unit)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
@pytest.mark.parametrize(
    ("port", "said"),
    [
        (102, [(CONNECT, CONFIRM), (DATA, DATA)]),
        (44818, [(REGISTER, REGISTERED), (READ, VALUE), (OPEN, OPENED), (READ, VALUE)]),
        (4840, [(ua(b"HEL"), ua(b"ACK")), (ua(b"OPN"), ua(b"OPN")), (ua(b"MSG"), ua(b"MSG"))]),
        (4843, [(HELLO, HELLO), (bytes.fromhex("1703030010") + bytes(16),) * 2]),
    ],
)
def test_quiet_where_the_opening_is_granted(
    controllers: tuple[str, ...], port: int, said: list[tuple[bytes, bytes]]
) -> None:
    plant, pc, unit = acquainted()
    talked(plant, plant.tcp(pc, unit, port), said)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_about_others() -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    plant.tcp(pc, unit, 502).open().poll(3)
    talked(plant, plant.tcp(panel, unit, 102), [(CONNECT, DISCONNECT)])
    assert_healthy(diagnosed(ended(plant)))


@pytest.mark.parametrize(
    ("port", "said", "first"),
    [
        (4840, [(ua(b"HEL"), TOO_BUSY)], FULL),
        (44818, [(REGISTER, REGISTERED), (READ, VALUE), (OPEN, NONE_LEFT)], FULL),
        (44818, [(REGISTER, NO_VERSION)], VERSION),
        (102, [(CONNECT, DISCONNECT)], PLACE),
        (4843, [(HELLO, ALERT)], TRUST),
    ],
)
def test_the_first_cause_is_what_the_code_means(
    port: int, said: list[tuple[bytes, bytes]], first: str
) -> None:
    plant, pc, unit = acquainted()
    talked(plant, plant.tcp(pc, unit, port), said)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[first]


def iso(code: int) -> tuple[int, list[tuple[bytes, bytes]]]:
    return 102, [(CONNECT, DISCONNECT[:-4] + bytes([0, 1, 0, code]))]


def opc(code: int) -> tuple[int, list[tuple[bytes, bytes]]]:
    return 4840, [(ua(b"HEL"), ua(b"ERR", code.to_bytes(4, "little") + b"\xff" * 4))]


def forward_open(code: int) -> tuple[int, list[tuple[bytes, bytes]]]:
    no = unconnected(bytes.fromhex("d4000101") + code.to_bytes(2, "little"))
    return 44818, [(REGISTER, REGISTERED), (READ, VALUE), (OPEN, no)]


def register(status: int) -> tuple[int, list[tuple[bytes, bytes]]]:
    return 44818, [(REGISTER, enip(0x65, b"\1\0\0\0", status=status))]


def tls(code: int) -> tuple[int, list[tuple[bytes, bytes]]]:
    return 4843, [(HELLO, ALERT[:-1] + bytes([code]))]


@pytest.mark.parametrize(
    ("says", "code", "first"),
    [
        *((iso, code, FULL) for code in (1, 129, 135)),
        *((opc, code, FULL) for code in (0x807D0000, 0x80810000, 0x80030000)),
        *((forward_open, code, FULL) for code in (0x113,)),
        (register, 2, FULL),
        (iso, 130, VERSION),
        (opc, 0x80BE0000, VERSION),
        (register, 0x69, VERSION),
        (tls, 70, VERSION),
        (tls, 40, TRUST),
        (iso, 2, PLACE),
        (iso, 136, PLACE),
        (forward_open, 0x100, PLACE),
        (forward_open, 0x315, PLACE),
    ],
)
def test_the_first_cause_is_what_each_code_means(
    says: Callable[[int], tuple[int, list[tuple[bytes, bytes]]]], code: int, first: str
) -> None:
    plant, pc, unit = acquainted()
    port, said = says(code)
    talked(plant, plant.tcp(pc, unit, port), said)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.values["code"] == code
    assert finding.likely_causes[0] == RULE.likely_causes[first]
