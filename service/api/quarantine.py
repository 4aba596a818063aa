"""Events that a worker could not digest."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import quarantine, switches
from service.actions.quarantine import NotSetAside, Released
from service.actions.switches import WorkerUnknown
from service.api.doors import Admin, Door, Reader
from service.api.events import EVENT, EventOut, outs
from service.api.examples import answers, page_of
from service.api.fields import Out
from service.api.kept import WorkerInPath
from service.api.pages import LARGEST_ID, Page, Paging
from service.api.strict import StrictRoute
from service.store import quarantine as store
from service.store.quarantine import Waiting

router = APIRouter(prefix="/v1/workers", tags=["workers"], route_class=StrictRoute)

ENTRY: Mapping[str, Any] = {
    "version": 1,
    "event": EVENT,
    "attempts": 5,
    "error": "ValueError: an animator without a name",
    "quarantined_at": "2026-03-02T14:06:00Z",
    "retry_at": None,
    "release": None,
    "released_at": None,
    "released_by": None,
}
SKIPPED = {**ENTRY, "release": "skipped", "released_at": "2026-03-02T15:00:00Z", "released_by": "office"}

EventInPath = Annotated[
    int, Path(ge=1, le=LARGEST_ID, description="The id of the event that was set aside.", examples=[1])
]


class QuarantinedOut(Out):
    """An event that a worker could not digest."""

    version: int = Field(description="The version of the worker that set it aside.")
    event: EventOut = Field(description="The event.")
    attempts: int = Field(description="How often it was tried.")
    error: str = Field(description="What went wrong at the last try.")
    quarantined_at: datetime = Field(description="When it was set aside (UTC).")
    retry_at: datetime | None = Field(
        description="Since when it waits to be tried again (UTC); null where it does not."
    )
    release: Literal["digested", "skipped"] | None = Field(description="What became of it; null while it waits.")
    released_at: datetime | None = Field(description="When that was (UTC).")
    released_by: str | None = Field(description="The key that had it skipped.")


def shown(session: Session, found: Sequence[Waiting]) -> list[QuarantinedOut]:
    """What was set aside, as answers tell it."""
    told = outs(session, [each.event for each in found])
    return [
        QuarantinedOut.model_validate(
            {
                **each.row.model_dump(include=set(QuarantinedOut.model_fields)),
                "version": each.version,
                "event": event.model_dump(),
            }
        )
        for each, event in zip(found, told, strict=True)
    ]


def _reply(door: Door, session: Session, found: Waiting) -> Response:
    session.flush()
    (out,) = shown(session, [found])
    return door.reply(session, out)


@router.get(
    "/{worker}/quarantine",
    operation_id="quarantine_list",
    summary="List what a worker set aside",
    response_model=Page[QuarantinedOut],
    responses=answers(page_of(ENTRY), WorkerUnknown),
)
def list_quarantine(door: Reader, worker: WorkerInPath, window: Paging) -> Response:
    """List the events that a worker could not digest and that wait for somebody to decide, with what went wrong.

    Needs `read`; a key bound to a production sees the events of that production.
    """
    with door.reading() as session:
        switches.require(session, worker)
        rows = store.page(
            session, worker, after=window.after, limit=window.fetch, production_id=door.caller.production_id
        )
        told = dict(zip((each.row.id for each in rows), shown(session, rows), strict=True))
        return window.reply(door, rows, id_of=lambda each: each.row.id, out_of=lambda each: told[each.row.id])


@router.post(
    "/{worker}/quarantine/{event}/retry",
    operation_id="quarantine_retry",
    summary="Have an event tried again",
    response_model=QuarantinedOut,
    responses=answers({**ENTRY, "retry_at": "2026-03-02T15:00:00Z"}, NotSetAside, Released),
)
def retry_event(door: Admin, worker: WorkerInPath, event: EventInPath) -> Response:
    """Have the worker try an event once more, at its next step, by itself. Asking twice is asking once.

    Where it fails again it goes on waiting, with the new error. Needs `admin`.
    """
    with door.writing() as session:
        return _reply(door, session, quarantine.retry(session, worker, event, by=door.by, now=door.now))


@router.post(
    "/{worker}/quarantine/{event}/skip",
    operation_id="quarantine_skip",
    summary="Have an event skipped",
    response_model=QuarantinedOut,
    responses=answers(SKIPPED, NotSetAside, Released),
)
def skip_event(door: Admin, worker: WorkerInPath, event: EventInPath) -> Response:
    """Have the worker do without an event for good, as if it had said nothing. Needs `admin`."""
    with door.writing() as session:
        return _reply(door, session, quarantine.skip(session, worker, event, by=door.by, now=door.now))
