"""controllers-gateway-wrong: the PC's packets arrive, and the answers go the wrong way."""

import pytest

from analyzer.diagnosis import FAULT, Verdict
from analyzer.findings import Certainty
from captures.plant import Plant, Station
from rules.route.controllers_gateway_wrong import (
    FILTER,
    GATEWAY,
    GATEWAY_OFF,
    NARROW,
    OFF,
    OTHER_BUSINESS,
    PC_WIDE,
    RULE,
    WIDE,
)
from tests.support import diagnosed, ended, found, lead, left_out, slugs

SLUG = "controllers-gateway-wrong"
SLOW_DOWN = (1, 2, 4)
FAR, NEAR = ("198.51.100.61:502",), ("192.0.2.60:502",)
told_far = pytest.mark.parametrize("controllers", [(), FAR], ids=["not told", "told"])


def beyond() -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, its router, and the controller in the network behind that."""
    plant = Plant()
    pc, router = plant.pc(), plant.station("192.0.2.1")
    unit = plant.station("198.51.100.61")
    plant.wait(3)
    plant.resolve(pc, router)
    return plant, pc, router, unit


def neighbour_answers(plant: Plant, pc: Station, router: Station, last: int = 62) -> Station:
    other = plant.station(f"198.51.100.{last}")
    plant.ping(pc, other, via=router, after=1.0)
    plant.pong(other, pc, via=router)
    return other


# --- its neighbours answer ------------------------------------------------------------------------


@told_far
def test_found_where_its_neighbours_answer_through_the_same_router(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, router, unit = beyond()
    for last in (62, 63):
        neighbour_answers(plant, pc, router, last)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN, after=1.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert [str(one) for one in finding.values["neighbours"]] == ["198.51.100.62", "198.51.100.63"]
    assert str(finding.values["router"]) == "00-00-5E-00-53-01"
    assert finding.likely_causes[0].startswith("No gateway is entered")
    assert left_out(finding, RULE)[1] == [OTHER_BUSINESS, PC_WIDE, GATEWAY_OFF]
    assert "do not change those" in finding.means
    assert not any("Give the PC" in step.text for step in finding.what_to_do)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "route")
    assert diagnosis.status == FAULT


def test_quiet_where_no_neighbour_answers() -> None:
    """Nothing tells whether the way there works."""
    plant, pc, router, unit = beyond()
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN, after=1.0)
    assert lead(diagnosed(ended(plant), FAR)) == "subnet-mismatch"


def test_quiet_where_stations_of_another_network_answer() -> None:
    plant, pc, router, unit = beyond()
    other = plant.station("203.0.113.62")
    plant.ping(pc, other, via=router)
    plant.pong(other, pc, via=router)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN, after=1.0)
    assert lead(diagnosed(ended(plant), FAR)) == "subnet-mismatch"


def test_quiet_where_another_router_brings_the_neighbours() -> None:
    plant, pc, router, unit = beyond()
    second = plant.station("192.0.2.2")
    plant.resolve(pc, second)
    neighbour_answers(plant, pc, second)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN, after=1.0)
    assert lead(diagnosed(ended(plant), FAR)) == "subnet-mismatch"


def test_quiet_where_only_the_router_itself_answers_from_there() -> None:
    """Its other side is in the controller's network: the time to live is fresh."""
    plant, pc, router, unit = beyond()
    side = Station("198.51.100.1", router.hw)
    plant.ping(pc, side)
    plant.pong(side, pc)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN, after=1.0)
    assert lead(diagnosed(ended(plant), FAR)) == "subnet-mismatch"


def test_quiet_where_the_controller_answers() -> None:
    plant, pc, router, unit = beyond()
    neighbour_answers(plant, pc, router)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert slugs(diagnosed(ended(plant), FAR)) == []


def test_quiet_where_the_router_says_that_nobody_is_there() -> None:
    plant, pc, router, unit = beyond()
    neighbour_answers(plant, pc, router)
    session = plant.tcp(pc, unit, via=router)
    for _ in range(3):
        plant.unreachable(router, pc, session.syn(after=3.0))
    assert lead(diagnosed(ended(plant), FAR)) == "router-cannot-deliver"


def test_quiet_where_it_is_too_early_to_tell() -> None:
    plant, pc, router, unit = beyond()
    neighbour_answers(plant, pc, router)
    plant.tcp(pc, unit, via=router).syn()
    assert SLUG not in slugs(diagnosed(plant, FAR))


