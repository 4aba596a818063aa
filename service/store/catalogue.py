"""Which workers each host found, and when each engine last gave a sign of life."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import delete, insert, update
from sqlmodel import Session, col, func, select

from service.domain.workers import State
from service.store.cursors import insert_unless_there
from service.store.tables import CatalogueRow, HeartbeatRow

ENGINE = "engine"
RELAY = "relay"
SILENT_FOR = timedelta(days=1)
# A host writes down what it has once an hour; what it wrote longer ago it may have no more.
THERE_WITHIN = timedelta(hours=3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A worker as a host found it; `version` is 0 where it could not be loaded, and `error` then says why.

    Of one that is disabled it is what a host last had, for its rows stay readable.

    `tables` are those it keeps rows in, by name, each with what a row is, `notices` the kinds it raises likewise;
    `by_production` says that it has a cursor for each production, `rebuilds` that it makes its rows from facts alone.
    """

    worker: str
    version: int
    distribution: str
    state: str
    error: str | None
    events: Sequence[str]
    tables: Mapping[str, str]
    settings_schema: Mapping[str, Any]
    notices: Mapping[str, str] = field(default_factory=dict)
    by_production: bool = False
    rebuilds: bool = False


def record(session: Session, host: str, entries: Sequence[Entry], *, now: datetime, forget_before: datetime) -> None:
    """Make `entries` all that is known of a host; hosts not seen since `forget_before` are dropped."""
    session.exec(
        delete(CatalogueRow).where((col(CatalogueRow.host) == host) | (col(CatalogueRow.seen_at) < forget_before))
    )
    rows = [
        {
            "host": host,
            "worker": entry.worker,
            "version": entry.version,
            "distribution": entry.distribution,
            "state": entry.state,
            "error": entry.error,
            "events": list(entry.events),
            "tables": dict(entry.tables),
            "notices": dict(entry.notices),
            "settings_schema": dict(entry.settings_schema),
            "by_production": entry.by_production,
            "rebuilds": entry.rebuilds,
            "seen_at": now,
        }
        for entry in entries
    ]
    if rows:
        session.exec(insert(CatalogueRow), params=rows)


def last_had(session: Session, worker: str, *, host: str) -> CatalogueRow | None:
    """A worker as this host last had it, else another; None where none is known to have had it."""
    rows = session.exec(select(CatalogueRow).where(col(CatalogueRow.worker) == worker, col(CatalogueRow.version) > 0))
    return max(rows, key=lambda row: (row.host == host, row.version), default=None)


def newest(session: Session, *, state: str) -> list[CatalogueRow]:
    """Of each worker some host found in `state`, by name, its newest version as one of these hosts has it."""
    found: dict[str, CatalogueRow] = {}
    for row in session.exec(select(CatalogueRow).where(col(CatalogueRow.state) == state)):
        if row.worker not in found or found[row.worker].version < row.version:
            found[row.worker] = row
    return [found[worker] for worker in sorted(found)]


def loaded(session: Session, worker: str, *, now: datetime) -> set[int]:
    """The versions of a worker that hosts have, as far as is known."""
    found = select(CatalogueRow.version).where(
        col(CatalogueRow.worker) == worker,
        col(CatalogueRow.state) == State.LOADED.value,
        col(CatalogueRow.seen_at) >= now - THERE_WITHIN,
    )
    return set(session.exec(found))


def beat(session: Session, role: str, *, host: str, now: datetime) -> None:
    """Give a sign of life of an engine or a relay on a host; signs older than a day are dropped."""
    name = f"{role}@{host}"
    if not insert_unless_there(session, HeartbeatRow, {"name": name, "at": now}):
        session.exec(update(HeartbeatRow).where(col(HeartbeatRow.name) == name).values(at=now))
    session.exec(delete(HeartbeatRow).where(col(HeartbeatRow.at) < now - SILENT_FOR))


def last_beat(session: Session, role: str, *, host: str | None = None) -> datetime | None:
    """When an engine or relay last gave a sign of life, on this host or on any; None where none did for a day."""
    name = col(HeartbeatRow.name)
    there = name.startswith(f"{role}@", autoescape=True) if host is None else name == f"{role}@{host}"
    return session.exec(select(func.max(HeartbeatRow.at)).where(there)).one()
