"""request-rejected: the controller answers that it will not."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_read, modbus_refusal
from rules.answer.request_rejected import AMOUNT, BEHIND, FUNCTION, ITEM, RULE, STATE
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

SLUG = "request-rejected"


def rejected(session: Session, unit: Station, code: int = 2, times: int = 1) -> None:
    for _ in range(times):
        session.transaction += 1
        session.send(modbus_read(session.transaction), after=1.0)
        session.send(modbus_refusal(session.transaction, code=code), unit, after=0.004)
        session.ack(after=0.04)


def begun() -> tuple[Plant, Station, Session]:
    plant, pc, unit = acquainted()
    return plant, unit, plant.tcp(pc, unit).open()


def assert_leads(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "answer")
    assert diagnosis.status == FAULT


def test_which_request_is_not_told_where_there_were_several() -> None:
    plant, unit, session = begun()
    for number in (1, 2, 3):
        session.send(modbus_read(number, unit=number), after=1.0)
        session.send(modbus_refusal(number, unit=number), unit, after=0.004)
        session.ack(after=0.04)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert [finding.values[one] for one in ("asked", "unit")] == [False, None]


def assert_noted(diagnosis: Diagnosis, **values: object) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert {name: finding.values[name] for name in values} == values


@told_or_not
@pytest.mark.parametrize("code", [1, 2, 3, 4, 0x0A, 0x0B])
def test_found_on_every_request(controllers: tuple[str, ...], code: int) -> None:
    plant, unit, session = begun()
    rejected(session, unit, code, times=3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, code=code, rejected=3, good=0, protocol="Modbus/TCP")
    finding = found(diagnosis, SLUG)
    assert len(finding.evidence) == 6
    assert finding.values["behind"] is (code > 4)
    assert [finding.values[one] for one in ("asked", "function", "unit")] == [True, 3, 1]
    assert left_out(finding, RULE)[0] == ([] if code > 4 else [BEHIND])
    assert ("gateway" in finding.what_to_do[0].text) is (code > 4)


@told_or_not
def test_found_on_the_only_request(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    rejected(session, unit)
    session.close(after=0.5)
    assert_leads(diagnosed(ended(plant), controllers), rejected=1)


def test_found_in_each_of_several_sessions() -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=1.0)
        rejected(session, unit, 0x0B)
        session.close()
    assert_leads(diagnosed(ended(plant)), rejected=3, code=0x0B)


def test_found_where_the_controller_is_busy_too() -> None:
    plant, unit, session = begun()
    rejected(session, unit, 6)
    rejected(session, unit, 1)
    assert_leads(diagnosed(ended(plant)), rejected=1, put_off=1)


def test_found_in_ethernet_ip() -> None:
    """CIP Networks Library volume 2 (from memory): status 1, command not supported."""
    register = bytes.fromhex("65000400" + "00" * 20 + "01000000")
    granted = bytes.fromhex("6500040078563412" + "00" * 16 + "01000000")
    request = bytes.fromhex("6f00060078563412" + "00" * 16 + "000000000000")
    refusal = bytes.fromhex("6f0000007856341201000000" + "00" * 12)
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 44818).open()
    session.exchange(register, granted)
    session.exchange(request, refusal)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, code=1, protocol="EtherNet/IP", good=0)


@told_or_not
def test_found_as_a_note_where_other_requests_are_answered(controllers: tuple[str, ...]) -> None:
    plant, unit, session = begun()
    for _ in range(4):
        session.poll(1)
        rejected(session, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_noted(diagnosis, rejected=4, good=4)
    assert diagnosis.status == NO_FAULT


def beside_one_that_works(times: int, recorded_from_its_call: bool = True) -> Plant:
    """Two programs of the PC: one is answered, the other one only gets noes."""
    plant, pc, unit = acquainted()
    works, other = plant.tcp(pc, unit).open(), plant.tcp(pc, unit)
    if recorded_from_its_call:
        other.open()
    for number in range(5):
        works.poll(1)
        rejected(other, unit, 0x0B, times=number < times)
    return plant


@told_or_not
def test_found_as_a_warning_where_one_session_gets_only_noes(controllers: tuple[str, ...]) -> None:
    diagnosis = diagnosed(ended(beside_one_that_works(times=5)), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.SHOWN)
    told = [finding.values[one] for one in ("rejected", "good", "in_vain")]
    assert (told, diagnosis.status) == ([5, 5, 1], NO_FAULT)


def test_quiet_but_for_a_note_where_one_session_gets_few_noes() -> None:
    """A program may only find out what the controller can do."""
    assert_noted(diagnosed(ended(beside_one_that_works(times=2))), rejected=2, in_vain=0)


def test_quiet_but_for_a_note_where_the_session_of_noes_began_earlier() -> None:
    plant = beside_one_that_works(times=5, recorded_from_its_call=False)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.level, finding.values["in_vain"]) == (Level.NOTE, 0)


def test_quiet_but_for_a_note_where_a_session_that_works_takes_their_place() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(2)
    first = plant.tcp(pc, unit).open()
    rejected(first, unit, times=5)
    first.close()
    plant.tcp(pc, unit).open().poll(2)
    assert_noted(diagnosed(ended(plant)), rejected=5, in_vain=0)


def test_found_as_a_note_where_the_recording_began_later() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    rejected(session, unit, times=3)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == ["started-late", SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE


@told_or_not
@pytest.mark.parametrize("code", [5, 6])
def test_quiet_but_for_a_note_where_the_controller_is_busy(
    controllers: tuple[str, ...], code: int
) -> None:
    plant, unit, session = begun()
    rejected(session, unit, code, times=2)
    session.poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_noted(diagnosis, rejected=0, put_off=2)
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_where_a_program_finds_out_what_the_controller_can_do(
    controllers: tuple[str, ...],
) -> None:
    plant, unit, session = begun()
    rejected(session, unit, 1, times=3)
    session.poll(5)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_it_works_after_a_new_try(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    rejected(session, unit, 4)
    session.close()
    plant.tcp(pc, unit).open(after=1.0).poll(4)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_all_is_answered(controllers: tuple[str, ...]) -> None:
    plant, _, session = begun()
    session.poll(6)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_program_works_on_another_port() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    rejected(session, unit)
    session.close()
    plant.tcp(pc, unit, 1502).open(after=0.5).poll(4)
    assert lead(diagnosed(ended(plant))) is None


def test_quiet_where_the_protocol_is_not_known() -> None:
    """Octets that only look like a refusal."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 9600).open()
    session.exchange(b"\x02\x01read", b"\x02\x81\x02")
    assert SLUG not in slugs(diagnosed(ended(plant)))


