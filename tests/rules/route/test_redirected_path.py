"""redirected-path: two ways between the PC and the controller."""

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Session, Station, modbus_read
from tests.support import assert_healthy, diagnosed, ended, found, lead, slugs

SLUG = "redirected-path"
FAR = "198.51.100.60"
told_or_not = pytest.mark.parametrize("controllers", [(), (f"{FAR}:502",)], ids=["not", "told"])


def begun() -> tuple[Plant, Station, Station, Station]:
    """The PC knows its router; the controller is in another network, on the same cable."""
    plant = Plant()
    pc, router = plant.pc(), plant.station("192.0.2.1")
    unit = plant.station(FAR)
    plant.wait(5)
    plant.resolve(pc, router)
    return plant, pc, unit, router


class TwoWays:
    """A session whose requests go by the router while its answers come directly."""

    def __init__(self, plant: Plant, pc: Station, unit: Station, router: Station) -> None:
        self.plant, self.unit, self.router = plant, unit, router
        self.session = Session(plant, pc, unit, 502, 50_000 + round(plant.now))
        self._send("syn")
        self.session.syn_ack()
        self._send("ack")

    def _send(self, what: str, *data: bytes, **more: object) -> None:
        self.session.via = self.router
        getattr(self.session, what)(*data, **more)
        self.session.via = None

    def ask(self) -> None:
        self._send("send", modbus_read(1), after=1.0)

    def repeat(self, *pauses: float) -> None:
        for pause in pauses or (0.3, 0.6, 1.2):
            self._send("again", after=pause, lost=True)

    def answer(self) -> None:
        self.session.send(b"answer", self.unit)
        self._send("ack")

    def close(self) -> None:
        self._send("fin")
        self.session.fin(self.unit)
        self._send("ack")


def claimed(plant: Plant, pc: Station, unit: Station) -> None:
    """The controller takes the PC for a neighbour and asks for it."""
    plant.ask(unit, pc, times=1)
    plant.reply(pc, unit)


@told_or_not
def test_found_as_the_fault_where_the_session_is_reset(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, router = begun()
    claimed(plant, pc, unit)
    ways = TwoWays(plant, pc, unit, router)
    ways.ask()
    ways.answer()
    ways.ask()
    ways.session.rst(unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert [str(one) for one in finding.values["out"]] == ["00-00-5E-00-53-01"]
    assert [str(one) for one in finding.values["back"]] == ["00-00-5E-00-53-60"]
    assert (finding.values["returned"], finding.values["redirects"]) == (3, 0)
    assert (finding.values["dead"], finding.values["answers"]) == (1, 1)
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "route")
    assert diagnosis.status == FAULT


def test_found_as_the_fault_where_a_request_is_repeated_in_vain() -> None:
    plant, pc, unit, router = begun()
    claimed(plant, pc, unit)
    ways = TwoWays(plant, pc, unit, router)
    ways.ask()
    ways.repeat()
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.FAULT
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.STOPPED]


@pytest.mark.parametrize(("pauses", "leads"), [((8.0,), SLUG), ((1.0, 2.0), SLUG), ((3.0,), None)])
def test_found_where_the_pc_repeats_until_the_recording_ends(
    pauses: tuple[float, ...], leads: str | None
) -> None:
    """Once it has repeated for long, or often."""
    plant, pc, unit, router = begun()
    claimed(plant, pc, unit)
    ways = TwoWays(plant, pc, unit, router)
    ways.ask()
    ways.repeat(*pauses)
    plant.chatter()
    assert lead(diagnosed(plant)) == leads


def test_no_fault_where_the_pc_waits_and_does_not_repeat() -> None:
    plant, pc, unit, router = begun()
    claimed(plant, pc, unit)
    ways = TwoWays(plant, pc, unit, router)
    ways.ask()
    findings = diagnosed(ended(plant)).findings
    assert (SLUG, Level.FAULT) not in [(one.rule, one.level) for one in findings]


@told_or_not
def test_found_as_a_note_where_everything_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, router = begun()
    claimed(plant, pc, unit)
    ways = TwoWays(plant, pc, unit, router)
    for _ in range(6):
        ways.ask()
        ways.answer()
    ways.close()
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.NOTE, Certainty.SHOWN)
    assert diagnosis.status == NO_FAULT


def test_found_as_a_note_where_a_router_names_a_better_one() -> None:
    plant, pc, unit, router = begun()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(3)
    plant.redirect(router, pc, session.send(modbus_read(9)), "192.0.2.2")
    session.send(b"answer", unit)
    session.poll(3)
    session.close()
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.values["redirects"]) == (Level.NOTE, 1)
    assert str(finding.values["better"]) == "192.0.2.2"


