"""Jobs due once a studio-local day, on both databases.

The nights are those of the IANA time zone database: London put its clock back on 25 October 2026 at 01:00Z and forward
on 29 March 2026 at 01:00Z; Lord Howe shifts by half an hour, back on 5 April 2026 at 02:00 local.
"""

from datetime import UTC, date, datetime, time, timedelta
from multiprocessing.synchronize import Barrier

import pytest
from sqlmodel import col, select

from service.domain.studio import Studio
from service.store import jobs
from service.store.engine import Database
from service.store.tables import DueJobRow, StudioRow
from tests.workers import strangers
from tests.workers.lives import forking, lived
from tests.workers.strangers import START, UNWANTED, Limits, Listener, address, later, say, told
from workers import schedule
from workers.contract import Context, Schedule
from workers.schedule import JobOutcome, JobResult, latest

DUE = datetime(2026, 3, 2, 4, 30, tzinfo=UTC)


def night(zone: str, at: time | None, now: str) -> tuple[date, datetime]:
    return latest(Schedule("recount", at), studio=Studio(time_zone=zone), now=datetime.fromisoformat(now))


def try_one(database: Database, worker: Listener, *, owner: str = "one", now: datetime = START) -> JobResult | None:
    schedule.enter(database, [worker], now=now)
    return schedule.run(database, [worker], settings=Limits(), owner=owner, now=now, beat=lambda: None)


def rows(database: Database) -> list[DueJobRow]:
    with database.reading() as session:
        return list(session.exec(select(DueJobRow).order_by(col(DueJobRow.day_on))))


def test_a_job_is_due_when_the_studio_clock_shows_its_time() -> None:
    half_past_four = time(4, 30)
    assert night("Europe/London", half_past_four, "2026-07-10T03:29:59Z")[0] == date(2026, 7, 9)
    assert night("Europe/London", half_past_four, "2026-07-10T03:30:00Z") == (
        date(2026, 7, 10),
        datetime(2026, 7, 10, 3, 30, tzinfo=UTC),
    )


def test_a_time_the_clock_shows_twice_is_due_the_first_time_alone() -> None:
    # 01:30 in London on 25 October 2026 is 00:30Z and again 01:30Z.
    first = (date(2026, 10, 25), datetime(2026, 10, 25, 0, 30, tzinfo=UTC))
    assert night("Europe/London", time(1, 30), "2026-10-25T00:30:00Z") == first
    assert night("Europe/London", time(1, 30), "2026-10-25T01:30:00Z") == first


def test_a_time_the_clock_skips_is_due_the_same_night() -> None:
    # 01:30 in London on 29 March 2026 does not exist: 01:00 becomes 02:00 at 01:00Z.
    assert night("Europe/London", time(1, 30), "2026-03-29T12:00:00Z") == (
        date(2026, 3, 29),
        datetime(2026, 3, 29, 1, 30, tzinfo=UTC),
    )


def test_a_shift_of_half_an_hour_is_obeyed() -> None:
    # Lord Howe: UTC+11 until 5 April 2026 02:00, UTC+10:30 afterwards.
    assert night("Australia/Lord_Howe", time(4, 30), "2026-04-05T06:00:00Z")[1] == datetime(
        2026, 4, 4, 18, 0, tzinfo=UTC
    )
    assert night("Australia/Lord_Howe", time(4, 30), "2026-04-04T06:00:00Z")[1] == datetime(
        2026, 4, 3, 17, 30, tzinfo=UTC
    )


def test_a_job_without_a_time_is_due_when_the_studios_day_begins() -> None:
    # Five o'clock in London: 04:00Z in summer; on 25 October 2026, clocks put back in the night, 05:00Z.
    assert night("Europe/London", None, "2026-10-24T04:00:00Z") == (
        date(2026, 10, 24),
        datetime(2026, 10, 24, 4, 0, tzinfo=UTC),
    )
    assert night("Europe/London", None, "2026-10-25T04:59:59Z")[0] == date(2026, 10, 24)
    assert night("Europe/London", None, "2026-10-25T05:00:00Z")[0] == date(2026, 10, 25)


@pytest.mark.parametrize("zone", ["Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"])
@pytest.mark.parametrize("at", [time(0, 0), time(1, 30), time(2, 15), time(4, 30), time(23, 59), None])
def test_every_day_of_the_year_is_due_once_and_in_order(zone: str, at: time | None) -> None:
    seen: list[tuple[date, datetime]] = []
    now = datetime(2026, 1, 1, tzinfo=UTC)
    while now < datetime(2027, 1, 1, tzinfo=UTC):
        found = latest(Schedule("recount", at), studio=Studio(time_zone=zone), now=now)
        assert found[1] <= now
        if not seen or seen[-1] != found:
            seen.append(found)
        now += timedelta(minutes=30)
    days = [day for day, _ in seen]
    assert days == [days[0] + timedelta(days=number) for number in range(len(days))]


