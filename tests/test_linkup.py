"""linkup: who the PC is, who the controller is, and which stages are proven."""

import io
from collections.abc import Sequence
from dataclasses import replace

import pytest

import analyzer.linkup
from analyzer.diagnosis import How, State, Verdict
from analyzer.facts import Address, gather
from analyzer.inputs import open_recording
from analyzer.linkup import Case, LinkUp, Stage, Told, work_out
from analyzer.site import read as read_site
from captures import layouts
from captures.plant import Plant, Session, Station, modbus_read
from tests.support import a_sheet, diagnosed, labelled, slugs

PC, UNIT, OTHER_PC = "192.0.2.15", "192.0.2.60", "192.0.2.16"


def case(
    recording: Plant | bytes, controllers: Sequence[str] = (), pc: str | None = None, **layout: int
) -> Case:
    octets = recording if isinstance(recording, bytes) else recording.pcap(**layout)
    told = []
    for text in controllers:
        address, _, port = text.partition(":")
        told.append((Address.parse(address), int(port) if port else None))
    own = None if pc is None else Address.parse(pc)
    return work_out(gather(open_recording(io.BytesIO(octets), "test")), Told(tuple(told), own))


def begun() -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    return plant, pc, unit


# --- who the PC is ------------------------------------------------------------------------------


class Mirror:
    """Two PCs poll one controller through a mirrored port: frames as on the wire, no sign of who
    recorded. A single sign is then added for the second PC, who speaks last.
    """

    def __init__(self, second_recorded: bool = False, offload: bool = False) -> None:
        self.plant = Plant(offload=offload)
        self.first = self.plant.station(OTHER_PC)
        self.second = self.plant.pc(PC) if second_recorded else self.plant.station(PC)
        self.unit = self.plant.station()
        self.sessions = [
            self.plant.tcp(one, self.unit, sport=50_000 + turn).open(after=1.0)
            for turn, one in enumerate((self.first, self.second))
        ]
        for session in self.sessions:
            session.poll(4)

    @property
    def padded(self) -> bytes:
        return padded(self.plant)


def padded(plant: Plant) -> bytes:
    """As on the wire: no frame below 60 octets."""
    return layouts.pcap([replace(one, data=one.data.ljust(60, b"\0")) for one in plant.records])


def assert_pc(found: Case, how: str, address: str = PC) -> None:
    assert found.pc is not None
    assert str(found.pc.addresses[0]) == address
    assert found.pc.how_known == how
    assert [str(one) for one in found.candidates[0].addresses] == [address]


def test_two_alike_are_both_judged() -> None:
    mirror = Mirror()
    found = case(mirror.padded)
    assert found.pc is None
    assert sorted(str(one.pc_address) for one in found.linkups) == [PC, OTHER_PC]
    assert sorted(str(next(iter(one.addresses))) for one in found.candidates) == [PC, OTHER_PC]
    assert "no-attempt" not in slugs(diagnosed(mirror.padded))


def test_the_user_decides_between_two_alike() -> None:
    assert_pc(case(Mirror().padded, pc=PC), "told")
    assert_pc(case(Mirror().padded, pc=OTHER_PC), "told", OTHER_PC)


def test_unpadded_frames_are_the_pcs() -> None:
    assert_pc(case(Mirror(second_recorded=True).plant), "traffic")


def test_unfinished_checksums_are_the_pcs() -> None:
    assert_pc(case(Mirror(second_recorded=True, offload=True).padded), "traffic")


def test_frames_beyond_the_greatest_size_are_the_pcs() -> None:
    mirror = Mirror()
    mirror.sessions[1].send(b"x" * 4000)
    mirror.sessions[0].send(b"x" * 1000)
    assert_pc(case(mirror.padded), "traffic")


@pytest.mark.parametrize("sign", ["unpadded", "checksums"])
def test_a_sign_of_the_recorder_outweighs_how_busy_another_one_is(sign: str) -> None:
    """Of the PC itself hardly anything is heard; a panel polls all the time."""
    plant = Plant(offload=sign == "checksums")
    panel, unit = plant.station(OTHER_PC), plant.station()
    pc = plant.pc(PC)
    plant.tcp(panel, unit).open().poll(20)
    if sign == "unpadded":
        plant.ask(pc, unit, times=2)
        octets = plant.pcap()
    else:
        plant.tcp(pc, unit).open()
        octets = padded(plant)
    assert_pc(case(octets), "traffic")


