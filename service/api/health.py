"""Whether this process lives, and whether it can do its work."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from http import HTTPStatus

from fastapi import APIRouter, Request, Response
from pydantic import Field

from service.api.doors import JSON
from service.api.examples import answers
from service.api.fields import Out
from service.store import catalogue, workers
from service.store.engine import Busy, Database
from service.store.schema import at_head

router = APIRouter(tags=["health"])

# An engine gives a sign of life every two seconds.
SILENT_AFTER = timedelta(seconds=10)
BEHIND_AFTER_S = 10.0


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
    state: str = Field(description="Whether it could be loaded.")
    lag_events: int = Field(description="How many events it has still to read; counted to 10 000.")
    lag_s: float = Field(description="For how many seconds the oldest of them has waited.")


class ReadyOut(Out):
    """Whether the service can do its work, and what hinders it."""

    status: Readiness = Field(description="`ready`, `degraded` or `unready`.")
    reasons: list[str] = Field(description="What hinders it.")
    engine_seen_at: datetime | None = Field(description="When an engine last gave a sign of life (UTC).")
    workers: list[LagOut] = Field(description="How far each worker is behind.")


READY = {
    "status": "ready",
    "reasons": [],
    "engine_seen_at": "2026-03-02T14:05:03.500000Z",
    "workers": [{"name": "progress", "state": "loaded", "lag_events": 0, "lag_s": 0.0}],
}
UNREADY = {"status": "unready", "reasons": ["The database does not answer."], "engine_seen_at": None, "workers": []}


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
            lags = [
                LagOut(name=each.worker, state=each.state, lag_events=each.lag.events, lag_s=each.lag.seconds(now))
                for each in workers.standings(session)
            ]
    except Busy as busy:
        return _unready(str(busy))
    reasons = _hindrances(seen_at, lags, now)
    status = Readiness.DEGRADED if reasons else Readiness.READY
    return ReadyOut(status=status, reasons=reasons, engine_seen_at=seen_at, workers=lags)


def _unready(reason: str) -> ReadyOut:
    return ReadyOut(status=Readiness.UNREADY, reasons=[reason], engine_seen_at=None, workers=[])


def _hindrances(seen_at: datetime | None, lags: Sequence[LagOut], now: datetime) -> list[str]:
    reasons = []
    if seen_at is None:
        reasons.append("No engine has given a sign of life.")
    elif now - seen_at > SILENT_AFTER:
        reasons.append(f"No engine has given a sign of life for {(now - seen_at).total_seconds():.0f} s.")
    for each in lags:
        if each.state != workers.LOADED:
            reasons.append(f"The worker {each.name} is {each.state}.")
        elif each.lag_s > BEHIND_AFTER_S:
            reasons.append(f"The worker {each.name} is {each.lag_events} events and {each.lag_s:.0f} s behind.")
    return reasons


def _reply(out: Out, status: HTTPStatus = HTTPStatus.OK) -> Response:
    return Response(out.model_dump_json(), status_code=status, headers={"Cache-Control": "no-store"}, media_type=JSON)
