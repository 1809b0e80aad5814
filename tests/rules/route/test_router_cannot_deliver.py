"""router-cannot-deliver: a router says that it cannot deliver the PC's packets."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.layouts import Record
from captures.plant import Plant, Session, Station, modbus_read
from rules.route.router_cannot_deliver import (
    DEAF_ROUTER,
    FILTER,
    NEXT_ROUTER_OFF,
    NO_WAY_KNOWN,
    NOBODY_THERE,
    OWN_NETWORK,
    RULE,
)
from tests.support import diagnosed, ended, found, lead, left_out, slugs

SLUG = "router-cannot-deliver"
TOLD = ("198.51.100.60:502",)
told_or_not = pytest.mark.parametrize("controllers", [(), TOLD], ids=["not told", "told"])


def begun() -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, its router, and the controller behind it."""
    plant = Plant()
    pc, router, unit = plant.pc(), plant.station("192.0.2.1"), plant.station("198.51.100.60")
    plant.wait(5)
    plant.resolve(pc, router)
    return plant, pc, router, unit


@told_or_not
@pytest.mark.parametrize("code", [0, 1])
def test_found_where_each_call_is_sent_back(code: int, controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router)
    said = [plant.unreachable(router, pc, call.syn(), code=code, after=3.0)]
    said.append(plant.unreachable(router, pc, call.again(after=1.0), code=code))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert (str(finding.values["router"]), finding.values["times"]) == ("192.0.2.1", 2)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in said]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "route")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_called_device_passes_packets_on(controllers: tuple[str, ...]) -> None:
    """As a router with address translation does, before which nothing else came from it."""
    plant, pc, router, _ = begun()
    call = plant.tcp(pc, router, 8502)
    said = [plant.unreachable(router, pc, call.syn(), code=1, after=3.0)]
    said.append(plant.unreachable(router, pc, call.again(after=1.0), code=1))
    diagnosis = diagnosed(ended(plant), controllers and ("192.0.2.1:8502",))
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.values["passes_on"], finding.values["far"]) == (True, False)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in said]
    assert finding.also_fits == [RULE.also_fits[FILTER]]


def test_found_where_packets_run_in_a_circle() -> None:
    plant, pc, router, unit = begun()
    beyond = plant.station("203.0.113.2")
    call = plant.tcp(pc, unit, via=router)
    plant.unreachable(beyond, pc, call.syn(), type=11, code=0, via=router, after=0.2)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert str(finding.values["router"]) == "203.0.113.2"


def test_found_by_pings_alone() -> None:
    plant, pc, router, unit = begun()
    for sequence in range(3):
        plant.unreachable(router, pc, plant.ping(pc, unit, sequence, via=router, after=1.0))
    assert lead(diagnosed(ended(plant))) == SLUG


def test_found_where_the_way_gets_lost_after_pings() -> None:
    plant, pc, router, unit = begun()
    plant.ping(pc, unit, via=router)
    plant.pong(unit, pc, via=router)
    call = plant.tcp(pc, unit, via=router)
    plant.unreachable(router, pc, call.syn(after=5.0), after=3.0)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert diagnosis.outcomes[0].stopped_at == "route"


def test_found_where_the_way_gets_lost_in_mid_session() -> None:
    plant, pc, router, unit = begun()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(3)
    lost = session.send(modbus_read(4), lost=True, after=1.0)
    plant.unreachable(router, pc, lost, after=3.0)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert diagnosis.outcomes[0].verdict is Verdict.UNSTABLE
    assert left_out(found(diagnosis, SLUG), RULE)[0] == [OWN_NETWORK]


@pytest.mark.parametrize(("code", "excluded"), [(0, [NOBODY_THERE, NEXT_ROUTER_OFF]), (1, [])])
def test_a_router_without_a_way_says_nothing_about_the_controller(
    code: int, excluded: list[int]
) -> None:
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router)
    plant.unreachable(router, pc, call.syn(), code=code, after=3.0)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert left_out(finding, RULE) == (excluded, [DEAF_ROUTER, FILTER])


