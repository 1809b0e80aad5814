"""Who called whom, where it stays open who the PC is: every pair is judged."""

import io
import json
from dataclasses import replace

import pytest

from analyzer.diagnosis import FAULT, NO_FAULT, Diagnosis, Stage, State, Verdict, diagnose
from analyzer.facts import Address, Hardware
from analyzer.inputs import open_recording
from analyzer.linkup import Told
from analyzer.reports.blocks import Block, Heading, Paragraph, Table
from analyzer.reports.document import report
from analyzer.reports.document.parties import which_pc
from analyzer.reports.document.verdict import headline
from analyzer.reports.to_json import to_json
from analyzer.telling import NO_CALL
from captures import layouts
from captures.plant import Plant, Station
from rules import ALL
from tests.support import TOLD, acquainted, diagnosed, ended, read, slugs


def at_a_mirror_port(works: bool = True) -> Diagnosis:
    """Two panels and two controllers, recorded by somebody who took no part: all frames padded."""
    plant = Plant()
    panel, other = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    press, drive = plant.station("192.0.2.60"), plant.station("192.0.2.61")
    plant.resolve(panel, press)
    plant.tcp(panel, press).open().poll(3 if works else 5)
    plant.resolve(other, drive)
    used = plant.tcp(other, drive).open()
    used.poll(3)
    if not works:
        used.close()
    for _ in range(0 if works else 2):
        call = plant.tcp(other, drive)
        call.syn(after=200)
        call.refuse()
    ended(plant)
    padded = [
        layouts.Record(**{**vars_of(one), "data": one.data.ljust(60, b"\0")})
        for one in plant.records
    ]
    recording = io.BytesIO(layouts.pcap(padded))
    return read(diagnose(open_recording(recording, "mirror.pcap"), ALL))


def vars_of(record: layouts.Record) -> dict[str, object]:
    return {name: getattr(record, name) for name in record.__dataclass_fields__}


def pairs(diagnosis: Diagnosis) -> list[tuple[str, str, Verdict]]:
    return [
        (str(one.linkup.pc_address), str(one.linkup.controller), one.verdict)
        for one in diagnosis.outcomes
    ]


def test_every_pair_is_a_link_up_of_its_own() -> None:
    diagnosis = at_a_mirror_port()
    assert diagnosis.case.pc is None
    assert diagnosis.case.pc_unknown
    assert pairs(diagnosis) == [
        ("192.0.2.20", "192.0.2.60", Verdict.COMPLETE),
        ("192.0.2.31", "192.0.2.61", Verdict.COMPLETE),
    ]
    assert diagnosis.status == NO_FAULT


def test_a_fault_of_any_pair_counts_and_says_whose_it_is() -> None:
    diagnosis = at_a_mirror_port(works=False)
    assert diagnosis.status == FAULT
    (fault,) = [one for one in diagnosis.findings if one.level == "fault"]
    assert (fault.rule, str(fault.pc), str(fault.controller)) == (
        "port-refused",
        "192.0.2.31",
        "192.0.2.61",
    )
    told = json.loads(to_json([diagnosis]))
    assert [one["pc"] for one in told["findings"] if one["level"] == "fault"] == ["192.0.2.31"]
    assert [one["pc"]["address"] for one in told["linkups"]] == ["192.0.2.20", "192.0.2.31"]


def test_the_report_names_each_pc_and_asks_last() -> None:
    blocks: list[Block] = report([at_a_mirror_port(works=False)])
    table = next(one for one in blocks if isinstance(one, Table) and one.header[0] == "PC")
    assert [row[:3] for row in table.rows] == [
        ("192.0.2.31", "192.0.2.61", "502"),
        ("192.0.2.20", "192.0.2.60", "502"),
    ]
    titles = [one.text for one in blocks if isinstance(one, Heading)]
    assert titles.index("Which one is your PC?") > titles.index("Stations in this recording")
    question = next(one for one in blocks if isinstance(one, Paragraph) and "--pc" in one.text)
    assert "192.0.2.20 and 192.0.2.31" in question.text


@pytest.mark.parametrize("pinged", [False, True])
def test_where_nobody_called_a_port_the_report_says_what_was_answered(pinged: bool) -> None:
    plant = Plant()
    ends = [(plant.station(f"192.0.2.{n}"), plant.station(f"192.0.2.{n + 40}")) for n in (20, 31)]
    for asker, asked in ends:
        plant.resolve(asker, asked)
        if pinged:
            plant.ping(asker, asked)
            plant.pong(asked, asker)
    diagnosis = diagnosed(layouts.pcap(plant.records))
    assert diagnosis.case.pc_unknown
    outcome, _ = diagnosis.outcomes
    what = "pings" if pinged else "ARP"
    told = f"The controller answers {what}; no call to a port is in the recording."
    assert (outcome.verdict, headline(outcome)) == (Verdict.COMPLETE, told)
    unseen = {one.stage: one.because for one in outcome.stages if one.state is State.NOT_SHOWN}
    assert unseen[Stage.PORT] == NO_CALL


