"""duplicate-address: two devices claim the controller's address."""

from analyzer.diagnosis import FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.plant import Plant, Station, modbus_answer, modbus_read
from rules.neighbour.duplicate_address import ONE_DEVICE, RULE, TWO_PORTS
from tests.support import (
    TOLD,
    acquainted,
    diagnosed,
    ended,
    found,
    labelled,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "duplicate-address"
VIRTUAL_ROUTER = "00:00:5e:00:01:07"


def begun() -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, the controller, and another device with the controller's address."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    other = plant.station(unit.address, hw="00:00:5e:00:53:61", ttl=128)
    plant.wait(5)
    return plant, pc, unit, other


def both_answer(plant: Plant, pc: Station, *units: Station) -> None:
    plant.ask(pc, units[0], times=1, after=1.0)
    for unit in units:
        plant.reply(unit, pc)


@told_or_not
def test_found_where_both_answer_every_question(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, other = begun()
    both_answer(plant, pc, unit, other)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    both_answer(plant, pc, unit, other)
    session.send(modbus_read(3), after=0.5)
    session.rst(other, bare=True)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == SLUG
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert {str(finding.values["first"]), str(finding.values["second"])} == {
        "00-00-5E-00-53-60",
        "00-00-5E-00-53-61",
    }
    assert finding.values["claims_first"] == finding.values["claims_second"] == 2
    assert len(finding.evidence) == 4
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.UNSTABLE, "neighbour")
    assert diagnosis.status == FAULT


def take_turns(plant: Plant, *adapters: Station, every: float = 15.0) -> None:
    """Each announces the address when it takes over, and keeps silent otherwise."""
    for _ in range(2):
        for one in adapters:
            plant.announce(one, times=1, after=every)


def test_it_fits_where_they_claim_in_turn() -> None:
    """It may be one device of two adapters, but the PC gets no answer."""
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    take_turns(plant, other, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    diagnosis = diagnosed(ended(plant))
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)
    assert TWO_PORTS not in left_out(finding, RULE)[1]
    assert lead(diagnosis) == SLUG


@told_or_not
def test_told_as_a_warning_where_two_adapters_take_over_in_turn(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, second = begun()
    plant.resolve(pc, unit)
    for adapter in (unit, second, unit, second, unit):
        plant.announce(adapter, times=1, after=15.0)
        session = plant.tcp(pc, adapter).open()
        session.poll(3)
        session.close()
    diagnosis = diagnosed(ended(plant), controllers)
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert (finding.values["well"], finding.values["refused"]) == (True, 0)
    assert finding.likely_causes[0] == RULE.likely_causes[ONE_DEVICE]
    assert TWO_PORTS in left_out(finding, RULE)[1]
    assert diagnosis.status == NO_FAULT


def test_found_as_a_fault_where_a_session_suffers_from_the_turns() -> None:
    plant, pc, unit, second = begun()
    plant.resolve(pc, unit)
    for adapter in (unit, second, unit, second, unit):
        plant.announce(adapter, times=1, after=15.0)
        session = plant.tcp(pc, adapter).open()
        session.poll(3)
        session.send(modbus_read(9), after=1.0)
        session.rst(adapter, bare=True)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.FITS)


def test_a_single_claim_right_after_the_others_is_no_contradiction() -> None:
    plant, pc, unit, second = begun()
    plant.resolve(pc, unit)
    take_turns(plant, second, unit)
    plant.resolve(pc, unit)
    plant.announce(second, times=1, after=15.0)
    plant.announce(unit, times=1, after=0.5)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    assert found(diagnosed(ended(plant)), SLUG).certainty is Certainty.FITS


def test_found_where_each_claims_right_after_the_other() -> None:
    """As stations do that defend their address (RFC 5227 2.4)."""
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    for _ in range(2):
        plant.announce(other, times=1, after=15.0)
        plant.announce(unit, times=1, after=0.1)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    assert found(diagnosed(ended(plant)), SLUG).certainty is Certainty.SHOWN


def test_quiet_where_a_session_outlives_the_turns_of_two_adapters() -> None:
    plant, pc, unit, second = begun()
    second.ttl = unit.ttl
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    for adapter in (second, unit, second):
        plant.announce(adapter, times=1, after=5.0)
        session.server.station = adapter
        session.poll(2)
    session.close()
    assert slugs(diagnosed(ended(plant))) == []


def test_found_where_the_other_answers_before_and_after() -> None:
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    plant.announce(other, after=4.0)
    plant.resolve(pc, unit, after=4.0)
    assert found(diagnosed(ended(plant), TOLD), SLUG).certainty is Certainty.SHOWN


def test_a_single_claim_in_between_only_fits() -> None:
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    plant.announce(other, times=1, after=4.0)
    plant.resolve(pc, unit, after=4.0)
    assert found(diagnosed(ended(plant), TOLD), SLUG).certainty is Certainty.FITS


def test_one_question_that_both_answered_only_fits() -> None:
    plant, pc, unit, other = begun()
    both_answer(plant, pc, unit, other)
    plant.tcp(pc, unit).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_it_fits_where_the_first_goes_on_after_the_second_took_over() -> None:
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    plant.resolve(pc, unit, after=1.0)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    plant.announce(other, after=0.5)
    session.poll(4)
    assert found(diagnosed(ended(plant)), SLUG).certainty is Certainty.FITS


def test_found_where_both_accept_one_call() -> None:
    plant, pc, unit, other = begun()
    both_answer(plant, pc, unit, other)
    both_answer(plant, pc, unit, other)
    call = plant.tcp(pc, unit)
    call.syn()
    call.syn_ack()
    call.syn_ack(by=other, seq=77)
    assert lead(diagnosed(ended(plant))) == SLUG


def test_found_among_three() -> None:
    plant, pc, unit, other = begun()
    third = plant.station(unit.address, hw="00:00:5e:00:53:62")
    for _ in range(3):
        both_answer(plant, pc, unit, other, third)
    assert lead(diagnosed(ended(plant))) == SLUG


def test_found_beside_a_router_that_answers_for_many() -> None:
    plant, pc, unit, other = begun()
    _answer_for_many(plant, pc, plant.station("192.0.2.1"))
    for _ in range(2):
        both_answer(plant, pc, unit, other)
    assert lead(diagnosed(ended(plant), TOLD)) == SLUG


def accepted_and_reset(plant: Plant, pc: Station, unit: Station, other: Station) -> None:
    """Both hear the call: one accepts it, the other knows of none."""
    call = plant.tcp(pc, unit)
    call.syn(after=1.0)
    call.syn_ack()
    call.rst(other, bare=True)


@told_or_not
def test_found_where_only_packets_tell(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    for _ in range(3):
        accepted_and_reset(plant, pc, unit, other)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert {str(finding.values["first"]), str(finding.values["second"])} == {
        "00-00-5E-00-53-60",
        "00-00-5E-00-53-61",
    }
    assert finding.values["claims_first"] == finding.values["claims_second"] == 3
    assert len(finding.evidence) == 6
    assert diagnosis.outcomes[0].stopped_at == "neighbour"


def test_found_where_no_arp_is_recorded_at_all() -> None:
    plant, pc, unit, other = begun()
    other.ttl = unit.ttl
    for _ in range(3):
        accepted_and_reset(plant, pc, unit, other)
    assert found(diagnosed(ended(plant)), SLUG).certainty is Certainty.SHOWN


def test_found_where_two_systems_answer_pings_in_turn() -> None:
    plant, pc, unit, other = begun()
    for sequence in range(6):
        plant.ping(pc, unit, sequence, after=1.0)
        plant.pong((unit, other)[sequence % 2], pc, sequence)
    assert found(diagnosed(ended(plant), TOLD), SLUG).certainty is Certainty.SHOWN


def test_found_inside_a_vlan_tag() -> None:
    plant, pc, unit, other = begun()
    with plant.tagged(7):
        for _ in range(3):
            accepted_and_reset(plant, pc, unit, other)
    assert lead(diagnosed(ended(plant))) == SLUG


def test_one_call_accepted_and_reset_only_fits() -> None:
    plant, pc, unit, other = begun()
    accepted_and_reset(plant, pc, unit, other)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_one_call_that_both_refuse_only_fits() -> None:
    plant, pc, unit, other = begun()
    call = plant.tcp(pc, unit)
    call.syn(after=1.0)
    call.refuse()
    call.refuse(by=other)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert (finding.certainty, finding.values["refused"]) == (Certainty.FITS, 1)


def test_found_where_the_pc_has_another_address_that_it_uses_more() -> None:
    plant, pc, unit, other = begun()
    plant.announce(Station("198.51.100.15", pc.hw, is_pc=True), times=12, every=0.1)
    plant.announce(pc)
    for _ in range(3):
        accepted_and_reset(plant, pc, unit, other)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert diagnosis.case.pc is not None
    assert [str(one) for one in diagnosis.case.pc.addresses] == ["198.51.100.15", "192.0.2.15"]
    assert lead(diagnosis) == SLUG


def test_quiet_about_a_session_begun_before_the_recording_and_reset_after_a_change_over() -> None:
    plant, pc, unit, other = begun()
    session = plant.tcp(pc, unit)
    session.ack()
    session.ack(unit)
    session.rst(other, bare=True, after=0.5)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_an_idle_session_that_a_change_over_resets() -> None:
    plant, pc, unit, other = begun()
    session = plant.tcp(pc, unit).open()
    session.rst(other, bare=True, after=30)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_joined_adapters_where_the_request_gets_no_answer() -> None:
    plant, pc, unit, second_port = begun()
    second_port.ttl = unit.ttl
    for _ in range(3):
        session = plant.tcp(pc, unit).open(after=1.0)
        session.send(modbus_read(1))
        session.ack(second_port)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_packets_of_the_shared_address_of_redundant_routers() -> None:
    plant, pc, unit, _ = begun()
    shared = Station(unit.address, VIRTUAL_ROUTER, ttl=255)
    for sequence in range(6):
        plant.ping(pc, unit, sequence, after=1.0)
        plant.pong((unit, shared)[sequence % 2], pc, sequence)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_answers_come_back_through_a_gateway() -> None:
    plant, pc, unit, _ = begun()
    gateway = plant.station("192.0.2.1", ttl=255)
    plant.resolve(pc, gateway)
    plant.resolve(pc, unit)
    for sequence in range(6):
        plant.ping(pc, unit, sequence, after=1.0)
        plant.pong(unit, pc, sequence, via=gateway if sequence % 2 else None)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["redirected-path"]


def test_quiet_where_the_gateway_never_shows_its_own_address() -> None:
    plant, pc, unit, _ = begun()
    gateway = plant.station("192.0.2.1", ttl=255)
    plant.resolve(pc, unit)
    for sequence in range(6):
        plant.ping(pc, unit, sequence, after=1.0)
        plant.pong(unit, pc, sequence, via=gateway if sequence % 2 else None)
    call = plant.tcp(pc, unit)
    call.syn()
    call.refuse()
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-refused"]


def test_quiet_where_the_gateway_has_changed_much_of_the_way() -> None:
    plant, pc, unit, _ = begun()
    gateway = plant.station("192.0.2.1", ttl=255)
    plant.resolve(pc, gateway)
    far = Station(unit.address, gateway.hw, ttl=240)
    for sequence in range(6):
        plant.ping(pc, unit, sequence, after=1.0)
        plant.pong((unit, far)[sequence % 2], pc, sequence)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["redirected-path"]


def test_quiet_about_a_change_over_that_packets_tell_and_that_resets_the_session() -> None:
    plant, pc, unit, other = begun()
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.send(modbus_read(4), after=0.2)
    session.rst(other, bare=True)
    plant.tcp(pc, other).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_spare_that_packets_tell_and_that_is_taken_out_again() -> None:
    plant, pc, unit, spare = begun()
    for one in (unit, spare, unit):
        session = plant.tcp(pc, one).open(after=1.0)
        session.poll(3)
        session.close()
        plant.wait(180)
    assert lead(diagnosed(ended(plant))) is None


def test_quiet_about_joined_adapters_that_share_the_sessions_out() -> None:
    plant, pc, unit, second_port = begun()
    second_port.ttl = unit.ttl
    for one in (unit, second_port, unit, second_port):
        session = plant.tcp(pc, one).open(after=1.0)
        session.poll(2)
        session.close()
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_a_single_packet_of_another() -> None:
    plant, pc, unit, other = begun()
    plant.tcp(pc, unit).open().poll(2)
    plant.ping(pc, other)
    plant.pong(other, pc)
    plant.tcp(pc, unit).open().poll(2)
    assert slugs(diagnosed(ended(plant))) == []


@told_or_not
def test_quiet_about_a_redundant_pair_that_changes_over(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    plant.announce(other, after=1.0)
    plant.tcp(pc, other).open().poll(3)
    plant.resolve(pc, other)
    diagnosis = diagnosed(ended(plant), controllers)
    assert (slugs(diagnosis), diagnosis.status) == ([], NO_FAULT)


def test_quiet_where_the_unit_that_steps_back_goes_on_under_its_own_address() -> None:
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    plant.announce(other, after=1.0)
    plant.tcp(pc, other).open().poll(3)
    plant.datagram(Station("192.0.2.62", unit.hw), "192.0.2.255", 50000, 50000, b"waiting")
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_the_pc_itself() -> None:
    plant, pc, unit, _ = begun()
    for _ in range(2):
        plant.arp(pc, 1, unit.address, unit.address)
        plant.resolve(pc, unit, after=1.0)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_module_replaced_in_mid_recording() -> None:
    plant, pc, old, new = begun()
    plant.resolve(pc, old)
    session = plant.tcp(pc, old).open()
    session.poll(3)
    plant.wait(30)
    plant.probe(new)
    plant.announce(new, after=2.0)
    plant.resolve(pc, new)
    plant.tcp(pc, new).open().poll(3)
    assert lead(diagnosed(ended(plant))) is None


def test_quiet_about_a_spare_that_is_tried_and_taken_out_again() -> None:
    plant, pc, unit, spare = begun()
    for one in (unit, spare, unit):
        plant.probe(one)
        plant.announce(one, after=2.0)
        plant.resolve(pc, one)
        session = plant.tcp(pc, one).open(after=1.0)
        session.poll(3)
        session.close()
        plant.wait(180)
    assert lead(diagnosed(ended(plant))) is None


def _answer_for_many(plant: Plant, pc: Station, router: Station) -> None:
    for wanted in ("192.0.2.60", "192.0.2.70", "192.0.2.71", "192.0.2.72"):
        plant.ask(pc, wanted, times=1, after=0.5)
        plant.reply(router, pc, for_ip=wanted)


def test_quiet_about_a_router_that_answers_for_many() -> None:
    plant, pc, unit, _ = begun()
    router = plant.station("192.0.2.1")
    for _ in range(2):
        _answer_for_many(plant, pc, router)
        plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_the_pcs_own_router_that_answers_too() -> None:
    plant, pc, unit, _ = begun()
    router, far = plant.station("192.0.2.1"), plant.station("198.51.100.7")
    plant.resolve(pc, router)
    plant.ping(pc, far, via=router)
    plant.pong(far, pc, via=router)
    for _ in range(2):
        plant.ask(pc, unit, times=1, after=1.0)
        plant.reply(unit, pc)
        plant.reply(router, pc, for_ip=unit.address)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_clean_change_while_a_router_answers_too() -> None:
    plant, pc, unit, other = begun()
    router = plant.station("192.0.2.1")
    for _ in range(3):
        plant.resolve(pc, unit)
        _answer_for_many(plant, pc, router)
    plant.announce(other, after=2.0)
    plant.resolve(pc, other)
    plant.tcp(pc, other).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_probes() -> None:
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    for _ in range(4):
        plant.probe(other, times=1)  # a switch that tracks addresses, or a device that starts
        plant.announce(unit, times=1)
        session.poll(2)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_a_device_with_two_ports() -> None:
    plant, pc, unit, second_port = begun()
    both_answer(plant, pc, unit, second_port)
    session = plant.tcp(pc, unit).open()
    session.poll(2)
    both_answer(plant, pc, unit, second_port)
    session.server.station = second_port
    session.poll(2)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_joined_adapters_that_send_from_either() -> None:
    plant, pc, unit, second_port = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.send(modbus_read(1), after=1.0)
        session.send(modbus_answer(1), second_port)
        plant.resolve(pc, unit)
    session.close(after=0.5)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_a_lease_that_moved_to_another_device() -> None:
    plant, pc, old, new = begun()
    plant.resolve(pc, old)
    plant.wait(7200)
    plant.resolve(pc, new)
    plant.tcp(pc, new).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_replies_recorded_twice() -> None:
    plant, pc, unit, _ = begun()
    for _ in range(3):
        plant.ask(pc, unit, times=1, after=1.0)
        answer = plant.reply(unit, pc)
        plant.raw(answer.data, after=0.0002)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_about_a_wireless_bridge_that_rewrites_hardware_addresses() -> None:
    plant, pc, unit, bridge = begun()
    for _ in range(2):
        plant.resolve(pc, bridge, after=1.0)
        plant.arp(bridge, 1, unit.address, "192.0.2.20", sender_hw=unit.hw, after=1.0)
    plant.tcp(pc, bridge).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_the_shared_address_of_redundant_routers() -> None:
    plant, pc, unit, _ = begun()
    shared = Station(unit.address, VIRTUAL_ROUTER)
    for _ in range(2):
        both_answer(plant, pc, unit, shared)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_two_devices_on_somebody_elses_address() -> None:
    plant, pc, unit, _ = begun()
    twins = [Station("192.0.2.34", f"00:00:5e:00:53:{last}") for last in (34, 35)]
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    for _ in range(3):
        session.poll(1)
        for twin in twins:
            plant.announce(twin, times=1)
    assert slugs(diagnosed(ended(plant))) == []


# --- with a site sheet --------------------------------------------------------------------------

BOTH = (
    labelled()
    + """
[[controller]]
address = "192.0.2.61"
hardware_address = "00-00-5E-00-53-61"
"""
)


def taken_once() -> Plant:
    """The other device takes the address once, and keeps it."""
    plant, pc, unit, other = begun()
    plant.resolve(pc, unit)
    plant.announce(other, times=1, after=4.0)
    plant.tcp(pc, other).syn(repeats=(1, 2))
    return ended(plant)


def test_found_where_the_sheet_knows_both_as_two_controllers() -> None:
    diagnosis = diagnosed(taken_once(), sheet=BOTH)
    finding = found(diagnosis, SLUG)
    assert (lead(diagnosis), finding.certainty) == (SLUG, Certainty.SHOWN)
    assert str(finding.values["label"]) == "00-00-5E-00-53-60"


def test_one_label_alone_does_not_show_it() -> None:
    plant, pc, unit, other = begun()
    both_answer(plant, pc, unit, other)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    assert found(diagnosed(ended(plant), sheet=labelled()), SLUG).certainty is Certainty.FITS


def test_quiet_where_the_sheet_knows_only_one_of_a_clean_change() -> None:
    assert SLUG not in slugs(diagnosed(taken_once(), sheet=labelled()))


def test_quiet_where_two_known_controllers_keep_to_their_addresses() -> None:
    plant, pc, unit, _ = begun()
    second = plant.station("192.0.2.61", hw="00:00:5e:00:53:61")
    for one in (unit, second):
        plant.resolve(pc, one)
        plant.tcp(pc, one).open().poll(3)
    assert slugs(diagnosed(ended(plant), sheet=BOTH)) == []


# --- one that claims unasked ----------------------------------------------------------------------

INTRUDER_HW = "00:00:5e:00:53:66"


def takes(plant: Plant, by: Station, address: str, to: Station, times: int = 3) -> None:
    """Tells one station again and again, unasked, that an address is its own."""
    for _ in range(times):
        plant.reply(by, to, for_ip=address, after=1.0)


def drawn() -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, the controller, and a device with an address of its own."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    other = plant.station("192.0.2.66")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.wait(5)
    return plant, pc, unit, other


@told_or_not
def test_found_where_one_claims_unasked_what_another_answers_for(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, other = drawn()
    plant.announce(other)
    takes(plant, other, unit.address, pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    diagnosis = diagnosed(ended(plant), controllers)
    finding = found(diagnosis, SLUG)
    assert (lead(diagnosis), finding.certainty) == (SLUG, Certainty.SHOWN)
    assert str(finding.values["second"]) == "00-00-5E-00-53-66"
    assert str(finding.values["first"]) == "00-00-5E-00-53-60"
    assert (finding.values["unasked"], list(map(str, finding.values["own"]))) == (3, ["192.0.2.66"])
    assert "00-00-5E-00-53-66" in finding.likely_causes[0]
    assert len(finding.likely_causes) == 1


def test_found_where_one_takes_the_addresses_of_several() -> None:
    """It shows no address of its own; the panel's is taken too."""
    plant, pc, unit, _ = drawn()
    panel = plant.station("192.0.2.20")
    other = Station("192.0.2.60", INTRUDER_HW)
    plant.datagram(panel, "192.0.2.255", 5000, 5000, b"hello")
    takes(plant, other, unit.address, pc)
    takes(plant, other, panel.address, pc)
    plant.datagram(panel, "192.0.2.255", 5000, 5000, b"hello")
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=(1, 2))
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert (finding.values["own"], list(map(str, finding.values["others"]))) == ([], ["192.0.2.20"])


def test_told_as_a_warning_about_an_address_of_no_link_up() -> None:
    plant, pc, unit, other = drawn()
    panel = plant.station("192.0.2.20")
    plant.announce(other)
    takes(plant, other, panel.address, pc)
    plant.datagram(panel, "192.0.2.255", 5000, 5000, b"hello")
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), TOLD)
    finding = found(diagnosis, SLUG)
    assert (finding.level, str(finding.values["controller"])) == (Level.WARNING, "192.0.2.20")
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE]


def test_quiet_where_two_adapters_of_one_device_share_its_packets() -> None:
    """It says unasked which of its adapters takes the packets of whom."""
    plant, pc, unit, _ = drawn()
    second = Station(unit.address, "00:00:5e:00:53:61")
    takes(plant, second, unit.address, pc)
    session = plant.tcp(pc, unit).open()
    session.poll(3)
    session.close()
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_other_takes_over_for_good() -> None:
    """A spare with an address of its own; the first unit is not heard any more."""
    plant, pc, unit, other = drawn()
    plant.announce(other)
    takes(plant, other, unit.address, pc)
    plant.tcp(pc, Station(unit.address, other.hw)).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_single_claim() -> None:
    plant, pc, unit, other = drawn()
    plant.announce(other)
    takes(plant, other, unit.address, pc, times=1)
    plant.wait(200)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_one_answers_for_another_when_asked() -> None:
    """A router that answers for others (proxy ARP) beside the controller itself."""
    plant, pc, unit, router = drawn()
    for address in (unit.address, "192.0.2.70", "192.0.2.71"):
        plant.ask(pc, address, times=1, after=1.0)
        plant.reply(router, pc, for_ip=address)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    finding = [one for one in diagnosed(ended(plant), TOLD).findings if one.rule == SLUG]
    assert not any(one.values["unasked"] for one in finding)


def test_found_where_two_contradict_each_other_unasked() -> None:
    """Each says so right after the other, while sessions go on."""
    plant, pc, unit = acquainted()
    other = plant.station(unit.address, hw="00:00:5e:00:53:61")
    for number in range(12):
        session = plant.tcp(pc, unit).open(after=3.0)
        session.poll(2)
        session.close()
        if 4 <= number < 8:
            plant.reply(other, pc)
            plant.reply(unit, pc)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert (finding.level, finding.certainty) == (Level.FAULT, Certainty.SHOWN)