def busy(others_talk: bool) -> bytes:
    """The second PC polls two devices; another one polls the first of them, or tries to."""
    mirror = Mirror() if others_talk else None
    plant = mirror.plant if mirror else Plant()
    second, unit = (mirror.second, mirror.unit) if mirror else (plant.station(PC), plant.station())
    drive = plant.station("192.0.2.31")
    for device in (drive, unit):
        plant.tcp(second, device).open().poll(30)
    if mirror is None:
        plant.tcp(plant.station(OTHER_PC), unit).syn()  # flooded by a switch
    return padded(plant)


def test_one_end_of_all_sessions_is_the_pc() -> None:
    assert_pc(case(busy(others_talk=False)), "traffic")


def test_who_is_only_busier_than_others_need_not_be_the_pc() -> None:
    """A switch keeps sessions of others from the PC's port: a mirror port was recorded."""
    found = case(busy(others_talk=True))
    assert found.pc_unknown
    assert {str(one.pc_address) for one in found.linkups} == {PC, OTHER_PC}
    assert {str(one.controller) for one in found.linkups} == {UNIT, "192.0.2.31"}


def test_the_busier_one_is_the_pc_where_others_leave_the_controller_alone() -> None:
    """Sessions of others with somebody else than the controller that was named do not matter."""
    plant = Plant()
    second, unit, drive = plant.station(PC), plant.station(), plant.station("192.0.2.31")
    plant.tcp(second, unit).open().poll(30)
    plant.tcp(plant.station(OTHER_PC), drive).open().poll(3)
    assert case(padded(plant)).pc_unknown
    assert_pc(case(padded(plant), (f"{UNIT}:502",)), "traffic")


@pytest.mark.parametrize("what", [{"hw": "00:00:5e:00:53:15"}, {"address": f"{PC}/24"}])
def test_the_recordings_own_record_tells_the_pc(what: dict[str, str]) -> None:
    octets = Mirror().plant.pcapng(directions=False, **what)
    assert_pc(case(octets), "recorded")


def test_two_interface_records_of_one_pc_are_one_pc() -> None:
    """Each adapter calls a controller of its own."""
    plant = Plant()
    one, other = plant.pc(PC), plant.pc("198.51.100.16")
    for adapter, unit in ((one, UNIT), (other, "198.51.100.61")):
        plant.tcp(adapter, plant.station(unit)).open().poll(3)
    records = plant.records
    parts = [
        layouts.pcapng(
            [
                record
                for record in records
                if bytes.fromhex(adapter.hw.replace(":", "")) in record.data[:12]
            ],
            hw=adapter.hw,
        )
        for adapter in (one, other)
    ]
    found = case(b"".join(parts))
    assert found.pc is not None
    assert not found.pc_unknown
    ends = {(str(link.pc_address), str(link.controller)) for link in found.linkups}
    assert ends == {(PC, UNIT), ("198.51.100.16", "198.51.100.61")}


def test_recorded_directions_tell_the_pc() -> None:
    octets = Mirror(second_recorded=True).plant.pcapng(directions=True)
    assert_pc(case(octets), "recorded")


def test_cooked_frames_tell_the_pc() -> None:
    mirror = Mirror(second_recorded=True)
    found = case(mirror.plant, link_type=layouts.COOKED)
    assert found.pc is not None
    assert str(found.pc.addresses[0]) == PC


