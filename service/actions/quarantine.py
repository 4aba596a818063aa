"""Decide what becomes of an event that a worker could not digest."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.refusals import Clash, Unknown
from service.store import quarantine as store
from service.store.events import append
from service.store.quarantine import Waiting


@dataclass(eq=False)
class NotSetAside(Unknown):
    """The worker {worker} set no event {event} aside: GET /v1/workers/{worker}/quarantine lists those that wait."""

    worker: str
    event: int


@dataclass(eq=False)
class Released(Clash):
    """The event {event} waits no more: it was {release}. Nothing is left to be done."""

    event: int
    release: str


def retry(session: Session, worker: str, event_id: int, *, by: str, now: datetime) -> Waiting:
    """Let the worker try an event once more, at its next step; asking twice is asking once.

    Raises NotSetAside, Released.
    """
    found = _waiting(session, worker, event_id)
    if found.row.retry_at is None:
        found.row.retry_at = now
        _tell(session, EventKind.QUARANTINE_RETRIED, found, by=by, now=now)
    return found


def skip(session: Session, worker: str, event_id: int, *, by: str, now: datetime) -> Waiting:
    """Let the worker do without an event, for good. Raises NotSetAside, Released."""
    found = _waiting(session, worker, event_id)
    found.row.retry_at, found.row.released_at = None, now
    found.row.release, found.row.released_by = store.SKIPPED, by
    _tell(session, EventKind.QUARANTINE_SKIPPED, found, by=by, now=now)
    return found


def _waiting(session: Session, worker: str, event_id: int) -> Waiting:
    found = store.find(session, worker, event_id, lock=True)
    if found is None:
        raise NotSetAside(worker, event_id)
    if found.row.released_at is not None:
        raise Released(event_id, found.row.release or "released")
    return found


def _tell(session: Session, kind: EventKind, found: Waiting, *, by: str, now: datetime) -> None:
    data = {"worker": found.row.worker, "version": found.version, "event": found.event.id}
    append(session, kind=kind, at=now, actor=by, production_id=found.event.production_id, data=data)
