"""stale-mapping: the PC sends to a hardware address that is not the controller's any more."""

import pytest
from scapy.layers.inet import TCP

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Verdict
from analyzer.findings import Certainty
from captures import layouts
from captures.plant import Plant, Station, modbus_read
from rules.neighbour.stale_mapping import (
    CHANGED,
    CONTROLLER_OFF,
    PC_REPLACED,
    REPLACED,
    RULE,
    SECOND_ADAPTER,
    SHARED,
    TYPED,
)
from tests.support import (
    TOLD,
    a_sheet,
    diagnosed,
    ended,
    found,
    labelled,
    lead,
    left_out,
    slugs,
    told_or_not,
)

SLUG = "stale-mapping"
SLOW_DOWN = (1, 2, 4)


def begun(unit: str = "192.0.2.60") -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, the unit of old, and the new one with the same address."""
    plant = Plant()
    pc, old = plant.pc(), plant.station(unit)
    new = plant.station(unit, hw="00:00:5e:00:53:61")
    plant.wait(3)
    return plant, pc, old, new


@told_or_not
def test_found_where_the_new_unit_announced_itself(controllers: tuple[str, ...]) -> None:
    plant, pc, old, new = begun()
    claim = plant.announce(new)[0]
    call = plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert str(finding.values["old"]) == "00-00-5E-00-53-60"
    assert (finding.values["frames"], finding.values["tries"]) == (4, 4)
    compared = finding.what_to_do[0].text
    assert str(finding.values["old"]) in compared
    assert str(finding.values["new"]) in compared
    assert finding.cautions[: len(RULE.cautions)] == [*RULE.cautions] != []
    shown = [one.moment.frame for one in finding.evidence]
    assert shown[:2] == [plant.number(claim), plant.number(call)]
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "neighbour")
    assert diagnosis.status == FAULT


def test_found_where_the_unit_is_swapped_in_mid_session() -> None:
    plant, pc, old, new = begun()
    plant.resolve(pc, old)
    plant.tcp(pc, old).open().poll(3)
    plant.wait(40)
    plant.announce(new)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=5.0)
    assert lead(diagnosed(ended(plant))) == SLUG


def test_found_where_the_new_unit_asks_for_others() -> None:
    plant, pc, old, new = begun()
    plant.ask(new, "192.0.2.20", times=1)
    for sequence in range(4):
        plant.ping(pc, old, sequence, after=1.0)
    assert lead(diagnosed(ended(plant), TOLD)) == SLUG


def test_found_where_the_pc_calls_until_the_recording_ends() -> None:
    plant, pc, old, new = begun()
    plant.announce(new)
    plant.tcp(pc, old).syn(repeats=(3,) * 12, after=3.0)
    plant.chatter()
    assert lead(diagnosed(plant)) == SLUG


@told_or_not
def test_it_fits_where_the_pc_was_plugged_in_and_never_asked(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, old, _ = begun()
    plant.link_up(pc)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=4.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_lost_frames_leave_it_open() -> None:
    plant, pc, old, new = begun()
    plant.announce(new)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    ended(plant)
    assert found(diagnosed(plant.pcapng(hw=pc.hw, drops=1)), SLUG).certainty is Certainty.FITS


def test_found_with_what_was_sent_in_vain_and_not_what_worked() -> None:
    """The unit of old answered until it was swapped."""
    plant, pc, old, new = begun()
    plant.resolve(pc, old)
    session = plant.tcp(pc, old).open()
    session.poll(3)
    claim = plant.announce(new, after=5.0)[0]
    asked = session.send(modbus_read(9), lost=True, after=1.0)
    for pause in (0.3, 0.6, 1.2, 2.4):
        last = session.again(lost=True, after=pause)
    finding = found(diagnosed(ended(plant)), SLUG)
    frames = [one.moment.frame for one in finding.evidence]
    assert frames[1:] == [plant.number(one) for one in (claim, asked, last)]
    assert frames[0] < plant.number(claim)
    silent = finding.values["silent"]
    assert silent == pytest.approx(5.0 + 1.0 + 4.5 + 8.0, abs=1.5)
    assert left_out(finding, RULE) == ([PC_REPLACED], [CONTROLLER_OFF, SECOND_ADAPTER, SHARED])


def test_quiet_where_the_pc_learns_the_new_address_by_itself() -> None:
    plant, pc, old, new = begun()
    plant.tcp(pc, old).syn(repeats=(1, 2))
    plant.ask(pc, old, to=old)
    plant.resolve(pc, new, after=1.0)
    plant.tcp(pc, new).open().poll(3)
    diagnosis = diagnosed(ended(plant))
    assert (lead(diagnosis), diagnosis.status) == (None, NO_FAULT)


def test_quiet_where_the_pc_turns_to_the_new_unit_a_little_late() -> None:
    plant, pc, old, new = begun()
    plant.resolve(pc, old)
    plant.tcp(pc, old).open().poll(2)
    plant.announce(new, after=20.0)
    plant.tcp(pc, old).syn(repeats=(1,))
    plant.resolve(pc, new)
    plant.tcp(pc, new).open().poll(3)
    assert lead(diagnosed(ended(plant))) is None


@told_or_not
def test_quiet_about_an_entry_from_before_that_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit, _ = begun()
    plant.tcp(pc, unit).open().poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert (slugs(diagnosis), diagnosis.status) == ([], NO_FAULT)


def test_quiet_about_an_entry_by_hand_that_works() -> None:
    plant, pc, unit, _ = begun()
    plant.link_up(pc)
    plant.tcp(pc, unit).open(after=4.0).poll(4)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_where_a_cached_entry_leads_to_a_controller_that_is_off() -> None:
    plant, pc, unit, _ = begun()
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == "port-silent"


def test_quiet_about_a_shared_address_of_a_redundant_pair() -> None:
    plant, pc, real, _ = begun()
    shared = Station(real.address, "00:00:5e:00:01:07")
    plant.announce(real)
    plant.tcp(pc, shared).syn(repeats=SLOW_DOWN, after=3.0)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_about_any_shared_address_that_is_answered_from_another() -> None:
    plant, pc, real, shared = begun()
    plant.resolve(pc, shared)
    plant.ask(real, "192.0.2.20", times=1)
    session = plant.tcp(pc, shared).open()
    session.server.station = real
    session.client.station = pc
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_old_address_is_a_routers() -> None:
    plant, pc, far, _ = begun("198.51.100.60")
    router = plant.station("192.0.2.1")
    plant.link_up(pc)
    plant.resolve(pc, router)
    plant.tcp(pc, far, via=router).syn(repeats=SLOW_DOWN, after=1.0)
    assert lead(diagnosed(ended(plant))) == "subnet-mismatch"


def test_quiet_where_the_routers_entry_was_typed_by_hand() -> None:
    plant, pc, far, _ = begun("198.51.100.60")
    router = plant.station("192.0.2.1")
    plant.link_up(pc)
    plant.tcp(pc, far, via=router).syn(repeats=SLOW_DOWN, after=4.0)
    assert lead(diagnosed(ended(plant))) == "subnet-mismatch"


def test_quiet_where_a_router_answers_for_the_controller() -> None:
    plant, pc, unit, _ = begun()
    router = plant.station("192.0.2.1")
    plant.resolve(pc, unit)
    plant.wait(10)
    for wanted in ("192.0.2.70", "192.0.2.71", "192.0.2.60"):
        plant.ask(pc, wanted, times=1, after=0.3)
        plant.reply(router, pc, for_ip=wanted)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_bridge_that_rewrites_hardware_addresses() -> None:
    plant, pc, unit, bridge = begun()
    plant.resolve(pc, bridge)
    plant.arp(bridge, 1, unit.address, "192.0.2.20", sender_hw=unit.hw, after=10.0)
    plant.tcp(pc, bridge).syn(repeats=SLOW_DOWN)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_about_a_probe_for_the_address() -> None:
    plant, pc, unit, switch = begun()
    plant.probe(switch, unit)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN, after=3.0)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_about_two_devices_that_answer_at_once() -> None:
    plant, pc, unit, other = begun()
    plant.ask(pc, unit, times=1)
    plant.reply(unit, pc)
    plant.reply(other, pc)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    assert lead(diagnosed(ended(plant))) == "duplicate-address"


def test_quiet_about_another_stations_stale_entry() -> None:
    plant, pc, unit, new = begun()
    panel = plant.station("192.0.2.20")
    plant.announce(new)
    plant.tcp(panel, unit).syn(repeats=SLOW_DOWN)
    plant.resolve(pc, new)
    plant.tcp(pc, new).syn(repeats=SLOW_DOWN)
    plant.ping(pc, panel)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["port-silent"]


def test_quiet_where_the_new_unit_comes_after_the_last_call() -> None:
    plant, pc, old, new = begun()
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN)
    plant.announce(new, after=10.0)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_where_the_new_unit_comes_as_the_pc_ends_its_last_session() -> None:
    plant, pc, old, new = begun()
    plant.resolve(pc, old)
    session = plant.tcp(pc, old).open()
    session.poll(3)
    session.fin()
    session.fin(old)
    plant.announce(new, times=1)
    session.ack()
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_no_frame_of_the_pc_is_recorded() -> None:
    plant, pc, unit, _ = begun()
    for _ in range(3):
        plant.datagram(unit, pc, 50000, 50000, b"running", after=1)
    others = [record for record in ended(plant).records if not record.outbound]
    assert SLUG not in slugs(diagnosed(layouts.pcap(others), TOLD, pc=pc.address))


def test_quiet_where_the_recording_lacks_the_receivers() -> None:
    plant, pc, unit, _ = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD, link_type=layouts.COOKED))


def test_quiet_about_the_pcs_own_claim() -> None:
    plant, pc, unit, _ = begun()
    plant.arp(pc, 1, unit.address, unit.address)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_about_a_shared_address_that_is_announced() -> None:
    plant, pc, real, _ = begun()
    plant.announce(Station(real.address, "00:00:5e:00:01:07"))
    plant.tcp(pc, real).syn(repeats=SLOW_DOWN, after=3.0)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_where_the_controller_is_heard_from_there() -> None:
    plant, pc, unit, _ = begun()
    plant.link_up(pc)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN, after=4.0)
    plant.ask(unit, "192.0.2.20", times=1)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_where_the_entry_is_older_than_the_plug() -> None:
    plant, pc, unit, _ = begun()
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    plant.link_up(pc)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_where_the_pc_asks_the_old_address_again() -> None:
    plant, pc, unit, _ = begun()
    plant.link_up(pc)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN, after=4.0)
    plant.ask(pc, unit, to=unit)
    assert lead(diagnosed(ended(plant))) == "port-silent"


def test_quiet_about_an_entry_by_hand_that_is_answered_from_another() -> None:
    plant, pc, real, shared = begun()
    plant.link_up(pc)
    session = plant.tcp(pc, shared, 502)
    plant.wait(4)
    session.syn()
    session.server.station = shared
    session.syn_ack(by=real)
    session.ack()
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_pc_hands_its_calls_to_a_router() -> None:
    plant, pc, unit, _ = begun("198.51.100.60")
    router = plant.station("192.0.2.1")
    plant.announce(unit)
    plant.resolve(pc, router)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN)
    assert lead(diagnosed(ended(plant))) == "subnet-mismatch"


def test_quiet_where_the_recording_ends_soon_after_the_claim() -> None:
    plant, pc, old, new = begun()
    call = plant.tcp(pc, old)
    call.syn(repeats=(3,) * 7)
    plant.announce(new, times=1)
    call.again(after=1.0)
    plant.wait(2)
    plant.chatter()
    assert lead(diagnosed(plant)) == "port-silent"


def test_quiet_where_the_recording_ends_too_soon() -> None:
    plant, pc, old, new = begun()
    plant.announce(new)
    plant.tcp(pc, old).syn(repeats=(1,), after=3.0)
    plant.wait(2)
    plant.chatter()
    diagnosis = diagnosed(plant, TOLD)
    assert (slugs(diagnosis), diagnosis.status) == (["stopped-early"], CANNOT_TELL)


def test_it_fits_where_the_recording_ends_soon_after_repeats() -> None:
    plant, pc, old, new = begun()
    plant.announce(new)
    plant.tcp(pc, old).syn(repeats=(1, 2), after=3.0)
    plant.wait(1)
    plant.chatter()
    diagnosis = diagnosed(plant, TOLD)
    assert (lead(diagnosis), diagnosis.status) == (SLUG, FAULT)
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


# --- with a site sheet --------------------------------------------------------------------------


def test_found_where_the_pc_sends_to_another_than_the_label() -> None:
    plant, pc, old, _ = begun()
    plant.tcp(pc, old).syn(repeats=(1, 2))
    diagnosis = diagnosed(ended(plant), sheet=labelled("00-00-5E-00-53-61"))
    finding = found(diagnosis, SLUG)
    assert (lead(diagnosis), finding.certainty) == (SLUG, Certainty.SHOWN)
    assert str(finding.values["old"]) == "00-00-5E-00-53-60"
    assert str(finding.values["label"]) == "00-00-5E-00-53-61"


def test_quiet_where_the_pc_sends_to_the_one_on_the_label() -> None:
    plant, pc, old, _ = begun()
    plant.link_up(pc)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=4.0)
    assert lead(diagnosed(ended(plant))) == SLUG
    assert SLUG not in slugs(diagnosed(plant, sheet=labelled()))


def test_quiet_where_the_other_than_the_label_answered_the_question() -> None:
    plant, pc, old, _ = begun()
    plant.resolve(pc, old)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN)
    assert SLUG not in slugs(diagnosed(ended(plant), sheet=labelled("00-00-5E-00-53-61")))


def test_quiet_where_packets_come_back_from_another_than_the_label() -> None:
    plant, pc, old, _ = begun()
    plant.tcp(pc, old).open().poll(3)
    assert slugs(diagnosed(ended(plant), sheet=labelled("00-00-5E-00-53-61"))) == ["unlike-label"]


def test_quiet_where_the_controller_is_behind_a_router() -> None:
    plant = Plant()
    pc, far = plant.pc(), plant.station("198.51.100.60", hw="00:00:5e:00:53:62")
    router = plant.station("192.0.2.1")
    plant.wait(3)
    plant.tcp(pc, far, via=router).syn(repeats=SLOW_DOWN)
    sheet = a_sheet('hardware_address = "00-00-5E-00-53-62"').replace("192.0.2.60", far.address)
    assert SLUG not in slugs(diagnosed(ended(plant), sheet=sheet))


def answered_astray(plant: Plant, pc: Station, unit: Station, times: int = 3) -> Station:
    """The controller accepts calls, and sends that to the hardware address of a PC of before."""
    before = Station("192.0.2.15", "00:00:5e:00:53:77")
    plant.resolve(pc, unit)
    for _ in range(times):
        session = plant.tcp(pc, unit)
        session.syn(after=1.0)
        answer = TCP(sport=502, dport=session.sport, flags="SA", seq=1, ack=session.client_seq + 1)
        plant.ip(unit, before, answer)
    return before


@told_or_not
def test_found_where_the_controller_answers_to_the_pc_of_before(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit, _ = begun()
    answered_astray(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert str(finding.values["receiver"]) == "192.0.2.15"
    assert str(finding.values["old"]) == "00-00-5E-00-53-77"
    assert str(finding.values["own"]) == "00-00-5E-00-53-15"
    assert left_out(finding, RULE) == ([REPLACED, TYPED, CHANGED], [CONTROLLER_OFF, SHARED])
    assert len(finding.what_to_do) == 4
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.STOPPED]


def test_the_pcs_own_old_entry_is_told_with_its_own_steps() -> None:
    plant, pc, old, new = begun()
    plant.announce(new)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    finding = found(diagnosed(ended(plant)), SLUG)
    assert left_out(finding, RULE)[1] == [CONTROLLER_OFF, SECOND_ADAPTER, SHARED]
    assert len(finding.what_to_do) == 5


def test_quiet_where_the_controller_learns_the_pcs_new_hardware_address() -> None:
    plant, pc, unit, _ = begun()
    answered_astray(plant, pc, unit)
    plant.tcp(pc, unit).open(after=1.0).poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_somebody_has_the_other_hardware_address() -> None:
    """A second adapter of the PC, or another device on its address."""
    plant, pc, unit, _ = begun()
    plant.announce(answered_astray(plant, pc, unit))
    assert SLUG not in slugs(diagnosed(ended(plant)))


# --- shown by any frame of the owner ------------------------------------------------------------


def greets(plant: Plant, unit: Station, times: int = 3) -> None:
    for _ in range(times):
        plant.datagram(unit, "192.0.2.255", 5000, 5000, b"running", after=1.0)


@told_or_not
def test_it_fits_where_the_owner_greets_everybody_and_answers_no_arp(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, old, new = begun()
    greets(plant, new)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert str(finding.values["old"]) == "00-00-5E-00-53-60"
    assert str(finding.values["new"]) == "00-00-5E-00-53-61"
    assert left_out(finding, RULE) == ([PC_REPLACED], [CONTROLLER_OFF, SECOND_ADAPTER])
    assert "00-00-5E-00-53-61" in finding.what_to_do[0].text
    assert next(one.moment.frame for one in finding.evidence) == 4


def test_found_where_the_owner_sends_to_another_station() -> None:
    plant, pc, old, new = begun()
    plant.datagram(new, plant.station("192.0.2.20"), 5000, 5000, b"running", after=1.0)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    assert lead(diagnosed(ended(plant))) == SLUG


def test_quiet_where_a_router_hands_on_the_owners_packets() -> None:
    """At a mirror port: the time to live is not fresh."""
    plant, pc, old, router = begun()
    for _ in range(3):
        packet = Station(old.address, router.hw, ttl=63)
        plant.datagram(packet, "192.0.2.20", 5000, 5000, b"running", after=1.0)
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    assert lead(diagnosed(ended(plant), TOLD)) == "port-silent"


def test_quiet_where_the_sender_has_an_address_of_its_own() -> None:
    """A router that hands packets on and renews their time to live, or a helper of the plant."""
    plant, pc, old, router = begun()
    greets(plant, router)
    plant.announce(Station("192.0.2.1", router.hw))
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    assert lead(diagnosed(ended(plant), TOLD)) == "port-silent"


def test_quiet_where_the_old_hardware_address_is_heard() -> None:
    """A redundant pair: it answers by one hardware address and sends from another."""
    plant, pc, shared, real = begun()
    plant.resolve(pc, shared)
    greets(plant, real)
    plant.tcp(pc, shared).syn(repeats=SLOW_DOWN, after=1.0)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_two_send_as_the_controller() -> None:
    plant, pc, old, new = begun()
    greets(plant, new)
    greets(plant, Station(new.address, "00:00:5e:00:53:62"))
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN, after=3.0)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_owner_is_heard_after_the_last_call() -> None:
    plant, pc, old, new = begun()
    plant.tcp(pc, old).syn(repeats=SLOW_DOWN)
    greets(plant, new)
    assert lead(diagnosed(ended(plant), TOLD)) == "port-silent"


def test_quiet_where_the_owner_answers_the_pc() -> None:
    """Packets come back: whatever hardware address they go to, it works."""
    plant, pc, shared, real = begun()
    greets(plant, real)
    session = plant.tcp(pc, shared).open()
    session.server.station = real
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_both_addresses_are_one_machines() -> None:
    """Each frame is recorded on both sides of a bridge that puts its own hardware address in."""
    plant = Plant(offload=False)
    pc, unit = plant.station("192.0.2.15"), plant.station("192.0.2.60")
    bridge = "00:00:5e:00:53:77"
    plant.wait(3)
    for number in range(4):
        for one, other in ((pc, unit), (unit, pc)):
            plant.datagram(one, other, 5000 + number, 5000 + number, b"ask", after=0.5)
            copy = Station(one.address, bridge, packet_id=one.packet_id - 1)
            plant.datagram(copy, other, 5000 + number, 5000 + number, b"ask", after=0.01)
    assert SLUG not in slugs(diagnosed(ended(plant)))
