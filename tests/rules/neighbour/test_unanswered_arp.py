"""unanswered-arp: nobody answered the PC's question for the controller's hardware address."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty
from analyzer.words import say
from captures.layouts import Record
from captures.plant import Plant, Station
from rules import cautions
from rules.neighbour.unanswered_arp import GATEWAY, LOST, OFF, RULE, STRAYED, VLAN, WITHDREW
from tests.support import (
    TOLD,
    a_sheet,
    begun,
    diagnosed,
    ended,
    found,
    labelled,
    lead,
    slugs,
    told_or_not,
)

SLUG = "unanswered-arp"


@told_or_not
def test_found_where_nobody_answers(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    asked = plant.ask(pc, unit) + plant.ask(pc, unit, after=2.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == SLUG
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert finding.values["tries"] == 6
    assert finding.values["span"] == pytest.approx(6.0)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in asked]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "neighbour")
    assert diagnosis.status == FAULT


def test_found_after_a_cached_address_went_stale() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    plant.ask(pc, unit, to=unit)
    plant.ask(pc, unit, after=1.0)
    assert slugs(diagnosed(ended(plant))) == [SLUG]


def test_found_with_the_network_of_a_wide_mask() -> None:
    plant = Plant()
    pc, far = plant.pc("10.20.1.15"), plant.station("10.20.7.60")
    plant.wait(5)
    plant.ask(pc, far)
    ended(plant)
    assert lead(diagnosed(plant.pcapng(hw=pc.hw, address="10.20.1.15/16"))) == SLUG


@told_or_not
def test_found_where_the_controller_went_off_before_the_question(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    plant.announce(unit)
    plant.wait(15)
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    assert lead(diagnosed(ended(plant), controllers)) == SLUG


def test_found_beside_healthy_traffic_of_others() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(plant.station("192.0.2.20"), unit)
    plant.resolve(pc, plant.station("192.0.2.31"))
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["tries"] == 3


def test_found_with_a_default_address_elsewhere_on_the_wire() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.announce(Station("198.51.100.1", unit.hw))
    assert lead(diagnosed(ended(plant))) == SLUG


def test_found_in_a_search_where_the_controller_was_told() -> None:
    plant, pc, _ = begun()
    for number in range(40, 80):
        plant.ask(pc, f"192.0.2.{number}", times=1, after=0.1)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def favoured(plant: Plant, controllers: tuple[str, ...] = TOLD) -> tuple[str, list[int]]:
    """The name of the first cause, and the frames shown."""
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    texts = {say(text, finding.values): name for name, text in RULE.likely_causes.items()}
    return texts[finding.likely_causes[0]], [one.moment.frame for one in finding.evidence]


@told_or_not
def test_found_with_the_station_that_checked_the_address_and_fell_silent(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    (checked,) = plant.probe(unit, times=1)
    asked = plant.ask(pc, unit, after=8.0)
    name, shown = favoured(plant, controllers)
    assert name == WITHDREW
    assert shown == [plant.number(one) for one in (checked, *asked)]
    finding = found(diagnosed(plant, controllers), SLUG)
    assert str(finding.values["checker"]) == "00-00-5E-00-53-60"


def test_the_check_may_come_between_the_questions() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=2)
    plant.probe(unit, times=1, after=1.0)
    plant.ask(pc, unit, times=1, after=1.0)
    assert favoured(plant)[0] == WITHDREW


def test_a_later_search_does_not_hide_the_check() -> None:
    plant, pc, unit = begun()
    plant.probe(unit, times=1)
    scanner = plant.station("192.0.2.98")
    for number in (60, 61):
        plant.probe(scanner, f"192.0.2.{number}", times=1)
    plant.ask(pc, unit, after=8.0)
    assert favoured(plant)[0] == WITHDREW


@pytest.mark.parametrize("others", [("192.0.2.61",), ()], ids=["a search", "has another address"])
def test_a_check_by_somebody_else_is_no_cause(others: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    other = plant.station("192.0.2.99")
    for wanted in (unit.address, *others):
        plant.probe(other, wanted, times=1)
    if not others:
        plant.announce(other)
    asked = plant.ask(pc, unit, after=8.0)
    assert favoured(plant) == (OFF, [plant.number(one) for one in asked])


def test_a_check_of_an_address_that_another_device_had_is_no_cause() -> None:
    plant, pc, unit = begun()
    plant.announce(unit)
    plant.probe(plant.station("192.0.2.99"), unit, times=1, after=30.0)
    plant.ask(pc, unit, after=8.0)
    assert favoured(plant)[0] == OFF


def test_a_check_after_the_last_question_is_no_cause() -> None:
    plant, pc, unit = begun()
    asked = plant.ask(pc, unit)
    plant.probe(unit, times=1, after=8.0)
    assert favoured(plant) == (OFF, [plant.number(one) for one in asked])


FOREIGN = [Station(f"198.51.100.{n}", f"00:00:5e:00:53:{n}") for n in (31, 32, 33)]


@pytest.mark.parametrize(("stations", "first"), [(FOREIGN, VLAN), (FOREIGN[:2], OFF)])
def test_the_vlan_comes_first_where_only_other_networks_are_heard(
    stations: list[Station], first: str
) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(8)
    plant.chatter(*stations)
    finding = found(diagnosed(plant, TOLD), SLUG)
    assert finding.likely_causes[0] == RULE.likely_causes[first]
    assert finding.values["foreign"] == (3 if first == VLAN else 0)


def asking_for_an_address(times: int) -> tuple[Plant, Station, list[Record]]:
    """A station that speaks IPv6, as PCs and telephones do, asks a server in vain."""
    plant, pc, unit = begun()
    stranger = plant.station("192.0.2.99")
    plant.frame(stranger, "33:33:00:00:00:02", 0x86DD, b"\x60" + bytes(39))
    asks = [plant.dhcp("discover", stranger, secs=turn, after=1.0) for turn in range(times)]
    plant.ask(pc, unit)
    return plant, stranger, asks


def test_the_station_that_asks_for_an_address_is_named() -> None:
    plant, _, asks = asking_for_an_address(times=2)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert str(finding.values["asking"]) == "00-00-5E-00-53-99"
    assert say(RULE.likely_causes[LOST], finding.values) in finding.likely_causes
    assert [one.moment.frame for one in finding.evidence][:2] == [plant.number(one) for one in asks]


@pytest.mark.parametrize("given", [False, True], ids=["asks once", "gets one"])
def test_no_station_is_named_that_needs_no_address(given: bool) -> None:
    plant, stranger, _ = asking_for_an_address(times=2 if given else 1)
    if given:
        server = plant.station("192.0.2.10")
        plant.dhcp("offer", stranger, "192.0.2.99", server=server)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert finding.values["asking"] is None
    assert len(finding.likely_causes) == len(RULE.likely_causes) - 4


@pytest.mark.parametrize(
    ("addresses", "named"),
    [
        (["169.254.7.70"], True),
        (["169.254.7.70", "169.254.7.71"], False),
        (["192.0.2.61"], False),
    ],
    ids=["one", "several", "a proper address"],
)
def test_a_station_is_named_that_gave_itself_an_address(addresses: list[str], named: bool) -> None:
    plant, pc, unit = begun()
    others = [plant.station(address) for address in addresses]
    announced = [plant.announce(one) for one in others]
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    strayed = others[0].hw.upper().replace(":", "-") if named else "None"
    assert str(finding.values["strayed"]) == strayed
    first = say(RULE.likely_causes[STRAYED if named else OFF], finding.values)
    assert finding.likely_causes[0] == first
    frames = [one.moment.frame for one in finding.evidence]
    assert (plant.number(announced[0][0]) in frames) == named


@pytest.mark.parametrize(
    ("last", "controllers", "first"), [(1, (), GATEWAY), (1, ("192.0.2.1",), OFF), (61, (), OFF)]
)
def test_an_address_that_nobody_named_may_be_the_gateways(
    last: int, controllers: tuple[str, ...], first: str
) -> None:
    plant, pc, _ = begun()
    plant.ask(pc, f"192.0.2.{last}")
    finding = found(diagnosed(ended(plant), controllers), SLUG)
    assert finding.likely_causes[0] == say(RULE.likely_causes[first], finding.values)
    named = say(RULE.likely_causes[GATEWAY], finding.values) in finding.likely_causes
    assert named == (first == GATEWAY)
    of_gateway, of_controller = 2, 4
    steps = len(RULE.what_to_do) - (of_controller if named else of_gateway)
    assert len(finding.what_to_do) == steps
    assert any("--controller" in step.text for step in finding.what_to_do) == named
    assert (cautions.RESTART in finding.cautions) == (not named)


def test_a_single_question_only_fits() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    assert found(diagnosed(ended(plant), TOLD), SLUG).certainty is Certainty.FITS


def test_lost_frames_leave_it_open() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    ended(plant)
    finding = found(diagnosed(plant.pcapng(hw=pc.hw, drops=4)), SLUG)
    assert finding.certainty is Certainty.FITS
    assert any("4 frames" in doubt for doubt in finding.also_fits)


def test_a_late_start_leaves_it_open() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(1)
    plant.ask(pc, unit)
    assert found(diagnosed(ended(plant)), SLUG).certainty is Certainty.FITS


def test_it_only_fits_where_the_others_fell_silent_too() -> None:
    plant, pc, unit = begun()
    plant.chatter()
    plant.wait(5)
    plant.ask(pc, unit)
    plant.announce(pc, after=8.0)
    assert found(diagnosed(plant), SLUG).certainty is Certainty.FITS


def test_copies_are_counted_once() -> None:
    plant, pc, unit = begun()
    for _ in range(3):
        (asked,) = plant.ask(pc, unit, times=1, after=1.0)
        plant.raw(asked.data, pc, after=0.0002)
    assert found(diagnosed(ended(plant)), SLUG).values["tries"] == 3


def test_found_where_the_pc_asks_until_the_recording_ends() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=40, every=1.5)
    plant.wait(1)
    plant.chatter()
    assert lead(diagnosed(plant, TOLD)) == SLUG


@told_or_not
def test_quiet_where_the_second_question_is_answered(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=2)
    plant.reply(unit, pc, after=0.4)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert (slugs(diagnosis), diagnosis.status) == ([], NO_FAULT)


def test_quiet_about_a_refresh_that_is_repeated_to_all() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    plant.ask(pc, unit, to=unit)
    plant.resolve(pc, unit, after=1.0)
    session.poll(3)
    assert slugs(diagnosed(ended(plant))) == []


@told_or_not
def test_quiet_where_packets_come_back_without_any_reply(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) is None
    assert diagnosis.status == NO_FAULT


def test_quiet_without_any_question() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(4)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_about_questions_of_others() -> None:
    plant, pc, unit = begun()
    panel, scanner = plant.station("192.0.2.20"), plant.station("192.0.2.99")
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    plant.ask(panel, "192.0.2.33")
    plant.ask(panel, unit, times=6)
    for number in range(100, 140):
        plant.ask(scanner, f"192.0.2.{number}", times=1, after=0.05)
    assert slugs(diagnosed(ended(plant))) == []


@told_or_not
def test_quiet_about_another_missing_device_of_the_pc(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, "192.0.2.77", times=6)  # a printer that was taken away
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    plant.ask(pc, "192.0.2.1", times=6)  # a router that this network does not have
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_quiet_about_the_pcs_check_of_its_own_address() -> None:
    plant, pc, unit = begun()
    plant.link_up(pc)
    plant.resolve(pc, unit, after=3.0)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


@told_or_not
def test_quiet_where_the_recording_ends_too_soon(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    plant.wait(2)
    plant.chatter()
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == ["stopped-early"]
    assert diagnosis.status == CANNOT_TELL


@pytest.mark.parametrize(("times", "seconds", "leads"), [(3, 1, SLUG), (2, 1, None), (2, 5, SLUG)])
def test_a_short_recording_is_judged_by_the_repeats(
    times: int, seconds: float, leads: str | None
) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=times)
    plant.wait(seconds)
    plant.chatter()
    diagnosis = diagnosed(plant, TOLD)
    assert lead(diagnosis) == leads
    assert leads is None or found(diagnosis, SLUG).certainty is Certainty.FITS


@pytest.mark.parametrize(("times", "status"), [(9, FAULT), (4, FAULT), (1, CANNOT_TELL)])
@pytest.mark.parametrize("told", [False, True])
def test_questions_and_nothing_else_in_the_file(times: int, status: int, told: bool) -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.ask(pc, unit, times=times)
    if times == 1:
        plant.announce(pc, times=1, after=2.0)
    diagnosis = diagnosed(plant, TOLD if told else ())
    assert diagnosis.status == status
    assert lead(diagnosis) in ((SLUG, "nothing-heard") if status == FAULT else (None,))


def test_quiet_where_only_a_refresh_to_one_station_is_unanswered() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    plant.ask(pc, unit, to=unit)
    assert slugs(diagnosed(ended(plant))) == ["port-silent"]


def test_quiet_where_a_later_question_is_answered_and_the_port_is_silent() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.reply(unit, pc)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant))) == ["port-silent"]


def test_quiet_where_nothing_at_all_is_heard() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(8)
    plant.announce(pc)
    assert lead(diagnosed(plant)) == "nothing-heard"


def test_quiet_where_the_controller_is_alive() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    ended(plant)
    plant.chatter(unit, Station("192.0.2.20", "00:00:5e:00:53:20"), every=1.3)
    assert slugs(diagnosed(plant)) == ["arp-silent-controller"]


def test_quiet_where_the_controller_starts_after_the_last_question() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(15)
    plant.probe(unit)
    plant.announce(unit, after=2.0)
    assert slugs(diagnosed(ended(plant))) == ["controller-starting"]


def test_quiet_where_the_networks_differ() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station("198.51.100.60")
    plant.wait(5)
    plant.ask(pc, unit)
    assert lead(diagnosed(ended(plant))) == "subnet-mismatch"


def test_quiet_where_the_pc_gave_itself_an_address() -> None:
    plant = Plant()
    pc, unit = plant.pc("169.254.9.15"), plant.station()
    plant.wait(5)
    plant.ask(pc, unit)
    assert lead(diagnosed(ended(plant))) == "self-assigned-address"


# --- with a site sheet --------------------------------------------------------------------------


def test_found_where_the_label_is_heard_with_another_address() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    moved = plant.announce(Station("192.0.2.99", unit.hw))[0]
    diagnosis = diagnosed(ended(plant), sheet=labelled())
    finding = found(diagnosis, SLUG)
    assert (lead(diagnosis), finding.certainty) == (SLUG, Certainty.SHOWN)
    assert str(finding.values["now"]) == "192.0.2.99"
    assert plant.number(moved) in [one.moment.frame for one in finding.evidence]
    assert "another address" in finding.likely_causes[0]
    (outcome,) = diagnosis.outcomes
    assert outcome.linkup.target.how_known == "sheet"


def test_found_where_the_sheet_says_that_it_never_answers() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    finding = found(diagnosed(ended(plant), sheet=a_sheet("answers_arp = false")), SLUG)
    assert "by design" in finding.likely_causes[0]


def test_the_label_of_a_station_without_address_points_nowhere() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.bpdu(unit)
    finding = found(diagnosed(ended(plant), sheet=labelled()), SLUG)
    assert finding.values["now"] is None


def test_the_label_of_another_station_points_nowhere() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.announce(plant.station("192.0.2.99"))
    finding = found(diagnosed(ended(plant), sheet=labelled()), SLUG)
    assert finding.values["now"] is None
    assert "off" in finding.likely_causes[0]


def test_quiet_where_the_label_answers() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit, times=1)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), sheet=labelled())) == []
