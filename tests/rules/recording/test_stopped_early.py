"""stopped-early: the recording ended while the PC was waiting."""

from collections.abc import Callable

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures import layouts
from captures.plant import Plant, Record, Station, modbus_read
from tests.support import TOLD, diagnosed, found, lead, slugs, told_or_not

SLUG = "stopped-early"


def begun() -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(4)
    return plant, pc, unit


def ended(plant: Plant, after: float = 8) -> Plant:
    """The recording goes on for so many seconds; the last frame is another station's."""
    plant.wait(after)
    plant.chatter()
    plant.datagram(Station("192.0.2.20", "00:00:5e:00:53:20"), "192.0.2.255", 9, 9, after=0)
    return plant


def asks(plant: Plant, pc: Station, unit: Station) -> Record:
    return plant.ask(pc, unit, times=1)[0]


def pings(plant: Plant, pc: Station, unit: Station) -> Record:
    plant.resolve(pc, unit)
    return plant.ping(pc, unit)


def calls(plant: Plant, pc: Station, unit: Station) -> Record:
    plant.resolve(pc, unit)
    return plant.tcp(pc, unit).syn()


def requests(plant: Plant, pc: Station, unit: Station) -> Record:
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    record = session.send(modbus_read(1), after=0.1)
    session.ack(unit)
    return record


@told_or_not
@pytest.mark.parametrize("left", [0.4, 4.8])
@pytest.mark.parametrize("tries", [asks, pings, calls, requests])
def test_found_at_every_stage(
    tries: Callable[[Plant, Station, Station], Record], left: float, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    waiting = tries(plant, pc, unit)
    diagnosis = diagnosed(ended(plant, left), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.values["left"] == pytest.approx(left, abs=0.01)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(waiting)]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.CANNOT_TELL]
    assert diagnosis.outcomes[0].stopped_at is None
    assert diagnosis.status == CANNOT_TELL


@pytest.mark.parametrize("times", [1, 2])
def test_found_for_datagrams(times: int) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    for _ in range(times):
        plant.datagram(pc, unit, 50000, 47808, b"who", after=1)
    diagnosis = diagnosed(ended(plant, 1), ["192.0.2.60:47808"])
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["left"] == pytest.approx(times, abs=0.01)
    assert diagnosis.status == CANNOT_TELL


def repeated_questions(plant: Plant, pc: Station, unit: Station) -> None:
    plant.ask(pc, unit)


def repeated_calls(plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2))


def repeated_requests(plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.send(modbus_read(1), after=0.1)
    session.again(after=0.3)
    session.again(after=0.6)


@told_or_not
@pytest.mark.parametrize("tries", [repeated_questions, repeated_calls, repeated_requests])
def test_found_beneath_the_fault_that_fits_where_the_pc_repeats_itself(
    tries: Callable[[Plant, Station, Station], None], controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    tries(plant, pc, unit)
    diagnosis = diagnosed(ended(plant, 0.4), controllers)
    assert lead(diagnosis) is not None
    assert diagnosis.findings[0].certainty is Certainty.FITS
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == FAULT


@told_or_not
@pytest.mark.parametrize("tries", [asks, calls, requests])
def test_quiet_where_the_recording_went_on(
    tries: Callable[[Plant, Station, Station], Record], controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    tries(plant, pc, unit)
    diagnosis = diagnosed(ended(plant, 5.2), controllers)
    assert SLUG not in slugs(diagnosis)
    assert lead(diagnosis) is not None
    assert diagnosis.status == FAULT


@told_or_not
def test_quiet_where_it_ends_right_after_an_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


def test_quiet_where_it_ends_inside_a_later_request() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(4), after=1)
    assert slugs(diagnosed(ended(plant, 0.01), TOLD)) == []


def test_quiet_where_it_ends_right_after_a_refusal() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit)
    session.syn()
    session.refuse()
    assert slugs(diagnosed(ended(plant, 0.3), TOLD)) == ["port-refused"]


def test_quiet_where_earlier_calls_were_refused() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    for _ in range(3):
        session = plant.tcp(pc, unit)
        session.syn(after=2)
        session.refuse()
    plant.tcp(pc, unit).syn(after=2)
    assert slugs(diagnosed(ended(plant, 0.3), TOLD)) == ["port-refused"]


def test_quiet_where_a_message_says_why() -> None:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1")
    far = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.resolve(pc, router)
    plant.unreachable(router, pc, plant.tcp(pc, far, via=router).syn(), code=13)
    diagnosis = diagnosed(ended(plant, 0.3), ["198.51.100.60:502"])
    assert slugs(diagnosis) == ["path-refused"]


def test_quiet_where_the_pc_has_no_address_to_be_answered_at() -> None:
    plant = Plant()
    pc, unit = plant.pc("169.254.23.15"), plant.station()
    plant.wait(4)
    plant.announce(pc)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant, 0.3), TOLD)) == ["self-assigned-address"]


def test_quiet_where_frames_are_recorded_twice() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    twice = [record for record in plant.records for _ in range(2)]
    assert SLUG not in slugs(diagnosed(layouts.pcap(twice), TOLD))


@pytest.mark.parametrize(
    ("known", "slug"), [(False, "unanswered-arp"), (True, "port-silent")], ids=["arp", "calls"]
)
def test_quiet_where_the_pc_has_asked_in_vain_for_a_minute(known: bool, slug: str) -> None:
    plant, pc, unit = begun()
    if known:
        plant.resolve(pc, unit)
    for _ in range(30):
        if known:
            plant.tcp(pc, unit).syn(after=2)
        else:
            plant.ask(pc, unit, times=1, after=2)
    assert slugs(diagnosed(ended(plant, 0.5), TOLD)) == [slug]


def test_quiet_where_the_recording_lacks_one_direction() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    own = [record for record in ended(plant, 1).records if record.outbound]
    assert SLUG not in slugs(diagnosed(layouts.pcap(own), TOLD))


@pytest.mark.parametrize(("repeats", "told"), [(1, False), (2, True)])
def test_found_where_a_link_up_that_worked_repeats_its_last_request(
    repeats: int, told: bool
) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(9), after=1)
    for _ in range(repeats):
        session.again(after=0.4)
    assert (SLUG in slugs(diagnosed(ended(plant, 0.4), TOLD))) is told


def test_quiet_where_another_session_was_answered_since() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    session.send(modbus_read(9), after=1)
    for _ in range(3):
        session.again(after=0.2)
    plant.tcp(pc, unit).open().poll(2, every=0.2)
    assert SLUG not in slugs(diagnosed(ended(plant, 0.3), TOLD))


def test_found_where_a_router_only_names_a_shorter_way() -> None:
    plant, pc, _ = begun()
    router, nearer = plant.station("192.0.2.1"), plant.station("192.0.2.2")
    far = plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    plant.resolve(pc, router)
    plant.redirect(router, pc, plant.tcp(pc, far, via=router).syn(), nearer)
    assert SLUG in slugs(diagnosed(ended(plant, 0.3), ["198.51.100.60:502"]))
