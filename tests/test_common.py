"""analyzer.common: what incidents have in common, in generated series and in recordings."""

import random
from dataclasses import replace
from itertools import accumulate

import pytest

from analyzer.common import DAY, Common, Event, Factor, Observed, common, compare
from analyzer.facts import Request, Spread
from analyzer.incidents import incidents
from captures.plant import Plant, modbus_answer, modbus_read
from tests.support import acquainted, diagnosed

SERIES = 1000
EVENTS = (
    Factor.CLIENT,
    Factor.CLAIM,
    Factor.LEASE,
    Factor.TREE,
    Factor.BURST,
    Factor.RESTART,
)
PLANTED = (
    Factor.REQUEST,
    Factor.SIZE,
    Factor.AT_REQUEST,
    Factor.SLOWER,
    Factor.REST,
    Factor.AGE,
    Factor.REQUESTS,
    Factor.INTERVAL,
    *EVENTS,
)
WRITE = Request(27, 16, 1)
STATIONS = ("192.0.2.20", "192.0.2.33")


def at_random(draw: random.Random) -> Observed:
    """Incidents at random moments of some hours: nothing in common."""
    number, mean = draw.randint(5, 15), draw.choice((300.0, 1200.0, 3600.0))
    gaps = [5 + draw.expovariate(1 / mean) for _ in range(number)]
    moments = list(accumulate(gaps))
    every = draw.choice((0.2, 1.0, 5.0))
    up = moments[-1] + 60
    kinds = {Request(12, 3, 1): int(up / every), Request(12, 4, 1): int(up / every / 9), WRITE: 40}
    pauses = Spread()
    for _ in range(2000):
        pauses.add(every * draw.uniform(0.95, 1.05))
    for _ in range(20):
        pauses.add(draw.expovariate(1 / 20))
    names, weights = list(kinds), list(kinds.values())
    return Observed(
        moments=moments,
        rests=[draw.uniform(0, every) for _ in moments],
        ages=[gap - 4 for gap in gaps],
        requests=[int((gap - 4) / every) + 1 for gap in gaps],
        kinds=draw.choices(names, weights, k=number),
        answered=[one if (one := draw.uniform(0, every)) < 0.1 else None for _ in moments],
        bare=[False for _ in moments],
        slows=[draw.random() < 0.02 for _ in moments],
        slowing=int(up / every / 50),
        answers=int(up / every),
        asked=int(up / every),
        open=up,
        all_kinds=kinds,
        pauses=pauses,
        lived=[draw.expovariate(1 / mean) for _ in range(number)],
        carried=[draw.randint(1, 500) for _ in range(number)],
        events={one: _some(draw, up) for one in EVENTS},
        up=up,
        clock=draw.uniform(0, DAY),
        listened=up,
    )


def _some(draw: random.Random, up: float) -> list[Event]:
    moments = sorted(draw.uniform(0, up) for _ in range(draw.choice((0, 3, 10, 30))))
    return [Event(at, draw.choice(STATIONS)) for at in moments]


