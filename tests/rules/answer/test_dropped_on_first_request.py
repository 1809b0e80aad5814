"""dropped-on-first-request: each session ends right after the PC's first request."""

import pytest

from analyzer.diagnosis import FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from rules.answer.dropped_on_first_request import (
    ENCRYPTION,
    FILTER,
    FRAMING,
    ONLY_TAKES,
    PLACE,
    RESTART,
    RULE,
    SWITCHED_OFF,
    TAKEN,
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
    told_or_not,
)

SLUG = "dropped-on-first-request"
HELLO = bytes.fromhex("16 0301 0040 01") + bytes(63)
"""A TLS record of 64 octets that opens (RFC 8446 section 5.1)."""
CONNECT = bytes.fromhex("0300001611E00000000100C0010AC1020100C2020102")
"""A connect request (RFC 1006 section 6)."""
ALERT, SECRET = bytes([21, 3, 3, 0, 2, 2, 10]), bytes.fromhex("1703030010") + bytes(16)
"""A fatal alert, and a record with encrypted data (RFC 8446 sections 5.1 and 6)."""
UA_ERROR = b"ERRF" + (16).to_bytes(4, "little") + (0x807E0000).to_bytes(4, "little") + b"\xff" * 4
"""A message of this kind is not known (OPC 10000-6 section 7.1.2.5)."""
UNKNOWN = b"\x02\x80\x00\x07\xff"


def dropped(session: Session, unit: Station, by_reset: bool, after: float = 0.02) -> None:
    """The controller ends the session."""
    if by_reset:
        session.rst(unit, after=after)
    else:
        session.ack(unit)
        session.close(unit, after=after)


def tries(
    request: bytes, times: int = 3, by_reset: bool = True, port: int = 502, after: float = 0.02
) -> tuple[Plant, Station, Station]:
    plant, pc, unit = acquainted()
    for _ in range(times):
        session = plant.tcp(pc, unit, port).open(after=2.0)
        session.send(request, after=0.01)
        dropped(session, unit, by_reset, after)
    return plant, pc, unit


def assert_leads(
    diagnosis: Diagnosis, certainty: Certainty = Certainty.SHOWN, **values: object
) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is certainty
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "answer")
    assert diagnosis.status == FAULT


@told_or_not
@pytest.mark.parametrize("by_reset", [True, False])
def test_found_on_every_attempt(controllers: tuple[str, ...], by_reset: bool) -> None:
    plant, *_ = tries(modbus_read(1), by_reset=by_reset)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, attempts=3, protocol="Modbus/TCP", by_reset=by_reset)
    evidence = found(diagnosis, SLUG).evidence
    assert len(evidence) == 6
    assert evidence[1].moment.seconds - evidence[0].moment.seconds == pytest.approx(0.02, abs=1e-3)


@told_or_not
def test_found_on_the_only_attempt(controllers: tuple[str, ...]) -> None:
    plant, *_ = tries(modbus_read(1), times=1)
    assert_leads(diagnosed(ended(plant), controllers), Certainty.FITS, attempts=1)


@pytest.mark.parametrize(
    ("request_octets", "port", "protocol"),
    [(HELLO, 502, "TLS"), (CONNECT, 102, "ISO on TCP"), (UNKNOWN, 9600, None)],
)
def test_found_with_other_protocols(request_octets: bytes, port: int, protocol: str | None) -> None:
    plant, *_ = tries(request_octets, port=port)
    diagnosis = diagnosed(ended(plant), ("192.0.2.60",))
    assert_leads(diagnosis, port=port, protocol=protocol, encrypted=protocol == "TLS")


def test_found_over_a_slow_way() -> None:
    """The end comes as late as the acceptance did."""
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit)
        session.syn(after=1.0)
        session.syn_ack(after=0.5)
        session.ack()
        session.send(modbus_read(1), after=0.01)
        session.rst(unit, after=0.52)
    assert_leads(diagnosed(ended(plant)), attempts=2)


def test_found_with_sequence_numbers_that_wrap_and_tags() -> None:
    plant, pc, unit = acquainted()
    with plant.tagged(7):
        session = plant.tcp(pc, unit, client_seq=2**32 - 5, server_seq=2**32 - 1).open()
        session.send(modbus_read(1), after=0.01)
        session.rst(unit, after=0.01)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS)


@pytest.mark.parametrize("request_octets", [UNKNOWN, b"print this\r\n"])
def test_found_with_less_certainty_where_the_service_may_only_take_data(
    request_octets: bytes,
) -> None:
    plant, *_ = tries(request_octets, port=9600, by_reset=False)
    assert_leads(diagnosed(ended(plant)), Certainty.FITS, attempts=3)


