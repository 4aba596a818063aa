"""Workers: how far they are behind, and what went wrong."""

from dataclasses import asdict
from datetime import date, datetime
from typing import Any

from fastapi import APIRouter, Response
from pydantic import Field

from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import LACKS, Out
from service.api.strict import StrictRoute
from service.api.switches import DisabledOut
from service.domain.workers import State, what_of_the_gap, what_to_do
from service.store import events
from service.store import workers as store
from service.store.workers import DayJob, Rebuild, Standing

router = APIRouter(prefix="/v1/workers", tags=["workers"], route_class=StrictRoute)

WORKERS = {
    "head": 4815,
    "items": [
        {
            "name": "progress",
            "version": 1,
            "state": "loaded",
            "what_to_do": None,
            "disabled": None,
            "distribution": "tiedown",
            "error": None,
            "hosts": ["mill-server"],
            "events": ["frames.counted", "shot.changed"],
            "tables": {"shot_progress": "The frames of a shot."},
            "settings_schema": {"type": "object", "properties": {}},
            "position": 4812,
            "lag_events": 3,
            "lag_s": 0.041,
            "attempts": 0,
            "next_try_at": None,
            "last_error": None,
            "last_error_at": None,
            "health": [],
            "quarantined": 0,
            "rebuild": None,
            "needs_rebuild": False,
            "lacks_to": None,
            "refused": [],
            "jobs": [
                {
                    "name": "recount",
                    "day_on": "2026-03-02",
                    "due_at": "2026-03-03T03:00:00Z",
                    "done_at": "2026-03-03T03:00:02Z",
                    "attempts": 1,
                    "result": {"drifted": 0},
                    "last_error": None,
                }
            ],
        }
    ],
}


class DayJobOut(Out):
    """A worker's job of one studio-local day."""

    name: str = Field(description="What the job is called.")
    day_on: date = Field(description="The studio-local day it is for.")
    due_at: datetime = Field(description="When it fell due (UTC).")
    done_at: datetime | None = Field(description="When it was done (UTC); null while it is open.")
    attempts: int = Field(description="How often it was tried.")
    result: dict[str, Any] | None = Field(
        description="What it found; null to a key bound to a production, since it may tell of any."
    )
    last_error: str | None = Field(description="What went wrong last.")

    @classmethod
    def of(cls, job: DayJob, *, results: bool) -> "DayJobOut":
        """The job as it stands, with what it found where that may be shown."""
        return cls(
            name=job.name,
            day_on=job.day_on,
            due_at=job.due_at,
            done_at=job.done_at,
            attempts=job.attempts,
            result=dict(job.result) if results and job.result is not None else None,
            last_error=job.last_error,
        )


class RefusedOut(Out):
    """A package that provides the worker and cannot be used."""

    distribution: str = Field(description="The package, or several.")
    state: State = Field(description="Why it cannot be used.")
    error: str | None = Field(description="What went wrong, or what it lacks.")
    hosts: list[str] = Field(description="The machines it is on.")
    what_to_do: str | None = Field(description="What to do about it.")


class RebuildOut(Out):
    """Rows that are made anew beside those that are shown."""

    edition: int = Field(description="The number of these rows.")
    version: int = Field(description="The worker's version that makes them.")
    by_facts: bool = Field(description="Whether they are computed from facts; else by reading the log.")
    steps: int | None = Field(description="How many steps through the facts are done; null where none is to be done.")
    position: int = Field(description="After the facts: the id of the last event they take into account.")
    attempts: int = Field(description="How often the next step was tried.")
    next_try_at: datetime | None = Field(description="When it is tried again after a failure (UTC).")
    last_error: str | None = Field(description="What went wrong last.")
    begun_at: datetime = Field(description="When they were begun (UTC).")
    asked_by: str | None = Field(description="The key that asked for them; null where a new version brought them.")
    lacks_to: int | None = Field(description=LACKS)

    @classmethod
    def of(cls, rebuild: Rebuild) -> "RebuildOut":
        """How it goes."""
        return cls.model_validate({**asdict(rebuild), "lacks_to": rebuild.lacks_to or None})