def test_found_as_a_warning_where_the_router_sends_the_call_elsewhere() -> None:
    plant, pc, unit, router = begun()
    session = plant.tcp(pc, unit, via=router)
    plant.redirect(router, pc, session.syn(), "192.0.2.2")
    for pause in (1, 2, 4):
        session.again(after=pause)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == "subnet-mismatch"
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_found_as_a_warning_where_a_session_breaks_on_one_way() -> None:
    """A router names a better one; both directions still share the way."""
    plant, pc, unit, router = begun()
    session = plant.tcp(pc, unit, via=router).open()
    plant.redirect(router, pc, session.send(modbus_read(1)), "192.0.2.2")
    session.rst(unit, after=0.2)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == ["session-reset", SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING


def test_found_where_the_packets_go_directly_and_come_back_by_a_router() -> None:
    """The PC's mask is the wider one."""
    plant = Plant()
    pc, router, unit = plant.pc("10.1.1.15"), plant.station("10.1.1.1"), plant.station("10.1.2.60")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.announce(router, times=1)
    session = plant.tcp(pc, unit)
    session.syn()
    session.via = router
    session.syn_ack()
    session.via = None
    session.ack()
    session.send(modbus_read(1))
    session.via = router
    session.rst(unit)
    assert lead(diagnosed(ended(plant))) == SLUG


@told_or_not
def test_quiet_behind_one_router(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, router = begun()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(5)
    session.close()
    assert_healthy(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_about_a_session_that_breaks_behind_one_router(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, router = begun()
    session = plant.tcp(pc, unit, via=router).open()
    session.send(modbus_read(1))
    session.rst(unit)
    assert slugs(diagnosed(ended(plant), controllers)) == ["dropped-on-first-request"]


@pytest.mark.parametrize(
    "shared", ["00:00:5e:00:01:07", "00:00:5e:00:53:f0"], ids=["virtual", "own scheme"]
)
def test_quiet_about_redundant_routers(shared: str) -> None:
    plant = Plant()
    pc, gateway = plant.pc(), plant.station("192.0.2.1", hw=shared)
    real, unit = plant.station("192.0.2.2"), plant.station(FAR)
    plant.wait(5)
    plant.resolve(pc, gateway)
    plant.announce(real, times=1)
    ways = TwoWays(plant, pc, Station(FAR, real.hw), gateway)
    ways.ask()
    ways.session.rst(Station(FAR, real.hw))
    assert unit.hw != real.hw
    assert slugs(diagnosed(ended(plant))) == ["dropped-on-first-request"]


def test_quiet_about_a_virtual_router_to_what_seems_the_same_network() -> None:
    """The PC's mask is narrower than the presumed one; the real router only forwards."""
    plant = Plant()
    pc, gateway = plant.pc(), plant.station("192.0.2.1", hw="00:00:5e:00:01:07")
    real = Station("192.0.2.60", "00:00:5e:00:53:02")
    plant.wait(5)
    plant.resolve(pc, gateway)
    ways = TwoWays(plant, pc, real, gateway)
    for _ in range(4):
        ways.ask()
        ways.session.send(b"answer", real)
    ways.close()
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_about_two_ports_of_one_controller() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    second = Station(unit.address, "00:00:5e:00:53:61")
    plant.wait(5)
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    for _ in range(5):
        session.send(modbus_read(1), after=1.0)
        session.send(b"answer", second)
        session.ack()
    session.close()
    assert_healthy(diagnosed(ended(plant)))


def test_quiet_about_the_way_of_another_program() -> None:
    plant, pc, unit, router = begun()
    other = plant.tcp(pc, Station("203.0.113.9", router.hw), 443)
    plant.redirect(router, pc, other.syn(), "192.0.2.2")
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(5)
    session.close()
    assert_healthy(diagnosed(ended(plant), (f"{FAR}:502",)))


def test_quiet_about_the_way_of_another_station() -> None:
    plant, pc, unit, router = begun()
    panel = plant.station("192.0.2.20")
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(3)
    other = plant.tcp(panel, unit)
    plant.redirect(router, panel, other.syn(), "192.0.2.2")
    session.poll(3)
    session.close()
    assert_healthy(diagnosed(ended(plant), (f"{FAR}:502",)))


def test_quiet_without_hardware_addresses() -> None:
    plant, pc, unit, router = begun()
    session = plant.tcp(pc, unit, via=router).open()
    session.poll(5)
    session.close()
    assert SLUG not in slugs(diagnosed(ended(plant), (f"{FAR}:502",), link_type=101))


def test_found_as_a_note_where_a_short_session_is_closed_in_order() -> None:
    plant, pc, unit, router = begun()
    claimed(plant, pc, unit)
    ways = TwoWays(plant, pc, unit, router)
    ways.ask()
    ways.answer()
    ways.close()
    assert found(diagnosed(ended(plant)), SLUG).level is Level.NOTE


@pytest.mark.parametrize(("answers", "dies_soon"), [(3, True), (4, False)])
def test_quiet_about_a_session_that_dies_after_many_answers(answers: int, dies_soon: bool) -> None:
    plant, pc, unit, router = begun()
    claimed(plant, pc, unit)
    ways = TwoWays(plant, pc, unit, router)
    for _ in range(answers):
        ways.ask()
        ways.answer()
    ways.ask()
    ways.session.rst(unit)
    findings = diagnosed(ended(plant)).findings
    assert ((SLUG, Level.FAULT) in [(one.rule, one.level) for one in findings]) == dies_soon
