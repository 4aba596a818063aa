"""Rows that workers keep in tables of their own."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Path, Response
from pydantic import Field, StringConstraints
from sqlmodel import Session

from service.actions.switches import WorkerUnknown
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import LACKS, Out
from service.api.pages import Keying
from service.api.strict import StrictRoute
from service.domain.refusals import Unknown
from service.store import editions, figures, kept, workers
from service.store.kept import Listed, Shelf

router = APIRouter(prefix="/v1/workers", tags=["workers"], route_class=StrictRoute)

ROWS: Mapping[str, Any] = {
    "version": 1,
    "position": 4812,
    "lacks_to": None,
    "items": [
        {
            "key": "mill/2026-03-02",
            "production": None,
            "shot": None,
            "position": 4810,
            "row": {"stage": "mill", "day": "2026-03-02", "lamps_on_s": 34200},
        }
    ],
    "next": None,
}

WorkerInPath = Annotated[
    str,
    StringConstraints(pattern="^[a-z][a-z0-9-]{0,62}$"),
    Path(description="The name of the worker.", examples=["lamp-hours"]),
]
TableInPath = Annotated[
    str,
    StringConstraints(pattern="^[a-z][a-z0-9_-]{0,62}$"),
    Path(description="The name of the table.", examples=["stage-days"]),
]


@dataclass(eq=False)
class TableUnknown(Unknown):
    """The worker {worker} keeps no rows of its own in {table!r}: GET /v1/workers lists its `tables`.

    What *progress* and *nightly* make is at the addresses of progress and reports.
    """

    worker: str
    table: str


class KeptOut(Out):
    """A row that a worker keeps."""

    key: str = Field(description="Its key.")
    production: str | None = Field(description="The code of the production it is of, where it is of one.")
    shot: str | None = Field(description="The code of the shot it is of, where it is of one.")
    position: int = Field(description="The id of the last event it takes into account.")
    row: dict[str, Any] = Field(description="What the worker keeps; what that means, the worker's author says.")

    @classmethod
    def of(cls, listed: Listed) -> "KeptOut":
        """The row with the codes of what it is of."""
        row = listed.row
        return cls(
            key=row.key, production=listed.production, shot=listed.shot, position=row.position, row=dict(row.data)
        )


class KeptPage(Out):
    """A page of the rows of a table, and what they rest on."""

    version: int = Field(description="The worker's version that made them.")
    position: int = Field(description="The id of the last event this version has read.")
    lacks_to: int | None = Field(description=LACKS)
    items: list[KeptOut] = Field(description="The rows of this page, in the order of their keys.")
    next: str | None = Field(description="The cursor of the page that follows; null where this page is the last.")


@router.get(
    "/{worker}/figures/{table}",
    operation_id="worker_figures",
    summary="List the rows of a worker",
    response_model=KeptPage,
    responses=answers(ROWS, WorkerUnknown, TableUnknown),
)
def list_kept(door: Reader, worker: WorkerInPath, table: TableInPath, window: Keying) -> Response:
    """List the rows a worker keeps in one of its tables; those of a rebuild or a new version once all are there.

    Needs `read`; a key bound to a production sees the rows of that production alone.
    """
    with door.reading() as session:
        rest = editions.rest(session, worker)
        shelf = _shelf(session, worker, table, edition=rest.edition if rest else 0)
        rows = kept.page(
            session, shelf, after=window.after, limit=window.fetch, production_id=door.caller.production_id
        )
        shown, following = window.page(rows, key_of=lambda each: each.row.key)
        out = KeptPage(
            version=rest.version if rest else 0,
            position=rest.position if rest else 0,
            lacks_to=(rest.lacks_to or None) if rest else None,
            items=[KeptOut.of(each) for each in shown],
            next=following,
        )
    return door.reply(None, out, link=window.link(following))


def _shelf(session: Session, worker: str, table: str, *, edition: int) -> Shelf:
    known = workers.tables(session, worker)
    if known is None:
        raise WorkerUnknown(worker)
    shelf = Shelf(worker, edition, table)
    if figures.MAKERS.get(table) == worker or not (table in known or kept.any_in(session, shelf)):
        raise TableUnknown(worker, table)
    return shelf