def test_messages_recorded_twice_count_once() -> None:
    plant, pc, router, unit = begun()
    said = plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn())
    plant.raw(said.data, after=0.0002)
    assert found(diagnosed(ended(plant)), SLUG).values["times"] == 1


NEXT = "192.0.2.3"


def redirected() -> tuple[Plant, Station, Station, Session, list[Record]]:
    """A ping came back by this router; then it names another one for the PC's call."""
    plant, pc, router, unit = begun()
    plant.ping(pc, unit, via=router)
    back = plant.pong(unit, pc, via=router)
    call = plant.tcp(pc, unit, via=router)
    named = plant.redirect(router, pc, call.syn(after=1.0), NEXT)
    return plant, pc, router, call, [back, named]


def numbers(plant: Plant, records: list[Record]) -> list[int]:
    return [plant.number(one) for one in records]


@told_or_not
def test_found_where_the_router_that_it_names_is_gone(controllers: tuple[str, ...]) -> None:
    plant, pc, router, call, shown = redirected()
    for asker in (router, pc):
        shown += plant.ask(asker, NEXT, times=1)
    plant.ask(pc, NEXT, times=1, after=1.0)
    shown.append(plant.unreachable(router, pc, call.again(after=3.0), code=1))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert finding.likely_causes == [RULE.likely_causes[NEXT_ROUTER_OFF]]
    assert left_out(finding, RULE)[1] == [FILTER]
    values = finding.values
    assert (str(values["router"]), str(values["end"])) == ("192.0.2.1", NEXT)
    assert (values["times"], values["meanings"]) == (
        2,
        ["use another router for this host", "host unreachable"],
    )
    assert (values["redirected"], values["refused"], values["said"]) == (1, 1, ["host unreachable"])
    assert [one.moment.frame for one in finding.evidence] == numbers(plant, shown)
    assert finding.moment is not None
    assert finding.moment.frame == plant.number(shown[1])
    assert diagnosis.outcomes[0].stopped_at == "route"


def test_found_where_the_pc_follows_to_a_router_that_is_gone() -> None:
    """No message says so: the PC asks in vain."""
    plant, pc, _, _, shown = redirected()
    shown += plant.ask(pc, NEXT)[:2]
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.values["times"], str(finding.values["end"])) == (1, NEXT)
    assert (finding.values["redirected"], finding.values["said"]) == (1, [])
    assert [one.moment.frame for one in finding.evidence] == numbers(plant, shown)


def test_the_host_is_missing_where_the_named_router_is_there() -> None:
    plant, pc, router, call, _ = redirected()
    plant.resolve(pc, plant.station(NEXT))
    plant.ask(router, NEXT, times=3)  # the reply goes to that router alone
    said = plant.unreachable(router, pc, call.again(after=3.0), code=1)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert [one.moment.frame for one in finding.evidence[1:]] == [plant.number(said)]
    assert finding.likely_causes[0] == RULE.likely_causes[NOBODY_THERE]
    assert str(finding.values["end"]) == "192.0.2.1"


def test_quiet_where_the_controller_is_on_the_pcs_own_cable() -> None:
    """Whatever the router says: no router is needed."""
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router)
    plant.unreachable(router, pc, call.syn(), after=3.0)
    plant.announce(unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["subnet-mismatch"]


def test_quiet_about_a_named_router_that_only_the_other_router_asks_for() -> None:
    plant, _, router, call, _ = redirected()
    plant.ask(router, NEXT, times=3)
    call.again(after=3.0)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_packets_come_back_all_the_same() -> None:
    plant, pc, _, call, _ = redirected()
    plant.ask(pc, NEXT)
    call.syn_ack()
    call.ack()
    call.poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert (slugs(diagnosis), diagnosis.status) == (["redirected-path"], NO_FAULT)


@told_or_not
def test_quiet_where_the_router_was_still_finding_the_way(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), after=3.0)
    plant.tcp(pc, unit, via=router).open(after=1.0).poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert (lead(diagnosis), diagnosis.status) == (None, NO_FAULT)


