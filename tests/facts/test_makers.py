"""The registry read directly says what netaddr says."""

import random

import netaddr
import pytest

from analyzer.facts.makers import registered

PREFIXES = random.Random(1).sample(range(1 << 16), 300)


@pytest.mark.parametrize("start", range(0, 300, 50))
def test_as_netaddr_says(start: int) -> None:
    for prefix in PREFIXES[start : start + 50]:
        try:
            maker = str(netaddr.OUI(prefix).registration().org)
        except netaddr.NotRegisteredError:
            maker = None
        assert registered(prefix) == maker
