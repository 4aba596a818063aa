"""The worker *notices* tells each occasion once, from facts, whatever the batches and however often it looks."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import Any, ClassVar

import pytest
from sqlmodel import col, select

from service.actions import bookings, calendars, productions, shifts, shots, stages
from service.actions.bookings import Author, Wanted
from service.domain.bookings import Activity, Firmness
from service.domain.calendars import Calendar, Hours, Weekday
from service.domain.counts import CaptureTime, TimeBasis
from service.domain.events import EventKind
from service.domain.notices import NoticeKind
from service.domain.shifts import Line, Signal
from service.domain.spans import Span
from service.domain.watches import Heard
from service.domain.wording import words
from service.store import calendars as calendar_rows
from service.store import notices as store
from service.store.engine import Database
from service.store.events import append
from service.store.tables import DeliveryRow, NoticeRow, ReminderRow
from tests.actions.test_notices import watch
from tests.nights import PRODUCTION, Nights
from tests.workers.strangers import Listener
from workers.builtin.notices import Notices, NoticesSettings
from workers.contract import Change, Context, Event, Notice, Worker

EVENING = "2026-03-04T16:30:00Z"


@pytest.fixture
def floor(database: Database) -> Nights:
    """Barn and mill at 16:30 on Wednesday 4 March 2026, UTC; shot 0120 of 24 frames on the barn."""
    here = Nights(database, EVENING)
    here.worker = Notices(NoticesSettings())
    here.shot("0120", cut_frames=24, stage="barn")
    return here


def hear(floor: Nights, kind: NoticeKind, threshold: int, *, ends: bool = True) -> None:
    """Let somebody hear of a kind at a threshold, as the API would."""
    watch(floor.database, f"{kind} {threshold}", Heard(kind=kind, threshold=threshold, ends=ends))
    with floor.database.writing() as session:
        append(session, kind=EventKind.WATCH_ADDED, at=floor.now, actor="office", data={"watch": str(kind)})


def told(floor: Nights, *kinds: NoticeKind) -> list[tuple[str, str, bool]]:
    """What was told, in order: kind, subject, whether it is over; of these kinds alone where any are named."""
    with floor.database.reading() as session:
        rows = session.exec(select(NoticeRow).order_by(col(NoticeRow.id)))
        return [(row.kind, row.subject, row.over) for row in rows if not kinds or row.kind in kinds]


def works(floor: Nights, instant: str | datetime | None = None) -> None:
    """Let the worker do what is due and read the log; reminders that come bring others."""
    if instant is not None:
        floor.at(instant)
    for _ in range(3):
        floor.work()


def book(floor: Nights, stage: str, start: str, end: str, shot: str | None = None, **more: Any) -> int:  # noqa: ANN401 -- fields of a booking
    with floor.database.writing() as session:
        production = productions.find(session, PRODUCTION)
        wanted = Wanted(
            span=Span(datetime.fromisoformat(start), datetime.fromisoformat(end)),
            stage=stages.find(session, stage),
            animator=None,
            shot=None if shot is None else shots.find(session, production, shot),
            part=None,
            asked_by=None,
            activity=more.get("activity", Activity.SHOOTING),
            firmness=more.get("firmness", Firmness.CONFIRMED),
            note=None,
        )
        return bookings.book(session, production, wanted, author=Author("office"), now=floor.now).id or 0


def cancel(floor: Nights, booking: int) -> None:
    with floor.database.writing() as session:
        found = bookings.find(session, booking, lock=True)
        bookings.cancel(session, found, reason="the set is not ready", by="office", now=floor.now)


def signal(floor: Nights, stage: str, kind: Signal) -> None:
    with floor.database.writing() as session:
        row = stages.find(session, stage)
        line = Line(stage=stage, signal=kind, reason="the lamp" if kind is Signal.WAITING else None)
        time = CaptureTime(floor.now, TimeBasis.AT, adjusted=False)
        author = shifts.Author(f"{stage}-key")
        shifts.enter(session, row, line, time=time, studio=floor.studio, author=author, now=floor.now)


def open_daily(floor: Nights) -> None:
    calendar = Calendar(dict.fromkeys(Weekday, (Hours(9 * 60, 18 * 60),)))
    with floor.database.writing() as session:
        row = calendar_rows.of_studio(session)
        calendars.put(session, row, calendar, stage=None, by="office", now=floor.now)


@pytest.mark.parametrize("at_once", [True, False])
def test_planned_frames_that_are_there_again_are_told_again(floor: Nights, at_once: bool) -> None:  # noqa: FBT001 - a parameter of the test
    def look() -> None:
        if not at_once:
            works(floor)

    shot = [(NoticeKind.PLANNED_REACHED, "shot/1", False)]
    floor.count("barn", "0120", 24)
    look()
    # Two events that both see every frame there.
    floor.at("2026-03-04T16:31:00Z").count("barn", "0120", 26)
    look()
    floor.at("2026-03-04T16:32:00Z").change("0120", cut_frames=30)
    look()
    floor.at("2026-03-04T16:33:00Z").count("barn", "0120", 30)
    works(floor)

    told_of = [each for each in told(floor, NoticeKind.PLANNED_REACHED) if not each[2]]
    assert told_of == shot * 2
    works(floor)
    assert [each for each in told(floor, NoticeKind.PLANNED_REACHED) if not each[2]] == shot * 2


def test_a_take_is_finished_and_circled_once_and_its_wait_is_told_at_each_threshold_and_ends(floor: Nights) -> None:
    for hours in (4, 48):
        hear(floor, NoticeKind.DECISION_WAITED_FOR, hours)
    floor.count("barn", "0120", 24, outcome="finished")
    works(floor)
    floor.at("2026-03-04T16:40:00Z").count("barn", "0120", 24, outcome="finished")
    works(floor)
    assert told(floor, NoticeKind.TAKE_FINISHED) == [(NoticeKind.TAKE_FINISHED, "take/1", False)]

    works(floor, "2026-03-04T20:29:00Z")
    assert told(floor, NoticeKind.DECISION_WAITED_FOR) == []
    works(floor, "2026-03-04T20:41:00Z")
    works(floor, "2026-03-05T08:00:00Z")
    waited = (NoticeKind.DECISION_WAITED_FOR, "take/1", False)
    assert told(floor, NoticeKind.DECISION_WAITED_FOR) == [waited]

    floor.decide("0120", "circle")
    works(floor)
    works(floor, "2026-03-08T08:00:00Z")
    assert sorted(told(floor, NoticeKind.DECISION_WAITED_FOR, NoticeKind.TAKE_CIRCLED)) == [
        waited,
        (NoticeKind.DECISION_WAITED_FOR, "take/1", True),
        (NoticeKind.TAKE_CIRCLED, "take/1", False),
    ]


def test_six_hours_of_counts_that_come_late_make_one_notice(floor: Nights) -> None:
    floor.shot("0130", cut_frames=12, stage="barn")
    began = floor.now - timedelta(hours=6)
    for number in range(40):
        shot, total = ("0120", number + 1) if number < 24 else ("0130", min(number - 23, 12))
        floor.count(
            "barn",
            shot,
            total,
            captured=began + timedelta(minutes=8 * number),
            outcome="finished" if number in {23, 35} else None,
        )
        if number % 10 == 0:
            works(floor)
    works(floor)
    assert [kind for kind, *_ in told(floor) if kind != NoticeKind.REPORT_REVISED] == []

    works(floor, floor.now + timedelta(minutes=6))

    assert told(floor) == [(NoticeKind.COUNTS_CAME_LATE, "stage/1", False)]
    with floor.database.reading() as session:
        notice = store.read(session.exec(select(NoticeRow)).one())
    said = words(notice, "Europe/London")
    # The last four were captured within the hour.
    assert notice.facts["shots"] == ["0120", "0130"]
    assert said.headline == f"{notice.facts['counts']} counts of stage barn came late"
    assert "planned frames reached: 0120" in " ".join(said.sentences)


def test_what_stages_are_told_of_comes_when_its_time_comes(floor: Nights) -> None:
    open_daily(floor)
    hear(floor, NoticeKind.STAGE_FREES, 2)
    hear(floor, NoticeKind.STAGE_IDLE, 8)
    hear(floor, NoticeKind.TERMINAL_SILENT, 30)
    hear(floor, NoticeKind.POWER_DOWN_UNCONFIRMED, 15)
    book(floor, "barn", "2026-03-05T09:00:00+00:00", "2026-03-05T17:00:00+00:00", "0120")
    book(floor, "barn", "2026-03-09T09:00:00+00:00", "2026-03-09T17:00:00+00:00")
    works(floor)
    works(floor, "2026-03-05T09:00:00Z")
    signal(floor, "barn", Signal.CALL)
    works(floor)
    assert told(floor) == []
    works(floor, "2026-03-05T09:31:00Z")
    floor.count("barn", "0120", 3)
    works(floor)
    works(floor, "2026-03-05T15:01:00Z")
    works(floor, "2026-03-05T17:00:30Z")
    signal(floor, "barn", Signal.WRAP)
    works(floor)
    works(floor, "2026-03-05T17:16:00Z")
    signal(floor, "barn", Signal.POWER_OFF)
    works(floor)
    works(floor, "2026-03-09T09:00:00Z")

    silent, power = NoticeKind.TERMINAL_SILENT, NoticeKind.POWER_DOWN_UNCONFIRMED
    assert [each for each in told(floor) if each[0] in {silent, power}] == [
        (silent, "terminal/barn-capture", False),
        (silent, "terminal/barn-capture", True),
        (silent, "terminal/barn-capture", False),
        (silent, "terminal/barn-capture", True),
        (power, "stage/1", False),
        (power, "stage/1", True),
    ]
    assert told(floor, NoticeKind.STAGE_FREES) == [(NoticeKind.STAGE_FREES, "stage/1", False)]
    assert told(floor, NoticeKind.STAGE_IDLE) == [
        (NoticeKind.STAGE_IDLE, "stage/1", False),
        (NoticeKind.STAGE_IDLE, "stage/1", True),
    ]


def test_a_booking_that_is_moved_frees_its_stage_at_its_new_end(floor: Nights) -> None:
    open_daily(floor)
    hear(floor, NoticeKind.STAGE_FREES, 2)
    hear(floor, NoticeKind.STAGE_IDLE, 8)
    booking = book(floor, "barn", "2026-03-05T09:00:00+00:00", "2026-03-05T17:00:00+00:00", "0120")
    works(floor, "2026-03-05T09:00:00Z")
    with floor.database.writing() as session:
        found = bookings.find(session, booking, lock=True)
        was = Wanted(
            span=Span(found.row.start_at, found.row.end_at),
            stage=stages.find(session, "barn"),
            animator=None,
            shot=shots.find(session, productions.find(session, PRODUCTION), "0120"),
            part=None,
            asked_by=None,
            activity=Activity.SHOOTING,
            firmness=Firmness.CONFIRMED,
            note=None,
        )
        sooner = replace(was, span=Span(found.row.start_at, datetime(2026, 3, 5, 12, tzinfo=UTC)))
        bookings.change(session, found, sooner, was=was, author=Author("office"), now=floor.now)
    works(floor)
    works(floor, "2026-03-05T10:00:00Z")

    assert told(floor) == [(NoticeKind.STAGE_FREES, "stage/1", False)]
    # Idle for so long that its last booking is forgotten, it is not said to be taken.
    works(floor, "2026-03-05T12:00:00Z")
    hear(floor.at("2026-05-05T12:00:00Z"), NoticeKind.STAGE_IDLE, 16)
    works(floor)
    assert told(floor, NoticeKind.STAGE_IDLE) == [(NoticeKind.STAGE_IDLE, "stage/1", False)]


def test_bookings_that_clash_are_told_of_until_one_gives_way(floor: Nights) -> None:
    days = ("2026-03-05T09:00:00+00:00", "2026-03-06T17:00:00+00:00")
    first = book(floor, "barn", *days)
    works(floor)
    second = book(floor, "barn", *days, firmness=Firmness.PENCILLED)
    third = book(floor, "barn", *days, firmness=Firmness.PENCILLED)
    works(floor)
    cancel(floor, second)
    works(floor)
    cancel(floor, first)
    works(floor)

    with floor.database.reading() as session:
        # Whom a clash concerned is known when it ends, though the bookings are gone.
        assert set(session.exec(select(NoticeRow.production_id))) == {1}
        assert all(each == [1] for each in session.exec(select(NoticeRow.stage_ids)))
    pairs = [(first, second), (first, third), (second, third)]
    found = told(floor, NoticeKind.CLASH)
    assert sorted(each for each in found if not each[2]) == sorted(
        (NoticeKind.CLASH, f"bookings/{one}/{other}", False) for one, other in pairs
    )
    assert sorted(each for each in found if each[2]) == sorted(
        (NoticeKind.CLASH, f"bookings/{one}/{other}", True) for one, other in pairs
    )


def test_a_shot_behind_its_booked_shooting_is_told_of_at_the_end_of_a_day_until_it_has_caught_up(floor: Nights) -> None:
    open_daily(floor)
    hear(floor, NoticeKind.BEHIND_BY_FRAMES, 6)
    hear(floor, NoticeKind.BEHIND_BY_DAYS, 2)
    book(floor, "barn", "2026-03-05T09:00:00+00:00", "2026-03-07T18:00:00+00:00", "0120")
    works(floor)
    # 24 frames over three days: eight by the evening of the first.
    works(floor, "2026-03-05T17:59:00Z")
    assert told(floor) == []
    works(floor, "2026-03-05T18:00:00Z")
    works(floor, "2026-03-06T18:00:00Z")
    floor.count("barn", "0120", 20)
    works(floor)

    found = told(floor)
    assert [kind for kind, _, over in found if not over] == [NoticeKind.BEHIND_BY_FRAMES, NoticeKind.BEHIND_BY_DAYS]
    assert sorted(kind for kind, _, over in found[2:] if over) == [
        NoticeKind.BEHIND_BY_DAYS,
        NoticeKind.BEHIND_BY_FRAMES,
    ]


def test_a_log_read_from_its_beginning_tells_nobody_of_last_month(floor: Nights) -> None:
    floor.count("barn", "0120", 24, outcome="finished")
    floor.decide("0120", "circle")

    works(floor, "2026-04-20T08:00:00Z")

    assert told(floor, NoticeKind.PLANNED_REACHED, NoticeKind.TAKE_FINISHED) == []


def test_nobody_is_woken_twice_for_one_instant(floor: Nights) -> None:
    hear(floor, NoticeKind.DECISION_WAITED_FOR, 4)
    floor.count("barn", "0120", 24, outcome="finished")
    works(floor)
    with floor.database.reading() as session:
        due: Sequence[ReminderRow] = session.exec(select(ReminderRow)).all()
        assert [(row.name, row.due_at) for row in due if row.name == "shot/1"] == [
            ("shot/1", datetime(2026, 3, 4, 20, 30, tzinfo=UTC))
        ]
    works(floor, "2026-03-04T20:31:00Z")
    with floor.database.reading() as session:
        assert session.exec(select(ReminderRow).where(ReminderRow.name == "shot/1")).all() == []
        assert len(session.exec(select(DeliveryRow)).all()) == 1


class Newer(Notices):
    """The next version, which reads the log again."""

    version: ClassVar[int] = 2
    rebuild = Worker.rebuild


class Rebuilding(Notices):
    """The next version, which makes its rows from facts."""

    version: ClassVar[int] = 2


@pytest.mark.parametrize("later", [Newer, Rebuilding])
def test_a_new_version_knows_what_was_told_and_tells_nothing_twice(floor: Nights, later: type[Notices]) -> None:
    hear(floor, NoticeKind.DECISION_WAITED_FOR, 4)
    days = ("2026-03-05T09:00:00+00:00", "2026-03-06T17:00:00+00:00")
    one, other = book(floor, "barn", *days), book(floor, "barn", *days, firmness=Firmness.PENCILLED)
    floor.count("barn", "0120", 24, outcome="finished")
    works(floor)
    works(floor, "2026-03-04T21:00:00Z")
    before = told(floor)
    assert {kind for kind, *_ in before} == {
        NoticeKind.CLASH,
        NoticeKind.PLANNED_REACHED,
        NoticeKind.TAKE_FINISHED,
        NoticeKind.DECISION_WAITED_FOR,
    }

    floor.worker = later(NoticesSettings())
    works(floor, "2026-03-04T21:10:00Z")
    works(floor)
    assert told(floor) == before

    # It goes on where the other stood.
    floor.decide("0120", "reject")
    cancel(floor, other)
    works(floor)
    assert sorted(each for each in told(floor)[len(before) :] if each[2]) == [
        (NoticeKind.CLASH, f"bookings/{one}/{other}", True),
        (NoticeKind.DECISION_WAITED_FOR, "take/1", True),
        (NoticeKind.PLANNED_REACHED, "shot/1", True),
    ]


class Lamps(Listener):
    """A stranger's worker that raises notices of a kind of its own, and of one that is not its own."""

    name: ClassVar[str] = "lamps"
    events: ClassVar[frozenset[str]] = frozenset({EventKind.STAGE_CALLED})
    notices: ClassVar[Mapping[str, str]] = MappingProxyType({"lamps/due": "The lamps of a stage are due."})
    kind = "lamps/due"

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        del context
        return [
            Notice(
                kind=self.kind,
                subject=f"stage/{event.data['stage']}",
                occasion="400",
                since=event.at,
                facts={"text": f"The lamps of {event.data['stage']} have burnt 400 hours."},
            )
            for event in batch
        ]


