"""Whether this process lives, and whether it can do its work."""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from http import HTTPStatus

from fastapi import APIRouter, Request, Response
from pydantic import Field

from service.api.doors import JSON
from service.api.examples import answers
from service.api.fields import Out
from service.api.switches import DisabledOut
from service.domain.workers import SWITCHED_OFF, State, what_of_the_gap, what_to_do
from service.store import catalogue, deliveries, workers
from service.store.engine import Busy, Database
from service.store.schema import at_head
from service.store.workers import Standing

router = APIRouter(tags=["health"])

# An engine gives a sign of life every two seconds.
SILENT_AFTER = timedelta(seconds=10)
BEHIND_AFTER_S = 10.0
SPOKEN: Mapping[State, str] = {State.OTHER_CONTRACT: "written for another contract", State.DUPLICATE: "there twice"}


class Readiness(StrEnum):
    """Whether the service can do its work.

    `degraded`: counts are accepted, but figures stand still or lag. `unready`: nothing can be accepted.
    """

    READY = "ready"
    DEGRADED = "degraded"
    UNREADY = "unready"


class AliveOut(Out):
    """A sign of life."""

    status: str = Field(description="Always `alive`.")


class LagOut(Out):
    """How far a worker is behind the log."""

    name: str = Field(description="The worker.")
    state: State = Field(description="Whether it could be loaded; one that was disabled hinders nothing.")
    disabled: DisabledOut | None = Field(description="Who disabled it, when and why; null where nobody did.")
    lag_events: int = Field(description="How many events it has still to read; counted to 10 000.")
    lag_s: float = Field(description="For how many seconds the oldest of them has waited.")
    needs_rebuild: bool = Field(description="Whether it stands still, since events it had not read were cleaned away.")


class NotDeliveredOut(Out):
    """How many messages to watches were not delivered; they hinder nothing."""

    dead: int = Field(description="Given up; `GET /v1/deliveries?state=dead` lists them.")
    failing: int = Field(description="Failed, and tried again.")


class ReadyOut(Out):
    """Whether the service can do its work, and what hinders it."""

    status: Readiness = Field(description="`ready`, `degraded` or `unready`.")
    reasons: list[str] = Field(description="What hinders it.")
    engine_seen_at: datetime | None = Field(description="When an engine last gave a sign of life (UTC).")
    workers: list[LagOut] = Field(description="How far each worker is behind.")
    not_delivered: NotDeliveredOut = Field(description="Messages to watches that were not delivered.")


READY = {
    "status": "ready",
    "reasons": [],
    "engine_seen_at": "2026-03-02T14:05:03.500000Z",
    "workers": [
        {
            "name": "progress",
            "state": "loaded",
            "disabled": None,
            "lag_events": 0,
            "lag_s": 0.0,
            "needs_rebuild": False,
        }
    ],
    "not_delivered": {"dead": 0, "failing": 1},
}
UNREADY = {
    "status": "unready",
    "reasons": ["The database does not answer."],
    "engine_seen_at": None,
    "workers": [],
    "not_delivered": {"dead": 0, "failing": 0},
}


@router.get(
    "/healthz",
    operation_id="health_get",
    summary="Whether the process lives",
    response_model=AliveOut,
    responses=answers({"status": "alive"}),
)
def get_health() -> Response:
    """Whether this process answers at all; touches no database. Needs no key."""
    return _reply(AliveOut(status="alive"))


@router.get(
    "/readyz",
    operation_id="readiness_get",
    summary="Whether the service is ready",
    response_model=ReadyOut,
    responses={
        **answers(READY),
        503: {
            "model": ReadyOut,
            "description": "The database does not answer, or its schema is not this program's.",
            "content": {"application/json": {"example": UNREADY}},
        },
    },
)
def get_readiness(request: Request) -> Response:
    """Whether the database answers, its schema is at head, an engine lives and how far workers lag. Needs no key.

    With a dead or lagging engine the service is `degraded` and answers 200, because counts go on being accepted; lags
    are in events and seconds.
    """
    out = _readiness(request.app.state.database, request.app.state.clock())
    return _reply(out, HTTPStatus.SERVICE_UNAVAILABLE if out.status is Readiness.UNREADY else HTTPStatus.OK)


