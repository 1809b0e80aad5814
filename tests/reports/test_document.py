"""reports.document: what decides a report's wording."""

import re
from pathlib import Path

import pytest

import analyzer
from analyzer.diagnosis import Verdict
from analyzer.reports.blocks import Table
from analyzer.reports.document import report
from analyzer.reports.document.bounds import MOST_PROOF
from analyzer.reports.document.finding import main_findings
from analyzer.reports.document.parties import who
from analyzer.reports.document.several import overview
from analyzer.reports.document.verdict import certainty, headline
from analyzer.reports.to_text import to_text
from captures.plant import Plant
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
    assert "met trouble at the hardware address" in headline(outcome)


CAPTURES = Path(__file__).parents[2] / "captures"


def text_of(name: str, controller: str = "") -> str:
    diagnosis = (
        diagnosed((CAPTURES / name).read_bytes(), [controller])
        if controller
        else analyzer.diagnose(CAPTURES / name)
    )
    return " ".join(to_text(report([diagnosis])).split())


def test_certainty_speaks_of_frames_only_where_some_are_listed() -> None:
    """And of which finding, where the headline names none."""
    sure = "How sure: certain: shown by frames 12, 13, 25 and 1 more."
    assert sure in text_of("port-refused.pcap")
    told = text_of("port-refused.pcap", "192.0.2.61")
    assert "cannot tell whether the connection works. No attempt to reach 192.0.2.61" in told
    assert "How sure: certain about the recording: shown by the recording as a whole." in told
    assert "Nothing is claimed about the connection." in told
    assert "shown by frame" not in told


def test_a_failed_stage_names_the_frame_with_which_the_trouble_begins() -> None:
    """That frame is the call, not the refusal of it."""
    text = text_of("port-refused.pcap")
    assert "refuses port 503 (from frame 12 on)" in text
    assert "Another station is heard (frame 1)" in text


@pytest.mark.parametrize(
    ("port", "name"), [(53, "name server"), (123, "time server"), (502, "controller")]
)
def test_what_serves_the_network_is_no_controller(port: int, name: str) -> None:
    """In who and in the verdict, though it is named with --controller."""
    plant, pc, unit = acquainted()
    plant.tcp(pc, unit, port=port).open().poll(3)
    (outcome,) = diagnosed(ended(plant), [f"{unit.address}:{port}"]).outcomes
    assert headline(outcome) == f"The connection works: the {name} answers the PC."
    assert who(outcome.linkup).endswith(f" and the {name} {unit.address}, TCP port {port}")


def test_a_table_with_a_server_in_it_does_not_call_it_a_controller() -> None:
    plant, pc, unit = acquainted()
    for port in (53, 502):
        plant.tcp(pc, unit, port=port).open().poll(3)
    told = [f"{unit.address}:53", f"{unit.address}:502"]
    diagnosis = diagnosed(ended(plant), told)
    (table,) = list(overview(diagnosis.outcomes, True, False))[1:]
    assert isinstance(table, Table)
    assert table.header[0] == "Far end"
    (table,) = list(overview(diagnosis.outcomes[1:], True, False))[1:]
    assert isinstance(table, Table)
    assert table.header[0] == "Controller"


def test_calls_that_the_link_cut_off_are_not_said_to_be_open() -> None:
    assert "Calls TCP port 502 4 times 26 answers, cut off 4 times" in text_of("loose-plug.pcap")
    told = text_of("healthy-busy-site.pcap")
    assert "cut off" not in told


def test_each_frame_of_a_proof_is_told_once() -> None:
    """However much it shows, and also where the proof is named in a sentence."""
    diagnosis = analyzer.diagnose(CAPTURES / "controller-restarted.pcap")
    (finding,) = main_findings(diagnosis)
    frames = [one.moment.frame for one in finding.evidence]
    assert len(set(frames)) < len(frames)
    (proof,) = (
        one for one in report([diagnosis]) if isinstance(one, Table) and "Frame" in one.header
    )
    assert [int(row[0]) for row in proof.rows] == sorted(set(frames))
    assert certainty(finding).endswith(f" and {len(set(frames)) - MOST_PROOF} more.")
    assert f"(from frame {frames[0]} on)" in text_of("controller-restarted.pcap")


def test_how_the_controller_is_known_needs_no_trade_word() -> None:
    assert "a port there that is registered for industrial use" in text_of("sessions-taken.pcap")


def test_copies_in_a_loop_are_not_said_to_be_recorded_twice() -> None:
    loop = CAPTURES.parent / "tests" / "lab" / "kept" / "loop-between-switches.pcapng.gz"
    text = " ".join(to_text(report([analyzer.diagnose(loop)])).split())
    assert "835 copies of frames seen before, not counted again." in text
    assert "recorded twice" not in text


def test_one_thing_that_is_also_noticed_is_not_these() -> None:
    texts = [text_of(path.name) for path in sorted(CAPTURES.glob("*.pcap"))]
    told = [one.partition("Also noticed")[2] for one in texts if "Also noticed" in one]
    assert told
    for one in told:
        items, _, rest = one.partition("Run it again with --all to have ")
        assert rest.startswith("this" if items.count(" - ") == 1 else "these")


@pytest.mark.parametrize(
    ("own", "mask"), [("192.0.2.15", "255.255.255.0"), ("169.254.7.7", "255.255.0.0")]
)
def test_the_mask_that_was_presumed_is_said(own: str, mask: str) -> None:
    plant = Plant()
    pc, unit = plant.pc(own), plant.station(f"{own.rpartition('.')[0]}.60")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    text = " ".join(to_text(report([diagnosed(ended(plant))])).split())
    assert re.findall(r"The PC's mask: (\S+) is presumed", text) == [mask]