def test_a_job_is_done_once_a_day_whatever_restarts(database: Database) -> None:
    say(database, UNWANTED)

    done = try_one(database, Listener())
    again = [try_one(database, Listener(), owner=f"life {life}", now=later(life * 60)) for life in range(1, 4)]

    assert done == JobResult(worker="listener", name="roll-call", day_on=date(2026, 3, 2), outcome=JobOutcome.DONE)
    assert again == [None, None, None]
    assert told(database) == [{"job": "roll-call", "day": "2026-03-02"}]
    (row,) = rows(database)
    assert (row.due_at, row.done_at, row.result) == (DUE, START, {"job": "roll-call", "day": "2026-03-02"})


def test_of_a_standstill_the_latest_day_alone_is_caught_up(database: Database) -> None:
    say(database, UNWANTED)

    try_one(database, Listener())
    try_one(database, Listener(), now=START + timedelta(days=5))

    assert [each["day"] for each in told(database)] == ["2026-03-02", "2026-03-07"]


def test_a_day_nobody_could_finish_is_left_for_the_next(database: Database) -> None:
    say(database, UNWANTED)

    def fail(_batch: object, _context: Context) -> None:
        raise ValueError("no lamp is lit")

    failed = try_one(database, Listener(fail))
    try_one(database, Listener(), now=START + timedelta(days=1))

    assert failed is not None
    assert failed.outcome is JobOutcome.FAILED
    assert [each["day"] for each in told(database)] == ["2026-03-03"]
    first, second = rows(database)
    assert (first.result, second.result) == (
        {"left_for": "2026-03-03"},
        {"job": "roll-call", "day": "2026-03-03"},
    )
    assert "no lamp is lit" in (first.last_error or "")


def test_a_failed_job_is_tried_again_after_a_while(database: Database) -> None:
    say(database, UNWANTED)
    tries: list[int] = []

    def fail_twice(_batch: object, _context: Context) -> None:
        tries.append(len(tries))
        if len(tries) < 3:
            raise ValueError("no lamp is lit")

    worker = Listener(fail_twice)
    outcomes = [try_one(database, worker, now=later(seconds)) for seconds in (0, 0.5, 1, 2, 3)]

    assert [each and each.outcome for each in outcomes] == [
        JobOutcome.FAILED,
        None,
        JobOutcome.FAILED,
        None,
        JobOutcome.DONE,
    ]
    assert rows(database)[0].attempts == 3


def test_a_leased_job_is_left_alone_until_the_lease_runs_out(database: Database) -> None:
    say(database, UNWANTED)
    seen: list[JobResult | None] = []

    def others(_batch: object, _context: Context) -> None:
        seen.extend(try_one(database, Listener(), owner="two", now=later(seconds)) for seconds in (1, 3600, 3700))

    late = try_one(database, Listener(others))

    assert [each and each.outcome for each in seen] == [None, JobOutcome.FAILED, JobOutcome.DONE]
    assert late is not None
    assert late.outcome is JobOutcome.OVERTAKEN
    assert len(told(database)) == 1


def test_an_empty_log_has_nothing_due(database: Database) -> None:
    assert schedule.enter(database, [Listener()], now=START) == 0
    assert rows(database) == []


def test_four_claimers_at_once_do_the_job_once(database: Database) -> None:
    say(database, UNWANTED)
    context = forking()
    gate = context.Barrier(4)
    claimers = [
        context.Process(target=_claim, args=(address(database), f"claimer {number}", gate)) for number in range(4)
    ]
    for claimer in claimers:
        claimer.start()
    for claimer in claimers:
        claimer.join()

    assert [claimer.exitcode for claimer in claimers] == [0] * 4
    assert told(database) == [{"job": "roll-call", "day": "2026-03-02"}]
    assert [row.attempts for row in rows(database)] == [1]


def _claim(url: str, owner: str, gate: Barrier) -> None:
    database = Database.open(url)
    gate.wait()
    try_one(database, Listener(), owner=owner)
    database.close()


def test_a_process_killed_at_a_job_is_followed_by_another(database: Database) -> None:
    say(database, UNWANTED)
    assert lived(_die_at_it, address(database)) == -9

    assert try_one(database, Listener(), now=later(1)) is None
    buried = try_one(database, Listener(), now=later(3600))
    assert buried is not None
    assert (buried.outcome, buried.error) == (JobOutcome.FAILED, "the process died at work")
    assert try_one(database, Listener(), now=later(3604)) is None
    done = try_one(database, Listener(), now=later(3605))

    assert done is not None
    assert done.outcome is JobOutcome.DONE
    assert rows(database)[0].attempts == 2


def _die_at_it(url: str) -> None:
    try_one(Database.open(url), Listener(strangers.die), owner="doomed")


def test_the_studio_zone_decides_the_day(database: Database) -> None:
    say(database, UNWANTED)
    with database.writing() as session:
        session.add(
            StudioRow(
                name="Gull Lane",
                time_zone="Pacific/Kiritimati",
                day_starts_at_min=300,
                plate_minimum_frames=25,
                terminals_may_decide=False,
            )
        )

    # 16:00Z is 06:00 the next day on Kiritimati, UTC+14.
    schedule.enter(database, [Listener()], now=START.replace(hour=16))

    assert [row.day_on for row in rows(database)] == [date(2026, 3, 3)]
    with database.reading() as session:
        (job,) = jobs.open_jobs(session)
    assert job.due_at == datetime(2026, 3, 2, 14, 30, tzinfo=UTC)
