"""Answers kept for writes that named an Idempotency-Key."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from zlib import crc32

from sqlalchemy import delete, select, text
from sqlmodel import Session, col

from service.store.tables import IdempotencyRow

# Longer than any client goes on trying one write.
KEPT_FOR = timedelta(days=7)
MOST_FORGOTTEN = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """A write as it was sent.

    Whose, under which Idempotency-Key, and what (the SHA-256 of its body, in hexadecimal).
    """

    api_key_id: int
    idempotency_key: str
    method: str
    path: str
    body_digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptAnswer:
    """The answer to an earlier write under the same Idempotency-Key, and whether that was the same write."""

    same: bool
    status: int
    headers: Mapping[str, str]
    body: str


def recall(session: Session, attempt: Attempt, *, now: datetime) -> KeptAnswer | None:
    """The answer kept under this caller's Idempotency-Key.

    A rival with the same one waits here until this transaction ends.
    """
    if session.get_bind().dialect.name == "postgresql":
        # The two-number form of the lock is a space of its own, so it never meets the log's.
        key = crc32(attempt.idempotency_key.encode()) - 2**31
        session.execute(text("SELECT pg_advisory_xact_lock(:caller, :key)"), {"caller": attempt.api_key_id, "key": key})
    _forget(session, now - KEPT_FOR)
    row = session.get(IdempotencyRow, (attempt.api_key_id, attempt.idempotency_key))
    if row is None:
        return None
    same = (row.method, row.path, row.body_digest) == (attempt.method, attempt.path, attempt.body_digest)
    return KeptAnswer(same=same, status=row.status, headers=row.headers, body=row.body)


def keep(
    session: Session, attempt: Attempt, *, status: int, headers: Mapping[str, str], body: str, now: datetime
) -> None:
    """Keep the answer to a write in the write's own transaction."""
    session.add(
        IdempotencyRow(
            api_key_id=attempt.api_key_id,
            idempotency_key=attempt.idempotency_key,
            method=attempt.method,
            path=attempt.path,
            body_digest=attempt.body_digest,
            status=status,
            headers=dict(headers),
            body=body,
            answered_at=now,
        )
    )


def _forget(session: Session, before: datetime) -> None:
    """Drop some answers that are past their time; what rivals drop at the same moment is left to them."""
    past = (
        select(col(IdempotencyRow.api_key_id), col(IdempotencyRow.idempotency_key))
        .where(col(IdempotencyRow.answered_at) < before)
        .order_by(col(IdempotencyRow.answered_at))
        .limit(MOST_FORGOTTEN)
        .with_for_update(skip_locked=True)
    )
    for api_key_id, idempotency_key in session.execute(past).all():
        session.execute(
            delete(IdempotencyRow).where(
                col(IdempotencyRow.api_key_id) == api_key_id, col(IdempotencyRow.idempotency_key) == idempotency_key
            )
        )
