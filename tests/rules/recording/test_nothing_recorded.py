"""nothing-recorded: a whole file without a frame."""

import pytest

from analyzer.diagnosis import CANNOT_TELL
from analyzer.findings import Level
from captures import layouts
from captures.plant import Plant
from tests.support import diagnosed, found, slugs, told_or_not

SLUG = "nothing-recorded"


@pytest.mark.parametrize("address", ["", "192.0.2.15/24"])
@told_or_not
def test_found_where_not_a_single_frame_was_recorded(
    address: str, controllers: tuple[str, ...]
) -> None:
    octets = Plant().pcapng(name="cable", hw="00:00:5e:00:53:15", address=address)
    diagnosis = diagnosed(octets, controllers)
    assert slugs(diagnosis) == [SLUG]
    assert found(diagnosis, SLUG).level is Level.WARNING
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_found_in_both_formats(controllers: tuple[str, ...]) -> None:
    diagnosis = diagnosed(layouts.pcap([]), controllers)
    assert slugs(diagnosis) == [SLUG]
    assert len(found(diagnosis, SLUG).what_to_do) == 3


def test_quiet_where_a_single_frame_was_recorded() -> None:
    plant = Plant()
    plant.probe(plant.pc())
    assert SLUG not in slugs(diagnosed(plant))


def test_quiet_where_the_file_is_damaged_before_the_first_frame() -> None:
    plant = Plant()
    plant.probe(plant.pc())
    octets = plant.pcap()[: len(layouts.pcap([])) + 20]
    assert slugs(diagnosed(octets)) == ["damaged-file"]
