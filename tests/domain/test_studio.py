"""Production days and weeks, against the calendar's law and published examples."""

import re
import zoneinfo
from datetime import UTC, date, datetime, time, timedelta
from importlib.metadata import PackageNotFoundError
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.shifts import Shift
from service.domain.studio import Studio, day_opens, due_instant, iso_week, production_day, tz_data_version, zone

FIVE = time(5)
INSTANTS = st.datetimes(datetime(2000, 1, 1), datetime(2037, 12, 31), timezones=st.just(UTC))  # noqa: DTZ001 -- the strategy wants them bare
ZONES = st.sampled_from(
    ["UTC", "Europe/London", "America/New_York", "Australia/Lord_Howe", "America/Havana", "Asia/Kathmandu"]
)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def length_of(day: date, time_zone: str, *, starts_at: time = FIVE) -> timedelta:
    begins, ends = (due_instant(each, starts_at, time_zone=time_zone) for each in (day, day + timedelta(days=1)))
    return ends - begins


def sunday(year: int, month: int, *, nth: int) -> date:
    """The nth Sunday of a month, the last where nth is −1; from the calendar alone."""
    days = [date(year, month, 1) + timedelta(days=offset) for offset in range(31)]
    return [day for day in days if day.month == month and day.isoweekday() == 7][nth if nth < 0 else nth - 1]


def test_a_frame_after_midnight_belongs_to_the_night_before() -> None:
    london = Studio(time_zone="Europe/London")
    new_year_shift = Shift(at("2026-12-31T14:00Z"), at("2027-01-01T03:00Z"))

    day = production_day(at("2027-01-01T02:10Z"), london, shifts=[new_year_shift])

    assert day == date(2026, 12, 31)
    assert iso_week(day) == "2026-W53"
    assert production_day(at("2027-01-01T02:10Z"), london) == date(2026, 12, 31)


def test_a_frame_past_the_studios_hour_belongs_to_the_call_until_the_wrap() -> None:
    studio = Studio()
    thursday_night = Shift(at("2026-03-05T22:00Z"), at("2026-03-06T06:00Z"))

    assert production_day(at("2026-03-06T05:30Z"), studio, shifts=[thursday_night]) == date(2026, 3, 5)
    assert production_day(at("2026-03-06T06:00Z"), studio, shifts=[thursday_night]) == date(2026, 3, 6)
    assert production_day(at("2026-03-06T05:30Z"), studio) == date(2026, 3, 6)


def test_a_call_nobody_wrapped_does_not_draw_later_days_into_its_own() -> None:
    forgotten = Shift(at("2026-03-05T22:00Z"))

    assert production_day(at("2026-03-06T21:59Z"), Studio(), shifts=[forgotten]) == date(2026, 3, 5)
    assert production_day(at("2026-03-07T12:00Z"), Studio(), shifts=[forgotten]) == date(2026, 3, 7)


def test_of_two_calls_that_hold_the_later_counts() -> None:
    shifts = [Shift(at("2026-03-06T08:00Z")), Shift(at("2026-03-05T22:00Z"))]
    assert production_day(at("2026-03-06T09:00Z"), Studio(), shifts=shifts) == date(2026, 3, 6)


# The Summer Time Order 2002 (UK Statutory Instrument 2002 No. 262): from one o'clock Greenwich mean time on the last
# Sunday of March to one o'clock Greenwich mean time on the last Sunday of October, one hour ahead.
@pytest.mark.parametrize("year", range(2008, 2038))
def test_london_days_lose_and_gain_an_hour_as_the_law_says(year: int) -> None:
    spring, autumn = sunday(year, 3, nth=-1), sunday(year, 10, nth=-1)
    day = timedelta(days=1)

    # A production day from five to five has the change in the night that follows its date.
    assert length_of(spring - day, "Europe/London") == timedelta(hours=23)
    assert length_of(autumn - day, "Europe/London") == timedelta(hours=25)
    assert length_of(spring, "Europe/London") == length_of(autumn, "Europe/London") == timedelta(hours=24)
    for change, hours in ((spring, 1), (autumn, 0)):
        one = datetime.combine(change, time(1), tzinfo=UTC)
        assert one.astimezone(zone("Europe/London")).utcoffset() == timedelta(hours=hours)


# Energy Policy Act of 2005, section 110: from the second Sunday of March to the first Sunday of November, changing at
# two o'clock local time (from memory).
@pytest.mark.parametrize("year", range(2008, 2038))
def test_new_york_days_lose_and_gain_an_hour_as_the_law_says(year: int) -> None:
    day = timedelta(days=1)
    assert length_of(sunday(year, 3, nth=2) - day, "America/New_York") == timedelta(hours=23)
    assert length_of(sunday(year, 11, nth=1) - day, "America/New_York") == timedelta(hours=25)


