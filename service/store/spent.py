"""Rows of editions that nobody will be shown again, taken away a little at a time."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import delete
from sqlmodel import Session, col, select

from service.domain.editions import EditionState
from service.store import catalogue, editions, figures, kept
from service.store.tables import CursorRow, EditionRow, QuarantineRow

KEPT_FOR = timedelta(days=7)
SWEPT_AT_ONCE = 1000


def sweep(session: Session, *, now: datetime, limit: int = SWEPT_AT_ONCE) -> bool:
    """Take away at most *limit* rows of each table of one edition that will not be shown again; False: there is none.

    Those of the version that is shown, or given up, go at once; those of another version are kept for a week, and as
    long as a host has it, so that going back to it costs nothing.
    """
    edition = next((each for each in _ended(session) if _spent(session, each, now=now)), None)
    if edition is None:
        return False
    key = edition.worker, edition.edition
    rows = figures.sweep(session, *key, limit=limit) + kept.sweep(session, *key, limit=limit)
    if rows == 0:
        for row in (CursorRow, QuarantineRow):
            session.exec(delete(row).where(col(row.worker) == edition.worker, col(row.edition) == edition.edition))
        edition.swept = True
        session.add(edition)
    return True


def _ended(session: Session) -> Sequence[EditionRow]:
    over = [EditionState.FORMER.value, EditionState.GIVEN_UP.value]
    statement = select(EditionRow).where(col(EditionRow.state).in_(over), col(EditionRow.swept).is_(False))
    return session.exec(statement.order_by(col(EditionRow.worker), col(EditionRow.edition))).all()


def _spent(session: Session, edition: EditionRow, *, now: datetime) -> bool:
    if edition.state == EditionState.GIVEN_UP.value:
        return True
    shown_now = editions.ruling(session, edition.worker)
    if shown_now is not None and shown_now.version == edition.version:
        return True
    ended_at = edition.ended_at or edition.begun_at
    return ended_at < now - KEPT_FOR and edition.version not in catalogue.loaded(session, edition.worker, now=now)
