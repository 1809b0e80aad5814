"""Dates of many recordings in one table: in one zone, which summer and winter tell otherwise."""

from datetime import UTC, datetime, timedelta, timezone, tzinfo

from analyzer.reports.dates import Dates, local

WINTER, SUMMER = (datetime(2026, month, 2, 8, 0, 9, tzinfo=UTC) for month in (3, 7))


class Seasons(tzinfo):
    """An hour before UTC, two in July."""

    def utcoffset(self, when: datetime | None) -> timedelta:
        assert when is not None
        return timedelta(hours=2 if when.month == 7 else 1)

    def dst(self, when: datetime | None) -> timedelta:
        return self.utcoffset(when) - timedelta(hours=1)


def test_one_distance_stands_above_the_column() -> None:
    for zone, title, told in (
        (UTC, "Recorded (UTC)", "2026-03-02 08:00"),
        (timezone(timedelta(hours=1)), "Recorded (UTC+01:00)", "2026-03-02 09:00"),
    ):
        dates = Dates([WINTER, None, SUMMER], zone)
        assert dates.above("Recorded") == title
        assert dates.minute(WINTER) == told
        assert dates.second(WINTER) == f"{told}:09"
        assert dates.minute(None) == ""


def test_different_ones_stand_behind_each_date() -> None:
    dates = Dates([WINTER, SUMMER], Seasons())
    assert dates.above("Recorded") == "Recorded"
    assert dates.minute(WINTER) == "2026-03-02 09:00 UTC+01:00"
    assert dates.second(SUMMER) == "2026-07-02 10:00:09 UTC+02:00"
    assert Dates([SUMMER], Seasons()).above("Recorded") == "Recorded (UTC+02:00)"


def test_what_no_zone_is_known_for_stays_as_it_is() -> None:
    first = datetime(1, 1, 1, tzinfo=UTC)
    assert local(first, timezone(timedelta(hours=-1))) == first
    assert Dates([], UTC).above("Mailed") == "Mailed (UTC)"
