"""The worker *progress*: figures computed from facts, and a recount that finds what differs from them."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import delete, update
from sqlmodel import col, select

from service.actions.counts import Poster, record_counts
from service.domain.counts import Post
from service.domain.events import EventKind
from service.domain.studio import Studio
from service.domain.takes import Outcome as Said
from service.domain.takes import Purpose
from service.store import editions, events, figures
from service.store.engine import Database
from service.store.events import append
from service.store.tables import (
    CreditedChangeRow,
    DayCreditRow,
    DayFramesRow,
    DueJobRow,
    PartProgressRow,
    QuarantineRow,
    SeriesRow,
    ShotProgressRow,
    StudioRow,
    TerminalRow,
)
from tests.api.conftest import Clock
from tests.api.scenes import PRODUCTION, add_shot, add_stage, begin
from tests.workers.strangers import Limits
from workers import schedule
from workers.builtin.progress import Progress, ProgressSettings
from workers.engine import Outcome, StepResult, step

NOT_FOR_THE_SHOT = [each for each in Purpose if each is not Purpose.SHOOT]
MORNING = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


@pytest.fixture
def shot(database: Database) -> int:
    """A shot `0120` of 96 frames, and the stages `barn` and `mill`."""
    clock = Clock()
    begin(database, clock)
    add_stage(database, clock, "barn")
    add_stage(database, clock, "mill")
    return add_shot(database)


@pytest.fixture
def post(database: Database, shot: int) -> Callable[..., None]:
    """Posts counts of `0120` from a stage's terminal."""

    def send(*posts: Post, stage: str = "barn", now: datetime = MORNING) -> None:
        with database.writing() as session:
            terminal = session.exec(select(TerminalRow).where(TerminalRow.name == f"{stage}-capture")).one()
            poster = Poster(terminal_id=terminal.id or 0, terminal=terminal.name, stage_id=terminal.stage_id)
            answers = record_counts(session, posts, poster=poster, studio=Studio(), sent_at=None, now=now)
        assert [answer.refusal for answer in answers] == [None] * len(posts)

    return send


def count(serial: int, frames: int, *, take: int = 1, animator: str | None = None, **more: object) -> Post:
    given: dict[str, object] = {"at": MORNING, **more}
    return Post(
        serial=serial,
        production=PRODUCTION,
        shot="0120",
        take=take,
        frames_total=frames,
        animator=animator,
        **given,  # type: ignore[arg-type]
    )


def catch_up(database: Database) -> StepResult:
    while True:
        result = step(database, Progress(ProgressSettings()), settings=Limits(), owner="one", now=MORNING)
        if not result.again:
            return result


def shown(database: Database, shot: int) -> ShotProgressRow | None:
    with database.reading() as session:
        return session.get(ShotProgressRow, (1, shot))


def recount(database: Database, *, now: datetime = MORNING) -> dict[str, Any]:
    worker = Progress(ProgressSettings())
    schedule.enter(database, [worker], now=now)
    done = schedule.run(database, [worker], settings=Limits(), owner="one", now=now, beat=lambda: None)
    assert done is not None
    assert done.error is None
    with database.reading() as session:
        result = session.exec(select(DueJobRow.result).order_by(col(DueJobRow.id).desc())).first()
    assert result is not None
    return dict(result)


def test_frames_that_are_not_for_the_shot_are_no_days_work(
    database: Database, shot: int, post: Callable[..., None]
) -> None:
    post(count(1, 40), *(count(2 + number, 25, purpose=each) for number, each in enumerate(NOT_FOR_THE_SHOT)))

    catch_up(database)

    row = shown(database, shot)
    assert row is not None
    assert (row.shot_frames, row.plate_shot_frames) == (40, 25)
    with database.reading() as session:
        assert list(session.exec(select(DayFramesRow.net_frames))) == [40]


