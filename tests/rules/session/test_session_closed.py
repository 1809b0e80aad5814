"""session-closed: the controller closed a session that the PC still wanted."""

import pytest

from analyzer.diagnosis import Verdict
from analyzer.findings import Level
from captures.plant import Session, modbus_answer, modbus_read
from rules.session.session_closed import (
    ANOTHER_CLIENT,
    BAD_REQUEST,
    BEHIND,
    FAREWELL,
    LIFETIME,
    RULE,
    STOPPED,
    TIME_LIMIT,
    WAY_BROKEN,
)
from tests.support import (
    acquainted,
    assert_healthy,
    assert_no_alarm,
    diagnosed,
    ended,
    found,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "session-closed"


def asked(session: Session, after: float = 1.0) -> None:
    session.transaction += 1
    session.send(modbus_read(session.transaction), after=after)


@told_or_not
def test_quiet_where_the_first_request_of_every_session_is_closed(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=2.0)
        asked(session, after=0.01)
        session.close(unit, after=0.02)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == ["dropped-on-first-request"]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "answer")


@told_or_not
def test_found_where_the_pc_asks_on_behind_the_close(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    closed = session.fin(unit, after=0.3)
    session.ack()
    asked(session, after=0.7)
    session.rst(unit, bare=True)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.values["answers"] == 5
    assert plant.number(closed) in [line.moment.frame for line in finding.evidence]


def test_found_after_a_rest_where_the_pc_calls_again_at_once() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.close(unit, after=20.0)
    plant.tcp(pc, unit).open(after=0.5).poll(4)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert values["idle"] == pytest.approx(20.04, abs=0.01)
    assert (values["several"], values["data"]) == (False, True)
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.UNSTABLE]


def test_found_with_a_request_open_in_the_middle_of_the_work() -> None:
    plant, pc, unit = acquainted()
    for polls in (5, 3, 8):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(polls)
        asked(session)
        session.close(unit, after=0.01)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).values["sessions"] == 3


def test_found_where_an_accepted_session_is_closed_before_the_pc_has_asked() -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        plant.tcp(pc, unit).open(after=1.0).close(unit, after=0.5)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert (values["several"], values["data"], values["no_data"]) == (True, False, True)


@told_or_not
@pytest.mark.parametrize("begun_before", [True, False])
def test_found_where_the_close_confirms_nothing_of_the_request(
    controllers: tuple[str, ...], begun_before: bool
) -> None:
    """The request never got through; later the port is closed."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit)
    if not begun_before:
        session.open().poll(3)
    asks = session.send(modbus_read(9), lost=True, after=1.0)
    repeats = [session.again(lost=True, after=pause) for pause in (0.8, 1.7)]
    closes = session.fin(unit, after=1.4)
    session.ack()
    refusals = []
    for _ in range(2):
        call = plant.tcp(pc, unit)
        call.syn(after=1.0)
        refusals.append(call.refuse())
    finding = found(diagnosed(ended(plant), controllers), SLUG)
    assert (finding.values["unheard"], finding.values["refused"]) == (3, 2)
    assert finding.likely_causes[0] == RULE.likely_causes[STOPPED]
    assert left_out(finding, RULE)[0] == [BAD_REQUEST, BEHIND]
    frames = [plant.number(record) for record in (asks, *repeats, closes, *refusals)]
    assert [line.moment.frame for line in finding.evidence] == frames


@pytest.mark.parametrize("confirmed", [True, False])
def test_found_where_the_close_may_be_about_the_request(confirmed: bool) -> None:
    """It confirms the request, or crosses it on the way."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(9), lost=not confirmed, after=1.0)
    session.fin(unit, after=2.0 if confirmed else 0.05)
    session.ack()
    plant.tcp(pc, unit).open(after=0.5).poll(2)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.values["unheard"] == 0
    assert finding.likely_causes[0] == RULE.likely_causes[BAD_REQUEST]
    excluded = [TIME_LIMIT, WAY_BROKEN] if confirmed else [WAY_BROKEN, BEHIND]
    assert left_out(finding, RULE)[0] == excluded


def test_found_with_sequence_numbers_that_wrap_and_tags() -> None:
    plant, pc, unit = acquainted()
    with plant.tagged(7):
        session = plant.tcp(pc, unit, client_seq=2**32 - 9, server_seq=2**32 - 5).open()
        session.poll(3)
        session.fin(unit, after=0.3)
        asked(session, after=0.7)
    assert slugs(diagnosed(ended(plant))) == [SLUG]