@pytest.mark.parametrize("controllers", [(), (f"{UNIT}:502",)], ids=["not told", "told"])
def test_unpadded_frames_from_everybody_are_no_proof(controllers: tuple[str, ...]) -> None:
    """In a virtual machine the frames that come in are not padded either."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    plant.chatter()
    records = [replace(one, data=_unpadded(one.data)) for one in plant.records]
    found = case(layouts.pcap(records), controllers)
    assert_pc(found, "traffic")


def _unpadded(data: bytes) -> bytes:
    size = {0x0806: 28, 0x0800: int.from_bytes(data[16:18])}
    return data[: 14 + size[int.from_bytes(data[12:14])]]


def test_a_coalesced_answer_does_not_make_the_controller_the_pc() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit).open()
    for _ in range(5):
        session.exchange(b"upload", b"a" * 9000)
    assert_pc(case(plant), "traffic")


def test_the_router_is_not_the_pc_though_all_traffic_is_its() -> None:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1", ttl=255)
    far = [plant.station(f"198.51.100.{number}") for number in (61, 62, 63, 64)]
    plant.resolve(pc, router)
    for unit in far:
        plant.tcp(pc, unit, via=router).open().poll(2)
    assert_pc(case(plant), "traffic")


def test_the_switch_is_not_the_pc_though_it_speaks_most() -> None:
    plant, pc, unit = begun()
    switch = plant.station("192.0.2.5")
    plant.ask(pc, unit)
    plant.wait(10)
    plant.meanwhile(2.0, lambda: plant.bpdu(switch))
    plant.meanwhile(1.0, lambda: plant.ask(switch, "192.0.2.77", times=1))
    assert_pc(case(plant), "traffic")


def test_a_pc_that_only_asks_in_vain_is_found_among_others() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.wait(8)
    plant.chatter()
    assert_pc(case(plant), "traffic")


def test_without_hardware_addresses_the_caller_is_the_pc() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(4)
    found = case(plant, link_type=layouts.RAW)
    assert found.pc is not None
    assert (found.pc.hardware, str(found.pc.addresses[0])) == (None, PC)
    assert [str(one.controller) for one in found.linkups] == [UNIT]


def test_a_pc_that_sent_nothing_is_known_from_the_record() -> None:
    plant = Plant()
    plant.wait(20)
    plant.chatter()
    octets = plant.pcapng(hw="00:00:5e:00:53:15", address=f"{PC}/24")
    found = case(octets)
    assert found.pc is not None
    assert (str(found.pc.addresses[0]), found.pc.how_known) == (PC, "recorded")


def test_a_told_pc_need_not_be_in_the_recording() -> None:
    plant = Plant()
    plant.wait(20)
    plant.chatter()
    found = case(plant, pc="192.0.2.200")
    assert found.pc is not None
    assert (found.pc.hardware, str(found.pc.addresses[0])) == (None, "192.0.2.200")


@pytest.mark.parametrize("told", [OTHER_PC, "192.0.2.200"])
def test_the_user_knows_better_than_the_record(told: str) -> None:
    octets = Mirror().plant.pcapng(hw="00:00:5e:00:53:15", address=f"{PC}/24", directions=False)
    found = case(octets, pc=told)
    assert found.pc is not None
    assert str(found.pc.addresses[0]) == told
    assert found.pc.hardware in (None, 0x00005E005316)


def test_the_most_used_address_comes_first() -> None:
    plant, pc, unit = begun()
    before = Station("169.254.7.7", pc.hw, is_pc=True)
    plant.announce(before)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    found = case(plant)
    assert found.pc is not None
    assert [str(one) for one in found.pc.addresses] == [PC, "169.254.7.7"]


def test_masks_come_from_the_record_and_from_the_lease() -> None:
    plant, pc, unit = begun()
    server = plant.station("192.0.2.2")
    plant.lease(pc, server, subnet_mask="255.255.255.192")
    plant.resolve(pc, unit)
    (leased,) = case(plant).linkups
    assert str(leased.mask) == "255.255.255.192"
    (recorded,) = case(plant.pcapng(hw=pc.hw, address=f"{PC}/25")).linkups
    assert str(recorded.mask) == "255.255.255.128"


def test_an_empty_recording_has_no_pc() -> None:
    assert case(Plant()).pc is None


# --- who the controller is ----------------------------------------------------------------------


def targets(found: Case) -> list[tuple[str, int | None, str | None, str]]:
    told = [one.target for one in found.linkups]
    return [(str(one.address), one.port, one.transport, one.how_known) for one in told]


def office(plant: Plant, pc: Station) -> None:
    """What any PC does besides: files, names, time, printing, looking around."""
    server, printer = plant.station("192.0.2.8"), plant.station("192.0.2.90")
    plant.resolve(pc, server)
    for port in (445, 389, 80, 443):
        plant.tcp(pc, server, port).open().exchange(b"office", b"work")
    for port in (53, 123, 161):
        plant.datagram(pc, server, 51_000 + port, port, b"ask")
        plant.datagram(server, pc, port, 51_000 + port, b"answer")
    plant.tcp(pc, printer, 9100).syn((1, 2))
    plant.datagram(pc, "192.0.2.255", 137, 137, b"name")
    plant.datagram(pc, "239.255.255.250", 52_000, 1900, b"look")
    plant.datagram(pc, "224.0.0.251", 5353, 5353, b"name")


def test_the_registered_port_tells_the_controller_among_office_traffic() -> None:
    plant, pc, unit = begun()
    office(plant, pc)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    found = case(plant)
    assert targets(found) == [(UNIT, 502, "tcp", "industrial")]
    assert [str(one) for one in found.others] == ["192.0.2.8", "192.0.2.90"]


def test_an_unanswered_question_tells_the_controller_among_office_traffic() -> None:
    plant, pc, unit = begun()
    office(plant, pc)
    plant.ask(pc, unit)
    assert targets(case(plant)) == [(UNIT, None, None, "tried")]


def test_any_other_session_tells_the_controller_among_office_traffic() -> None:
    plant, pc, unit = begun()
    office(plant, pc)
    plant.tcp(pc, unit, 30_002).open().exchange(b"ask", b"answer")
    assert targets(case(plant)) == [(UNIT, 30_002, "tcp", "tried")]


@pytest.mark.parametrize("answered", [True, False])
def test_the_router_is_not_taken_for_the_controller(answered: bool) -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1", ttl=255)
    server = plant.station("203.0.113.8")
    if answered:
        plant.resolve(pc, router)
        plant.tcp(pc, server, 443, via=router).open().exchange(b"page", b"text")
    else:
        plant.ask(pc, router, times=1)
    plant.ask(pc, unit)
    plant.ask(pc, unit, after=2.0)
    assert [one[0] for one in targets(case(plant))] == [UNIT]


def test_a_gateway_that_is_gone_is_asked_for_less_often_than_the_controller() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, "192.0.2.1")
    for _ in range(4):
        plant.ask(pc, unit, after=2.0)
    assert [one[0] for one in targets(case(plant))] == [UNIT]


def test_several_controllers_are_all_judged() -> None:
    plant, pc, unit = begun()
    drive = plant.station("192.0.2.61")
    plant.tcp(pc, unit).open().poll(3)
    call = plant.tcp(pc, drive, 44_818)
    call.syn()
    call.refuse()
    plant.wait(8)
    plant.chatter()
    diagnosis = diagnosed(plant)
    assert targets(diagnosis.case) == [
        (UNIT, 502, "tcp", "industrial"),
        ("192.0.2.61", 44_818, "tcp", "industrial"),
    ]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.COMPLETE, Verdict.STOPPED]
    assert slugs(diagnosis) == ["port-refused"]


@pytest.mark.parametrize("answered", [True, False])
def test_a_datagram_to_a_registered_port_tells_the_controller(answered: bool) -> None:
    plant, pc, unit = begun()
    office(plant, pc)
    plant.datagram(pc, unit, 51_000, 47_808, b"who")
    if answered:
        plant.datagram(unit, pc, 47_808, 51_000, b"me")
    found = case(plant)
    assert targets(found) == [(UNIT, 47_808, "udp", "industrial")]
    assert found.linkups[0].works is answered


def test_datagrams_to_an_unregistered_port_tell_the_controller() -> None:
    plant, pc, unit = begun()
    for turn in range(3):
        plant.datagram(pc, unit, 51_000, 30_004, b"go %d" % turn, after=1.0)
    assert targets(case(plant)) == [(UNIT, 30_004, "udp", "tried")]


@pytest.mark.parametrize(
    "group",
    [
        "192.0.2.255",
        "255.255.255.255",
        "239.1.1.1",
        "192.0.2.63",
    ],
)
def test_a_broadcast_is_not_taken_for_a_controller(group: str) -> None:
    """192.0.2.63 is the broadcast address of 192.0.2.0/26."""
    plant, pc, _ = begun()
    plant.datagram(pc, group, 47_808, 47_808, b"who")
    plant.wait(8)
    plant.chatter()
    found = case(plant.pcapng(hw=pc.hw, address=f"{PC}/26"))
    assert targets(found) == []


def test_a_search_of_the_network_is_not_taken_for_attempts() -> None:
    plant, pc, unit = begun()
    for number in range(100, 140):
        plant.ask(pc, f"192.0.2.{number}", times=2, every=0.1)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit, 30_002).open().exchange(b"ask", b"answer")
    assert [one[0] for one in targets(case(plant))] == [UNIT]


def test_those_who_call_the_pc_are_not_taken_for_controllers() -> None:
    plant, pc, unit = begun()
    scanner = plant.station("192.0.2.99")
    for port in (22, 102, 502):
        call = plant.tcp(scanner, pc, port)
        call.syn()
        call.refuse()
    plant.tcp(pc, unit).open().poll(3)
    assert [one[0] for one in targets(case(plant))] == [UNIT]


def test_others_controllers_are_not_the_pcs() -> None:
    plant, pc, unit = begun()
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    plant.tcp(panel, drive, 44_818).open().poll(2)
    plant.tcp(pc, unit, 8000).open().exchange(b"ask", b"answer")
    plant.tcp(pc, unit, 8000).open().exchange(b"ask", b"answer")
    assert targets(case(plant)) == [(UNIT, 8000, "tcp", "tried")]


def test_a_pinged_station_is_the_last_resort() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    assert targets(case(plant)) == [(UNIT, None, None, "tried")]


def test_nobody_is_the_controller_where_the_pc_only_looks_around() -> None:
    plant, pc, _ = begun()
    plant.link_up(pc)
    plant.datagram(pc, "224.0.0.251", 5353, 5353, b"name")
    plant.wait(8)
    plant.chatter()
    assert targets(case(plant)) == []


def test_the_port_that_opened_comes_before_those_that_did_not() -> None:
    plant, pc, unit = begun()
    for port in (102, 4840):
        call = plant.tcp(pc, unit, port)
        call.syn()
        call.refuse()
    plant.tcp(pc, unit, 44_818).open().poll(2)
    plant.tcp(pc, unit, 80).open().exchange(b"page", b"text")
    (linkup,) = case(plant).linkups
    assert linkup.target.port == 44_818
    assert len(linkup.other_sessions) == 3


@pytest.mark.parametrize(
    ("told", "port", "transport"),
    [
        (UNIT, 8000, "tcp"),
        (f"{UNIT}:8000", 8000, "tcp"),
        (f"{UNIT}:502", 502, "tcp"),
        (f"{UNIT}:9600", 9600, "udp"),
        ("192.0.2.77:502", 502, "tcp"),
        ("192.0.2.77", None, None),
    ],
)
def test_a_told_controller_is_taken_as_it_is(
    told: str, port: int | None, transport: str | None
) -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, plant.station("192.0.2.61"), 502).open().poll(3)
    plant.tcp(pc, unit, 8000).open().exchange(b"ask", b"answer")
    plant.datagram(pc, unit, 51_000, 9600, b"ask")
    found = case(plant, [told])
    assert targets(found) == [(told.partition(":")[0], port, transport, "told")]
    assert "192.0.2.61" in [str(one) for one in found.others]


def test_several_told_controllers_keep_their_order() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(1)
    found = case(plant, ["192.0.2.61:502", f"{UNIT}:502"])
    assert [one[0] for one in targets(found)] == ["192.0.2.61", UNIT]


# --- the stages ---------------------------------------------------------------------------------

FROM_LINK = [Stage.LINK, Stage.ADDRESS, Stage.NEIGHBOUR, Stage.ROUTE, Stage.PORT]


def linkup(plant: Plant) -> LinkUp:
    plant.wait(8)
    plant.chatter()
    (one,) = case(plant, [f"{UNIT}:502"], pc=PC).linkups
    return one


def states(plant: Plant) -> list[State]:
    plant.wait(8)
    plant.chatter()
    (outcome,) = diagnosed(plant, [f"{UNIT}:502"]).outcomes
    return [result.state for result in outcome.stages]


def opened() -> tuple[Plant, Station, Session]:
    plant, pc, unit = begun()
    return plant, unit, plant.tcp(pc, unit).open()


def test_an_answer_proves_all_stages_before_it() -> None:
    """The hardware address was known before: no ARP is in the file, and none is missing."""
    plant, _, session = opened()
    session.poll(3)
    one = linkup(plant)
    assert list(Stage) == [stage for stage in Stage if stage in one.proofs]
    assert one.proofs[Stage.NEIGHBOUR].what == "later stage"
    assert one.works
    assert [result.state for result in diagnosed(plant).outcomes[0].stages] == [State.PASSED] * 7


def test_a_handshake_proves_the_stages_up_to_the_port() -> None:
    plant, _, _ = opened()
    assert sorted(linkup(plant).proofs, key=list(Stage).index) == FROM_LINK


def test_an_acceptance_alone_is_no_open_port() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack()
    proofs = linkup(plant).proofs
    assert Stage.PORT not in proofs
    assert Stage.ROUTE in proofs


def test_a_ping_proves_the_stages_up_to_the_route() -> None:
    plant, pc, unit = begun()
    plant.ping(pc, unit)
    plant.pong(unit, pc)
    proofs = linkup(plant).proofs
    assert sorted(proofs, key=list(Stage).index) == FROM_LINK[:4]
    assert proofs[Stage.NEIGHBOUR].what == "later stage"


def test_an_arp_reply_proves_the_hardware_address_and_no_route() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    proofs = linkup(plant).proofs
    assert sorted(proofs, key=list(Stage).index) == FROM_LINK[:3]
    assert proofs[Stage.NEIGHBOUR].what == "arp answer"
    assert proofs[Stage.NEIGHBOUR].moment == proofs[Stage.ADDRESS].moment


def test_the_pcs_own_address_proves_no_cable() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    (one,) = case(plant).linkups
    assert list(one.proofs) == [Stage.ADDRESS]


def test_a_session_from_before_the_recording_proves_its_port() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).poll(3)
    proofs = linkup(plant).proofs
    assert proofs[Stage.PORT].what == "open before"
    assert Stage.ANSWER in proofs


def test_an_answered_datagram_proves_everything() -> None:
    plant, pc, unit = begun()
    plant.datagram(pc, unit, 51_000, 47_808, b"who")
    plant.datagram(unit, pc, 47_808, 51_000, b"me")
    (one,) = case(plant).linkups
    assert set(one.proofs) == set(Stage)


def test_a_broken_session_is_no_session_that_stayed_up() -> None:
    plant, unit, session = opened()
    session.poll(3)
    session.send(modbus_read(4))
    session.rst(unit)
    proofs = linkup(plant).proofs
    assert Stage.SESSION not in proofs
    assert Stage.ANSWER in proofs


@pytest.mark.parametrize("refused_first", [True, False])
def test_the_pcs_own_reset_leaves_all_stages_passed(refused_first: bool) -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit)
    session.syn()
    if refused_first:
        session.refuse()
        session.again(after=0.5)
    session.syn_ack()
    session.ack()
    session.poll(3)
    session.rst()
    assert states(plant) == [State.PASSED] * 7


def test_another_stations_answers_prove_nothing_for_this_link_up() -> None:
    plant, pc, unit = begun()
    panel = plant.station("192.0.2.20")
    plant.tcp(panel, unit).open().poll(3)
    plant.tcp(pc, unit).syn((1, 2))
    assert Stage.ROUTE not in linkup(plant).proofs


def test_what_is_not_reached_is_told_so() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    call = plant.tcp(pc, unit)
    call.syn()
    call.refuse()
    assert states(plant) == [State.PASSED] * 4 + [State.FAILED] + [State.NOT_REACHED] * 2


def test_what_is_not_shown_is_told_so() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit)
    session.syn()
    session.syn_ack()
    assert states(plant) == [State.PASSED] * 4 + [State.NOT_SHOWN] * 3
    session.rst(bare=True)  # the port has opened, and the PC did not want it
    assert states(plant) == [State.PASSED] * 5 + [State.NOT_SHOWN] * 2


def test_unpadded_frames_of_everybody_leave_the_one_that_asks_in_vain() -> None:
    """On a virtual adapter nobody's frames are padded; others ask once, the PC again and again."""
    plant = Plant()
    pc, panel = plant.pc(), plant.station("192.0.2.20")
    panel.is_pc = True
    plant.wait(3)
    plant.ask(panel, "192.0.2.31", times=1)
    plant.ask(pc, UNIT, times=3)
    plant.wait(8)
    plant.ask(panel, "192.0.2.42", times=1)
    assert targets(case(plant)) == [(UNIT, None, None, "tried")]