# Lord Howe Island puts its clocks on by half an hour, from the first Sunday of October to the first of April (the time
# zone database's file `australasia`).
@pytest.mark.parametrize("year", range(2009, 2038))
def test_lord_howe_days_lose_and_gain_half_an_hour(year: int) -> None:
    day = timedelta(days=1)
    assert length_of(sunday(year, 10, nth=1) - day, "Australia/Lord_Howe") == timedelta(hours=23, minutes=30)
    assert length_of(sunday(year, 4, nth=1) - day, "Australia/Lord_Howe") == timedelta(hours=24, minutes=30)


@pytest.mark.parametrize(
    ("time_zone", "instant", "before", "after"),
    [
        ("Europe/London", "2026-03-29T01:00Z", 0, 60),
        ("Europe/London", "2026-10-25T01:00Z", 60, 0),
        ("America/New_York", "2026-03-08T07:00Z", -300, -240),
        ("America/New_York", "2026-11-01T06:00Z", -240, -300),
        ("Australia/Lord_Howe", "2026-04-04T15:00Z", 660, 630),
        ("Australia/Lord_Howe", "2026-10-03T15:30Z", 630, 660),
    ],
)
def test_clocks_change_at_the_known_instants(time_zone: str, instant: str, before: int, after: int) -> None:
    """Recomputed from the rules of the time zone database, release 2026f."""
    change, rules = at(instant), zone(time_zone)
    offsets = [each.astimezone(rules).utcoffset() for each in (change - timedelta(seconds=1), change)]
    assert offsets == [timedelta(minutes=before), timedelta(minutes=after)]


def test_a_night_shift_over_the_change_lasts_what_the_clock_on_the_wall_does_not_say() -> None:
    def night(evening: date) -> timedelta:
        begins = due_instant(evening, time(22), time_zone="Europe/London")
        return due_instant(evening + timedelta(days=1), time(6), time_zone="Europe/London") - begins

    assert night(date(2026, 10, 24)) == timedelta(hours=9)
    assert night(date(2026, 3, 28)) == timedelta(hours=7)
    assert night(date(2026, 6, 6)) == timedelta(hours=8)


def test_a_time_the_clock_shows_twice_is_due_the_first_time() -> None:
    assert due_instant(date(2026, 10, 25), time(1, 30), time_zone="Europe/London") == at("2026-10-25T00:30Z")


def test_a_time_the_clock_skips_is_due_by_the_offset_before_the_change() -> None:
    assert due_instant(date(2026, 3, 29), time(1, 30), time_zone="Europe/London") == at("2026-03-29T01:30Z")


def test_a_day_that_has_begun_does_not_end_when_the_clock_is_put_back_over_its_hour() -> None:
    studio = Studio(time_zone="Europe/London", day_starts_at_min=90)
    # 01:29, 01:30 and 01:59 summer time, then 01:00 and 01:30 once more.
    instants = ["2026-10-25T00:29Z", "2026-10-25T00:30Z", "2026-10-25T00:59Z", "2026-10-25T01:00Z", "2026-10-25T01:30Z"]

    days = [production_day(at(each), studio).day for each in instants]

    assert days == [24, 25, 25, 25, 25]


@given(INSTANTS, st.timedeltas(timedelta(), timedelta(days=2)), ZONES, st.integers(0, 1439))
def test_days_never_go_back(instant: datetime, pause: timedelta, time_zone: str, starts_at_min: int) -> None:
    studio = Studio(time_zone=time_zone, day_starts_at_min=starts_at_min)
    assert production_day(instant, studio) <= production_day(instant + pause, studio)


@given(INSTANTS, ZONES | st.just("Pacific/Apia"), st.integers(0, 1439))
def test_a_day_opens_with_its_first_instant(instant: datetime, time_zone: str, starts_at_min: int) -> None:
    studio = Studio(time_zone=time_zone, day_starts_at_min=starts_at_min)
    day = production_day(instant, studio)

    opens, closes = day_opens(day, studio), day_opens(day + timedelta(days=1), studio)

    assert opens <= instant < closes
    assert production_day(opens, studio) == day
    assert production_day(opens - timedelta(seconds=1), studio) < day


