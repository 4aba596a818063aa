"""The worker *occupancy* keeps what the facts say of every day that is over, whatever comes late or changes."""

import random
from contextlib import suppress
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from sqlmodel import col, select

from service.actions import bookings, calendars, productions, shifts, shots, stages
from service.actions.bookings import Author, BookingClash, Wanted
from service.domain.bookings import Activity, Firmness
from service.domain.calendars import Calendar, Hours, Weekday
from service.domain.counts import CaptureTime, TimeBasis
from service.domain.occupancy import stage_days
from service.domain.refusals import UnfitFields
from service.domain.shifts import Line, Signal
from service.domain.spans import Span
from service.domain.stagefigures import Figures, read
from service.domain.work import Use
from service.store import calendars as calendar_rows
from service.store import occupancy, touched
from service.store.engine import Database
from service.store.tables import BookingRow, KeptRow, StageRow
from tests.nights import PRODUCTION, STAGES, Nights
from tests.workers.test_nightly import live_through, walk
from workers.builtin import occupancy as worker
from workers.builtin.occupancy import Occupancy
from workers.contract import Keep, NoSettings
from workers.snapshot import Snapshot

H = 3600
MONDAY, TUESDAY, WEDNESDAY = date(2026, 3, 2), date(2026, 3, 3), date(2026, 3, 4)
NINE_TO_SIX = Calendar(dict.fromkeys(Weekday, (Hours(9 * 60, 18 * 60),)))


@pytest.fixture
def floor(database: Database) -> Nights:
    """Barn and mill, open from nine to six each day, UTC; days begin at five; Monday 2 March 2026, eight o'clock."""
    here = Nights(database, "2026-03-02T08:00:00Z")
    here.worker = Occupancy(NoSettings())
    here.shot("0120", stage="barn")
    here.shot("0130", stage="mill", episode="102")
    set_hours(here, NINE_TO_SIX)
    return here


def set_hours(floor: Nights, calendar: Calendar, stage: str | None = None) -> None:
    with floor.database.writing() as session:
        of = None if stage is None else stages.find(session, stage)
        row = calendar_rows.of_studio(session) if of is None else calendar_rows.of_stage(session, of.id or 0)
        calendars.put(session, row, calendar, stage=of, by="office", now=floor.now)


def say(floor: Nights, stage: str, signal: Signal, at: str | datetime, reason: str | None = None) -> None:
    instant = datetime.fromisoformat(at) if isinstance(at, str) else at
    with floor.database.writing() as session:
        shifts.enter(
            session,
            stages.find(session, stage),
            Line(stage=stage, signal=signal, reason=reason),
            time=CaptureTime(instant, TimeBasis.AT, adjusted=False),
            studio=floor.studio,
            author=shifts.Author(f"{stage}-key"),
            now=floor.now,
        )


def book(floor: Nights, stage: str, start: str | datetime, end: str | datetime, **more: Any) -> int:  # noqa: ANN401 -- fields of a booking
    start_at, end_at = (datetime.fromisoformat(each) if isinstance(each, str) else each for each in (start, end))
    with floor.database.writing() as session:
        production = productions.find(session, PRODUCTION)
        shot = more.get("shot")
        wanted = Wanted(
            span=Span(start_at, end_at),
            stage=stages.find(session, stage),
            animator=None,
            shot=None if shot is None else shots.find(session, production, shot),
            part=None,
            asked_by=None,
            activity=more.get("activity", Activity.SHOOTING),
            firmness=more.get("firmness", Firmness.CONFIRMED),
            note="the rig stays up",
        )
        row = bookings.book(session, production, wanted, author=Author("office"), now=floor.now)
        return row.id or 0


def rebook(floor: Nights, booking: int, stage: str, start: datetime, end: datetime) -> None:
    with floor.database.writing() as session:
        found = bookings.find(session, booking, lock=True)
        row = found.row
        said: dict[str, Any] = {
            "animator": None,
            "shot": None,
            "part": None,
            "asked_by": None,
            "activity": Activity(row.activity),
            "firmness": Firmness(row.firmness),
            "note": row.note,
        }
        was = Wanted(span=Span(row.start_at, row.end_at), stage=stages.find(session, found.stage or ""), **said)
        wanted = Wanted(span=Span(start, end), stage=stages.find(session, stage), **said)
        bookings.change(session, found, wanted, was=was, author=Author("office"), now=floor.now)


def cancel(floor: Nights, booking: int) -> None:
    with floor.database.writing() as session:
        found = bookings.find(session, booking, lock=True)
        if found.row.cancelled_at is None:
            bookings.cancel(session, found, reason="no need", by="office", now=floor.now)


