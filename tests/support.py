"""What the tests of the rules share: tell a story, diagnose it, look at what leads."""

import io
from collections.abc import Sequence
from typing import Any

import pytest

from analyzer import site
from analyzer.cli.options import read_controller
from analyzer.diagnosis import NO_FAULT, Diagnosis, Verdict, diagnose
from analyzer.facts import Address
from analyzer.findings import Finding, Level, Rule
from analyzer.inputs import open_recording
from analyzer.linkup import Told
from captures.plant import Plant, Station
from rules import ALL


def diagnosed(
    recording: Plant | bytes,
    controllers: Sequence[str] = (),
    pc: str | None = None,
    sheet: str = "",
    **layout: Any,
) -> Diagnosis:
    """Diagnose a story, or the octets of a file, with a site sheet where one is given; layout goes
    to the writer of the story.
    """
    octets = recording if isinstance(recording, bytes) else recording.pcap(**layout)
    told = Told(
        controllers=tuple(controller_told(text) for text in controllers),
        pc=None if pc is None else Address.parse(pc),
        site=site.read(sheet.encode(), "site.toml") if sheet else site.Site(),
    )
    return read(diagnose(open_recording(io.BytesIO(octets), "test"), ALL, told))


def read(diagnosis: Diagnosis) -> Diagnosis:
    """A diagnosis all of whose texts have been filled: a rule whose words do not fit its values is
    found wherever it speaks.
    """
    assert all(one.texts.title for one in diagnosis.findings)
    assert all(isinstance(one.because, str) for each in diagnosis.outcomes for one in each.stages)
    return diagnosis


LABEL = "00-00-5E-00-53-60"


def a_sheet(controller: str = "", adapter: str = 'mask = "255.255.255.0"') -> str:
    """A site sheet of the usual PC and controller, with more lines for each."""
    return (
        f'[[adapter]]\naddress = "192.0.2.15"\n{adapter}\n'
        f'[[controller]]\nname = "press 3"\naddress = "192.0.2.60"\nport = 502\n{controller}\n'
    )


def labelled(hardware: str = LABEL) -> str:
    """A sheet that tells the hardware address on the controller's label."""
    return a_sheet(f'hardware_address = "{hardware}"')


def with_rules(plant: Plant, rules: Sequence[Rule]) -> Diagnosis:
    """Diagnose a story with these rules only."""
    return diagnose(open_recording(io.BytesIO(plant.pcap()), "test"), rules)


def controller_told(text: str) -> tuple[Address, int | None]:
    """An address, with a port where one is given, as --controller takes it."""
    return read_controller(text)


def lead(diagnosis: Diagnosis) -> str | None:
    """The slug of the leading fault, None where there is no fault."""
    return next((one.rule for one in diagnosis.findings if one.level is Level.FAULT), None)


def found(diagnosis: Diagnosis, slug: str) -> Finding:
    """The finding of a rule; fails where there is not exactly one."""
    (finding,) = [one for one in diagnosis.findings if one.rule == slug]
    return finding


def left_out(finding: Finding, rule: Rule) -> tuple[list[str], list[str]]:
    """Names of the rule's causes, and of what would look the same, that a finding leaves out.
    For texts without values.
    """
    causes = [n for n, text in rule.likely_causes.items() if text not in finding.likely_causes]
    alike = [n for n, text in rule.also_fits.items() if text not in finding.also_fits]
    return causes, alike


def slugs(diagnosis: Diagnosis) -> list[str]:
    """All findings, in order."""
    return [one.rule for one in diagnosis.findings]


TOLD = ("192.0.2.60:502",)
told_or_not = pytest.mark.parametrize("controllers", [(), TOLD], ids=["not told", "told"])


def begun() -> tuple[Plant, Station, Station]:
    """The plant, the PC and the controller; the recorder has been running for 5 s."""
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(5)
    return plant, pc, unit


def acquainted() -> tuple[Plant, Station, Station]:
    """As begun, and the PC has found the controller's hardware address."""
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    return plant, pc, unit


def ended(plant: Plant, seconds: float = 8) -> Plant:
    """The recorder runs on for a while, and others are heard all the time."""
    plant.wait(seconds)
    plant.chatter()
    return plant


def assert_no_alarm(diagnosis: Diagnosis) -> None:
    """The only link-up is complete, and at most something is noted."""
    assert {one.level for one in diagnosis.findings} <= {Level.NOTE}
    assert [outcome.verdict for outcome in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT


def assert_healthy(diagnosis: Diagnosis) -> None:
    """Nothing to tell, and the only link-up is complete."""
    assert slugs(diagnosis) == []
    assert [outcome.verdict for outcome in diagnosis.outcomes] == [Verdict.COMPLETE]
    assert diagnosis.status == NO_FAULT