def test_quiet_where_the_pc_has_not_tried() -> None:
    plant, pc, router, _ = beyond()
    neighbour_answers(plant, pc, router)
    assert SLUG not in slugs(diagnosed(ended(plant), FAR))


# --- it asks for somebody else --------------------------------------------------------------------


def near() -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    return plant, pc, unit


def calls_behind_which_it_asks(wanted: str, *, times: int = 2, before: bool = False) -> Plant:
    """The controller takes the calls, and asks for somebody behind each of them."""
    plant, pc, unit = near()
    if before:
        plant.ask(unit, wanted, times=1)
        plant.wait(4)
    plant.resolve(pc, unit)
    for turn in range(3):
        plant.tcp(pc, unit).syn(repeats=(1,), after=1)
        if turn < times:
            plant.ask(unit, wanted, times=1)
    return ended(plant)


@pytest.mark.parametrize("controllers", [(), NEAR], ids=["not told", "told"])
def test_found_where_the_controller_looks_for_its_gateway(controllers: tuple[str, ...]) -> None:
    diagnosis = diagnosed(calls_behind_which_it_asks("192.0.2.49"), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert (str(finding.values["sought"]), finding.values["questions"]) == ("192.0.2.49", 2)
    assert finding.likely_causes[0] == RULE.likely_causes[NARROW]
    assert left_out(finding, RULE)[0] == [GATEWAY, WIDE]
    assert left_out(finding, RULE)[1] == [OFF]
    alike = {RULE.also_fits[name] for name in (FILTER, PC_WIDE, GATEWAY_OFF)}
    assert alike <= set(finding.also_fits)
    assert "do not change those" not in finding.means


@pytest.mark.parametrize(
    "plant",
    [
        calls_behind_which_it_asks("192.0.2.49", times=1),
        calls_behind_which_it_asks("192.0.2.49", before=True),
        calls_behind_which_it_asks("192.0.2.15"),
    ],
    ids=["once", "before too", "for the PC"],
)
def test_quiet_where_the_controller_asks_on_its_own_business(plant: Plant) -> None:
    assert lead(diagnosed(plant, NEAR)) == "port-silent"


def test_quiet_where_the_one_it_asks_for_answers() -> None:
    """At a mirror port: it has found what it looked for."""
    plant, pc, unit = near()
    other = plant.station("192.0.2.49")
    plant.resolve(pc, unit)
    for _ in range(3):
        plant.tcp(pc, unit).syn(after=1)
        plant.resolve(unit, other)
    assert lead(diagnosed(ended(plant), NEAR)) == "port-silent"


@pytest.mark.parametrize(("behind", "leads"), [(2.5, SLUG), (3.5, "port-silent")])
def test_quiet_where_the_controller_asks_long_behind_each_call(behind: float, leads: str) -> None:
    plant, pc, unit = near()
    plant.resolve(pc, unit)
    for _ in range(3):
        plant.tcp(pc, unit).syn(after=1)
        plant.wait(behind - 1)
        plant.ask(unit, "192.0.2.49", times=1, after=1)
    assert lead(diagnosed(ended(plant), NEAR)) == leads


def test_found_where_the_controller_asks_behind_each_ping() -> None:
    plant, pc, unit = near()
    plant.resolve(pc, unit)
    for _ in range(3):
        plant.ping(pc, unit, after=1.0)
        plant.ask(unit, "192.0.2.49", times=1)
    assert lead(diagnosed(ended(plant), NEAR)) == SLUG


@pytest.mark.parametrize(
    ("wanted", "cause"), [("198.51.100.254", GATEWAY), ("192.0.2.15", WIDE)], ids=["gateway", "PC"]
)
def test_found_at_the_controllers_switch(wanted: str, cause: str) -> None:
    """The PC's calls come through the router; the controller asks for another, or for the PC."""
    plant = Plant(offload=False)
    unit = plant.station("198.51.100.61")
    router = plant.station("198.51.100.1", hw="00:00:5e:00:53:01")
    pc = plant.station("192.0.2.15", ttl=128)
    plant.wait(5)
    plant.resolve(router, unit)
    for _ in range(3):
        session = plant.tcp(Station("192.0.2.15", router.hw, ttl=127), unit)
        session.syn(after=2.0)
        plant.ask(unit, wanted, times=1)
    diagnosis = diagnosed(ended(plant), FAR, pc=pc.address)
    finding = found(diagnosis, SLUG)
    assert lead(diagnosis) == SLUG
    assert str(finding.values["sought"]) == wanted
    said = RULE.likely_causes[cause].split("{")[0].split(",")[0]
    assert finding.likely_causes[0].startswith(said)