def planted(draw: random.Random, factor: Factor) -> Observed:
    """The same, with a reason behind nine in ten incidents or more."""
    seen = at_random(draw)
    hit = [draw.random() < 0.95 for _ in seen.moments]
    hit[:5] = [True] * 5

    def some(values: list[float], plain: list[float]) -> list[float]:
        return [one if so else other for one, other, so in zip(values, plain, hit, strict=True)]

    near = [draw.gauss(0, 0.003) for _ in seen.moments]
    match factor:
        case Factor.REQUEST:
            return replace(
                seen, kinds=[WRITE if so else k for k, so in zip(seen.kinds, hit, strict=True)]
            )
        case Factor.SIZE:
            sizes = {Request(size, 3, 1): 4 for size in range(200, 220)}
            large = draw.choices(list(sizes), k=len(hit))
            kinds = [one if so else k for one, k, so in zip(large, seen.kinds, hit, strict=True)]
            return replace(seen, kinds=kinds, all_kinds={**seen.all_kinds, **sizes})
        case Factor.SLOWER:
            slows = [so or one for one, so in zip(seen.slows, hit, strict=True)]
            return replace(seen, slows=slows, slowing=seen.slowing + sum(hit))
        case Factor.AT_REQUEST:
            at_once = [draw.uniform(0.001, 0.01) for _ in seen.moments]
            return replace(seen, answered=some(at_once, seen.answered))
        case Factor.REST:
            return replace(seen, rests=some([60 * (1 + n) for n in near], seen.rests))
        case Factor.AGE:
            ages = some([600 * (1 + n) for n in near], seen.ages)
            short = [draw.uniform(1, 500) for _ in seen.lived]
            return replace(seen, ages=ages, lived=short)
        case Factor.REQUESTS:
            return replace(seen, requests=some([1000] * len(hit), seen.requests), carried=[9, 400])
        case Factor.INTERVAL:
            moments = list(accumulate(900 * (1 + n) for n in near))
            return replace(seen, moments=moments, up=moments[-1], events={})
    times = [at - draw.uniform(0.01, 0.8) for at, so in zip(seen.moments, hit, strict=True) if so]
    before = [Event(at, STATIONS[0]) for at in times]
    return replace(seen, events={**seen.events, factor: sorted([*seen.events[factor], *before])})


def named(told: Common) -> list[Factor]:
    return [one.factor for one in told.patterns]


def test_patterns_that_were_planted_are_named() -> None:
    draw = random.Random(20)
    factors = [PLANTED[n % len(PLANTED)] for n in range(SERIES)]
    missed = [one for one in factors if one not in named(compare(planted(draw, one)))]
    assert len(missed) <= 0.05 * SERIES, sorted(missed)


def test_no_other_pattern_is_claimed() -> None:
    draw = random.Random(21)
    claimed = [one for _ in range(SERIES) for one in named(compare(at_random(draw)))]
    assert len(claimed) <= 0.01 * SERIES, claimed


def test_beside_a_planted_pattern_no_other_is_claimed() -> None:
    draw = random.Random(22)
    factors = [PLANTED[n % len(PLANTED)] for n in range(SERIES)]
    told = [(one, named(compare(planted(draw, one)))) for one in factors]
    wrong = [(one, others) for one, others in told if set(others) - {one, IMPLIED.get(one)}]
    assert len(wrong) <= 0.01 * SERIES, wrong


IMPLIED = {Factor.REST: Factor.PAUSE}
"""What is so as well where another thing is."""


def test_the_same_time_of_day_is_seen_over_days() -> None:
    draw = random.Random(5)
    seen = at_random(draw)
    moments = [3 * 3600 + day * DAY + draw.uniform(0, 8) for day in range(6)]
    found = compare(Observed(moments, up=6 * DAY, clock=3600.0, listened=6 * DAY))
    assert named(found) == [Factor.TIME_OF_DAY]
    assert Factor.TIME_OF_DAY not in compare(seen).looked


# --- recordings -----------------------------------------------------------------------------------


def told(plant: Plant) -> Common | None:
    diagnosis = diagnosed(plant.pcap())
    (found,) = incidents(diagnosis.case)
    return common(diagnosis.outcomes[0].linkup, found)


def breaks(number: int, unit_number: int | None, seed: int = 3, bare: bool = False) -> Plant:
    """Sessions of some polls that the controller resets, after a request for one unit, or not."""
    draw = random.Random(seed)
    plant, pc, unit = acquainted()
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        for one in range(draw.randint(15, 60)):
            other = 7 if draw.random() < 0.02 else 1
            session.exchange(modbus_read(one, other), modbus_answer(one, other), after=1.0)
        session.send(modbus_read(99, unit_number or 1), after=1.0)
        session.rst(unit, bare, after=0.02)
        plant.wait(draw.uniform(1, 4))
    plant.tcp(pc, unit).open().poll(9)
    return plant


def test_found_the_request_behind_eleven_resets() -> None:
    found = told(breaks(11, 7))
    assert found is not None
    (pattern,) = found.patterns
    assert (pattern.factor, pattern.hits, pattern.of) == (Factor.REQUEST, 11, 11)
    assert pattern.kind == Request(-1, -1, 7)
    assert pattern.other_hits < 20
    assert pattern.others > 300


