"""A diagnosis with as many link-ups, stations, sessions and findings as wanted, ready to be
reported: made of a few that were diagnosed, each with an address of its own.
"""

from dataclasses import replace
from functools import cache
from itertools import cycle, islice

from analyzer.diagnosis import Diagnosis, Outcome, State, Verdict
from analyzer.facts import Address, Hardware
from analyzer.findings import Finding, Level
from analyzer.linkup import LinkUp
from captures.plant import Plant
from tests.support import a_sheet, diagnosed, ended

FIRST = Address.parse("198.18.0.1")
FIRST_HARDWARE = 0x02_00_00_00_00_00


@cache
def few() -> Diagnosis:
    """One controller works, one refuses the port, one does not answer ARP."""
    plant = Plant()
    pc = plant.pc()
    plant.wait(5)
    for number in (60, 61, 62):
        unit = plant.station(f"192.0.2.{number}")
        if number == 62:
            plant.ask(pc, unit.address)
            continue
        plant.resolve(pc, unit)
        session = plant.tcp(pc, unit)
        if number == 60:
            session.open().poll(3)
        else:
            session.syn()
            session.refuse()
    controllers = [f"192.0.2.{number}" for number in (60, 61, 62)]
    return diagnosed(ended(plant), controllers, sheet=a_sheet('others = ["192.0.2.30"]'))


def kinds() -> list[Outcome]:
    """One link-up of each kind, the best first."""
    works, refused, unanswered = few().outcomes
    assert refused.fault is not None
    texts = refused.fault.texts._replace(title="Take care")
    warning = replace(
        refused.fault, level=Level.WARNING, rule="a-warning", put_into_words=lambda: texts
    )
    unclear = [
        one._replace(state=State.UNCLEAR) if one.state is State.FAILED else one
        for one in refused.stages
    ]
    return [
        works,
        replace(works, warning=warning),
        replace(refused, verdict=Verdict.CANNOT_TELL, fault=None, stages=unclear),
        replace(refused, verdict=Verdict.UNSTABLE),
        unanswered,
        refused,
    ]


def many(number: int) -> Diagnosis:
    """That many link-ups, of all kinds in turn, the best of each turn first."""
    outcomes = [_one(place, kind) for place, kind in enumerate(islice(cycle(kinds()), number))]
    base = few()
    linkups = [one.linkup for one in outcomes]
    stations = [
        replace(base.facts.stations[-1], hardware=one.hardware, addresses={one.controller: 1})
        for one in linkups
    ]
    session = linkups[0].sessions[0]
    sessions = [
        replace(session, server=session.server._replace(address=one.controller)) for one in linkups
    ]
    notes = [
        replace(finding, level=Level.NOTE, rule="a-note")
        for one in outcomes
        if (finding := one.fault) is not None
    ]
    faults = [one.fault for one in outcomes if one.fault is not None]
    facts = replace(base.facts, stations=stations, sessions=sessions)
    case = replace(base.case, facts=facts, linkups=linkups)
    return replace(base, facts=facts, case=case, outcomes=outcomes, findings=[*faults, *notes])


def _one(place: int, kind: Outcome) -> Outcome:
    address = Address(FIRST + place)
    linkup = replace(
        kind.linkup,
        target=replace(kind.linkup.target, address=address),
        hardware=Hardware(FIRST_HARDWARE + place),
    )
    fault, warning = (_about(one, linkup) for one in (kind.fault, kind.warning))
    return replace(kind, linkup=linkup, fault=fault, warning=warning)


def _about(finding: Finding | None, linkup: LinkUp) -> Finding | None:
    if finding is None:
        return None
    return replace(finding, linkup=linkup, controller=linkup.controller)