@pytest.mark.parametrize(
    ("pc", "judged"),
    [
        (None, ["00-00-5E-00-53-15", "00-00-5E-00-53-16"]),
        (Address.parse("192.0.2.15"), ["00-00-5E-00-53-15", "00-00-5E-00-53-16"]),
        (Hardware(0x00005E005315), ["00-00-5E-00-53-15"]),
        (Hardware(0x00005E005316), ["00-00-5E-00-53-16"]),
    ],
)
def test_two_devices_with_one_address_are_told_apart_by_hardware_address(
    pc: Address | Hardware | None, judged: list[str]
) -> None:
    plant = Plant(offload=False)
    unit = plant.station()
    for last in (15, 16):
        one = Station("192.0.2.15", f"00:00:5e:00:53:{last}")
        plant.resolve(one, unit)
        plant.tcp(one, unit).open().poll(5)
    padded = [replace(one, data=one.data.ljust(60, b"\0")) for one in ended(plant).records]
    recording = open_recording(io.BytesIO(layouts.pcap(padded)), "shared.pcap")
    diagnosis = read(diagnose(recording, ALL, Told(pc=pc)))
    assert [str(one.linkup.pc.hardware) for one in diagnosis.outcomes] == judged
    question = which_pc(diagnosis)
    if len(judged) > 1:
        assert question is not None
        assert "00-00-5E-00-53-15 and 00-00-5E-00-53-16" in question


def test_who_is_only_called_is_the_controller_though_it_recorded() -> None:
    plant = Plant()
    server, caller = plant.pc("192.0.2.60"), plant.station("192.0.2.20")
    plant.tcp(caller, server, 20_001).open().poll(2)
    assert pairs(diagnosed(ended(plant)))[0][:2] == ("192.0.2.20", "192.0.2.60")


def test_a_call_inside_one_machine_needs_no_cable() -> None:
    plant = Plant()
    caller, server = plant.pc("127.0.0.1"), plant.pc("127.0.0.2")
    plant.tcp(caller, server, 8_000).open().poll(2)
    diagnosis = diagnosed(plant.pcap(link_type=layouts.NULL))
    assert pairs(diagnosis) == [("127.0.0.1", "127.0.0.2", Verdict.COMPLETE)]
    assert "nothing-heard" not in slugs(diagnosis)


def test_a_session_over_the_cable_stays_one_where_the_pc_takes_the_controllers_address() -> None:
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit).open().poll(2)
    plant.announce(Station(unit.address, pc.hw), after=1.0)
    (outcome,) = diagnosed(ended(plant), TOLD).outcomes
    assert outcome.linkup.controller in outcome.linkup.pc.addresses
    assert outcome.linkup.proofs[Stage.NEIGHBOUR].what == "arp answer"


def test_a_lease_is_told_where_nobody_called_anybody() -> None:
    plant = Plant()
    plant.lease(plant.station("192.0.2.33"), plant.station("192.0.2.2"))
    (outcome,) = diagnosed(plant).outcomes
    assert (str(outcome.linkup.controller), outcome.linkup.target.port) == ("192.0.2.2", 67)
    assert outcome.verdict is Verdict.COMPLETE


def test_a_message_of_a_router_tells_whom_somebody_tried_to_reach() -> None:
    plant = Plant()
    pc, unit = plant.station("192.0.2.20"), plant.station("198.51.100.60")
    router = plant.station("192.0.2.1")
    lost = plant.tcp(pc, unit).syn()
    plant.records.clear()
    plant.unreachable(router, pc, lost)
    diagnosis = diagnosed(plant)
    assert pairs(diagnosis)[0][:2] == ("192.0.2.20", "198.51.100.60")
    assert slugs(diagnosis)[0] == "router-cannot-deliver"


# --- the controller that the user named decides who the PC is -------------------------------------


def overheard() -> tuple[Plant, Station]:
    """A recorder that asks in vain for a printer, beside two PCs that use the press."""
    plant = Plant()
    recorder, press = plant.pc("192.0.2.99"), plant.station("192.0.2.60")
    plant.wait(5)
    plant.ask(recorder, "192.0.2.250")
    for address in ("192.0.2.15", "192.0.2.16"):
        client = plant.station(address)
        plant.tcp(client, press).open(after=1.0).poll(3)
    return ended(plant), recorder


def test_callers_of_the_named_controller_are_told_though_the_recorder_is_known() -> None:
    plant, _ = overheard()
    diagnosis = diagnosed(plant.pcapng(name="eth0"), ["192.0.2.60:502"])
    assert pairs(diagnosis) == [
        ("192.0.2.15", "192.0.2.60", Verdict.COMPLETE),
        ("192.0.2.16", "192.0.2.60", Verdict.COMPLETE),
    ]
    assert (slugs(diagnosis), diagnosis.status) == ([], NO_FAULT)


def test_what_the_recorder_tried_is_told_where_no_controller_is_named() -> None:
    plant, _ = overheard()
    diagnosis = diagnosed(plant.pcapng(name="eth0"))
    assert pairs(diagnosis) == [("192.0.2.99", "192.0.2.250", Verdict.STOPPED)]


@pytest.mark.parametrize("tries", ["asks", "calls"])
def test_the_recorder_is_the_pc_where_it_tried_the_named_controller_too(tries: str) -> None:
    plant, recorder = overheard()
    press = Station("192.0.2.60", "00:00:5e:00:53:60")
    if tries == "asks":
        plant.ask(recorder, press)
    else:
        plant.tcp(recorder, press).syn(repeats=(1, 2, 4))
    diagnosis = diagnosed(ended(plant).pcapng(name="eth0"), ["192.0.2.60:502"])
    assert [one[:2] for one in pairs(diagnosis)] == [("192.0.2.99", "192.0.2.60")]
    assert diagnosis.status != NO_FAULT


def test_the_recorder_is_the_pc_where_the_switch_only_floods_others_calls() -> None:
    """One direction of them: nobody's session is seen working."""
    plant, _ = overheard()
    hardware = layouts.octets("00:00:5e:00:53:60")
    records = [one for one in plant.records if one.data[6:12] != hardware]
    recording = layouts.pcapng(records)
    diagnosis = diagnosed(recording, ["192.0.2.60:502"])
    assert [one[:2] for one in pairs(diagnosis)] == [("192.0.2.99", "192.0.2.60")]
