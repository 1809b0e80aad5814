"""Times of day in a zone, and the dates of many recordings in one table."""

from collections.abc import Iterable
from datetime import datetime, timedelta, timezone, tzinfo


def local(when: datetime, zone: tzinfo | None) -> datetime:
    """A time in a zone, None for that of this machine, as a fixed distance from UTC: no name of a
    zone is known everywhere. It stays UTC where the system knows none for so early or so late a
    year.
    """
    try:
        offset = when.astimezone(zone).utcoffset() or timedelta()
        return when.astimezone(timezone(offset))
    except (OSError, OverflowError, ValueError):
        return when


class Dates:
    """Tells the dates of one table in a zone. The distance from UTC stands above a column where it
    is the same for all, else behind each: summer and winter have different ones.
    """

    def __init__(self, moments: Iterable[datetime | None], zone: tzinfo | None) -> None:
        self._zone = zone
        names = {local(one, zone).tzname() for one in moments if one is not None}
        self._name = (names or {"UTC"}).pop() if len(names) < 2 else None

    def above(self, title: str) -> str:
        """The title of a column of dates."""
        return f"{title} ({self._name})" if self._name else title

    def minute(self, when: datetime | None) -> str:
        """Date, hour and minute; nothing for none."""
        return self._told(when, "%Y-%m-%d %H:%M")

    def second(self, when: datetime | None) -> str:
        """The same with seconds."""
        return self._told(when, "%Y-%m-%d %H:%M:%S")

    def _told(self, when: datetime | None, how: str) -> str:
        if when is None:
            return ""
        here = local(when, self._zone)
        return here.strftime(how if self._name else f"{how} %Z")