def test_found_that_each_reset_comes_right_behind_a_request() -> None:
    found = told(breaks(11, None))
    assert found is not None
    (pattern,) = found.patterns
    assert (pattern.factor, pattern.hits, pattern.of) == (Factor.AT_REQUEST, 11, 11)
    assert pattern.most == pytest.approx(0.02, abs=0.001)
    assert pattern.others > 300
    assert Factor.REQUEST in found.looked


def test_found_that_the_resets_know_no_such_session() -> None:
    found = told(breaks(11, None, bare=True))
    assert found is not None
    assert named(found) == [Factor.UNKNOWN]


def at_any_time(number: int, seed: int, every: float = 1.0) -> Plant:
    """Sessions of some polls that the controller resets anywhere between two requests."""
    draw = random.Random(seed)
    plant, pc, unit = acquainted()
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        session.poll(draw.randint(15, 60), every=every)
        session.rst(unit, after=draw.uniform(0.1, 0.9) * every)
        plant.wait(draw.uniform(2, 5))
    plant.tcp(pc, unit).open().poll(9)
    return plant


@pytest.mark.parametrize("seed", range(5))
def test_quiet_where_the_resets_come_at_any_time(seed: int) -> None:
    found = told(at_any_time(11, seed))
    assert found is not None
    assert (found.patterns, found.doubtful) == ([], [])
    assert Factor.AT_REQUEST not in found.looked


def asks_all_the_time() -> Plant:
    """Resets at any time, which is always near a request."""
    draw = random.Random(3)
    plant, pc, unit = acquainted()
    for _ in range(3):
        session = plant.tcp(pc, unit).open()
        for one in range(draw.randint(40, 80)):
            session.exchange(modbus_read(one), modbus_answer(one), think=0.08, after=0.01)
        session.send(modbus_read(99), after=0.01)
        session.rst(unit, after=draw.uniform(0.02, 0.09))
        plant.wait(draw.uniform(2, 5))
    plant.tcp(pc, unit).open().poll(9)
    return plant


def test_doubtful_where_the_pc_asks_all_the_time() -> None:
    found = told(asks_all_the_time())
    assert found is not None
    assert found.patterns == []
    (pattern,) = found.doubtful
    assert pattern.factor is Factor.AT_REQUEST
    assert pattern.chance > 0.01


def test_quiet_with_two_incidents() -> None:
    assert told(breaks(2, 7)) is None


def limited(number: int, seed: int, limit: float | None) -> Plant:
    """Sessions that rest after some polls, and are closed after a limit, or after any time."""
    draw = random.Random(seed)
    plant, pc, unit = acquainted()
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        session.poll(draw.randint(5, 30), every=2.0)
        session.close(unit, after=limit or draw.uniform(1.2, 2.0))
        plant.wait(0.4)
    plant.tcp(pc, unit).open().poll(9, every=2.0)
    return plant


def test_found_an_idle_limit() -> None:
    found = told(limited(6, 4, 45.0))
    assert found is not None
    (pattern,) = found.patterns
    assert (pattern.factor, pattern.hits, pattern.other_hits) == (Factor.REST, 6, 0)
    assert pattern.least == pytest.approx(45, abs=0.1)


def test_quiet_where_the_rest_is_the_pace_of_the_pc() -> None:
    found = told(limited(6, 4, None))
    assert found is not None
    assert named(found) == []


def with_others(number: int, seed: int, trips: bool) -> Plant:
    """Sessions that break right after another station's call, or at any time."""
    draw = random.Random(seed)
    plant, pc, unit = acquainted()
    panel = plant.station("192.0.2.33")
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        session.poll(draw.randint(10, 60))
        if not trips:
            session.poll(3)
        other = plant.tcp(panel, unit).open(after=0.5)
        if not trips:
            session.poll(draw.randint(15, 40))
        session.rst(unit, after=0.05)
        other.poll(2)
        other.close()
        plant.wait(draw.uniform(2, 5))
    plant.tcp(pc, unit).open().poll(9)
    return plant


