"""Disable a worker, and enable it again."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.refusals import Unknown
from service.store import switches as store
from service.store import workers
from service.store.events import append
from service.store.switches import Disabled


@dataclass(eq=False)
class WorkerUnknown(Unknown):
    """There is no worker {worker!r}: GET /v1/workers, or `tiedown workers list`, lists those there are."""

    worker: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Switched:
    """How a worker stands after it was to be disabled or enabled.

    `already` says that it was so before; `off_in_settings` are the hosts whose settings disable it, whatever is stored.
    """

    worker: str
    disabled: Disabled | None
    already: bool
    off_in_settings: tuple[str, ...]


def require(session: Session, worker: str) -> None:
    """Raise WorkerUnknown where no host ever found a worker of this name, and nobody disabled one."""
    if workers.tables(session, worker) is None and store.find(session, worker) is None:
        raise WorkerUnknown(worker)


def disable(session: Session, worker: str, *, reason: str, by: str, now: datetime) -> Switched:
    """Let no engine import a worker or give it anything to do; where it is so already, what was said first stands."""
    changed = store.disable(session, worker, Disabled(by, now, reason))
    if changed:
        _tell(session, EventKind.WORKER_DISABLED, worker, reason=reason, by=by, now=now)
    return _switched(session, worker, changed=changed)


def enable(session: Session, worker: str, *, reason: str, by: str, now: datetime) -> Switched:
    """Let a worker go on where it stopped; where it is not disabled, nothing is written."""
    changed = store.enable(session, worker)
    if changed:
        _tell(session, EventKind.WORKER_ENABLED, worker, reason=reason, by=by, now=now)
    return _switched(session, worker, changed=changed)


def _switched(session: Session, worker: str, *, changed: bool) -> Switched:
    return Switched(
        worker=worker,
        disabled=store.find(session, worker),
        already=not changed,
        off_in_settings=workers.off_in_settings(session, worker),
    )


def _tell(session: Session, kind: EventKind, worker: str, *, reason: str, by: str, now: datetime) -> None:
    append(session, kind=kind, at=now, actor=by, data={"worker": worker, "reason": reason})
