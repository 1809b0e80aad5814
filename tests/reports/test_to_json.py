"""The JSON report keeps the contract `whynolink/1` to the letter."""

import json
from pathlib import Path
from typing import Any

import pytest

import analyzer
from analyzer.linkup import Stage
from analyzer.reports.to_json import to_json
from rules import ALL

CAPTURES = sorted(
    path for path in (Path(__file__).parents[2] / "captures").iterdir() if ".pcap" in path.name
)
KEYS = {
    "recordings": "file format link_type frames first_seen seconds sha256 remarks",
    "stations": "hardware_addresses addresses maker role frames first_frame last_frame",
    "linkups": "pc controller how_known verdict stopped_at stages timing",
    "findings": "rule stage level certainty pc controller title what_happened "
    "likely_causes what_to_do cautions also_fits evidence values sources",
}
INCIDENTS = "count not_counted list in_common"
SLUGS = {rule.slug for rule in ALL}
STATES = {"passed", "at times", "at first", "failed", "unclear", "not shown", "not reached"}
VERDICTS = {"complete", "stopped", "unstable", "cannot tell"}


def content(*paths: Path) -> dict[str, Any]:
    """The parsed report of some recordings."""
    parsed: dict[str, Any] = json.loads(to_json([analyzer.diagnose(path) for path in paths]))
    return parsed


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_keys_and_values_are_those_of_the_contract(path: Path) -> None:
    """Every object has the named keys in the named order, every word is one of the named ones."""
    told = content(path)
    assert list(told) == ["schema", "recordings", "stations", "linkups", "findings", "checked"]
    assert told["schema"] == "whynolink/1"
    for one in told["linkups"]:
        incidents = one.pop("incidents", None)  # only where something that worked stopped
        assert incidents is None or list(incidents) == INCIDENTS.split()
    for name, keys in KEYS.items():
        assert all(list(one) == keys.split() for one in told[name]), name
    for linkup in told["linkups"]:
        assert list(linkup["pc"]) == ["address", "hardware_address"]
        assert list(linkup["controller"]) == ["address", "hardware_address", "port", "transport"]
        assert [stage["stage"] for stage in linkup["stages"]] == [str(stage) for stage in Stage]
        assert all(list(one) == ["stage", "state", "because", "frame"] for one in linkup["stages"])
        assert {stage["state"] for stage in linkup["stages"]} <= STATES
        assert linkup["verdict"] in VERDICTS
    for finding in told["findings"]:
        assert finding["rule"] in SLUGS
        assert finding["level"] in {"fault", "warning", "note"}
        assert finding["certainty"] in {"shown", "fits"}
        assert all(list(one) == ["frame", "seconds", "text"] for one in finding["evidence"])


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.name)
def test_every_rule_is_accounted_for(path: Path) -> None:
    """A rule found something, looked and saw nothing, was unable, or led to a consequence."""
    told = content(path)
    quiet, unable = (
        set(told["checked"]["quiet"]),
        {one["rule"] for one in told["checked"]["unable"]},
    )
    found = {finding["rule"] for finding in told["findings"]}
    assert not quiet & unable
    assert not found & (quiet | unable)
    assert quiet | unable | found <= SLUGS


def test_evidence_points_into_the_recording() -> None:
    """Frame numbers are from 1 to the number of frames, times within the recording."""
    for path in CAPTURES:
        told = content(path)
        (recording,) = told["recordings"]
        for finding in told["findings"]:
            for one in finding["evidence"]:
                assert 1 <= one["frame"] <= recording["frames"]
                if "clock-jump" not in {one["rule"] for one in told["findings"]}:
                    assert 0 <= one["seconds"] <= recording["seconds"]


def test_values_are_raw() -> None:
    """Numbers stay numbers, addresses become text."""
    (path,) = [path for path in CAPTURES if path.name == "port-refused.pcap"]
    (finding,) = content(path)["findings"]
    assert finding["values"]["port"] == 503
    assert finding["values"]["controller"] == "192.0.2.60"
    assert finding["controller"] == "192.0.2.60"


def test_several_things_are_a_list_of_raw_values() -> None:
    (finding,) = [
        one
        for one in content(CAPTURES[0].with_name("wrong-vlan.pcap"))["findings"]
        if one["rule"] == "vlan-mismatch"
    ]
    assert finding["values"]["vlans"] == [20]


def test_several_recordings_make_one_object() -> None:
    """All lists are joined, in the order of the command line; each entry names its recording."""
    told = content(*CAPTURES[:3])
    assert [one["file"] for one in told["recordings"]] == [path.name for path in CAPTURES[:3]]
    for number, path in enumerate(CAPTURES[:3]):
        alone = content(path)
        for name in ("stations", "linkups", "findings"):
            own = [one for one in told[name] if one["recording"] == number]
            assert own == [{**one, "recording": number} for one in alone[name]]
