"""udp-port-closed: nobody takes the datagrams on a UDP port."""

from collections.abc import Callable
from typing import Any

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.facts import Address
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station
from rules.port.udp_port_closed import (
    FILTER,
    FIREWALL,
    FIXED_PORT,
    NOT_LISTENING,
    ONE_WAY,
    ONLY_KNOWN_REQUESTS,
    RULE,
    SWITCHED_OFF,
    WRONG_PORT,
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

SLUG = "udp-port-closed"
BACNET = 47_808
PC, UNIT = Address.parse("192.0.2.15"), Address.parse("192.0.2.60")
told_or_not = pytest.mark.parametrize(
    "controllers", [(), ("192.0.2.60:47808",)], ids=["not told", "told"]
)


def refused(plant: Plant, pc: Station, unit: Station, by: Station | None = None, **at: Any) -> None:
    asked = plant.datagram(pc, unit, 50_000, BACNET, b"who is there", **at)
    plant.unreachable(by or unit, pc, asked, code=3)


def answered(plant: Plant, pc: Station, unit: Station, **at: Any) -> None:
    plant.datagram(pc, unit, 50_000, BACNET, b"who is there", **at)
    plant.datagram(unit, pc, BACNET, 50_000, b"it is me")


def assert_leads(
    diagnosis: Diagnosis, certainty: Certainty = Certainty.SHOWN, **values: object
) -> None:
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, certainty)
    assert {name: finding.values[name] for name in values} == values
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "port")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_controller_says_so(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        refused(plant, pc, unit, after=1.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, receiver=UNIT, port=BACNET, datagrams=3, refusals=3, by_receiver=True)
    finding = found(diagnosis, SLUG)
    assert left_out(finding, RULE) == (
        [FIXED_PORT, FIREWALL],
        [ONLY_KNOWN_REQUESTS, ONE_WAY, FILTER],
    )
    assert finding.likely_causes[0] == RULE.likely_causes[WRONG_PORT]
    assert (finding.values["pc_listens"], len(finding.what_to_do)) == (False, 2)


def test_found_where_one_datagram_is_refused_and_the_recording_ends() -> None:
    plant, pc, unit = acquainted()
    refused(plant, pc, unit)
    plant.chatter()
    assert_leads(diagnosed(plant), datagrams=1, refusals=1)


def test_found_where_somebody_else_says_so_only_as_fitting() -> None:
    plant, pc, unit = acquainted()
    wall = plant.station("192.0.2.2", ttl=255)
    refused(plant, pc, unit, by=wall)
    diagnosis = diagnosed(ended(plant))
    assert_leads(diagnosis, Certainty.FITS, refusals=1, silent=False)
    assert left_out(found(diagnosis, SLUG), RULE) == ([FIXED_PORT], [ONLY_KNOWN_REQUESTS, ONE_WAY])


@told_or_not
def test_found_where_nothing_comes_back_only_as_fitting(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    for _ in range(4):
        plant.datagram(pc, unit, 50_000, BACNET, b"who is there", after=2.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, Certainty.FITS, datagrams=4, refusals=0, silent=True)
    assert left_out(found(diagnosis, SLUG), RULE) == ([], [FILTER])
    assert len(found(diagnosis, SLUG).what_to_do) == len(RULE.what_to_do)


@pytest.mark.parametrize("controllers", [(), ("192.0.2.60:7000",)], ids=["not told", "told"])
def test_found_where_nobody_else_was_tried_and_each_question_has_a_port_of_its_own(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    for sport in range(50_000, 50_005):
        plant.datagram(pc, unit, sport, 7_000, b"state?", after=1.0)
    assert_leads(diagnosed(ended(plant), controllers), Certainty.FITS, datagrams=5)


def test_quiet_where_the_controller_is_another_one() -> None:
    """What the PC sends to somebody else need not be answered."""
    plant, pc, unit = acquainted()
    other = plant.station("192.0.2.70")
    session = plant.tcp(pc, unit, 10_001).open()
    for _ in range(5):
        session.exchange(b"READ 7\r\n", b"7 = 21\r\n")
        plant.datagram(pc, other, 50_000, 7_000, b"state: running", after=1.0)
    assert slugs(diagnosed(ended(plant))) == []


@pytest.mark.parametrize("controllers", [(), ("192.0.2.60",)], ids=["not told", "told"])
def test_found_where_the_pcs_program_does_not_listen(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.send(b"send me your state")
    session.ack(unit)
    for _ in range(5):
        state = plant.datagram(unit, pc, 7_001, 7_002, b"state", after=0.5)
        plant.unreachable(pc, unit, state, code=3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert_leads(diagnosis, receiver=PC, port=7_002, datagrams=5, refusals=5, by_receiver=True)
    finding = found(diagnosis, SLUG)
    assert left_out(finding, RULE)[0] == [SWITCHED_OFF, FIREWALL]
    assert (finding.values["at_controller"], len(finding.what_to_do)) == (False, 3)


def test_found_as_a_note_where_the_link_up_works() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    for _ in range(5):
        session.poll(1)
        state = plant.datagram(unit, pc, 7_001, 7_002, b"state")
        plant.unreachable(pc, unit, state, code=3)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == NO_FAULT


def test_found_long_after_the_port_answered() -> None:
    plant, pc, unit = acquainted()
    answered(plant, pc, unit)
    for _ in range(15):
        refused(plant, pc, unit, after=10.0)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


@told_or_not
@pytest.mark.parametrize("own", [50_000, 50_001], ids=["same socket", "another socket"])
def test_found_soon_after_the_port_answered(controllers: tuple[str, ...], own: int) -> None:
    """The service ends in the midst of its work, and the PC asks on."""
    plant, pc, unit = acquainted()
    for _ in range(6):
        answered(plant, pc, unit, after=0.2)
    said = []
    for _ in range(8):
        asked = plant.datagram(pc, unit, own, BACNET, b"who is there", after=0.6)
        said.append(plant.unreachable(unit, pc, asked, code=3))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert (finding.values["datagrams"], finding.values["refusals"]) == (8, 8)
    shown = [one.moment.frame for one in finding.evidence]
    first = plant.number(said[0])
    assert first in shown
    assert min(shown) >= first - 1
    assert finding.likely_causes[0] == RULE.likely_causes[NOT_LISTENING]
    assert left_out(finding, RULE)[0] == [WRONG_PORT, FIXED_PORT, FIREWALL]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "port")


def test_quiet_where_it_is_soon_told_by_somebody_else() -> None:
    plant, pc, unit = acquainted()
    wall = plant.station("192.0.2.2", ttl=255)
    answered(plant, pc, unit)
    for _ in range(8):
        refused(plant, pc, unit, by=wall, after=0.6)
    assert_healthy(diagnosed(ended(plant)))


@pytest.mark.parametrize(("times", "every"), [(40, 0.02), (2, 4.0), (40, 0.1)])
def test_quiet_where_a_service_ends_before_the_last_datagrams(times: int, every: float) -> None:
    """A stream that nobody minds, and two late ones."""
    plant, pc, unit = acquainted()
    answered(plant, pc, unit)
    for _ in range(times):
        refused(plant, pc, unit, after=every)
    assert_healthy(diagnosed(ended(plant)))


@told_or_not
def test_quiet_where_the_port_answers_in_the_end(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        refused(plant, pc, unit, after=1.0)
    answered(plant, pc, unit, after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_service_ends_after_its_work(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        answered(plant, pc, unit, after=1.0)
    refused(plant, pc, unit, after=1.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize("controllers", [(), ("192.0.2.60:502",)], ids=["not told", "told"])
@pytest.mark.parametrize("port", [137, 161, 1900, 30_303, BACNET])
def test_quiet_where_another_program_is_told_so(port: int, controllers: tuple[str, ...]) -> None:
    """Discovery and name service beside a session that works."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for _ in range(3):
        asked = plant.datagram(pc, unit, 50_000, port, b"who is there", after=1.0)
        plant.unreachable(unit, pc, asked, code=3)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant), controllers))


def test_quiet_where_the_session_is_refused_and_discovery_too() -> None:
    plant, pc, unit = acquainted()
    asked = plant.datagram(pc, unit, 50_000, 30_303, b"who is there", after=1.0)
    plant.unreachable(unit, pc, asked, code=3)
    call = plant.tcp(pc, unit)
    call.syn()
    call.refuse()
    assert slugs(diagnosed(ended(plant))) == ["port-refused"]


@pytest.mark.parametrize("period", [0.01, 0.1])
def test_quiet_where_a_stream_is_meant_one_way(period: float) -> None:
    plant, pc, unit = acquainted()
    for _ in range(40):
        plant.datagram(pc, unit, 7_000, 7_000, b"set point", after=period)
    assert SLUG not in slugs(diagnosed(ended(plant), ["192.0.2.60:7000"]))


def test_quiet_where_slow_reports_go_on_to_the_end_on_a_port_that_nobody_named() -> None:
    """Who asks in vain stops, who reports one way goes on at the same pace."""
    plant, pc, unit = acquainted()
    for _ in range(6):
        plant.datagram(pc, unit, 50_000, 7_000, b"state: running", after=6.0)
    assert SLUG not in slugs(diagnosed(ended(plant)))
    assert SLUG in slugs(diagnosed(ended(plant, 30)))


def test_quiet_where_a_few_slow_datagrams_go_to_a_port_that_nobody_named() -> None:
    plant, pc, unit = acquainted()
    for _ in range(5):
        plant.datagram(pc, unit, 50_000, 6_514, b"log entry", after=2.0)
    assert lead(diagnosed(ended(plant))) is None


def test_quiet_where_answers_come_to_another_port_of_the_pc() -> None:
    """Two one-way streams are how some controllers talk."""
    plant, pc, unit = acquainted()
    for _ in range(5):
        plant.datagram(pc, unit, 7_001, 7_002, b"command", after=1.0)
        plant.datagram(unit, pc, 7_003, 7_004, b"state")
    assert lead(diagnosed(ended(plant), ["192.0.2.60:7002"])) is None


def late_answer(plant: Plant, pc: Station, unit: Station) -> None:
    """The PC's program has its answer and ends; one more comes."""
    plant.datagram(pc, unit, 50_001, 30_303, b"who is there")
    for _ in range(3):
        answer = plant.datagram(unit, pc, 30_303, 50_001, b"it is me", after=0.2)
        plant.unreachable(pc, unit, answer, code=3)


def program_that_starts_later(plant: Plant, pc: Station, unit: Station) -> None:
    for n in range(20):
        state = plant.datagram(unit, pc, 7_001, 7_002, b"state", after=1.0)
        if n < 5:
            plant.unreachable(pc, unit, state, code=3)


def single_datagram(plant: Plant, pc: Station, unit: Station) -> None:
    plant.unreachable(pc, unit, plant.datagram(unit, pc, 7_001, 7_002, b"state"), code=3)


def name_service(plant: Plant, pc: Station, unit: Station) -> None:
    for port in (137, 5_355, 137, 5_355):
        asked = plant.datagram(unit, pc, 50_100, port, b"who is there", after=1.0)
        plant.unreachable(pc, unit, asked, code=3)


def datagrams_of_others(plant: Plant, pc: Station, unit: Station) -> None:
    panel = plant.station("192.0.2.20")
    for _ in range(4):
        state = plant.datagram(panel, pc, 7_001, 7_002, b"state", after=1.0)
        plant.unreachable(pc, panel, state, code=3)


@pytest.mark.parametrize(
    "happens",
    [
        late_answer,
        program_that_starts_later,
        single_datagram,
        name_service,
        datagrams_of_others,
    ],
)
def test_quiet_where_the_pc_turns_down_what_nobody_minds(
    happens: Callable[[Plant, Station, Station], None],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    happens(plant, pc, unit)
    session.poll(2)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_where_the_recording_ends_too_early() -> None:
    plant, pc, unit = acquainted()
    for _ in range(4):
        plant.datagram(pc, unit, 50_000, BACNET, b"who is there", after=2.0)
    assert SLUG not in slugs(diagnosed(ended(plant, 1.0)))


@pytest.mark.parametrize(("seconds", "leads"), [(110, None), (130, SLUG)])
def test_quiet_where_a_datagram_is_refused_within_two_minutes(
    seconds: float, leads: str | None
) -> None:
    """Within 2 min it may be starting."""
    plant, pc, unit = acquainted()
    answered(plant, pc, unit)
    refused(plant, pc, unit, after=seconds)
    assert lead(diagnosed(ended(plant))) == leads


@pytest.mark.parametrize(
    ("times", "every", "leads"), [(3, 1.2, None), (4, 1.2, SLUG), (2, 4.0, None), (3, 4.0, SLUG)]
)
def test_quiet_where_the_pc_does_not_ask_on_for_a_while(
    times: int, every: float, leads: str | None
) -> None:
    plant, pc, unit = acquainted()
    answered(plant, pc, unit)
    for _ in range(times):
        refused(plant, pc, unit, after=every)
    assert lead(diagnosed(ended(plant))) == leads


@pytest.mark.parametrize(("times", "leads"), [(2, None), (3, SLUG)])
def test_quiet_where_it_is_not_asked_often_enough(times: int, leads: str | None) -> None:
    plant, pc, unit = acquainted()
    for _ in range(times):
        plant.datagram(pc, unit, 50_000, BACNET, b"who is there", after=2.0)
    assert lead(diagnosed(ended(plant), ["192.0.2.60:47808"])) == leads


@pytest.mark.parametrize(("every", "leads"), [(0.25, None), (0.35, SLUG)])
def test_quiet_where_it_may_be_a_stream(every: float, leads: str | None) -> None:
    plant, pc, unit = acquainted()
    for _ in range(20):
        plant.datagram(pc, unit, 50_000, BACNET, b"set point", after=every)
    assert lead(diagnosed(ended(plant), ["192.0.2.60:47808"])) == leads


@pytest.mark.parametrize(("seconds", "leads"), [(10, None), (14, SLUG)])
def test_quiet_where_the_pc_may_go_on_on_a_port_that_nobody_named(
    seconds: float, leads: str | None
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(6):
        plant.datagram(pc, unit, 50_000, 7_000, b"state?", after=6.0)
    assert lead(diagnosed(ended(plant, seconds))) == leads


def test_quiet_where_the_message_is_about_anothers_datagram() -> None:
    """On a mirrored port."""
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    answered(plant, pc, unit)
    for _ in range(5):
        asked = plant.datagram(panel, unit, 50_000, BACNET, b"who is there", after=30.0)
        plant.unreachable(unit, panel, asked, code=3)
    diagnosis = diagnosed(ended(plant), ["192.0.2.60:47808"], pc="192.0.2.15")
    assert SLUG not in slugs(diagnosis)


@pytest.mark.parametrize(("later", "told"), [(4.0, True), (6.0, False)])
def test_quiet_where_the_pc_takes_the_later_datagrams(later: float, told: bool) -> None:
    """It says so now and then only, and then it says nothing any more."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for _ in range(2):
        state = plant.datagram(unit, pc, 7_001, 7_002, b"state", after=0.5)
        plant.unreachable(pc, unit, state, code=3)
    plant.datagram(unit, pc, 7_001, 7_002, b"state", after=later)
    session.poll(2)
    assert (SLUG in slugs(diagnosed(ended(plant)))) == told


def test_quiet_where_an_office_service_sends_to_another_port_of_the_pc() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for _ in range(3):
        state = plant.datagram(unit, pc, 161, 50_200, b"late", after=0.5)
        plant.unreachable(pc, unit, state, code=3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_it_fits_that_the_port_closed_where_messages_are_recorded_and_datagrams_not() -> None:
    """Each message is proof of a datagram."""
    plant, pc, unit = acquainted()
    for turn in range(3):
        asked = plant.datagram(pc, unit, 50_000, BACNET, b"who is there", after=1.0)
        if turn:
            plant.lose(asked)
        plant.unreachable(unit, pc, asked, code=3)
    assert found(diagnosed(ended(plant)), SLUG).values["datagrams"] == 3


def test_quiet_where_a_message_says_something_else() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        asked = plant.datagram(pc, unit, 50_000, BACNET, b"who is there", after=1.0)
        plant.unreachable(unit, pc, asked, code=13)
    assert SLUG not in slugs(diagnosed(ended(plant)))