def test_the_figures_of_a_shot_rest_on_the_last_event(database: Database, shot: int, post: Callable[..., None]) -> None:
    post(count(1, 40), count(2, 52), count(3, 49))

    result = catch_up(database)

    row = shown(database, shot)
    assert row is not None
    assert (row.planned_frames, row.shot_frames, row.credited_frames, row.remaining_frames) == (96, 49, 49, 47)
    assert (row.provisional, row.position) == (True, result.position)


def test_a_day_has_its_gross_frames_and_its_deletions(database: Database, shot: int, post: Callable[..., None]) -> None:
    late = MORNING + timedelta(hours=20)
    post(count(1, 40, animator="Ines"), count(2, 52, animator="Ines"), count(3, 49, animator="Ines"))
    post(count(4, 60, animator="Tariq", at=late), now=late)

    catch_up(database)

    with database.reading() as session:
        rows = session.exec(select(DayFramesRow).order_by(col(DayFramesRow.day_on))).all()
    assert [(row.day_on, row.animator, row.net_frames, row.gross_frames, row.deleted_frames) for row in rows] == [
        (date(2026, 3, 2), "Ines", 49, 52, 3),
        (date(2026, 3, 3), "Tariq", 11, 11, 0),
    ]


def test_the_credited_change_of_a_day_is_kept_by_cause(
    database: Database, shot: int, post: Callable[..., None]
) -> None:
    post(count(1, 80, outcome=Said.ABANDONED), count(2, 30, take=2))
    catch_up(database)

    with database.reading() as session:
        rows = session.exec(select(DayCreditRow)).all()
        row = session.get(ShotProgressRow, (1, shot))
    assert row is not None
    assert sum(each.frames for each in rows) == row.credited_frames == 30
    assert {(each.day_on, each.cause) for each in rows} == {(date(2026, 3, 2), "counted")}


def test_a_split_shot_has_figures_for_each_part(database: Database, post: Callable[..., None]) -> None:
    add_shot(database, "0130", parts=[("left", 1, 1, 60), ("right", 2, 55, 96)])
    left = Post(serial=10, production=PRODUCTION, shot="0130", take=1, frames_total=60)
    right = Post(serial=10, production=PRODUCTION, shot="0130", take=1, frames_total=42)
    post(left)
    post(right, stage="mill")
    catch_up(database)

    row = shown(database, 2)
    assert row is not None
    assert row.credited_frames == 96
    with database.reading() as session:
        parts = session.exec(
            select(PartProgressRow).where(PartProgressRow.shot_id == 2).order_by(PartProgressRow.part)
        ).all()
    assert [(part.part, part.stage_id, part.planned_frames, part.credited_frames) for part in parts] == [
        ("left", 1, 60, 60),
        ("right", 2, 42, 42),
    ]


def test_the_same_events_again_change_no_figure(database: Database, shot: int, post: Callable[..., None]) -> None:
    post(count(1, 40), count(2, 52))
    catch_up(database)
    before = shown(database, shot)
    with database.reading() as session:
        batch = events.read_after(session, 0, limit=100)

    with database.writing() as session:
        for event in batch:
            append(session, kind=EventKind(event.kind), at=event.at, actor="test", shot_id=event.shot_id, data={})
    catch_up(database)

    after = shown(database, shot)
    assert before is not None
    assert after is not None
    assert after.model_dump(exclude={"position"}) == before.model_dump(exclude={"position"})


