"""Signs of switches: spanning tree, announcements, port access control, VLAN tags."""

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.facts import gather
from analyzer.facts.switch import Step, Switch, TreeState
from captures.plant import Plant, Station
from tests import raw

TREE, LLDP, ACCESS = "0180c2000000", "0180c200000e", "0180c2000003"
SWITCH = raw.OTHER_HW


def signs(plant: Plant) -> Switch:
    return gather(raw.opened(plant.pcap())).switch


SWITCH_STATION = Station("192.0.2.5", "00:00:5e:00:53:05")


def rapid(plant: Plant, flags: int, after: float = 0.1) -> None:
    """A frame of the rapid variant; its flags: IEEE 802.1D-2004 9.3.3."""
    plant.bpdu(SWITCH_STATION, after, version=2, bpdutype=2, bpduflags=flags)


@pytest.mark.parametrize(
    ("flags", "state"),
    [
        (0x0C, TreeState.DISCARDING),  # designated port, neither learning nor forwarding
        (0x1C, TreeState.LEARNING),
        (0x3C, TreeState.FORWARDING),
    ],
)
def test_the_rapid_variant_states_the_port(flags: int, state: TreeState) -> None:
    plant = Plant()
    rapid(plant, flags)
    (tree,) = signs(plant).trees.values()
    assert (tree.state, str(tree.sender), tree.count) == (state, "00-00-5E-00-53-05", 1)


def test_the_classic_variant_states_no_port_and_names_its_delay() -> None:
    plant = Plant()
    for _ in range(5):
        plant.bpdu(SWITCH_STATION, after=2.0, fwddelay=15, bpduflags=0x3C)
    (tree,) = signs(plant).trees.values()
    assert (tree.state, tree.delay, tree.count) == (TreeState.UNSTATED, 15.0, 5)
    assert (tree.first.frame, tree.last.frame) == (1, 5)
    assert tree.last.seconds == pytest.approx(8.0)


def test_a_change_of_topology_says_nothing_of_the_port() -> None:
    notice = bytes.fromhex("424203 0000 00 80")
    frame = raw.ethernet(notice, len(notice), SWITCH, TREE).ljust(60, b"\0")
    assert raw.facts(frame).switch.trees == {}


def test_a_tree_of_one_vlan_in_another_frame() -> None:
    """The body is the same behind a longer LLC header (IEEE 802)."""
    body = bytes.fromhex("aaaa03 00000c 010b 0000 02 02 0c") + bytes(28) + b"\x0f\0"
    frame = raw.ethernet(body, len(body), SWITCH, "01005e0053cd").ljust(60, b"\0")
    (tree,) = raw.facts(frame).switch.trees.values()
    assert (tree.state, tree.delay) == (TreeState.DISCARDING, 15.0)


def test_states_of_one_switch_are_kept_apart() -> None:
    plant = Plant()
    for flags in (0x0C, 0x0C, 0x1C, 0x3C, 0x3C):
        rapid(plant, flags, after=2.0)
    counts = {tree.state: tree.count for tree in signs(plant).trees.values()}
    assert counts == {TreeState.DISCARDING: 2, TreeState.LEARNING: 1, TreeState.FORWARDING: 2}


def test_an_announcement() -> None:
    plant = Plant()
    for _ in range(2):
        plant.lldp(SWITCH_STATION, port="port 7", name="hall 2", vlan=20, after=30.0)
    (one,) = signs(plant).neighbours.values()
    assert (one.port, one.name, one.vlan, one.told.count) == ("port 7", "hall 2", 20, 2)


def part(kind: int, value: bytes) -> bytes:
    return struct.pack(">H", kind << 9 | len(value)) + value


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        (part(2, b"\x03\0\0\x5e\0\x53\x05"), ("", "", None)),  # a port id that is no text
        (part(5, b"\xff\xfe"), ("", "\ufffd\ufffd", None)),
        (part(127, bytes.fromhex("0080c2010000")), ("", "", None)),  # the port has no VLAN
        (part(127, bytes.fromhex("0080c20100")), ("", "", None)),
        (part(127, bytes.fromhex("00120f010014")), ("", "", None)),  # another owner
        (part(0, b"") + part(5, b"behind the end"), ("", "", None)),
        (part(5, b"cut off")[:-3], ("", "cut ", None)),
        (b"\x0a", ("", "", None)),
        (b"", ("", "", None)),
    ],
)
def test_odd_announcements(body: bytes, expected: tuple[str, str, int | None]) -> None:
    frame = raw.ethernet(body, 0x88CC, SWITCH, LLDP)
    (one,) = raw.facts(frame).switch.neighbours.values()
    assert (one.port, one.name, one.vlan) == expected


def test_steps_of_port_access_control() -> None:
    plant = Plant()
    pc = plant.pc()
    said = ("start", "identity", "response", "failure", "success")
    for says in said:
        plant.eapol(pc if says in ("start", "response") else SWITCH_STATION, says, after=0.1)
    assert [one.step for one in signs(plant).access] == [
        Step.START,
        Step.IDENTITY,
        Step.RESPONSE,
        Step.FAILURE,
        Step.SUCCESS,
    ]


@pytest.mark.parametrize(
    ("body", "steps"),
    [
        ("02020000", [Step.LOG_OFF]),
        ("02000006 0105000604ff", [Step.REQUEST]),  # a request for something else
        ("0203005f 02010a0000", []),  # a key of a wireless network
        ("02000000", []),
        ("0200", []),
        ("02000004 09020004", []),
    ],
)
def test_other_frames_of_port_access_control(body: str, steps: list[Step]) -> None:
    frame = raw.ethernet(bytes.fromhex(body), 0x888E, SWITCH, ACCESS)
    assert [one.step for one in raw.facts(frame).switch.access] == steps


def test_tags_by_id_sender_and_receiver() -> None:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.ask(pc, unit, times=1)
    for vlan in (20, 0, 20):
        with plant.tagged(vlan):
            plant.reply(unit, pc, after=0.1)
    with plant.tagged(30):
        plant.announce(unit, times=1)
    found = {
        (one.id, str(one.sender), str(one.receiver)): (one.frames, one.first.frame, one.last.frame)
        for one in signs(plant).tags.values()
    }
    assert found == {
        (20, "00-00-5E-00-53-60", "00-00-5E-00-53-15"): (2, 2, 4),
        (30, "00-00-5E-00-53-60", "FF-FF-FF-FF-FF-FF"): (1, 5, 5),
    }


@pytest.mark.parametrize("kept", [1, 3])
def test_a_trunk_full_of_tags_stays_bounded(kept: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analyzer.facts.switch.MAX_SENDERS", kept)
    plant = Plant()
    stations = [plant.station(f"192.0.2.{n}") for n in range(60, 70)]
    for vlan, station in enumerate(stations, 1):
        with plant.tagged(vlan):
            plant.announce(station, times=1)
        plant.bpdu(station)
    found = signs(plant)
    assert (len(found.tags), len(found.trees)) == (kept, kept)


@given(st.binary(max_size=80), st.sampled_from([0x888E, 0x88CC, 40]))
@settings(max_examples=300)
def test_any_octets_are_read_without_complaint(body: bytes, kind: int) -> None:
    found = raw.facts(raw.ethernet(body, kind, SWITCH, LLDP)).switch
    assert len(found.neighbours) == (kind == 0x88CC)
