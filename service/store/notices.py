"""Notices as they were raised."""

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy import insert, select, tuple_
from sqlmodel import Session, col

from service.domain.notices import Notice
from service.store.tables import NoticeRow, ShotRow

# A statement compares so many names at most: PostgreSQL and SQLite bound its parameters.
AT_ONCE = 500

Name = tuple[str, int, str, str, bool]


def name_of(notice: Notice) -> Name:
    """What tells a notice from every other."""
    return notice.kind, notice.threshold, notice.subject, notice.occasion, notice.over


def raised(session: Session, notices: Sequence[Notice]) -> set[Name]:
    """The names of those among these that were raised before."""
    found: set[Name] = set()
    identity = tuple_(
        col(NoticeRow.kind),
        col(NoticeRow.threshold),
        col(NoticeRow.subject),
        col(NoticeRow.occasion),
        col(NoticeRow.over),
    )
    for first in range(0, len(notices), AT_ONCE):
        names = [name_of(each) for each in notices[first : first + AT_ONCE]]
        statement = select(
            col(NoticeRow.kind),
            col(NoticeRow.threshold),
            col(NoticeRow.subject),
            col(NoticeRow.occasion),
            col(NoticeRow.over),
        ).where(identity.in_(names))
        found.update(tuple(row) for row in session.execute(statement))
    return found


def episodes(session: Session, shot_ids: Collection[int]) -> dict[int, int]:
    """The id of the episode of each of these shots."""
    statement = select(col(ShotRow.id), col(ShotRow.episode_id)).where(col(ShotRow.id).in_(shot_ids))
    return {id_ or 0: episode_id for id_, episode_id in session.execute(statement)}


def add(
    session: Session, notices: Sequence[Notice], *, worker: str, of_episode: dict[int, int], now: datetime
) -> list[int]:
    """Keep notices that were never raised before; their ids, in this order."""
    rows = [
        {
            "kind": each.kind,
            "threshold": each.threshold,
            "subject": each.subject,
            "occasion": each.occasion,
            "over": each.over,
            "worker": worker,
            "production_id": each.production_id,
            "episode_id": None if each.shot_id is None else of_episode.get(each.shot_id),
            "shot_id": each.shot_id,
            "stage_ids": list(each.stage_ids),
            "people": list(each.people),
            "since": each.since,
            "facts": dict(each.facts),
            "raised_at": now,
        }
        for each in notices
    ]
    statement = insert(NoticeRow).returning(col(NoticeRow.id), sort_by_parameter_order=True)
    return [int(id_) for (id_,) in session.execute(statement, rows)]


def read(row: NoticeRow) -> Notice:
    """The notice that a row keeps."""
    return Notice(
        kind=row.kind,
        threshold=row.threshold,
        subject=row.subject,
        occasion=row.occasion,
        over=row.over,
        since=row.since,
        production_id=row.production_id,
        shot_id=row.shot_id,
        stage_ids=tuple(row.stage_ids),
        people=tuple(row.people),
        facts=row.facts,
    )


def page(
    session: Session,
    *,
    production_id: int | None,
    kind: str | None,
    shot_id: int | None,
    before: int | None,
    limit: int,
) -> list[NoticeRow]:
    """At most *limit* notices, the newest first, raised before the one of this id where it is given."""
    statement = select(NoticeRow).order_by(col(NoticeRow.id).desc()).limit(limit)
    for column, value in (
        (NoticeRow.production_id, production_id),
        (NoticeRow.kind, kind),
        (NoticeRow.shot_id, shot_id),
    ):
        if value is not None:
            statement = statement.where(col(column) == value)
    if before is not None:
        statement = statement.where(col(NoticeRow.id) < before)
    return list(session.scalars(statement))