# --- with a site sheet --------------------------------------------------------------------------


def sheet_case(recording: Plant | bytes, sheet: str) -> Case:
    octets = recording if isinstance(recording, bytes) else recording.pcap()
    told = Told(site=read_site(sheet.encode(), "site.toml"))
    return work_out(gather(open_recording(io.BytesIO(octets), "test")), told)


def test_the_sheet_decides_between_two_alike() -> None:
    assert_pc(sheet_case(Mirror().padded, a_sheet()), "sheet")
    other = a_sheet().replace(PC, OTHER_PC)
    assert_pc(sheet_case(Mirror().padded, other), "sheet", OTHER_PC)
    label = a_sheet(adapter='hardware_address = "00-00-5E-00-53-15"').replace(PC, "192.0.2.99")
    assert_pc(sheet_case(Mirror().padded, label), "sheet")


def test_the_recording_outweighs_the_sheet() -> None:
    """Another PC than the one in the sheet recorded, and says so itself."""
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(3)
    plant.tcp(plant.station(OTHER_PC), unit).open().poll(3)
    octets = plant.pcapng(hw="00:00:5e:00:53:16", address=f"{OTHER_PC}/24")
    assert_pc(sheet_case(octets, a_sheet()), "recorded", OTHER_PC)


def test_a_controller_on_its_label_is_never_the_pc() -> None:
    """A controller that was given the PC's address by mistake."""
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    plant.announce(Station(PC, unit.hw))
    found = sheet_case(plant, labelled())
    assert found.pc is not None
    assert str(found.pc.hardware) == "00-00-5E-00-53-15"