@told_or_not
def test_quiet_about_noes_to_others(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    rejected(plant.tcp(panel, unit).open(), unit, times=3)
    session.poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_pc_itself_says_no() -> None:
    """The controller asks the PC, and is refused: not the link-up."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    call = plant.tcp(unit, pc, 502).open()
    call.exchange(modbus_read(1), modbus_refusal(1))
    session.poll(2)
    assert_healthy(diagnosed(ended(plant)))


@pytest.mark.parametrize(
    ("code", "cause"),
    [
        *((1, FUNCTION), (2, ITEM), (3, AMOUNT), (4, STATE), (5, STATE), (6, STATE)),
        *((0x0A, BEHIND), (0x0B, BEHIND), (99, ITEM)),
    ],
)
def test_the_first_cause_is_what_the_code_means(code: int, cause: str) -> None:
    plant, unit, session = begun()
    rejected(session, unit, code)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]


def test_nothing_is_ruled_out_where_the_code_is_not_known() -> None:
    plant, unit, session = begun()
    rejected(session, unit, 99)
    assert left_out(found(diagnosed(ended(plant)), SLUG), RULE)[0] == []


REGISTER = bytes.fromhex("65000400" + "00" * 20 + "01000000")
REGISTERED = bytes.fromhex("6500040078563412" + "00" * 16 + "01000000")


def unconnected(cip: bytes) -> bytes:
    """A message outside an inner connection (CIP Networks Library volume 2, from memory)."""
    inner = bytes.fromhex("000000000000020000000000b200") + len(cip).to_bytes(2, "little") + cip
    head = bytes.fromhex("6f00") + len(inner).to_bytes(2, "little") + bytes.fromhex("78563412")
    return head + bytes(16) + inner


@pytest.mark.parametrize(
    ("status", "first"),
    [(4, ITEM), (5, ITEM), (8, FUNCTION), (15, STATE), (16, STATE), (22, ITEM)],
)
def test_the_first_cause_is_what_the_status_of_ethernet_ip_means(status: int, first: str) -> None:
    """A status that points to nothing leaves the rule's own order."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 44818).open()
    session.exchange(REGISTER, REGISTERED)
    no = bytes([0x8E, 0, status, 0])
    session.exchange(unconnected(bytes.fromhex("0e0320012401")), unconnected(no))
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.values["code"] == status
    assert finding.likely_causes[0] == RULE.likely_causes[first]


@pytest.mark.parametrize("extended", [0x0204, 0x0311, 0x0312])
def test_a_device_behind_a_gateway_is_told_by_the_extended_status(extended: int) -> None:
    """Status 1 with these: no answer from behind, no such port, no such address behind it (CIP
    Networks Library volume 1, from memory).
    """
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, 44818).open()
    session.exchange(REGISTER, REGISTERED)
    no = bytes([0x8E, 0, 1, 1]) + extended.to_bytes(2, "little")
    session.exchange(unconnected(bytes.fromhex("0e0320012401")), unconnected(no))
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.values["code"] == extended
    assert finding.likely_causes[0] == RULE.likely_causes[BEHIND]


@pytest.mark.parametrize(("code", "first"), [(4, STATE), (5, STATE), (6, STATE), (10, BEHIND)])
def test_the_first_cause_is_what_the_code_of_modbus_means(code: int, first: str) -> None:
    plant, unit, session = begun()
    rejected(session, unit, code)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[first]
