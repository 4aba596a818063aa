"""Assembles the web side."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from starlette.types import Lifespan

from service.api import (
    blocked,
    bookings,
    calendars,
    candidates,
    clashes,
    corrections,
    counts,
    cuts,
    decisions,
    deliveries,
    docs,
    doors,
    errors,
    events,
    grounds,
    health,
    histories,
    holds,
    kept,
    keys,
    lengths,
    merges,
    moves,
    needs,
    needs_drafts,
    notes,
    notices,
    occupancy,
    phases,
    present,
    productions,
    progress,
    quarantine,
    rebookings,
    rebuilds,
    reports,
    shifts,
    shots,
    signoffs,
    spools,
    stages,
    stream,
    strikes,
    studio,
    switches,
    takes,
    terminals,
    totals,
    unmatched,
    viewing,
    watches,
    whatifs,
    workers,
)
from service.api.turns import LargeBodiesInTurn, Turns
from service.api.wire import AccessLog, BodyLimit, HeadAsGet
from service.settings import Settings
from service.store.engine import Database

# In the order the documentation lists them.
NOUNS = (
    studio,
    productions,
    # Before the stages: `now` is none of their codes.
    present,
    stages,
    shifts,
    calendars,
    bookings,
    clashes,
    holds,
    lengths,
    candidates,
    strikes,
    whatifs,
    rebookings,
    terminals,
    keys,
    cuts,
    shots,
    needs,
    needs_drafts,
    phases,
    blocked,
    moves,
    signoffs,
    counts,
    spools,
    unmatched,
    takes,
    viewing,
    decisions,
    deliveries,
    notes,
    histories,
    grounds,
    totals,
    corrections,
    merges,
    progress,
    occupancy,
    reports,
    events,
    watches,
    notices,
    stream,
    workers,
    kept,
    switches,
    quarantine,
    rebuilds,
    health,
)


def utc_now() -> datetime:
    """The server's clock."""
    return datetime.now(UTC)


def nobody_to_wake() -> None:
    """Nothing waits for commits in this process."""


def create_app(
    settings: Settings,
    database: Database | None = None,
    *,
    clock: Callable[[], datetime] = utc_now,
    wake: Callable[[], None] = nobody_to_wake,
) -> FastAPI:
    """The web application.

    Without a `database` it opens the one the settings name, which must exist and be at the head of the schema, and
    closes it when the application ends. `clock` is what every request reads as its time. `wake` is called after
    each commit: a hint to an engine beside this process, which must neither block nor raise.
    """
    opened = database or Database.open(
        settings.database_url, pool_size=settings.pool_size, lock_timeout_s=settings.lock_timeout_s
    )

    tail = stream.tail_of(opened, settings)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        tail.end()
        if database is None:
            opened.close()

    app = _routed(lifespan)
    app.state.settings, app.state.database, app.state.clock = settings, opened, clock
    app.state.wake, app.state.tail = wake, tail
    app.add_middleware(BodyLimit, limit_bytes=settings.body_limit_bytes)
    app.add_middleware(
        LargeBodiesInTurn,
        turns=Turns(settings.bulk_at_once),
        path=counts.router.prefix,
        limit_bytes=settings.body_limit_bytes,
        now=clock,
    )
    app.add_middleware(HeadAsGet)
    app.add_middleware(AccessLog)
    return app


def openapi() -> dict[str, Any]:
    """The description of the API (OpenAPI 3.1); needs neither settings nor a database."""
    reference: docs.Reference = _routed(None).state.reference
    return reference.document


def _routed(lifespan: Lifespan[FastAPI] | None) -> FastAPI:
    """The application's routes and refusals, without what they work on."""
    app = FastAPI(
        title="Tiedown",
        version=version("tiedown"),
        description="Shot status for a stop-motion studio.",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
    )
    errors.install(app)
    doors.install(app)
    for noun in NOUNS:
        app.include_router(noun.router)
    app.include_router(docs.router)
    app.state.reference = docs.Reference(app, tuple(noun.router for noun in NOUNS))
    return app