def test_of_the_controllers_in_the_sheet_those_tried_are_judged() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(3)
    plant.tcp(pc, plant.station("192.0.2.31")).open().poll(3)
    both = a_sheet() + '[[controller]]\naddress = "192.0.2.70"\n'
    found = sheet_case(plant, both)
    assert targets(found) == [(UNIT, 502, "tcp", "sheet")]
    assert [str(one) for one in found.others] == ["192.0.2.31"]
    nothing = both.replace(UNIT, "192.0.2.61")
    assert [one[0] for one in targets(sheet_case(plant, nothing))] == ["192.0.2.61", "192.0.2.70"]


def test_a_controller_told_counts_before_the_sheet() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(3)
    told = Told(((Address.parse(UNIT), None),), site=read_site(a_sheet().encode(), "s"))
    found = work_out(gather(open_recording(io.BytesIO(plant.pcap()), "test")), told)
    assert targets(found) == [(UNIT, 502, "tcp", "told")]


def test_the_sheet_tells_the_transport_and_the_mask() -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    found = sheet_case(plant, a_sheet('transport = "udp"', 'mask = "255.255.255.128"'))
    assert targets(found) == [(UNIT, 502, "udp", "sheet")]
    assert str(found.linkups[0].mask) == "255.255.255.128"