def test_found_another_client_before_each() -> None:
    found = told(with_others(7, 5, True))
    assert found is not None
    pattern = found.patterns[0]
    assert (pattern.factor, pattern.hits, pattern.other_hits) == (Factor.CLIENT, 7, 0)
    assert list(pattern.who) == ["192.0.2.33"]
    assert pattern.most == pytest.approx(0.05, abs=0.01)


def test_quiet_where_another_client_calls_at_other_times() -> None:
    found = told(with_others(7, 5, False))
    assert found is not None
    assert Factor.CLIENT not in named(found)
    assert Factor.CLIENT in found.looked


def test_of_two_clients_the_one_that_came_before_each_is_named() -> None:
    """The other one calls more often, and at any time."""
    draw = random.Random(8)
    seen = at_random(draw)
    own = [Event(at - draw.uniform(0.1, 0.3), STATIONS[0]) for at in seen.moments]
    other = [Event(draw.uniform(0, seen.up), STATIONS[1]) for _ in range(40)]
    found = compare(replace(seen, events={Factor.CLIENT: sorted(own + other)}))
    (pattern,) = found.patterns
    assert (list(pattern.who), pattern.other_hits) == ([STATIONS[0]], 0)
    assert pattern.hits == pattern.of
    assert 0.1 <= pattern.least <= pattern.most <= 0.3


def test_two_clients_that_come_before_in_turn_are_both_named() -> None:
    draw = random.Random(9)
    seen = at_random(draw)
    before = [Event(at - 0.2, STATIONS[n % 2]) for n, at in enumerate(seen.moments)]
    (pattern,) = compare(replace(seen, events={Factor.CLIENT: before})).patterns
    assert set(pattern.who) == set(STATIONS)


def claimed(number: int, by_owner: bool, soon: bool) -> Plant:
    """Two devices have one address, and one of them announces it: a moment before each break, or in
    the midst of each session.
    """
    draw = random.Random(11)
    plant, pc, unit = acquainted()
    second = plant.station("192.0.2.60", "00:00:5e:00:53:77")
    plant.announce(second if by_owner else unit, times=1)
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        session.poll(draw.randint(10, 60))
        plant.announce(unit if by_owner else second, times=1)
        session.poll(0 if soon else draw.randint(15, 40))
        session.rst(unit, after=0.3)
        plant.wait(draw.uniform(2, 5))
    plant.tcp(pc, unit).open().poll(9)
    return plant


@pytest.mark.parametrize(("by_owner", "who"), [(True, "60"), (False, "77")])
def test_found_an_announcement_of_either_of_two_devices(by_owner: bool, who: str) -> None:
    found = told(claimed(5, by_owner, soon=True))
    assert found is not None
    (pattern,) = found.patterns
    assert (pattern.factor, pattern.hits) == (Factor.CLAIM, 5)
    assert list(pattern.who) == [f"00-00-5E-00-53-{who}"]


@pytest.mark.parametrize("by_owner", [True, False])
def test_quiet_where_either_announces_at_other_times(by_owner: bool) -> None:
    found = told(claimed(5, by_owner, soon=False))
    assert found is not None
    assert found.patterns == []
    assert Factor.CLAIM in found.looked


def after_requests(number: int, requests: int | None, every: tuple[float, float]) -> Plant:
    """Sessions that are reset at a request: always the same one, or any; the PC's pace is another
    one in each.
    """
    draw = random.Random(12)
    plant, pc, unit = acquainted()
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        pace = draw.uniform(*every)
        asked = (requests or draw.randint(15, 60)) - 1
        for one in range(asked):
            session.exchange(modbus_read(one), modbus_answer(one), after=pace)
        session.send(modbus_read(99), after=pace)
        session.rst(unit, after=0.01)
        plant.wait(draw.uniform(2, 5))
    plant.tcp(pc, unit).open().poll(9)
    return plant


