"""reports.document: what decides a report's wording."""

from analyzer.diagnosis import Verdict
from analyzer.reports.document import headline
from tests.support import acquainted, diagnosed, ended


def test_the_headline_says_broke_only_where_something_broke() -> None:
    plant, pc, unit = acquainted()
    other = plant.station(unit.address, hw="00:00:5e:00:53:61")
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        plant.ask(pc, unit, times=1, after=1.0)
        plant.reply(unit, pc)
        plant.reply(other, pc)
        session.poll(1)
    session.close()
    (outcome,) = diagnosed(ended(plant)).outcomes
    assert outcome.verdict is Verdict.UNSTABLE
    assert "met trouble at stage 3" in headline(outcome)
