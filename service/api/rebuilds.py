"""Rows of a worker that are made anew beside those that are shown."""

from http import HTTPStatus

from fastapi import APIRouter, Response
from pydantic import Field

from service.actions import rebuilds, switches
from service.actions.rebuilds import NoRows, NothingToGiveUp, NotLoaded, Underway, WorkerDisabled
from service.actions.switches import WorkerUnknown
from service.api.doors import Admin
from service.api.examples import answers
from service.api.fields import LACKS, Out
from service.api.kept import WorkerInPath
from service.api.strict import StrictRoute
from service.store.editions import Edition

router = APIRouter(prefix="/v1/workers", tags=["workers"], route_class=StrictRoute)


class RebuildAskedOut(Out):
    """A rebuild that was asked for."""

    worker: str = Field(description="The worker.")
    edition: int = Field(description="The number of its rows to be.")
    version: int = Field(description="The worker's version that makes them.")
    by_facts: bool = Field(description="Whether they are computed from facts; else by reading the log from its start.")
    lacks_to: int | None = Field(description=LACKS)
    asked_by: str = Field(description="The key that asked for it.")

    @classmethod
    def of(cls, edition: Edition) -> "RebuildAskedOut":
        """The rows to be."""
        return cls(
            worker=edition.worker,
            edition=edition.number,
            version=edition.version,
            by_facts=edition.by_facts,
            lacks_to=edition.lacks_to or None,
            asked_by=edition.asked_by or "",
        )


ASKED = {
    "worker": "progress",
    "edition": 2,
    "version": 1,
    "by_facts": True,
    "lacks_to": None,
    "asked_by": "office",
}


@router.post(
    "/{worker}/rebuild",
    operation_id="rebuild_ask",
    summary="Have a worker's rows made anew",
    status_code=HTTPStatus.ACCEPTED,
    response_model=RebuildAskedOut,
    responses=answers(ASKED, WorkerUnknown, WorkerDisabled, NotLoaded, NoRows, Underway, status=HTTPStatus.ACCEPTED),
)
def ask_rebuild(door: Admin, worker: WorkerInPath) -> Response:
    """Have all rows of a worker made anew, beside those that are shown, which go on being brought up to date.

    Once the new ones have caught up they are shown instead, all at once. Nothing is announced twice. How it goes is at
    `GET /v1/workers`. Asking twice is asking once. Needs `admin`.
    """
    with door.writing() as session:
        switches.require(session, worker)
        wanted = rebuilds.ask(session, worker, by=door.by, now=door.now)
        return door.reply(session, RebuildAskedOut.of(wanted), status=HTTPStatus.ACCEPTED)


@router.post(
    "/{worker}/rebuild/give-up",
    operation_id="rebuild_give_up",
    summary="Give up a rebuild",
    response_model=RebuildAskedOut,
    responses=answers(ASKED, WorkerUnknown, NothingToGiveUp),
)
def give_up_rebuild(door: Admin, worker: WorkerInPath) -> Response:
    """Give up a rebuild that somebody asked for: the rows that are shown stay, the new ones are taken away.

    Rows that a new version of a worker makes are not given up: install the version before. Needs `admin`.
    """
    with door.writing() as session:
        switches.require(session, worker)
        given_up = rebuilds.give_up(session, worker, by=door.by, now=door.now)
        return door.reply(session, RebuildAskedOut.of(given_up))