# --- the controller calls, or answers from another port -------------------------------------------


def called_by(plant: Plant, unit: Station, pc: Station, port: int = 2000) -> Session:
    plant.resolve(unit, pc)
    session = plant.tcp(unit, pc, port).open()
    for _ in range(4):
        session.exchange(b"next order?", b"order 7")
    return session


@pytest.mark.parametrize("controllers", [(UNIT,), (f"{UNIT}:2000",)])
def test_the_controller_may_be_the_one_that_calls(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    called_by(plant, unit, pc).close()
    plant.wait(8)
    plant.chatter()
    diagnosis = diagnosed(plant, controllers)
    assert slugs(diagnosis) == []
    (outcome,) = diagnosis.outcomes
    assert str(outcome.linkup.controller) == UNIT
    assert outcome.verdict is Verdict.COMPLETE
    assert outcome.asked_by_controller
    proofs = outcome.linkup.proofs
    assert (proofs[Stage.PORT].what, proofs[Stage.PORT].values) == ("call taken", {"port": 2000})
    assert proofs[Stage.ANSWER].values == {"answers": 4}


@pytest.mark.parametrize("port", [2000, 445])
def test_who_calls_is_the_pc_where_nobody_named_it_the_controller(port: int) -> None:
    plant, pc, unit = begun()
    called_by(plant, unit, pc, port)
    plant.wait(8)
    (linkup,) = case(plant).linkups
    assert (str(linkup.pc_address), str(linkup.controller)) == (UNIT, PC)
    assert (linkup.target.port, linkup.works) == (port, True)


def test_a_call_to_the_pc_proves_nothing_of_another_port_that_was_named() -> None:
    plant, pc, unit = begun()
    called_by(plant, unit, pc)
    assert not case(plant, [f"{UNIT}:502"]).linkups[0].works


def test_the_pcs_own_calls_come_before_those_that_it_takes() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).syn((1, 2))
    called_by(plant, unit, pc)
    found = case(plant)
    assert targets(found) == [(UNIT, 502, "tcp", "industrial")]
    assert not found.linkups[0].works


