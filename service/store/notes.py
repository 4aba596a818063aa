"""Notes on takes: add, find, list, count."""

from collections import defaultdict
from collections.abc import Collection, Sequence

from sqlalchemy import func
from sqlmodel import Session, col, select

from service.store.tables import TakeNoteRow


def next_number(session: Session, take_id: int) -> int:
    """The number of the take's next note; the caller holds the shot's lock."""
    last = session.exec(select(func.max(TakeNoteRow.number)).where(col(TakeNoteRow.take_id) == take_id)).one()
    return (last or 0) + 1


def find(session: Session, take_id: int, number: int) -> TakeNoteRow | None:
    """The take's note of this number."""
    statement = select(TakeNoteRow).where(col(TakeNoteRow.take_id) == take_id, col(TakeNoteRow.number) == number)
    return session.exec(statement).one_or_none()


def page(session: Session, take_id: int, *, after: int, limit: int) -> Sequence[TakeNoteRow]:
    """At most `limit` notes of a take after the note with id `after`, in the order they were made."""
    statement = select(TakeNoteRow).where(col(TakeNoteRow.take_id) == take_id, col(TakeNoteRow.id) > after)
    return session.exec(statement.order_by(col(TakeNoteRow.id)).limit(limit)).all()


def counts(session: Session, shot_id: int) -> dict[int, int]:
    """How many notes that are not struck each take of a shot has, by take id."""
    statement = (
        select(col(TakeNoteRow.take_id), func.count())
        .where(col(TakeNoteRow.shot_id) == shot_id, col(TakeNoteRow.struck_at).is_(None))
        .group_by(col(TakeNoteRow.take_id))
    )
    return dict(session.exec(statement).all())


def of_takes(session: Session, take_ids: Collection[int]) -> dict[int, list[TakeNoteRow]]:
    """The notes of each take, struck ones too, in the order they were made."""
    found: dict[int, list[TakeNoteRow]] = defaultdict(list)
    statement = select(TakeNoteRow).where(col(TakeNoteRow.take_id).in_(take_ids)).order_by(col(TakeNoteRow.id))
    for row in session.exec(statement):
        found[row.take_id].append(row)
    return found


def counts_of_takes(session: Session, take_ids: Collection[int]) -> dict[int, int]:
    """How many notes that are not struck each of these takes has, by take id; of those that have any."""
    statement = (
        select(col(TakeNoteRow.take_id), func.count())
        .where(col(TakeNoteRow.take_id).in_(take_ids), col(TakeNoteRow.struck_at).is_(None))
        .group_by(col(TakeNoteRow.take_id))
    )
    return dict(session.exec(statement).all())