def test_a_worker_of_others_raises_kinds_of_its_own_and_no_other(floor: Nights) -> None:
    own = watch(floor.database, "electrician", Heard(kind="lamps/due"))
    floor.worker = Lamps()
    for _ in range(2):
        signal(floor, "barn", Signal.CALL)
        works(floor, floor.now + timedelta(hours=1))

    assert told(floor) == [("lamps/due", "stage/barn", False)]
    with floor.database.reading() as session:
        notice = store.read(session.exec(select(NoticeRow)).one())
        assert [row.watch_id for row in session.exec(select(DeliveryRow))] == [own]
    assert words(notice, "UTC").sentences == ("The lamps of barn have burnt 400 hours.",)

    floor.worker = Lamps()
    for kind in (NoticeKind.APPROVED, "others/due", "lamps"):
        floor.worker.kind = kind
        signal(floor.at(floor.now + timedelta(hours=1)), "barn", Signal.CALL)
        with pytest.raises(AssertionError, match="is no kind of notice of the worker lamps"):
            works(floor)
        floor.at(floor.now + timedelta(days=1))
    # What could not be digested is told of as well.
    assert told(floor)[1:] == [(NoticeKind.EVENT_SET_ASIDE, "worker/lamps", False)]


def test_who_approved_a_shot_is_told_that_it_is_not_what_they_approved(floor: Nights) -> None:
    floor.count("barn", "0120", 24, outcome="finished")
    floor.decide("0120", "circle")
    for phase in ("set dressing", "shooting", "approval"):
        assert floor.go("0120", phase)
    assert floor.sign("0120", "approval")
    assert floor.go("0120", "approved")
    works(floor)
    assert told(floor, NoticeKind.CHANGED_SINCE_APPROVAL) == []
    approver = watch(
        floor.database, "approver", Heard(kind=NoticeKind.CHANGED_SINCE_APPROVAL, ends=True), person="office"
    )
    watch(floor.database, "somebody else", Heard(kind=NoticeKind.CHANGED_SINCE_APPROVAL), person="Ilse")

    # Eleven frames deleted and shot again are other frames (hard case: common practice).
    for total in (13, 24):
        floor.at(floor.now + timedelta(minutes=1)).count("barn", "0120", total)
    works(floor)

    with floor.database.reading() as session:
        assert [row.watch_id for row in session.exec(select(DeliveryRow))] == [approver]
        notice = store.read(
            session.exec(select(NoticeRow).where(NoticeRow.kind == NoticeKind.CHANGED_SINCE_APPROVAL)).one()
        )
    said = words(notice, "UTC")
    assert said.headline == "0120: changed since its approval"
    assert "is not any more what office approved" in said.sentences[0]


def test_many_revisions_of_a_day_in_a_row_are_told_as_one(floor: Nights) -> None:
    def file(revision: int) -> None:
        data = {"production": PRODUCTION, "day": "2026-03-03", "revision": revision}
        with floor.database.writing() as session:
            append(session, kind=EventKind.REPORT_FILED, at=floor.now, actor="engine", production_id=1, data=data)

    for revision in range(1, 9):
        file(revision)
        works(floor, floor.now + timedelta(minutes=2))
    ready = (NoticeKind.REPORT_READY, f"report/{PRODUCTION}/2026-03-03", False)
    revised = (NoticeKind.REPORT_REVISED, f"report/{PRODUCTION}/2026-03-03", False)
    assert told(floor) == [ready]

    works(floor, floor.now + timedelta(minutes=5))
    assert told(floor) == [ready, revised]
    with floor.database.reading() as session:
        notice = store.read(session.exec(select(NoticeRow).where(NoticeRow.kind == NoticeKind.REPORT_REVISED)).one())
    assert (notice.occasion, notice.production_id) == ("8", 1)

    # What comes later is told anew.
    file(9)
    works(floor)
    works(floor, floor.now + timedelta(minutes=6))
    assert told(floor) == [ready, revised, revised]