def test_at_a_steady_pace_time_and_requests_fit_as_well() -> None:
    found = told(after_requests(5, 40, (1.0, 1.0)))
    assert found is not None
    pattern = next(one for one in found.patterns if one.factor is Factor.AGE)
    assert pattern.as_well is not None
    assert (pattern.as_well.factor, pattern.as_well.most) == (Factor.REQUESTS, 40)


def test_where_the_pace_differs_the_number_of_requests_is_the_limit() -> None:
    found = told(after_requests(8, 40, (0.8, 1.2)))
    assert found is not None
    assert Factor.AGE not in named(found)
    pattern = next(one for one in found.patterns if one.factor is Factor.REQUESTS)
    assert (pattern.hits, pattern.least, pattern.most, pattern.as_well) == (8, 40, 40, None)


def test_where_the_pace_differs_the_time_is_the_limit() -> None:
    """The same time, and another number of requests each time."""
    seen = at_random(random.Random(13))
    ages = [600.0 + n % 2 for n, _ in enumerate(seen.moments)]
    asked = [600 + 10 * n for n, _ in enumerate(seen.moments)]
    short = [0.1 * one for one in ages]
    (pattern,) = compare(replace(seen, ages=ages, requests=asked, lived=short)).patterns
    assert (pattern.factor, pattern.as_well) == (Factor.AGE, None)


def lost(number: int, seed: int, rest: float | None) -> Plant:
    """Requests that nothing answers, as a filter forgot the session while the PC paused, or at any
    time.
    """
    draw = random.Random(seed)
    plant, pc, unit = acquainted()
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        session.poll(draw.randint(10, 30))
        session.send(modbus_read(99), after=rest or draw.uniform(0.9, 1.1))
        for pause in (0.3, 0.6, 1.2, 2.4):
            session.again(after=pause)
        plant.wait(draw.uniform(1, 3))
    plant.tcp(pc, unit).open().poll(9)
    return plant


def test_found_a_pause_before_requests_that_nothing_answers() -> None:
    found = told(lost(5, 6, 45.0))
    assert found is not None
    (pattern,) = found.patterns
    assert (pattern.factor, pattern.hits, pattern.other_hits) == (Factor.REST, 5, 0)
    assert pattern.least == pytest.approx(45, abs=0.1)


def test_quiet_where_nothing_answers_at_the_usual_pace() -> None:
    found = told(lost(5, 6, None))
    assert found is not None
    assert found.patterns == []


def slowing(number: int, seed: int, slows: bool) -> Plant:
    """Sessions of which the last answers come slower and slower before they are reset, or do so at
    other times.
    """
    draw = random.Random(seed)
    plant, pc, unit = acquainted()
    for _ in range(number):
        session = plant.tcp(pc, unit).open()
        polls = draw.randint(20, 50)
        for turn in range(polls):
            place = turn - (polls - 3 if slows else 9)
            think = (0.02, 0.05, 0.15)[place] if 0 <= place < 3 else draw.uniform(0.003, 0.005)
            session.exchange(modbus_read(turn), modbus_answer(turn), think=think, after=1.0)
        session.rst(unit, after=draw.uniform(0.2, 0.8))
        plant.wait(draw.uniform(1, 3))
    plant.tcp(pc, unit).open().poll(9)
    return plant


def test_found_answers_that_grew_slower_and_slower() -> None:
    found = told(slowing(5, 7, True))
    assert found is not None
    assert named(found) == [Factor.SLOWER]


def test_quiet_where_answers_grow_slower_at_other_times() -> None:
    found = told(slowing(5, 7, False))
    assert found is not None
    assert Factor.SLOWER not in named(found)
    assert Factor.SLOWER in found.looked


def test_sessions_of_one_request_have_no_pause_that_could_be_taken_out() -> None:
    """The PC gives up each time, and the answer comes after that."""
    plant, pc, unit = acquainted()
    for number in range(6):
        session = plant.tcp(pc, unit).open(after=0.8)
        session.send(modbus_read(number))
        session.fin(after=1.0)
        session.send(modbus_answer(number), unit, after=0.6)
        session.rst(bare=True)
    (outcome,) = diagnosed(plant).outcomes
    assert outcome.common is not None
    assert len(outcome.incidents.kept) == 5