def test_a_call_that_the_controller_breaks_does_not_work() -> None:
    plant, pc, unit = begun()
    called_by(plant, unit, pc).rst(unit)
    assert not case(plant, [UNIT]).linkups[0].works


def test_the_end_of_a_tunnel_is_no_controller() -> None:
    plant, pc, _ = begun()
    router, end = plant.station("192.0.2.1", ttl=255), plant.station("198.51.100.9")
    plant.resolve(pc, router)
    for _ in range(8):
        plant.datagram(pc, end, 50_000, 1194, b"ciphertext", via=router)
        plant.datagram(end, pc, 1194, 50_000, b"ciphertext", via=router)
    assert case(plant).linkups == []


def test_an_answer_from_another_port_proves_the_port() -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    for _ in range(3):
        plant.datagram(pc, unit, 50_000, 6_900, b"state?")
        plant.datagram(unit, pc, 34_567, 50_000, b"running")
    (linkup,) = case(plant).linkups
    assert linkup.works
    assert linkup.proofs[Stage.PORT].values == {"port": 34_567}
    (exchange,) = linkup.exchanges
    assert (exchange.asked.count, exchange.answered.count) == (3, 3)


# --- recordings of one direction -------------------------------------------------------------


def heard_from_the_controller() -> bytes:
    """A poll, recorded where the controller's frames pass and the PC's do not; others announce."""
    plant = Plant(offload=False)
    pc, unit, other = plant.station(PC), plant.station(), plant.station("192.0.2.20")
    plant.wait(5)
    plant.resolve(pc, unit)
    for turn in range(2):
        plant.tcp(pc, unit, sport=50_000 + turn).open().poll(4)
    for _ in range(9):
        plant.announce(other, after=1)
    own = bytes.fromhex(pc.hw.replace(":", ""))
    return layouts.pcap([one for one in plant.records if one.data[6:12] != own])