class WorkerOut(Out):
    """A worker: what reads the log and makes figures of it."""

    name: str = Field(description="Its name.")
    version: int = Field(description="Its newest version; 0 where no host could load it and none ever read the log.")
    state: State = Field(
        description="`loaded` where any host has it; `missing` where it has read the log but no host has it any more; "
        "`disabled` where an operator disabled it; else why no host could load it."
    )
    disabled: DisabledOut | None = Field(description="Who disabled it, when and why; null where nobody did.")
    what_to_do: str | None = Field(description="What to do to have it work, where it is not loaded or needs a rebuild.")
    distribution: str = Field(description="The package that provides it.")
    error: str | None = Field(description="Why it could not be loaded.")
    hosts: list[str] = Field(description="The machines that have it.")
    events: list[str] = Field(description="The kinds of event it reads.")
    tables: dict[str, str] = Field(
        description="The tables it keeps rows in, each with what a row is. "
        "A stranger's are at `/v1/workers/{worker}/figures/{table}`."
    )
    settings_schema: dict[str, Any] = Field(description="The JSON Schema of its settings.")
    position: int = Field(description="The id of the last event it has read.")
    lag_events: int = Field(description="How many events it has still to read; counted to 10 000.")
    lag_s: float = Field(description="For how many seconds the oldest of them has waited.")
    attempts: int = Field(description="How often it has tried the events it now stands before.")
    next_try_at: datetime | None = Field(description="When it tries again after a failure (UTC).")
    last_error: str | None = Field(description="What went wrong last, however long ago.")
    last_error_at: datetime | None = Field(description="When that was (UTC).")
    health: list[str] = Field(description="What it says hinders it, by the batch it handled last.")
    quarantined: int = Field(description="How many events were set aside because it could not digest them.")
    rebuild: RebuildOut | None = Field(
        description="The rows that are made anew and shown once they have caught up; null where none are."
    )
    needs_rebuild: bool = Field(
        description="Whether it stands still, because events it wants were cleaned away before it had read them."
    )
    lacks_to: int | None = Field(description=LACKS)
    refused: list[RefusedOut] = Field(description="The packages that provide it and cannot be used.")
    jobs: list[DayJobOut] = Field(description="Of each of its jobs the last day done, and the days still open.")

    @classmethod
    def of(cls, standing: Standing, now: datetime, *, results: bool) -> "WorkerOut":
        """The worker as it stands at *now*, with what its jobs found where that may be shown."""
        return cls(
            name=standing.worker,
            version=standing.version,
            state=standing.state,
            what_to_do=_what_to_do(standing),
            disabled=DisabledOut.of(standing.disabled),
            distribution=standing.distribution,
            error=standing.error,
            hosts=list(standing.hosts),
            events=list(standing.events),
            tables=dict(standing.tables),
            settings_schema=dict(standing.settings_schema),
            position=standing.position,
            lag_events=standing.lag.events,
            lag_s=standing.lag.seconds(now),
            attempts=standing.attempts,
            next_try_at=standing.next_try_at,
            last_error=standing.last_error,
            last_error_at=standing.last_error_at,
            health=list(standing.health),
            quarantined=standing.quarantined,
            rebuild=None if standing.rebuild is None else RebuildOut.of(standing.rebuild),
            needs_rebuild=standing.needs_rebuild,
            lacks_to=standing.lacks_to or None,
            refused=[
                RefusedOut(
                    distribution=each.distribution,
                    state=each.state,
                    error=each.error,
                    hosts=list(each.hosts),
                    what_to_do=what_to_do(each.state, standing.worker, each.distribution),
                )
                for each in standing.refused
            ],
            jobs=[DayJobOut.of(job, results=results) for job in standing.jobs],
        )


def _what_to_do(standing: Standing) -> str | None:
    if standing.needs_rebuild and standing.state is State.LOADED:
        return what_of_the_gap(standing.worker, rebuilds=standing.rebuild is not None)
    return what_to_do(standing.state, standing.worker, standing.distribution)


class WorkersOut(Out):
    """The workers, beside the log they read."""

    head: int = Field(description="The id of the last event in the log.")
    items: list[WorkerOut] = Field(description="By name.")


@router.get(
    "",
    operation_id="worker_list",
    summary="List workers",
    response_model=WorkersOut,
    responses=answers(WORKERS),
)
def list_workers(door: Reader) -> Response:
    """List the workers: state, version, how far each has read the log, its lag in events and seconds, its last error.

    Needs `read`.
    """
    with door.reading() as session:
        head = events.head(session)
        results = door.caller.production_id is None
        items = [WorkerOut.of(each, door.now, results=results) for each in store.standings(session)]
        return door.reply(None, WorkersOut(head=head, items=items))