def test_quiet_where_the_next_ping_comes_back() -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.ping(pc, unit, via=router), after=3.0)
    plant.ping(pc, unit, 2, via=router, after=1.0)
    plant.pong(unit, pc, 2, via=router)
    assert lead(diagnosed(ended(plant), ("198.51.100.60",))) is None


@told_or_not
def test_quiet_about_another_programs_packets(controllers: tuple[str, ...]) -> None:
    plant, pc, router, unit = begun()
    server = plant.station("203.0.113.9")
    plant.unreachable(router, pc, plant.tcp(pc, server, 443, via=router).syn())
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_quiet_about_another_stations_packets() -> None:
    plant, pc, router, unit = begun()
    panel = plant.station("192.0.2.20")
    call = plant.tcp(panel, unit, via=router)
    plant.unreachable(router, panel, call.syn())
    plant.tcp(pc, unit, via=router).syn(repeats=(1, 2))
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_search_for_the_way() -> None:
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router)
    call.syn()
    call.refuse()
    few = Station(pc.address, pc.hw, ttl=1, is_pc=True)
    for sequence in range(3):
        ping = plant.ping(few, unit, sequence, via=router, after=1.0)
        plant.unreachable(router, pc, ping, type=11, code=0)
    assert lead(diagnosed(ended(plant), TOLD)) == "port-refused"


@pytest.mark.parametrize(
    ("kind", "code"), [(5, 0), (11, 1)], ids=["a better way", "fragments missing"]
)
def test_quiet_about_other_messages(kind: int, code: int) -> None:
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router).syn()
    plant.unreachable(router, pc, call, type=kind, code=code)
    assert lead(diagnosed(ended(plant))) == "subnet-mismatch"


def test_quiet_about_a_filter() -> None:
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=13)
    assert lead(diagnosed(ended(plant))) == "path-refused"


def test_quiet_where_the_router_says_nothing() -> None:
    plant, pc, router, unit = begun()
    plant.tcp(pc, unit, via=router).syn(repeats=(1, 2, 4))
    assert lead(diagnosed(ended(plant))) == "subnet-mismatch"


@pytest.mark.parametrize(
    ("code", "likeliest", "excluded"),
    [
        (0, NO_WAY_KNOWN, True),
        (1, NOBODY_THERE, False),
        (5, NO_WAY_KNOWN, False),
        (6, NO_WAY_KNOWN, True),
        (7, NOBODY_THERE, False),
        (8, NO_WAY_KNOWN, False),
        (11, NO_WAY_KNOWN, True),
        (12, NO_WAY_KNOWN, False),
    ],
)
def test_each_code_says_what_the_router_lacks(code: int, likeliest: str, excluded: bool) -> None:
    """RFC 792, RFC 1122 3.2.2.1, RFC 1812 5.2.7.1."""
    plant, pc, router, unit = begun()
    call = plant.tcp(pc, unit, via=router)
    plant.unreachable(router, pc, call.syn(), code=code, after=3.0)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[likeliest]
    assert (left_out(finding, RULE)[0] == [NOBODY_THERE, NEXT_ROUTER_OFF]) == excluded
    assert finding.values["meaning"] == finding.values["meanings"][0]


@pytest.mark.parametrize("code", [2, 3, 4, 9, 10, 13])
def test_quiet_about_codes_of_others(code: int) -> None:
    """Of filters and hosts, and of a way that takes smaller packets only."""
    plant, pc, router, unit = begun()
    plant.unreachable(router, pc, plant.tcp(pc, unit, via=router).syn(), code=code)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


@pytest.mark.parametrize(("seconds", "told"), [(1, False), (6, True)])
def test_quiet_where_the_named_router_has_no_time_to_answer(seconds: float, told: bool) -> None:
    plant, pc, _, _, _ = redirected()
    plant.ask(pc, NEXT, times=2)
    diagnosis = diagnosed(ended(plant, seconds), TOLD)
    assert (SLUG in slugs(diagnosis)) == told
    if told:
        assert found(diagnosis, SLUG).values["meaning"] is None
