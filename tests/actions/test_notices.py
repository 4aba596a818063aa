"""Notices are raised once for each occasion, and reach every watch that hears of them once."""

from collections.abc import Collection
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlmodel import Session, select

from service.actions import notices
from service.domain.notices import Notice, NoticeKind
from service.domain.watches import Heard
from service.store import watches
from service.store.engine import Database
from service.store.events import append_all
from service.store.tables import DeliveryNoticeRow, DeliveryRow, EventRow, NoticeRow, WatchRow

NOW = datetime(2026, 3, 4, 16, 30, tzinfo=UTC)


def watch(database: Database, name: str, *hears: Heard, **fields: Any) -> int:  # noqa: ANN401 - columns
    with database.writing() as session:
        row = WatchRow(
            name=name,
            channel="folder",
            target={},
            time_zone="UTC",
            secret="whsec_none",
            by="office",
            added_at=NOW,
            **fields,
        )
        session.add(row)
        session.flush()
        watches.let_hear(session, row.id or 0, hears)
        return row.id or 0


def approved(occasion: object, **fields: Any) -> Notice:  # noqa: ANN401 - fields
    return Notice(
        **{"kind": NoticeKind.APPROVED, "subject": "shot/1", "occasion": str(occasion), "since": NOW, **fields}
    )


def raised(database: Database, *wanted: Notice, now: datetime = NOW) -> int:
    with database.writing() as session:
        return len(append_all(session, notices.raise_all(session, wanted, worker="notices", now=now)))


def messages(database: Database, watch_id: int) -> list[tuple[datetime, Collection[str]]]:
    with database.reading() as session:
        return [
            (row.due_at, _occasions(session, row))
            for row in session.exec(select(DeliveryRow))
            if row.watch_id == watch_id
        ]


def _occasions(session: Session, row: DeliveryRow) -> list[str]:
    found = select(NoticeRow.occasion).join(DeliveryNoticeRow).where(DeliveryNoticeRow.delivery_id == row.id)
    return sorted(session.exec(found))


def test_an_occasion_is_raised_once_whoever_raises_it_again(database: Database) -> None:
    own = watch(database, "director", Heard(kind=NoticeKind.APPROVED))

    assert raised(database, approved(1), approved(1), approved(2)) == 2
    assert raised(database, approved(2), approved(3), approved(2, over=True)) == 2

    with database.reading() as session:
        told = session.exec(select(EventRow).where(EventRow.kind == "notice.raised")).all()
    assert [each.data["occasion"] for each in told] == ["1", "2", "2", "3"]
    # What came together goes together; its end was not asked for.
    assert messages(database, own) == [(NOW, ["1", "2"]), (NOW, ["3"])]


def test_a_watch_hears_of_its_kinds_at_its_thresholds_with_their_end_where_asked(database: Database) -> None:
    waited = NoticeKind.DECISION_WAITED_FOR
    short = watch(database, "short", Heard(kind=waited, threshold=4, ends=True))
    long = watch(database, "long", Heard(kind=waited, threshold=48), Heard(kind=waited, threshold=72))
    gone = watch(database, "gone", Heard(kind=waited, threshold=4), removed_at=NOW)
    full = watch(database, "full", Heard(kind=waited, threshold=4), disabled_at=NOW, disabled_reason="wants no more")

    raised(
        database,
        *(approved(hours, kind=waited, threshold=hours, over=over) for hours in (4, 48) for over in (False, True)),
    )

    assert [occasions for _, occasions in messages(database, short)] == [["4", "4"]]
    assert [occasions for _, occasions in messages(database, long)] == [["48"]]
    assert messages(database, gone) == messages(database, full) == []


def test_what_comes_before_a_message_is_due_joins_it(database: Database) -> None:
    hourly = watch(database, "hourly", Heard(kind=NoticeKind.APPROVED), every_min=60)
    muted = watch(database, "muted", Heard(kind=NoticeKind.APPROVED), muted_until=NOW + timedelta(days=3))
    for minutes in (0, 30, 59, 60, 90):
        raised(database, approved(minutes), now=NOW + timedelta(minutes=minutes))

    assert messages(database, hourly) == [
        (NOW + timedelta(minutes=60), ["0", "30", "59"]),
        (NOW + timedelta(minutes=120), ["60", "90"]),
    ]
    assert messages(database, muted) == [(NOW + timedelta(days=3), ["0", "30", "59", "60", "90"])]
