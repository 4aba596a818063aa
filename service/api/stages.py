"""Stages."""

from datetime import datetime
from http import HTTPStatus
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Path, Response
from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from service.actions import stages
from service.actions.stages import StageTaken, StageUnknown
from service.api.doors import Reader, StudioCoordinate
from service.api.examples import answers, page_of
from service.api.fields import Body, Change, Code, Line, Out, shown_as
from service.api.pages import Page, Paging
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.store import stages as store
from service.store.tables import StageRow

router = APIRouter(prefix="/v1/stages", tags=["stages"], route_class=StrictRoute)

STAGE = {"code": "mill", "name": "The Mill", "rev": 1, "added_at": "2026-03-02T08:00:00Z"}

NO_CODE = "now"


def _no_address(code: str) -> str:
    if code == NO_CODE:
        raise PydanticCustomError("reserved", "No stage is called `now`: /v1/stages/now is what is on all of them.")
    return code


StageInPath = Annotated[str, Path(description="The code of the stage.", examples=["mill"])]


class StageIn(Body):
    """A stage to add."""

    model_config = shown_as({"code": "mill", "name": "The Mill"})

    code: Annotated[Code, AfterValidator(_no_address)] = Field(
        description="What the stage is called in paths, plans and keys; it never changes. `now` is taken: what is on "
        "all stages is read there.",
        json_schema_extra={"not": {"const": NO_CODE}},
    )
    name: Line = Field(description="What people call it, up to 200 characters.")


class StageChange(Change):
    """What to change of a stage."""

    model_config = shown_as({"name": "The Old Mill"})

    name: Line = Field(description="What people call it, up to 200 characters.")


class StageOut(Out):
    """A stage: a space with set and camera that works independently."""

    code: str = Field(description="What it is called in paths, plans and keys.")
    name: str = Field(description="What people call it.")
    rev: int = Field(description="How often it was changed, from 1.")
    added_at: datetime = Field(description="When it was added (UTC).")

    @classmethod
    def of(cls, row: StageRow) -> "StageOut":
        """The stage of this row."""
        return cls(code=row.code, name=row.name, rev=row.rev, added_at=row.added_at)


@router.post(
    "",
    operation_id="stage_add",
    summary="Add a stage",
    status_code=HTTPStatus.CREATED,
    response_model=StageOut,
    responses=answers(STAGE, StageTaken, status=HTTPStatus.CREATED),
)
def add_stage(door: StudioCoordinate, body: StageIn) -> Response:
    """Add a stage. Needs a `coordinate` key that is not bound to a production: productions share the stages."""
    with door.writing() as session:
        row = stages.add(session, body.code, name=body.name, by=door.by, now=door.now)
        location = f"{router.prefix}/{quote(row.code)}"
        return door.reply(session, StageOut.of(row), status=HTTPStatus.CREATED, rev=row.rev, location=location)


@router.get(
    "",
    operation_id="stage_list",
    summary="List stages",
    response_model=Page[StageOut],
    responses=answers(page_of(STAGE)),
)
def list_stages(door: Reader, window: Paging) -> Response:
    """List the stages in the order they were added. Needs `read`."""
    with door.reading() as session:
        rows = store.page(session, after=window.after, limit=window.fetch)
        return window.reply(door, rows, id_of=lambda row: row.id, out_of=StageOut.of)


@router.get(
    "/{stage}",
    operation_id="stage_get",
    summary="Read a stage",
    response_model=StageOut,
    responses=answers(STAGE, StageUnknown),
)
def get_stage(door: Reader, stage: StageInPath) -> Response:
    """Read a stage. Needs `read`."""
    with door.reading() as session:
        row = stages.find(session, stage)
        return door.reply(session, StageOut.of(row), rev=row.rev)


@router.patch(
    "/{stage}",
    operation_id="stage_change",
    summary="Change a stage",
    response_model=StageOut,
    responses=answers(STAGE, StageUnknown, Stale, MissingPrecondition),
)
def change_stage(door: StudioCoordinate, stage: StageInPath, body: StageChange) -> Response:
    """Give a stage another name. Needs a `coordinate` key that is not bound to a production, and `If-Match`."""
    with door.writing() as session:
        row = stages.find(session, stage, lock=True)
        door.require_match(rev=row.rev, current=lambda: StageOut.of(row))
        stages.change(session, row, name=body.name, by=door.by, now=door.now)
        return door.reply(session, StageOut.of(row), rev=row.rev)
