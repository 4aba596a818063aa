"""When a watch is reached: at once, gathered, at a time, never while it is quiet."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.domain.notices import MEANINGS, Notice, NoticeKind
from service.domain.studio import zone
from service.domain.watches import MINUTES_A_DAY, Hours, Scope, due_at

NOW = datetime(2026, 3, 4, 16, 30, tzinfo=UTC)
ZONES = ("UTC", "Europe/London", "America/New_York", "Australia/Lord_Howe")
MINUTES = st.integers(0, MINUTES_A_DAY - 1)


def shows(instant: datetime, time_zone: str) -> int:
    clock = instant.astimezone(zone(time_zone))
    return clock.hour * 60 + clock.minute


def test_without_hours_of_its_own_a_watch_is_reached_at_once() -> None:
    assert due_at(Hours(time_zone="Europe/London"), NOW) == NOW


def test_what_is_raised_in_the_evening_waits_for_the_morning_of_the_reader() -> None:
    # 21:30 in Lord Howe's summer time is half an hour into the quiet that ends at 07:00.
    hours = Hours(time_zone="Australia/Lord_Howe", quiet_from_min=3 * 60, quiet_to_min=7 * 60)

    assert due_at(hours, NOW) == datetime(2026, 3, 4, 20, tzinfo=UTC)


def test_the_morning_after_the_clock_is_put_back_comes_an_hour_later() -> None:
    # IANA tzdata: London changes on 2026-10-25 at 01:00 UTC.
    hours = Hours(time_zone="Europe/London", at_min=[8 * 60])

    assert due_at(hours, datetime(2026, 10, 24, 12, tzinfo=UTC)) == datetime(2026, 10, 25, 8, tzinfo=UTC)
    assert due_at(hours, datetime(2026, 10, 23, 12, tzinfo=UTC)) == datetime(2026, 10, 24, 7, tzinfo=UTC)


def test_quiet_that_ends_in_the_hour_shown_twice_ends_when_it_is_shown_again() -> None:
    # IANA tzdata: London shows 01:00 to 02:00 twice on 2026-10-25, the second time from 01:00 UTC on.
    hours = Hours(time_zone="Europe/London", quiet_from_min=22 * 60, quiet_to_min=90)

    assert due_at(hours, datetime(2026, 10, 25, 1, 10, tzinfo=UTC)) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


QUIET = st.one_of(st.just((None, None)), st.tuples(MINUTES, MINUTES))
ANY_HOURS = st.builds(
    lambda time_zone, quiet, every_min, at_min: Hours(
        time_zone=time_zone, quiet_from_min=quiet[0], quiet_to_min=quiet[1], every_min=every_min, at_min=at_min
    ),
    st.sampled_from(ZONES),
    QUIET,
    st.one_of(st.none(), st.integers(1, 7 * MINUTES_A_DAY)),
    st.lists(MINUTES, max_size=3),
)
YEAR_S = 366 * 24 * 3600


@given(st.integers(0, YEAR_S), ANY_HOURS, st.timedeltas(timedelta(0), timedelta(days=10)))
def test_nobody_is_reached_in_their_quiet_hours_nor_before_what_gathers_is_over(
    second: int, hours: Hours, muted: timedelta
) -> None:
    now = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=second)
    gathers = timedelta(minutes=0 if hours.at_min else hours.every_min or 0)

    due = due_at(replace(hours, muted_until=now + muted), now)

    assert now + max(muted, gathers) <= due <= now + max(muted, gathers, timedelta(days=2)) + timedelta(days=2)
    start, end = hours.quiet_from_min, hours.quiet_to_min
    if start is not None and end is not None and start != end:
        past_start = (shows(due, hours.time_zone) - start) % MINUTES_A_DAY
        # Half an hour or one that the clock is put forward over is reached by the offset before the change.
        assert past_start >= (end - start) % MINUTES_A_DAY or _skipped(due, end, hours.time_zone)


def _skipped(due: datetime, minute: int, time_zone: str) -> bool:
    hour_before = due - timedelta(hours=1)
    return shows(hour_before, time_zone) != (shows(due, time_zone) - 60) % MINUTES_A_DAY and minute < 4 * 60


def test_a_watch_takes_what_is_of_all_that_it_names() -> None:
    notice = Notice(
        kind=NoticeKind.APPROVED,
        subject="shot/1",
        occasion="7",
        since=NOW,
        production_id=1,
        shot_id=3,
        stage_ids=(5, 6),
        people=("Ilse",),
    )
    fits = Scope(production_ids=frozenset({1}), episode_id=2, stage_id=6, shot_id=3, person="Ilse")

    assert fits.takes(notice, episode_id=2)
    assert Scope().takes(notice, episode_id=None)
    for other in (
        replace(fits, production_ids=frozenset({1, 9})),
        replace(fits, episode_id=9),
        replace(fits, stage_id=9),
        replace(fits, shot_id=9),
        replace(fits, person="Bo"),
    ):
        assert not other.takes(notice, episode_id=2), other


def test_every_kind_says_what_it_tells_of() -> None:
    assert set(MEANINGS) == set(NoticeKind)
    assert all((each.unit is None) == (each.most == 0) for each in MEANINGS.values())
