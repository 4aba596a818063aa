"""Answers kept for writes that named an Idempotency-Key."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast
from zlib import crc32

from sqlalchemy import CursorResult, delete, text
from sqlmodel import Session, col

from service.store.tables import IdempotencyRow


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


def recall(session: Session, attempt: Attempt) -> KeptAnswer | None:
    """The answer kept under this caller's Idempotency-Key.

    A rival with the same one waits here until this transaction ends.
    """
    if session.get_bind().dialect.name == "postgresql":
        # The two-number form of the lock is a space of its own, so it never meets the log's.
        key = crc32(attempt.idempotency_key.encode()) - 2**31
        session.execute(text("SELECT pg_advisory_xact_lock(:caller, :key)"), {"caller": attempt.api_key_id, "key": key})
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


def forget_before(session: Session, instant: datetime) -> int:
    """Drop the answers kept before *instant*; how many there were."""
    statement = delete(IdempotencyRow).where(col(IdempotencyRow.answered_at) < instant)
    return cast("CursorResult[Any]", session.execute(statement)).rowcount