@pytest.mark.parametrize("told", [(), (UNIT,), ("192.0.2.60:502",)])
def test_the_pc_is_whom_the_controller_answers_where_nothing_of_the_pc_is_heard(
    told: tuple[str, ...],
) -> None:
    recording = heard_from_the_controller()
    (linkup,) = case(recording, told).linkups
    assert (str(linkup.pc_address), str(linkup.controller)) == (PC, UNIT)
    proof = linkup.proofs[Stage.PORT]
    assert proof.what == "accepted unheard"
    assert proof.moment == linkup.sessions[0].syn_ack
    diagnosis = diagnosed(recording, told)
    assert slugs(diagnosis) == []
    assert [one.how for one in diagnosis.outcomes[0].tries] == [How.OPEN]


def test_a_told_controller_is_not_among_those_that_may_be_the_pc() -> None:
    plant = Plant(offload=False)
    unit, other, third = (plant.station(f"192.0.2.{n}") for n in (60, 20, 21))
    for _ in range(9):
        for one in (unit, other, third):
            plant.announce(one, after=1)
    told = case(plant, (UNIT,))
    named = {str(address) for one in told.candidates for address in one.addresses}
    assert named == {"192.0.2.20", "192.0.2.21"}
    assert told.pc is None
    assert UNIT in {str(address) for one in case(plant).candidates for address in one.addresses}


def test_more_controllers_than_anybody_reads_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analyzer.linkup, "MOST_LINKUPS", 2)
    plant, pc, unit = begun()
    for station in (unit, plant.station("192.0.2.61"), plant.station("192.0.2.62")):
        plant.tcp(pc, station).open().poll(1)
    found = case(plant)
    assert [str(one.controller) for one in found.linkups] == ["192.0.2.60", "192.0.2.61"]
    assert [str(one) for one in found.others] == ["192.0.2.62"]
