"""What a scenario's recording has to give, and what two recordings of it have in common."""

import io
from collections.abc import Iterator, Mapping
from enum import StrEnum

from analyzer.diagnosis import Diagnosis, Verdict
from analyzer.findings import Certainty, Finding, Level
from analyzer.inputs import open_recording
from analyzer.words import say
from captures import layouts
from captures.layouts import Record
from tests.lab.lab import Scenario
from tests.support import diagnosed, lead, slugs


def judge(recording: bytes, scenario: Scenario, told: bool) -> None:
    """Hold the diagnosis of a recording against what was done."""
    diagnosis = diagnosed(recording, [scenario.told] if told else [])
    if scenario.fault is None:
        _all_is_well(diagnosis, told)
    elif scenario.by_chance:
        assert scenario.fault in slugs(diagnosis)
    elif scenario.remark:
        assert _of_level(diagnosis, Level.FAULT) == []
        assert scenario.fault in slugs(diagnosis)
    else:
        assert len(_of_level(diagnosis, Level.FAULT)) <= 1
        assert lead_of(diagnosis, scenario.fault, scenario.also) is not Lead.ASTRAY


class Lead(StrEnum):
    """What the leading finding says of the fault that was put into a recording."""

    SHOWN = "shown"
    FITS = "fits"
    NAMED = "named"
    ASTRAY = "astray"


def lead_of(diagnosis: Diagnosis, wrong: str, also: Mapping[str, str]) -> Lead:
    """How the leading finding tells what is wrong.

    shown: it is that rule's, and frames prove it. fits: it is that rule's, and says what would look
    the same. named: it is one of the other rules that may lead here (`also`), and the words by
    which that rule names what is wrong are among its causes or alternatives, not left out. astray:
    anything else, a finding that `fits` without an alternative included.
    """
    first = next(iter(diagnosis.findings), None)
    if first is not None and first.rule == wrong:
        if first.certainty is Certainty.SHOWN:
            return Lead.SHOWN
        return Lead.FITS if first.also_fits else Lead.ASTRAY
    return Lead.NAMED if first is not None and _names(first, also) else Lead.ASTRAY


def _names(finding: Finding, also: Mapping[str, str]) -> bool:
    words = also.get(finding.rule)
    told = [*finding.likely_causes, *finding.also_fits]
    return words is not None and say(words, finding.values) in told


def _all_is_well(diagnosis: Diagnosis, told: bool) -> None:
    assert _of_level(diagnosis, Level.FAULT) == []
    assert _of_level(diagnosis, Level.WARNING) == []
    verdicts = [outcome.verdict for outcome in diagnosis.outcomes]
    assert Verdict.COMPLETE in verdicts
    assert not told or verdicts == [Verdict.COMPLETE]


def _of_level(diagnosis: Diagnosis, level: Level) -> list[str]:
    return [one.rule for one in diagnosis.findings if one.level is level]


def outcome(recording: bytes, scenario: Scenario) -> tuple[object, ...]:
    """Leading fault, verdicts and stages where link-up stopped, with the controller told."""
    diagnosis = diagnosed(recording, [scenario.told])
    ends = [(str(one.verdict), one.stopped_at) for one in diagnosis.outcomes]
    return lead(diagnosis), ends


def without_directions(recording: bytes) -> bytes:
    """The same frames as a pcap: nothing tells any longer which of them the PC sent."""
    return layouts.pcap([Record(time, data, outbound=False) for time, data in frames(recording)])


def frames(recording: bytes) -> Iterator[tuple[int, bytes]]:
    """Nanoseconds and octets of every frame."""
    for chunk in open_recording(io.BytesIO(recording), "kept").chunks:
        parts = (chunk.time.tolist(), chunk.start.tolist(), chunk.stored.tolist())
        for time, start, stored in zip(*parts, strict=True):
            yield int(time), chunk.data[start : start + stored].tobytes()