def kept(floor: Nights) -> dict[tuple[str, date], Figures]:
    with floor.database.reading() as session:
        rows = session.exec(select(KeptRow).where(col(KeptRow.worker) == "occupancy"))
        return {(row.data["stage"], date.fromisoformat(row.data["day"])): read(row.data) for row in rows}


def assert_as_the_facts_say(floor: Nights) -> None:
    """Every row that is kept is what comes out for all days at once, from the facts as they now stand."""
    found = kept(floor)
    days = sorted({day for _, day in found})
    every = [days[0] + timedelta(days=number) for number in range((days[-1] - days[0]).days + 1)]
    with floor.database.reading() as session:
        ids = {row.code: row.id or 0 for row in session.exec(select(StageRow))}
        facts = occupancy.facts(
            session, list(ids.values()), every[0], last=every[-1], studio=floor.studio, now=floor.now
        )
    for code, stage_id in ids.items():
        for each in stage_days(facts[stage_id], every, floor.studio, as_of=floor.now):
            assert found[code, each.day] == each.figures, (code, each.day)


def assert_rebuilt_as_kept(floor: Nights) -> None:
    """What the worker makes from facts alone, a chunk at a time, is what it keeps."""
    made: dict[str, Any] = {}
    mark, steps = None, 0
    while mark is not None or not steps:
        with floor.database.reading() as session:
            context = Snapshot(session, worker=floor.worker, edition=1, position=1, now=floor.now, beat=lambda: None)
            rebuilt = floor.worker.rebuild(mark, 1, context)
        made |= {each.key: dict(each.row or {}) for each in rebuilt.changes if isinstance(each, Keep)}
        mark, steps = rebuilt.mark, steps + 1
    assert {(row["stage"], row["day"]): read(row) for row in made.values()} == kept(floor)


def actual(floor: Nights, stage: str, day: date, use: Use) -> float:
    """Hours of a use."""
    part = kept(floor)[stage, day].actual[use]
    return (part.open_s + part.outside_s) / H


def test_it_wants_every_kind_of_event_that_touches_a_stages_time() -> None:
    assert Occupancy.events == touched.KINDS


def test_a_day_is_kept_when_it_has_closed(floor: Nights) -> None:
    say(floor, "barn", Signal.CALL, "2026-03-02T09:00:00Z")
    for hour in (9, 11, 13):
        floor.at(f"2026-03-02T{hour:02}:30:00Z").count("barn", "0120", hour)
    floor.work()
    assert kept(floor) == {}

    say(floor.at("2026-03-02T17:00:00Z"), "barn", Signal.WRAP, "2026-03-02T17:00:00Z")
    floor.at("2026-03-03T05:00:00Z").work()

    assert {day for _, day in kept(floor)} == {MONDAY}
    # The half-hour before the first frame was its preparation.
    assert actual(floor, "barn", MONDAY, Use.SHOOTING) == 8
    assert actual(floor, "mill", MONDAY, Use.IDLE) == 9
    assert_as_the_facts_say(floor)


def test_a_dead_terminal_leaves_a_weekend_idle_and_a_late_count_revises_its_day(floor: Nights) -> None:
    say(floor, "barn", Signal.CALL, "2026-03-02T09:00:00Z")
    floor.at("2026-03-02T12:00:00Z").count("barn", "0120", 20)
    for day in ("03", "04", "05"):
        floor.at(f"2026-03-{day}T05:00:00Z").work()
    before = kept(floor)
    assert [actual(floor, "barn", day, Use.SHOOTING) for day in (MONDAY, TUESDAY, WEDNESDAY)] == [3, 0, 0]
    assert before["barn", MONDAY].inferred_s == 3 * H

    floor.at("2026-03-05T08:00:00Z").count("barn", "0120", 40, captured="2026-03-02T16:00:00Z")
    floor.work()

    assert [actual(floor, "barn", day, Use.SHOOTING) for day in (MONDAY, TUESDAY, WEDNESDAY)] == [7, 0, 0]
    after = kept(floor)
    assert {key for key, figures in after.items() if figures != before[key]} == {("barn", MONDAY)}
    assert_as_the_facts_say(floor)


def test_a_night_belongs_to_the_day_of_its_call(floor: Nights) -> None:
    say(floor, "mill", Signal.CALL, "2026-03-02T22:00:00Z")
    for hour in (23, 25, 27, 29, 31):
        instant = datetime.fromisoformat("2026-03-02T00:00:00Z") + timedelta(hours=hour)
        floor.at(instant).count("mill", "0130", hour)
        floor.work()
    assert actual(floor, "mill", MONDAY, Use.SHOOTING) == 9

    say(floor.at("2026-03-03T07:30:00Z"), "mill", Signal.WRAP, "2026-03-03T07:30:00Z")
    floor.at("2026-03-04T05:00:00Z").work()

    assert [actual(floor, "mill", day, Use.SHOOTING) for day in (MONDAY, TUESDAY)] == [9.5, 0]
    assert_as_the_facts_say(floor)


