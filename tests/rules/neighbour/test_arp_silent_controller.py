"""arp-silent-controller: the controller is alive and does not answer the PC's question."""

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station
from tests.support import TOLD, a_sheet, begun, diagnosed, found, lead, slugs, told_or_not

SLUG = "arp-silent-controller"
PANEL = Station("192.0.2.20", "00:00:5e:00:53:20")


def ended(plant: Plant, unit: Station | None = None) -> Plant:
    """Others are heard all the while, and the controller where it is given."""
    plant.wait(8)
    plant.chatter()
    if unit is not None:
        plant.chatter(unit, PANEL, every=1.3)
    return plant


@told_or_not
def test_found_where_the_controller_asks_and_broadcasts_all_the_while(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    diagnosis = diagnosed(ended(plant, unit), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert finding.values["tries"] == 6
    assert str(finding.values["hardware"]) == "00-00-5E-00-53-60"
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "neighbour")
    assert diagnosis.status == FAULT


def test_found_where_only_its_packets_are_heard() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    ended(plant)
    plant.meanwhile(2.0, lambda: plant.datagram(unit, "192.0.2.255", 50000, 50000, b"running"))
    finding = found(diagnosed(plant), SLUG)
    assert str(finding.values["hardware"]) == "00-00-5E-00-53-60"


def test_found_where_it_sends_to_the_pc_and_the_pc_cannot_answer() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    ended(plant)
    plant.meanwhile(0.5, lambda: plant.datagram(unit, pc, 50000, 50000, b"running"))
    diagnosis = diagnosed(plant, TOLD)
    assert lead(diagnosis) == SLUG


def test_found_where_it_asks_for_the_pc_and_gets_its_answer() -> None:
    plant, pc, unit = begun()
    plant.resolve(unit, pc)
    plant.ask(pc, unit)
    plant.resolve(unit, pc)
    plant.ask(pc, unit, after=1.0)
    assert lead(diagnosed(ended(plant), TOLD)) == SLUG


def test_found_where_the_pc_asks_until_the_recording_ends() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=30)
    plant.chatter(unit, PANEL)
    assert slugs(diagnosed(plant)) == [SLUG]


def test_found_where_it_sends_to_a_pc_of_another_network() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station("198.51.100.60")
    plant.wait(5)
    plant.ask(pc, unit)
    ended(plant)
    plant.meanwhile(0.5, lambda: plant.datagram(unit, pc, 50000, 50000, b"running"))
    assert lead(diagnosed(plant, ("198.51.100.60",))) == SLUG


def test_found_where_the_pcs_old_entry_ran_out() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(3)
    plant.wait(30)
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    diagnosis = diagnosed(ended(plant, unit))
    assert lead(diagnosis) == SLUG
    assert diagnosis.outcomes[0].verdict is Verdict.UNSTABLE


def test_lost_frames_leave_it_open() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    ended(plant, unit)
    assert found(diagnosed(plant.pcapng(hw=pc.hw, drops=1)), SLUG).certainty is Certainty.FITS


def test_a_note_only_where_the_link_works_with_an_entry_by_hand() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    diagnosis = diagnosed(ended(plant, unit))
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert diagnosis.status == NO_FAULT
    assert diagnosis.outcomes[0].verdict is Verdict.COMPLETE


@told_or_not
def test_quiet_where_the_next_question_is_answered(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=2)
    plant.reply(unit, pc)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant, unit), controllers)
    assert (slugs(diagnosis), diagnosis.status) == ([], NO_FAULT)


def test_quiet_about_a_refresh_of_a_known_address() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.ask(pc, unit, to=unit)
    session.poll(2)
    assert slugs(diagnosed(ended(plant, unit))) == []


def test_quiet_where_nothing_of_the_controller_is_heard() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["unanswered-arp"]


def test_quiet_where_only_the_pc_has_the_address() -> None:
    plant, pc, unit = begun()
    for _ in range(2):
        plant.arp(pc, 1, unit.address, "192.0.2.20", after=1.0)
        plant.ask(pc, unit)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_controller_went_off_before() -> None:
    plant, pc, unit = begun()
    plant.announce(unit)
    plant.wait(12)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant))) == ["unanswered-arp"]


def test_quiet_where_the_controller_started_afterwards() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(12)
    plant.probe(unit)
    plant.announce(unit, after=2.0)
    assert slugs(diagnosed(ended(plant))) == ["controller-starting"]


def test_quiet_about_probes_for_its_address() -> None:
    plant, pc, unit = begun()
    switch = plant.station("192.0.2.5")
    plant.ask(pc, unit)
    ended(plant)
    plant.meanwhile(4.0, lambda: plant.probe(switch, unit, times=1))
    assert slugs(diagnosed(plant)) == ["unanswered-arp"]


def test_quiet_where_the_recording_ends_too_soon() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    plant.wait(2)
    plant.chatter(unit, PANEL)
    diagnosis = diagnosed(plant, TOLD)
    assert (slugs(diagnosis), diagnosis.status) == (["stopped-early"], CANNOT_TELL)


def test_it_fits_where_the_recording_ends_soon_after_repeats() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(2)
    plant.chatter(unit, PANEL)
    diagnosis = diagnosed(plant, TOLD)
    assert (lead(diagnosis), diagnosis.status) == (SLUG, FAULT)
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_quiet_where_the_networks_differ() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station("198.51.100.60")
    plant.wait(5)
    plant.ask(pc, unit)
    plant.wait(8)
    plant.chatter(unit, PANEL, every=1.3)
    assert lead(diagnosed(plant)) == "subnet-mismatch"


def test_quiet_about_a_controller_that_answers_others_only_in_their_time() -> None:
    plant, pc, unit = begun()
    plant.ask(PANEL, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant, unit))) == []


def test_found_with_the_cause_that_the_site_sheet_knows() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    ended(plant, unit)
    for sheet, cause in (("answers_arp = false", "by design"), ("answers_arp = true", "mask")):
        finding = found(diagnosed(plant, sheet=a_sheet(sheet)), SLUG)
        assert cause in finding.likely_causes[0]


def test_quiet_where_nothing_but_the_sheet_speaks_of_it() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    assert lead(diagnosed(ended(plant), sheet=a_sheet("answers_arp = false"))) == "unanswered-arp"
