"""address-in-use: another station claims the PC's own address."""

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from analyzer.reports.letter import MOST_STEPS
from captures import layouts
from captures.plant import BROADCAST, Plant, Station, modbus_answer, modbus_read
from rules.address.address_in_use import CONTROLLER, RULE
from tests.support import TOLD, diagnosed, ended, found, lead, left_out, slugs, told_or_not

SLUG = "address-in-use"
LAPTOP_HW = "00:00:5e:00:53:77"


def begun() -> tuple[Plant, Station, Station, Station]:
    """A plant with the PC, the controller, and a laptop with the PC's address."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    laptop = plant.station(pc.address, hw=LAPTOP_HW, ttl=128)
    plant.wait(3)
    return plant, pc, unit, laptop


def reads(plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()


def another(pc: Station, address: str) -> Station:
    """The same PC with another address."""
    return Station(address, pc.hw, pc.ttl, is_pc=True)


@told_or_not
def test_found_where_the_check_of_the_address_is_answered(controllers: tuple[str, ...]) -> None:
    plant, pc, _, laptop = begun()
    checked = plant.probe(pc, times=1)
    answer = plant.arp(laptop, 2, pc.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == SLUG
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert str(finding.values["other"]) == "00-00-5E-00-53-77"
    assert finding.values["claims"] == 1
    named = bool(controllers)
    assert left_out(finding, RULE)[0] == ([CONTROLLER] if named else [])
    assert finding.values["stays"] is True
    assert len(finding.what_to_do) == len(RULE.what_to_do) - 1 - named
    assert (str(finding.values["pc"]) in finding.what_to_do[2].text) == (not named)
    frames = [one.moment.frame for one in finding.evidence]
    assert frames == [plant.number(checked[0]), plant.number(answer)]
    assert {one.stopped_at for one in diagnosis.outcomes} <= {"address"}
    assert diagnosis.status == FAULT


def test_found_and_the_controller_is_among_the_causes_that_a_letter_has_room_for() -> None:
    """The PC was given the address of a controller that nobody named, and reaches a panel."""
    plant, pc, _, _ = begun()
    plant.link_up(pc)
    plant.reply(plant.station(pc.address, hw=LAPTOP_HW), pc, after=0.5)
    panel = plant.station("192.0.2.20")
    plant.resolve(pc, panel)
    plant.ping(pc, panel)
    plant.pong(panel, pc)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert RULE.likely_causes[CONTROLLER] in finding.likely_causes[:MOST_STEPS]
    assert finding.values["unnamed"] is True


@told_or_not
def test_found_where_the_session_dies_of_it(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, laptop = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    plant.announce(laptop, times=3, after=0.5)
    plant.announce(pc, times=1)
    session.send(modbus_read(4), lost=True, after=0.4)
    for pause in (0.3, 0.6, 1.2):
        session.again(lost=True, after=pause)
    session.rst(unit, bare=True, after=2)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["claims"] == 3
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "address")
    assert diagnosis.status == FAULT


def test_found_where_the_other_one_only_asks_for_the_controller() -> None:
    plant, pc, unit, laptop = begun()
    plant.ask(pc, unit, times=1)
    plant.ask(laptop, unit, times=1, after=0.2)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(ended(plant), TOLD)
    assert lead(diagnosis) == SLUG
    assert diagnosis.outcomes[0].verdict is Verdict.STOPPED


@told_or_not
def test_found_where_the_pc_falls_back_to_a_self_assigned_address(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, laptop = begun()
    plant.probe(pc, times=1)
    plant.reply(laptop, pc, after=0.5)
    fallen = another(pc, "169.254.23.15")
    plant.probe(fallen, after=1)
    plant.announce(fallen, after=1)
    plant.ask(fallen, unit, after=2)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert (str(values["taken"]), values["stays"]) == ("169.254.23.15", False)


def test_found_without_an_attempt_and_nobody_told() -> None:
    plant, pc, _, laptop = begun()
    plant.link_up(pc)
    plant.announce(laptop)
    diagnosis = diagnosed(ended(plant))
    assert slugs(diagnosis) == [SLUG, "no-attempt"]
    assert diagnosis.status == FAULT


def test_found_as_a_note_where_the_pc_took_another_address_and_works() -> None:
    plant, pc, unit, laptop = begun()
    plant.probe(pc, times=1)
    plant.reply(laptop, pc, after=0.5)
    moved = another(pc, "192.0.2.16")
    plant.probe(moved, after=5)
    plant.announce(moved, after=1)
    reads(plant, moved, unit)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert found(diagnosis, SLUG).level is Level.NOTE
    assert str(found(diagnosis, SLUG).values["taken"]) == "192.0.2.16"
    assert lead(diagnosis) is None
    assert diagnosis.outcomes[0].verdict is Verdict.COMPLETE
    assert diagnosis.status == NO_FAULT


def test_found_where_the_pc_keeps_the_address_beside_the_one_that_it_calls_from() -> None:
    plant, pc, unit, laptop = begun()
    second = another(pc, "192.0.2.16")
    plant.announce(pc, times=1)
    plant.announce(second, times=1)
    plant.ask(second, unit, times=2)
    plant.announce(laptop, times=1)
    plant.announce(pc, times=1)
    values = found(diagnosed(ended(plant), TOLD), SLUG).values
    assert (str(values["pc"]), values["taken"]) == ("192.0.2.15", None)


def test_found_where_the_pc_leaves_an_address_that_it_had_used() -> None:
    plant, pc, unit, laptop = begun()
    plant.announce(pc, times=1)
    plant.announce(laptop, times=1)
    moved = another(pc, "192.0.2.16")
    plant.announce(moved, after=5.0)
    plant.ask(moved, unit, times=2)
    values = found(diagnosed(ended(plant), TOLD), SLUG).values
    assert (str(values["pc"]), str(values["taken"])) == ("192.0.2.15", "192.0.2.16")


def test_found_and_each_claim_counts_once_where_frames_are_recorded_twice() -> None:
    plant, pc, unit, laptop = begun()
    reads(plant, pc, unit)
    plant.announce(laptop, times=2)
    plant.announce(pc, times=1)
    twice = [record for record in ended(plant).records for _ in range(2)]
    diagnosis = diagnosed(layouts.pcap(twice), TOLD)
    assert found(diagnosis, SLUG).values["claims"] == 2


def speaks(plant: Plant, by: Station, times: int = 3, ttl: int | None = None) -> None:
    one = Station(by.address, by.hw, ttl or by.ttl, by.is_pc)
    for _ in range(times):
        plant.datagram(one, "192.0.2.255", 50000, 50000, b"running", after=0.5)


@told_or_not
def test_found_where_only_packets_tell(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, laptop = begun()
    plant.ask(pc, unit, times=1)
    plant.reply(unit, pc)
    speaks(plant, laptop)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert str(finding.values["other"]) == "00-00-5E-00-53-77"
    assert (finding.values["claims"], finding.values["packets"]) == (0, 3)


def test_found_as_a_warning_where_only_packets_tell_and_the_link_up_works() -> None:
    plant, pc, unit, laptop = begun()
    plant.resolve(pc, unit)
    speaks(plant, laptop)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_found_where_packets_for_the_other_one_come_to_the_pc(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, laptop = begun()
    asked = plant.ask(laptop, unit, times=1)
    plant.resolve(pc, unit)
    speaks(plant, laptop)
    others = plant.tcp(pc, unit, sport=50_001)
    strange = others.send(modbus_answer(9), unit)
    undone = others.rst(bare=True)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert finding.values["strange"] == 1
    frames = {one.moment.frame for one in finding.evidence}
    assert {plant.number(one) for one in (*asked, strange, undone)} <= frames
    assert sum(one.what == "tcp" for one in diagnosis.outcomes[0].tries) == 1


def test_found_once_where_claims_and_packets_tell() -> None:
    plant, pc, unit, laptop = begun()
    plant.resolve(pc, unit)
    plant.announce(laptop)
    speaks(plant, laptop)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
    assert finding.values["claims"] == 2


def test_quiet_for_packets_that_another_adapter_of_the_pc_sent() -> None:
    plant, pc, unit, second = begun()
    plant.resolve(pc, unit)
    second.is_pc = True
    speaks(plant, second)
    plant.tcp(pc, unit).open().poll(3)
    octets = ended(plant).pcapng(address="192.0.2.15/24")
    assert slugs(diagnosed(octets, TOLD, pc=pc.address)) == []


def test_quiet_for_packets_after_the_pc_had_left() -> None:
    plant, pc, unit, laptop = begun()
    plant.link_up(pc)
    moved = another(pc, "192.0.2.16")
    plant.probe(moved, after=2)
    plant.announce(moved, after=1)
    reads(plant, moved, unit)
    speaks(plant, laptop)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_a_single_packet() -> None:
    plant, pc, unit, laptop = begun()
    plant.resolve(pc, unit)
    speaks(plant, laptop, times=1)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_packets_of_the_pc_behind_a_router() -> None:
    plant, pc, unit, router = begun()
    plant.resolve(pc, unit)
    speaks(plant, router, ttl=127)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_packets_by_a_device_with_an_address_of_its_own() -> None:
    plant, pc, unit, repeater = begun()
    plant.resolve(pc, unit)
    plant.announce(Station("192.0.2.5", repeater.hw))
    speaks(plant, repeater)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_packets_from_before_the_pc_came() -> None:
    plant, pc, unit, laptop = begun()
    speaks(plant, laptop)
    plant.wait(30)
    plant.link_up(pc)
    reads(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_packets_of_redundant_routers() -> None:
    plant, pc, unit, _ = begun()
    plant.resolve(pc, unit)
    speaks(plant, Station(pc.address, "00:00:5e:00:01:07", ttl=255))
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_packets_of_the_pcs_second_adapter() -> None:
    plant, pc, unit, wireless = begun()
    plant.resolve(pc, unit)
    speaks(plant, wireless)
    plant.tcp(pc, unit).open().poll(3)
    octets = layouts.pcapng(ended(plant).records, hw=pc.hw) + layouts.pcapng([], hw=wireless.hw)
    assert SLUG not in slugs(diagnosed(octets, TOLD, pc=pc.address))


def test_quiet_where_the_pc_checks_the_controllers_address_and_calls_it() -> None:
    plant, pc, unit, _ = begun()
    plant.link_up(pc)
    plant.probe(pc, unit, times=1)
    plant.arp(unit, 2, unit.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_found_where_the_pc_checks_the_controllers_address_and_calls_as_none() -> None:
    plant, pc, unit, _ = begun()
    plant.probe(pc, unit, times=1)
    plant.arp(unit, 2, unit.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    plant.ask(another(pc, "169.254.23.15"), unit, after=2)
    assert lead(diagnosed(ended(plant))) == SLUG


@told_or_not
def test_quiet_for_a_healthy_start(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _ = begun()
    plant.link_up(pc)
    reads(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_for_a_switch_that_checks_who_is_there(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _ = begun()
    switch = plant.station("192.0.2.5")
    plant.link_up(pc)
    plant.probe(switch, pc, after=0.3)
    plant.reply(pc, switch)
    reads(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), controllers)) == []


def test_quiet_for_the_pcs_second_adapter_that_the_recording_names() -> None:
    plant, pc, unit, wireless = begun()
    reads(plant, pc, unit)
    plant.announce(wireless)
    reads(plant, pc, unit)
    records = ended(plant).records
    octets = layouts.pcapng(records, hw=pc.hw) + layouts.pcapng([], hw=wireless.hw)
    assert SLUG not in slugs(diagnosed(octets, TOLD, pc=pc.address))


def test_quiet_where_both_adapters_of_the_pc_answer_for_both_addresses() -> None:
    plant, pc, unit, second = begun()
    own = another(pc, "192.0.2.16")
    reads(plant, pc, unit)
    plant.announce(own)
    plant.announce(second)
    plant.announce(Station("192.0.2.16", second.hw))
    reads(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_a_guest_with_its_own_address() -> None:
    plant, pc, unit, _ = begun()
    guest = plant.pc("192.0.2.16", hw="02:00:5e:00:53:16")
    plant.link_up(guest)
    reads(plant, pc, unit)
    octets = ended(plant).pcapng(hw=pc.hw, address="192.0.2.15/24")
    assert slugs(diagnosed(octets, TOLD)) == []


@told_or_not
def test_quiet_for_a_router_that_answers_for_everybody(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _ = begun()
    router = plant.station("192.0.2.1")
    plant.probe(pc, times=1)
    plant.arp(router, 2, pc.address, "0.0.0.0", to_hw=pc.hw, target_hw=pc.hw)
    for address in ("192.0.2.60", "192.0.2.1"):
        plant.ask(pc, address, times=1)
        plant.reply(router, pc, for_ip=address)
    plant.tcp(pc, unit, via=router).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), controllers))


@told_or_not
def test_quiet_where_the_other_one_left_before_the_pc_came(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, laptop = begun()
    plant.announce(laptop)
    plant.wait(30)
    plant.link_up(pc)
    reads(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), controllers)) == []


@told_or_not
def test_quiet_where_the_other_one_came_after_the_pc_had_left(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, laptop = begun()
    plant.link_up(pc)
    reads(plant, pc, unit)
    moved = another(pc, "192.0.2.16")
    plant.probe(moved, after=2)
    plant.announce(moved, after=1)
    plant.wait(30)
    plant.announce(laptop)
    plant.ask(laptop, unit, times=1)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


def test_quiet_where_two_others_dispute_an_address() -> None:
    plant, pc, unit, laptop = begun()
    laptop.address = "192.0.2.20"
    plant.announce(laptop)
    plant.announce(plant.station("192.0.2.20"))
    reads(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_for_a_question_about_the_pcs_address() -> None:
    plant, pc, unit, laptop = begun()
    laptop.address = "192.0.2.99"
    plant.resolve(laptop, pc)
    plant.ask(unit, pc, times=1, to=pc)
    plant.reply(pc, unit)
    reads(plant, pc, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == []


def test_quiet_without_hardware_addresses() -> None:
    plant, pc, unit, laptop = begun()
    plant.announce(laptop)
    reads(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), TOLD, link_type=layouts.RAW)
    assert SLUG not in slugs(diagnosis)
    assert SLUG in [slug for slug, _ in diagnosis.unable]


def test_quiet_where_it_is_unclear_who_the_pc_is() -> None:
    plant = Plant()
    one, two = plant.station("192.0.2.20"), plant.station("192.0.2.20", hw=LAPTOP_HW)
    for _ in range(3):
        for station in (one, two):
            plant.arp(station, 1, station.address, "192.0.2.60", to_hw=BROADCAST, after=1)
    diagnosis = diagnosed(ended(plant))
    assert diagnosis.case.pc is None
    assert SLUG not in slugs(diagnosis)
