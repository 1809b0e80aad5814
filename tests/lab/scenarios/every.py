"""All scenarios of the lab, by name."""

from tests.lab.scenarios.healthy import HEALTHY
from tests.lab.scenarios.heard import HEARD
from tests.lab.scenarios.lower import LOWER
from tests.lab.scenarios.network import NETWORK
from tests.lab.scenarios.repeated import REPEATED
from tests.lab.scenarios.upper import UPPER

EVERY = {one.name: one for one in (*LOWER, *NETWORK, *UPPER, *HEARD, *HEALTHY, *REPEATED)}