@told_or_not
@pytest.mark.parametrize("closed_by_pc", [True, False])
@pytest.mark.parametrize(
    ("request_octets", "port", "no", "spoken", "expected", "cause"),
    [
        (modbus_read(1), 802, ALERT, "Modbus/TCP", "TLS", ENCRYPTION),
        (UNKNOWN, 9600, ALERT, None, "TLS", ENCRYPTION),
        (HELLO, 4840, UA_ERROR, "TLS", "OPC UA", ENCRYPTION),
        (modbus_read(1), 4840, UA_ERROR, "Modbus/TCP", "OPC UA", FRAMING),
    ],
)
def test_found_where_the_controller_says_no_in_another_protocol(
    controllers: tuple[str, ...],
    closed_by_pc: bool,
    request_octets: bytes,
    port: int,
    no: bytes,
    spoken: str | None,
    expected: str,
    cause: str,
) -> None:
    plant, pc, unit = acquainted()
    records = []
    for _ in range(2):
        session = plant.tcp(pc, unit, port).open(after=1.0)
        records += [session.send(request_octets, after=0.01), session.send(no, unit)]
        session.close(None if closed_by_pc else unit)
    told = [f"192.0.2.60:{port}"] if controllers else []
    diagnosis = diagnosed(ended(plant), told)
    assert_leads(diagnosis, attempts=2, protocol=spoken, refused_in=expected, by_reset=False)
    finding = found(diagnosis, SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]
    assert left_out(finding, RULE) == (
        [PLACE, SWITCHED_OFF, TAKEN],
        [FILTER, RESTART, ONLY_TAKES],
    )
    assert [one.moment.frame for one in finding.evidence] == [plant.number(r) for r in records]


@told_or_not
def test_quiet_where_the_program_encrypts_at_its_second_try(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open(after=1.0)
    session.exchange(modbus_read(1), ALERT)
    session.close(unit)
    session = plant.tcp(pc, unit).open(after=0.5)
    session.exchange(HELLO, HELLO)
    for _ in range(3):
        session.exchange(SECRET, SECRET, after=0.5)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_newer_protocol_is_tried_first(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = tries(HELLO, times=1)
    plant.tcp(pc, unit).open(after=0.5).poll(6)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_program_falls_back_to_another_port() -> None:
    plant, pc, unit = tries(HELLO, port=802)
    plant.tcp(pc, unit).open(after=0.5).poll(6)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_the_controller_ends_after_a_good_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(4):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(1)
        session.close(unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) is None


@told_or_not
def test_quiet_where_sessions_end_whatever_is_asked(controllers: tuple[str, ...]) -> None:
    """The controller has no session to spare."""
    plant, pc, unit = tries(modbus_read(1), times=1)
    plant.tcp(pc, unit).open(after=1.0).rst(unit, after=0.01)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_in_the_middle_of_work(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(4), after=1.0)
    session.rst(unit, after=0.01)
    assert lead(diagnosed(ended(plant), controllers)) == "session-reset"


@told_or_not
def test_quiet_where_the_end_comes_later(controllers: tuple[str, ...]) -> None:
    """A time limit, not an answer to the request."""
    plant, *_ = tries(modbus_read(1), after=10.0)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_ends_the_session(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.send(modbus_read(1), after=0.01)
        session.rst(after=0.01)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


def test_quiet_where_the_recording_began_in_the_session() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.send(modbus_read(1), after=0.5)
    session.rst(unit, after=0.01)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_recorder_lost_the_answer() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), after=0.01)
    plant.lose(session.send(modbus_answer(1), unit))
    session.ack()
    session.close(unit, after=0.01)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_another_station_ends_the_session() -> None:
    plant, pc, unit = acquainted()
    other = plant.station("192.0.2.60", hw="00:00:5e:00:53:66")
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), after=0.01)
    session.rst(other, after=0.01)
    assert SLUG not in slugs(diagnosed(ended(plant)))


@pytest.mark.parametrize(
    ("request_octets", "port", "cause"),
    [(HELLO, 502, ENCRYPTION), (CONNECT, 102, PLACE), (modbus_read(1), 502, FRAMING)],
)
def test_the_first_cause_depends_on_the_protocol(
    request_octets: bytes, port: int, cause: str
) -> None:
    plant, *_ = tries(request_octets, port=port)
    finding = found(diagnosed(ended(plant), ("192.0.2.60",)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]


def test_found_where_a_no_in_another_protocol_is_followed_by_an_end_without_a_word() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 802).open(after=1.0)
    asks = [session.send(modbus_read(1), after=0.01)]
    noes = [session.send(ALERT, unit)]
    session.close(unit)
    session = plant.tcp(pc, unit, 802).open(after=1.0)
    asks.append(session.send(modbus_read(1), after=0.01))
    noes.append(session.rst(unit, after=0.02))
    diagnosis = diagnosed(ended(plant), ("192.0.2.60:802",))
    assert_leads(diagnosis, attempts=2, refused_in="TLS", by_reset=False)
    shown = sorted(plant.number(record) for record in (*asks, *noes))
    assert [one.moment.frame for one in found(diagnosis, SLUG).evidence] == shown


def test_found_for_certain_on_any_port_where_the_protocol_gives_answers() -> None:
    plant, *_ = tries(modbus_read(1), port=9600, by_reset=False)
    assert_leads(diagnosed(ended(plant)), attempts=3, protocol="Modbus/TCP")
