"""For all tests: a slow machine is no failure of a property, and times are told in UTC."""

import os
import time

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

if hasattr(time, "tzset"):  # elsewhere tests give --utc where a time matters
    os.environ["TZ"] = "UTC"
    time.tzset()