def test_turnover_is_from_the_last_accepted_frame_to_the_next_first_one(floor: Nights) -> None:
    floor.shot("0140", stage="barn")
    floor.at("2026-03-02T10:00:00Z").count("barn", "0120", 60)
    floor.at("2026-03-02T12:00:00Z").count("barn", "0120", 96, outcome="finished")
    floor.at("2026-03-02T13:00:00Z").count("barn", "0120", 10, take=2)
    floor.at("2026-03-03T10:00:00Z").count("barn", "0140", 5)
    # Back to what was held.
    floor.at("2026-03-03T12:00:00Z").count("barn", "0120", 20, take=2)
    floor.at("2026-03-04T05:00:00Z").work()
    assert kept(floor)["barn", TUESDAY].turnovers_s == ()

    floor.at("2026-03-04T09:00:00Z").decide("0120", "circle")
    floor.work()

    assert kept(floor)["barn", TUESDAY].turnovers_s == (22 * H,)
    assert_as_the_facts_say(floor)


def live(floor: Nights, dice: random.Random) -> None:
    """Now and then a line of a log, a booking made, moved or cancelled, a calendar, a phase."""
    walk(floor, dice)
    stage, hour = dice.choice(STAGES), timedelta(hours=1)
    match dice.randrange(8):
        case 0 | 1:
            say(floor, stage, dice.choice(list(Signal)), floor.now - dice.choice([0, 0, 0, 3, 30]) * hour, "kit")
        case 2:
            start = floor.now + dice.randrange(-40, 20) * hour
            with suppress(BookingClash, UnfitFields):
                book(
                    floor,
                    stage,
                    start,
                    start + dice.randrange(1, 30) * hour,
                    shot=dice.choice([None, "0120", "0130"]),
                    activity=dice.choice(list(Activity)),
                    firmness=dice.choice(list(Firmness)),
                )
        case 3 | 4:
            with floor.database.reading() as session:
                ids = list(session.exec(select(BookingRow.id)))
            if ids and dice.random() < 0.5:
                cancel(floor, dice.choice(ids) or 0)
        case 5 if dice.random() < 0.2:
            hours = Hours(dice.randrange(20) * 60, dice.randrange(1, 24) * 60)
            set_hours(floor, Calendar(dict.fromkeys(Weekday, (hours,))), dice.choice([stage, None]))
        case _:
            pass


@pytest.mark.parametrize("seed", [20, 29])
def test_whatever_happens_the_rows_are_what_the_facts_say(
    floor: Nights, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker, "DAYS_AT_ONCE", 2)
    monkeypatch.setattr(worker, "STAGES_AT_ONCE", 1)
    live_through(floor, random.Random(seed), also=live)
    floor.at(floor.now + timedelta(days=1)).work()

    assert len(kept(floor)) >= 6
    assert_as_the_facts_say(floor)
    assert_rebuilt_as_kept(floor)


def test_a_booking_that_is_moved_in_the_past_frees_the_day_it_leaves(floor: Nights) -> None:
    booking = book(floor, "barn", "2026-03-02T09:00:00Z", "2026-03-02T18:00:00Z")
    floor.at("2026-03-04T05:00:00Z").work()
    floor.at("2026-03-04T06:00:00Z").work()
    assert kept(floor)["barn", MONDAY].planned[Use.SHOOTING].open_s == 9 * H

    start = datetime.fromisoformat("2026-03-03T09:00:00Z")
    rebook(floor, booking, "mill", start, start + timedelta(hours=4))
    floor.work()

    found = kept(floor)
    assert found["barn", MONDAY].planned[Use.SHOOTING].open_s == 0
    assert found["mill", TUESDAY].planned[Use.SHOOTING].open_s == 4 * H
    assert_as_the_facts_say(floor)


def test_what_an_omission_releases_frees_the_days_to_come_and_its_restoring_takes_them_again(floor: Nights) -> None:
    book(floor, "barn", "2026-03-03T09:00:00Z", "2026-03-03T18:00:00Z", shot="0120")
    floor.at("2026-03-02T20:00:00Z").change("0120", omitted=True)
    floor.at("2026-03-04T06:00:00Z").work()
    assert kept(floor)["barn", TUESDAY].planned[Use.SHOOTING].open_s == 0

    floor.at("2026-03-02T21:00:00Z").change("0120", omitted=False)
    floor.at("2026-03-04T07:00:00Z").work()

    found = kept(floor)["barn", TUESDAY]
    assert (found.planned[Use.SHOOTING].open_s, found.pencilled_s) == (9 * H, 9 * H)
    assert_as_the_facts_say(floor)