def _readiness(database: Database, now: datetime) -> ReadyOut:
    try:
        if not at_head(database):
            return _unready("The database's schema is not the one this program needs; run `tiedown migrate`.")
        with database.reading() as session:
            seen_at = catalogue.last_beat(session, catalogue.ENGINE)
            standings = workers.standings(session)
            left = deliveries.undelivered(session)
    except Busy as busy:
        return _unready(str(busy))
    reasons = [*_engine(seen_at, now), *(reason for each in standings for reason in _hindrances(each, now))]
    lags = [
        LagOut(
            name=each.worker,
            state=each.state,
            disabled=DisabledOut.of(each.disabled),
            lag_events=each.lag.events,
            lag_s=each.lag.seconds(now),
            needs_rebuild=each.needs_rebuild,
        )
        for each in standings
    ]
    status = Readiness.DEGRADED if reasons else Readiness.READY
    return ReadyOut(
        status=status,
        reasons=reasons,
        engine_seen_at=seen_at,
        workers=lags,
        not_delivered=NotDeliveredOut(dead=left.dead, failing=left.failing),
    )


def _unready(reason: str) -> ReadyOut:
    nothing_known = NotDeliveredOut(dead=0, failing=0)
    return ReadyOut(
        status=Readiness.UNREADY, reasons=[reason], engine_seen_at=None, workers=[], not_delivered=nothing_known
    )


def _engine(seen_at: datetime | None, now: datetime) -> Iterator[str]:
    if seen_at is None:
        yield "No engine has given a sign of life."
    elif now - seen_at > SILENT_AFTER:
        yield f"No engine has given a sign of life for {(now - seen_at).total_seconds():.0f} s."


def _hindrances(worker: Standing, now: datetime) -> Iterator[str]:
    """What hinders a worker, and what to do. Errors are told to who has a key alone: whoever asks here needs none."""
    if worker.state in SWITCHED_OFF:
        return
    for each in worker.refused:
        if each.state in SWITCHED_OFF:
            continue
        named = f"The worker {worker.worker} is {SPOKEN.get(each.state, each.state)} on {', '.join(each.hosts)}."
        yield f"{named} {what_to_do(each.state, worker.worker, each.distribution)}"
    if worker.state is State.MISSING:
        yield f"The worker {worker.worker} is missing. {what_to_do(worker.state, worker.worker, worker.distribution)}"
    if worker.needs_rebuild:
        what = what_of_the_gap(worker.worker, rebuilds=worker.rebuild is not None)
        yield f"The worker {worker.worker} needs a rebuild. {what}"
    if worker.state is State.LOADED and (lag_s := worker.lag.seconds(now)) > BEHIND_AFTER_S:
        yield f"The worker {worker.worker} is {worker.lag.events} events and {lag_s:.0f} s behind."
    if worker.quarantined:
        yield (
            f"The worker {worker.worker} could not digest {worker.quarantined} events, which were set aside; "
            f"GET /v1/workers/{worker.worker}/quarantine lists them: have each tried again or skipped."
        )
    if worker.rebuild is not None and worker.rebuild.attempts > 1:
        yield (
            f"Rows of the worker {worker.worker} are made anew, and a step of it failed {worker.rebuild.attempts - 1} "
            "times; those shown go on. GET /v1/workers says why; it is tried again, or given up at "
            f"/v1/workers/{worker.worker}/rebuild/give-up."
        )
    if worker.health:
        yield f"The worker {worker.worker} says that something hinders it; GET /v1/workers says what."


def _reply(out: Out, status: HTTPStatus = HTTPStatus.OK) -> Response:
    return Response(out.model_dump_json(), status_code=status, headers={"Cache-Control": "no-store"}, media_type=JSON)
