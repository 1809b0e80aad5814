"""recorder-dropped: frames that were on the wire are not in the file."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_answer, modbus_read
from tests.support import (
    acquainted,
    assert_healthy,
    begun,
    diagnosed,
    ended,
    found,
    slugs,
    told_or_not,
)

SLUG = "recorder-dropped"
PC_HW = "00:00:5e:00:53:15"


def lossy(plant: Plant, drops: int | None = 3) -> bytes:
    return plant.pcapng(hw=PC_HW, address="192.0.2.15/24", drops=drops)


def missed(session: Session, by: Station) -> None:
    """An answer that the recorder missed: it came, and the PC confirms it."""
    session.send(modbus_read(9), after=1)
    session.plant.lose(session.send(modbus_answer(9), by))
    session.ack(after=0.04)


@told_or_not
def test_found_where_the_pc_waits_and_the_recorder_lost_frames(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    diagnosis = diagnosed(lossy(ended(plant), 3), controllers)
    assert slugs(diagnosis) == ["port-silent", SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.SHOWN)
    assert (finding.values["dropped"], finding.values["confirmed"]) == (3, 0)
    assert "0 times" not in finding.what_happened


def test_found_where_no_attempt_is_in_the_file() -> None:
    plant, pc, _ = begun()
    plant.datagram(pc, "192.0.2.255", 50000, 50000, b"running", after=3)
    octets = lossy(ended(plant))
    for told in ([], ["192.0.2.60"]):
        diagnosis = diagnosed(octets, told)
        assert slugs(diagnosis) == ["no-attempt", SLUG]
        assert found(diagnosis, SLUG).level is Level.WARNING
        assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_found_as_a_note_where_the_link_up_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(4)
    diagnosis = diagnosed(lossy(ended(plant), 40), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == NO_FAULT


def test_found_as_a_note_where_frames_show_the_refusal() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    diagnosis = diagnosed(lossy(ended(plant)))
    assert slugs(diagnosis) == ["port-refused", SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == FAULT


@told_or_not
@pytest.mark.parametrize("client_seq", [100, 2**32 - 30])
def test_found_where_the_pc_confirms_what_is_not_there(
    client_seq: int, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, client_seq=client_seq, server_seq=2**32 - 20).open()
    session.poll(2)
    missed(session, unit)
    later = len(plant.records)
    session.poll(2)
    proof = plant.records[later]  # the next request confirms it once more
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.FITS)
    assert (finding.values["dropped"], finding.values["confirmed"]) == (0, 2)
    assert "0 frames" not in finding.what_happened
    (line,) = finding.evidence
    assert plant.records[line.moment.frame - 1].data == proof.data


def test_found_as_a_warning_where_only_the_missing_answer_would_tell() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    missed(session, unit)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.CANNOT_TELL]


def test_quiet_where_the_recorder_counts_no_loss() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(4)
    assert_healthy(diagnosed(lossy(ended(plant), 0)))
    assert_healthy(diagnosed(lossy(plant, None)))


@pytest.mark.parametrize("lost", [True, False])
def test_quiet_for_segments_lost_on_the_wire(lost: bool) -> None:
    """They come again, from either end, and nobody confirms them before."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    session.send(modbus_read(9), lost=lost, after=1)
    session.again(after=0.3)
    session.send(modbus_answer(9), unit, lost=True)
    session.again(unit, after=0.3)
    session.ack()
    session.poll(2)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_recording_begins_inside_a_session() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit)
    for record in (session.syn(), session.syn_ack(), session.ack()):
        plant.lose(record)
    session.ack(unit)
    session.ack()
    session.poll(3)
    assert slugs(diagnosed(ended(plant))) == ["started-late"]


def test_quiet_for_keep_alives_and_their_answers() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for _ in range(3):
        session.keep_alive(after=10)
        session.ack(unit)
    session.close()
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_about_sessions_of_others() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(3)
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    session = plant.tcp(panel, drive).open()
    session.poll(2)
    missed(session, drive)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_for_a_stray_confirmation_of_an_older_session() -> None:
    """The answer to a SYN over a half-open session confirms numbers that are not in the file."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit, client_seq=7_000)
    session.syn()
    session.ack(unit, ack=77_000, seq=5_000)
    session.rst(bare=True, seq=77_000)
    session.again(after=1)
    session.syn_ack()
    session.ack()
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))
