"""started-late: the recording began in the middle of a session."""

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Level
from captures import layouts
from captures.plant import Plant, Session, Station, modbus_read
from tests.support import TOLD, diagnosed, ended, found, lead, slugs, told_or_not

SLUG = "started-late"


def begun() -> tuple[Plant, Station, Station]:
    plant = Plant()
    return plant, plant.pc(), plant.station()


def open_before(plant: Plant, pc: Station, unit: Station) -> Session:
    """A session whose opening happened before the recorder was started."""
    session = plant.tcp(pc, unit)
    for record in (session.syn(), session.syn_ack(), session.ack()):
        plant.lose(record)
    return session


@told_or_not
def test_found_as_a_note_where_the_session_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    session = open_before(plant, pc, unit)
    first = session.exchange(modbus_read(1), b"answer", after=0.2)
    session.poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.NOTE
    assert (str(finding.values["controller"]), finding.values["port"]) == ("192.0.2.60", 502)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(first)]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_found_as_a_warning_where_only_repeats_are_seen(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    session = open_before(plant, pc, unit)
    session.send(modbus_read(1), after=0.5)
    for pause in (0.3, 0.6, 1.2):
        session.again(after=pause)
    diagnosis = diagnosed(ended(plant), controllers)
    finding = found(diagnosis, SLUG)
    assert finding.level is Level.WARNING
    assert diagnosis.outcomes[0].verdict is not Verdict.COMPLETE
    assert diagnosis.status != NO_FAULT


def test_found_where_only_the_end_of_a_session_is_left() -> None:
    plant, pc, unit = begun()
    session = open_before(plant, pc, unit)
    plant.datagram(pc, "192.0.2.255", 50000, 50000, b"running")
    session.rst(unit, after=1)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.outcomes[0].verdict is not Verdict.COMPLETE


@told_or_not
def test_found_as_a_note_where_a_whole_attempt_follows(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    open_before(plant, pc, unit).rst(after=1)
    plant.resolve(pc, unit, after=4)
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == "port-refused"
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == FAULT


def test_found_as_a_note_and_the_silent_attempt_that_follows_leads() -> None:
    plant, pc, unit = begun()
    open_before(plant, pc, unit).rst(after=1)
    plant.resolve(pc, unit, after=4)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == ["port-silent", SLUG]


@told_or_not
def test_quiet_where_the_opening_is_in_the_file(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.wait(3)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_quiet_where_the_first_frame_is_the_first_call() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(3)
    plant.wait(8)
    assert slugs(diagnosed(plant, TOLD)) == []


def test_quiet_where_the_neighbour_was_known_before() -> None:
    plant, pc, unit = begun()
    plant.wait(3)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_where_frames_are_recorded_twice() -> None:
    plant, pc, unit = begun()
    plant.wait(3)
    plant.tcp(pc, unit).open().poll(3)
    twice = [record for record in ended(plant).records for _ in range(2)]
    assert SLUG not in slugs(diagnosed(layouts.pcap(twice), TOLD))


def test_quiet_for_sessions_of_others() -> None:
    plant, pc, unit = begun()
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    other = open_before(plant, panel, drive)
    other.poll(2)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_where_only_the_call_was_lost() -> None:
    plant, pc, unit = begun()
    plant.wait(3)
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit)
    plant.lose(session.syn())
    session.syn_ack()
    session.ack()
    session.poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.outcomes[0].verdict is Verdict.COMPLETE


def test_quiet_where_the_recording_lacks_one_direction() -> None:
    plant, pc, unit = begun()
    plant.wait(3)
    plant.tcp(pc, unit).open().poll(3)
    others = [record for record in ended(plant).records if not record.outbound]
    diagnosis = diagnosed(layouts.pcap(others), TOLD, pc="192.0.2.15")
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.status == CANNOT_TELL