@pytest.mark.parametrize(
    ("time_zone", "day", "starts_at_min", "opens"),
    [
        ("Europe/London", "2026-10-25", 300, "2026-10-25T05:00Z"),
        ("Europe/London", "2026-03-29", 300, "2026-03-29T04:00Z"),
        # 01:30 is shown twice: the first time opens the day. On 29 March it is not shown: the change does.
        ("Europe/London", "2026-10-25", 90, "2026-10-25T00:30Z"),
        ("Europe/London", "2026-03-29", 90, "2026-03-29T01:00Z"),
        ("Australia/Lord_Howe", "2026-04-05", 105, "2026-04-04T14:45Z"),
        # 02:00 to 02:30 is skipped.
        ("Australia/Lord_Howe", "2026-10-04", 135, "2026-10-03T15:30Z"),
        # Samoa had no 30 December 2011 (the time zone database's file `australasia`): its day begins with the jump.
        ("Pacific/Apia", "2011-12-30", 300, "2011-12-30T10:00Z"),
        ("Pacific/Apia", "2011-12-31", 300, "2011-12-30T15:00Z"),
    ],
)
def test_a_day_opens_where_the_clock_first_shows_or_passes_the_studios_hour(
    time_zone: str, day: str, starts_at_min: int, opens: str
) -> None:
    studio = Studio(time_zone=time_zone, day_starts_at_min=starts_at_min)
    assert day_opens(date.fromisoformat(day), studio) == at(opens)


def test_the_zone_rules_say_their_release(monkeypatch: pytest.MonkeyPatch) -> None:
    # The package's version is the database's release with the letter as a number: 2026f is 2026.6.
    pinned = re.search(r'"tzdata==([\d.]+)"', (Path(__file__).parents[2] / "pyproject.toml").read_text())
    assert pinned
    assert tz_data_version() == pinned[1]

    def missing(name: str) -> str:
        raise PackageNotFoundError(name)

    monkeypatch.setattr("service.domain.studio.version", missing)
    assert tz_data_version() == "the machine's own"


@given(INSTANTS, ZONES)
def test_a_day_lies_between_its_beginning_and_the_next(instant: datetime, time_zone: str) -> None:
    day = production_day(instant, Studio(time_zone=time_zone))
    begins, ends = (due_instant(each, FIVE, time_zone=time_zone) for each in (day, day + timedelta(days=1)))
    assert begins <= instant < ends


@pytest.mark.parametrize(
    ("day", "week"),
    [
        # The article "ISO week date" (liquisearch.com): 2006-W52-7 is 31 December 2006; it shows December 2012, too.
        ("2006-12-31", "2006-W52"),
        ("2012-12-31", "2013-W01"),
        ("2012-12-30", "2012-W52"),
        # Markus Kuhn, "A summary of the international standard date and time notation": week 1 of 1997 lasts from
        # 1996-12-30 to 1997-01-05.
        ("1996-12-29", "1996-W52"),
        ("1996-12-30", "1997-W01"),
        ("1997-01-05", "1997-W01"),
        # Recomputed with datetime.
        ("2005-01-01", "2004-W53"),
        ("2027-01-03", "2026-W53"),
        ("2024-12-30", "2025-W01"),
    ],
)
def test_weeks_are_those_of_iso_8601(day: str, week: str) -> None:
    assert iso_week(date.fromisoformat(day)) == week


@given(st.dates(date(1971, 1, 1), date(2199, 12, 31)))
def test_a_week_is_the_one_of_its_thursday(day: date) -> None:
    """ISO 8601: week 1 is the one that has the year's first Thursday; worked out by counting days."""
    thursday = day + timedelta(days=4 - day.isoweekday())
    assert iso_week(day) == f"{thursday.year}-W{(thursday - date(thursday.year, 1, 1)).days // 7 + 1:02d}"


def test_the_year_2026_has_a_week_53() -> None:
    assert iso_week(date(2026, 12, 31)) == "2026-W53"


def test_zone_rules_come_from_the_pinned_package_and_not_from_the_machine(tmp_path: Path) -> None:
    (tmp_path / "Europe").mkdir()
    summerless = files("tzdata").joinpath("zoneinfo", "Etc", "UTC").read_bytes()
    (tmp_path / "Europe" / "London").write_bytes(summerless)
    summer = at("2026-06-01T12:00Z")
    zoneinfo.reset_tzpath([str(tmp_path)])
    ZoneInfo.clear_cache()
    zone.cache_clear()
    try:
        assert summer.astimezone(ZoneInfo("Europe/London")).utcoffset() == timedelta(0)
        assert summer.astimezone(zone("Europe/London")).utcoffset() == timedelta(hours=1)
    finally:
        zoneinfo.reset_tzpath()
        ZoneInfo.clear_cache()
        zone.cache_clear()


@pytest.mark.parametrize("name", ["Europe/Londinium", "../../etc/passwd", "", "/etc/localtime", "Europe"])
def test_a_zone_that_is_none_is_refused(name: str) -> None:
    with pytest.raises((ZoneInfoNotFoundError, ValueError, OSError)):
        zone(name)