def test_a_new_plate_minimum_reaches_every_shot_with_a_sign_of_life_now_and_then(
    database: Database, shot: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_shot(database, "0130")
    monkeypatch.setattr("workers.builtin.progress.SHOTS_AT_ONCE", 1)
    beats: list[None] = []
    with database.writing() as session:
        session.add(
            StudioRow(
                name="Gull Lane",
                time_zone="UTC",
                day_starts_at_min=300,
                plate_minimum_frames=40,
                terminals_may_decide=False,
            )
        )
        append(session, kind=EventKind.STUDIO_SET, at=MORNING, actor="test", data={})

    worker = Progress(ProgressSettings())
    step(database, worker, settings=Limits(), owner="one", now=MORNING, beat=lambda: beats.append(None))

    rows = [shown(database, 1), shown(database, 2)]
    assert [row and row.plate_planned_frames for row in rows] == [40, 40]
    assert len(beats) == 2


def test_a_recount_of_sound_rows_finds_nothing(database: Database, shot: int, post: Callable[..., None]) -> None:
    post(count(1, 40), count(2, 52), count(3, 49), count(4, 20, take=2))
    catch_up(database)

    found = recount(database)

    assert found == {"day": "2026-03-02", "series": 2, "shots": 1, "behind": 0, "drifted": 0, "drift": []}
    with database.reading() as session:
        (told,) = events.read_after(session, 0, limit=10, kinds={EventKind.TOTALS_RECOUNTED})
    assert told.data == found


def test_a_recount_finds_a_total_that_is_not_the_ledgers(
    database: Database, shot: int, post: Callable[..., None]
) -> None:
    post(count(1, 40))
    catch_up(database)
    with database.writing() as session:
        session.exec(update(SeriesRow).values(total_frames=41))

    found = recount(database)

    assert found["drift"] == [
        {"what": "series", "shot_id": shot, "series_id": 1, "stored_frames": 41, "recounted_frames": 40},
        *[each for each in found["drift"] if each["what"] != "series"],
    ]
    assert [each["what"] for each in found["drift"]] == ["series", "figures", "credit"]


def test_a_recount_finds_figures_that_are_not_what_the_facts_say(
    database: Database, shot: int, post: Callable[..., None]
) -> None:
    post(count(1, 40))
    catch_up(database)
    with database.writing() as session:
        session.exec(update(ShotProgressRow).values(credited_frames=39))
        session.exec(delete(CreditedChangeRow))

    found = recount(database)

    (figure, credit) = found["drift"]
    assert (figure["stored"][0]["credited_frames"], figure["recounted"]["credited_frames"]) == (39, 40)
    assert (credit["journal_frames"], credit["credited_frames"]) == (0, 40)


def test_a_recount_accuses_no_shot_whose_events_are_still_to_be_read(
    database: Database, shot: int, post: Callable[..., None]
) -> None:
    post(count(1, 40))
    catch_up(database)
    post(count(2, 50))

    found = recount(database)

    assert (found["behind"], found["drift"]) == (1, [])


def test_a_row_with_a_column_too_many_is_the_workers_failure(database: Database, shot: int) -> None:
    with database.writing() as session, pytest.raises(ValueError, match="has the columns"):
        figures.replace(session, "day_credit", edition=1, position=1, rows={shot: [{"frames": 3, "lamps": 1}]})


def test_an_event_of_a_shot_nobody_knows_is_no_poison(database: Database) -> None:
    with database.writing() as session:
        append(session, kind=EventKind.FRAMES_COUNTED, at=MORNING, actor="test", shot_id=77, data={})

    assert catch_up(database).outcome is Outcome.IDLE
    with database.reading() as session:
        assert session.exec(select(QuarantineRow)).all() == []


def test_rows_made_anew_from_facts_are_those_made_from_events(
    database: Database, shot: int, post: Callable[..., None]
) -> None:
    post(count(1, 40, animator="Ines"), count(2, 52, animator="Odd"), count(3, 25, purpose=NOT_FOR_THE_SHOT[0]))
    catch_up(database)
    with database.writing() as session:
        wanted = editions.planned(session, "progress", 1, kinds=(), rebuilds=True, asked_by="office")
        assert (wanted.by_facts, editions.begin(session, wanted, now=MORNING)) == (True, True)
    catch_up(database)

    with database.reading() as session:
        assert editions.shown(session, "progress") == 2
        for table in Progress.tables:
            old, new = (figures.of_shots(session, table, edition=each, shot_ids=[shot]) for each in (1, 2))
            assert old == new != {}, table
