"""Every scenario acted anew on the real network stacks of this kernel: the same comes out.

The selected scenarios are acted side by side. Needs root, namespaces and nftables.
"""

import subprocess
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path

import pytest

from tests.lab.judging import judge, outcome
from tests.lab.keep import KEPT, acted
from tests.lab.lab import Scenario
from tests.lab.network import Site, lacking
from tests.lab.scenarios.every import EVERY

LONGEST = 500.0  # seconds

REASON = lacking()
pytestmark = pytest.mark.skipif(bool(REASON), reason=REASON or "the lab can run")


@pytest.fixture(scope="module")
def recordings(request: pytest.FixtureRequest) -> Iterator[dict[str, Future[bytes]]]:
    here = [item for item in request.session.items if item.module is request.module]
    wanted = [item.callspec.params["scenario"] for item in here if hasattr(item, "callspec")]
    with acted(wanted) as made:
        yield made


@pytest.mark.parametrize("scenario", EVERY.values(), ids=EVERY)
def test_the_same_comes_out_again(scenario: Scenario, recordings: dict[str, Future[bytes]]) -> None:
    anew = recordings[scenario.name].result(LONGEST)
    kept = (KEPT / scenario.file).read_bytes()
    assert scenario.by_chance or outcome(anew, scenario) == outcome(kept, scenario)
    judge(anew, scenario, told=True)


def test_nothing_is_left_behind_after_a_mishap() -> None:
    site = Site()
    with suppress(subprocess.CalledProcessError), site:
        names = [site.switch.name, site.station("pc", "192.0.2.15/24").name]
        assert all(Path("/run/netns", name).exists() for name in names)
        site.switch.ip("link set nowhere up")
    assert not any(Path("/run/netns", name).exists() for name in names)