@told_or_not
def test_quiet_where_the_controller_closes_after_each_answer(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(6):
        session = plant.tcp(pc, unit).open(after=0.2)
        session.poll(1, every=0.01)
        session.close(unit, after=0.02)
    assert_healthy(diagnosed(ended(plant), controllers))


@pytest.mark.parametrize(
    ("asks", "found_as"), [(True, [SLUG]), (False, [])], ids=["a request", "a farewell"]
)
def test_data_right_behind_the_close_counts_where_it_asks_for_an_answer(
    asks: bool, found_as: list[str]
) -> None:
    """A request that crosses the close is wanted; a goodbye is over, whoever was first."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(4)
    session.fin(unit, after=0.3)
    data = modbus_read(5) if asks else b"farewell"
    session.send(data, after=0.06)
    session.rst(unit, bare=True)
    plant.tcp(pc, unit).open(after=30.0).poll(3)
    assert slugs(diagnosed(ended(plant))) == found_as


@told_or_not
def test_quiet_where_each_session_ends_with_a_farewell(controllers: tuple[str, ...]) -> None:
    """The program says goodbye in its own protocol; the controller closes without an answer."""
    plant, pc, unit = acquainted()
    for _ in range(4):
        session = plant.tcp(pc, unit).open(after=0.5)
        session.poll(3)
        session.send(b"farewell", after=0.2)
        session.close(unit, after=0.01)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_comes_back_for_its_next_work(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close(unit, after=5.0)
    plant.tcp(pc, unit).open(after=10.0).poll(3)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_secured_session_says_goodbye_to_the_close(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.fin(unit, after=5.0)
    session.send(bytes.fromhex("15030300020100"))
    session.fin()
    session.rst(unit, bare=True)
    assert_no_alarm(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_a_first_try_is_closed_and_the_next_one_works(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    first = plant.tcp(pc, unit).open()
    first.send(bytes.fromhex("1603010005"), after=0.01)
    first.close(unit)
    plant.tcp(pc, unit).open(after=0.2).poll(5)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_greets_and_closes(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.send(b"2025-03-11 09:00", unit)
        session.close(unit)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_controller_itself_goes_on_behind_its_close(
    controllers: tuple[str, ...],
) -> None:
    """Nobody sends data behind a close: the flag was none."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.fin(unit, after=0.2)
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_pc_closed_first(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(3)
        session.close(after=4.0)
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_others_sessions_are_closed(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    other = plant.tcp(panel, unit).open()
    asked(other)
    other.close(unit)
    session.send(modbus_read(9), after=1.0)
    session.send(modbus_answer(9), unit)
    session.ack()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
@pytest.mark.parametrize("lacks", ["answer", "answer and acceptance", "the PC's close"])
def test_quiet_where_the_close_shows_what_the_recording_lacks(
    controllers: tuple[str, ...], lacks: str
) -> None:
    """Its sequence or its acknowledgement number is beyond all that is recorded."""
    plant, pc, unit = acquainted()
    for _ in range(2):
        session = plant.tcp(pc, unit)
        call, accepts = session.syn(after=1.0), session.syn_ack()
        session.ack()
        if lacks == "the PC's close":
            plant.lose(call)
            plant.lose(session.fin(after=0.3))
        else:
            session.send(modbus_read(1))
            session.ack(unit)
            plant.lose(session.send(modbus_answer(1), by=unit))
            if "acceptance" in lacks:
                plant.lose(accepts)
            plant.lose(session.ack())
        session.fin(unit)
        session.ack()
    plant.tcp(pc, unit).open(after=0.5)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_found_where_the_fourth_request_of_every_session_is_closed(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = acquainted()
    closes = []
    for _ in range(4):
        session = plant.tcp(pc, unit).open(after=0.3)
        session.poll(3)
        asked(session)
        closes.append(session.fin(unit, after=0.01))
        session.fin()
    finding = found(diagnosed(ended(plant), controllers), SLUG)
    assert (finding.values["sessions"], finding.values["answers"]) == (4, 3)
    assert finding.likely_causes[:2] == [
        RULE.likely_causes[LIFETIME],
        RULE.likely_causes[BAD_REQUEST],
    ]
    assert plant.number(closes[0]) in [line.moment.frame for line in finding.evidence]


@pytest.mark.parametrize(("after", "cause"), [(0.5, ANOTHER_CLIENT), (20.0, TIME_LIMIT)])
def test_the_first_cause_depends_on_the_rest_before_the_close(after: float, cause: str) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.fin(unit, after=after)
    session.ack()
    asked(session, after=0.7)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[cause]


@pytest.mark.parametrize("refused", [True, False])
def test_the_first_cause_of_an_unheard_request_depends_on_later_calls(refused: bool) -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(9), lost=True, after=1.0)
    session.fin(unit, after=0.6)
    session.ack()
    call = plant.tcp(pc, unit)
    if refused:
        call.syn(after=1.0)
        call.refuse()
    else:
        call.open(after=1.0).poll(2)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[STOPPED if refused else TIME_LIMIT]
    assert left_out(finding, RULE)[1] == [FAREWELL]


@told_or_not
@pytest.mark.parametrize("back", [True, False])
def test_found_in_the_midst_of_work(controllers: tuple[str, ...], back: bool) -> None:
    plant, pc, unit = acquainted()
    closes = 4 if back else 1
    for polls in (12, 9, 15, 11)[:closes]:
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(polls)
        session.close(unit, after=0.5)
    if back:
        plant.tcp(pc, unit).open(after=1.0).poll(20)
    diagnosis = diagnosed(ended(plant, 30), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert (found(diagnosis, SLUG).level, found(diagnosis, SLUG).values["sessions"]) == (
        Level.FAULT,
        closes,
    )


def test_found_on_a_request_of_a_known_protocol_where_the_pc_never_comes_back() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    asked(session)
    session.close(unit, after=0.3)
    assert slugs(diagnosed(ended(plant, 60))) == [SLUG]


def test_a_note_where_the_pc_had_come_to_rest_and_never_comes_back() -> None:
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    session.poll(5)
    session.close(unit, after=3.0)
    diagnosis = diagnosed(ended(plant, 60))
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert found(diagnosis, SLUG).values["left"]


def test_quiet_where_a_close_follows_each_farewell_at_once() -> None:
    plant, pc, unit = acquainted()
    for polls in (5, 3, 8):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.poll(polls)
        session.exchange(b"farewell", b"farewell", after=0.5)
        session.close(unit)
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_where_the_request_is_what_failed() -> None:
    """It was confirmed, and for long nothing came of it."""
    plant, pc, unit = acquainted()
    session = plant.tcp(pc, unit).open()
    asked(session)
    session.ack(unit)
    session.close(unit, after=15.0)
    assert slugs(diagnosed(ended(plant))) == ["request-unanswered"]
