"""Notes on takes: what a director says of frames without deciding on them."""

from datetime import datetime
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from service.actions import notes as actions
from service.actions import shots
from service.actions.notes import AlreadyStruck, NoteUnknown, Remark
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.actions.takes import CameraUnknown, RangeBackwards, TakeUnknown
from service.api.decisions import Identity
from service.api.doors import Direct, Reader
from service.api.examples import answers, page_of
from service.api.fields import Body, Code, Line, Out, shown_as
from service.api.pages import Page, Paging
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.api.takes import Named, ShotInPath
from service.store import notes as store
from service.store.tables import TakeNoteRow

router = APIRouter(prefix="/v1/productions", tags=["takes"], route_class=StrictRoute)

REMARK = {"camera": "main", "first": 40, "last": 52, "text": "She turns too soon; hold the look."}
NOTE = {
    **REMARK,
    "note": 1,
    "by": "office",
    "noted_at": "2026-03-03T09:10:00Z",
    "struck": False,
    "struck_by": None,
    "struck_at": None,
    "struck_reason": None,
}
STRUCK = {
    **NOTE,
    "struck": True,
    "struck_by": "office",
    "struck_at": "2026-03-03T09:30:00Z",
    "struck_reason": "meant for take 1",
}

NoteInPath = Annotated[int, Path(ge=1, le=100_000, description="The note's number within the take.", examples=[1])]


class NoteIn(Body):
    """What to note of a take or of a range of its frames."""

    model_config = shown_as(REMARK)

    camera: Code | None = Field(None, description="Of this camera alone; of all where left out.")
    first: Identity | None = Field(None, description="The first frame identity; with `last`, or neither for all of it.")
    last: Identity | None = Field(None, description="The last frame identity, included.")
    text: Line = Field(description="What is noted.")

    @model_validator(mode="after")
    def _whole_range(self) -> "NoteIn":
        if (self.first is None) != (self.last is None):
            raise PydanticCustomError("range", "Give both first and last, or neither for the whole take.")
        return self


class StrikeIn(Body):
    """Why a note is struck."""

    model_config = shown_as({"reason": "meant for take 1"})

    reason: Line = Field(description="Why.")


class NoteOut(Out):
    """What somebody noted of a take."""

    note: int = Field(description="Its number within the take.")
    camera: str | None = Field(description="The camera it is about; null of all.")
    first: int | None = Field(description="The first frame it is about; null of the whole take.")
    last: int | None = Field(description="The last frame it is about; null of the whole take.")
    text: str = Field(description="What was noted.")
    by: str = Field(description="The key it came from.")
    noted_at: datetime = Field(description="When (UTC).")
    struck: bool = Field(description="Whether it was struck; it is shown all the same.")
    struck_by: str | None = Field(description="The key that struck it.")
    struck_at: datetime | None = Field(description="When it was struck (UTC).")
    struck_reason: str | None = Field(description="Why it was struck.")

    @classmethod
    def of(cls, row: TakeNoteRow) -> "NoteOut":
        """The note of this row."""
        return cls(
            note=row.number,
            camera=row.camera,
            first=row.first,
            last=row.last,
            text=row.text,
            by=row.by,
            noted_at=row.noted_at,
            struck=row.struck_at is not None,
            struck_by=row.struck_by,
            struck_at=row.struck_at,
            struck_reason=row.struck_reason,
        )


@router.get(
    "/{production}/shots/{shot}/takes/{take}/notes",  # noqa: FAST003 -- `take` is in the dependency Named
    operation_id="note_list",
    summary="List the notes on a take",
    response_model=Page[NoteOut],
    responses=answers(page_of(NOTE), ProductionUnknown, ShotUnknown, TakeUnknown),
)
def list_notes(door: Reader, production: ProductionInPath, shot: ShotInPath, key: Named, window: Paging) -> Response:
    """List what was noted of a take, struck notes too, in the order it was noted. Needs `read`."""
    with door.reading() as session:
        take = actions.find_take(session, shots.find(session, door.production(session, production), shot), key)
        rows = store.page(session, take.id or 0, after=window.after, limit=window.fetch)
    return window.reply(door, rows, id_of=lambda row: row.id, out_of=NoteOut.of)


@router.post(
    "/{production}/shots/{shot}/takes/{take}/notes",  # noqa: FAST003 -- `take` is in the dependency Named
    operation_id="note_add",
    summary="Note something of a take",
    status_code=HTTPStatus.CREATED,
    response_model=NoteOut,
    responses=answers(
        NOTE,
        ProductionUnknown,
        ShotUnknown,
        TakeUnknown,
        CameraUnknown,
        RangeBackwards,
        status=HTTPStatus.CREATED,
    ),
)
def add_note(door: Direct, production: ProductionInPath, shot: ShotInPath, key: Named, body: NoteIn) -> Response:
    """Note something of a take or of a range of its frame identities.

    Needs `coordinate` or the role of director. A note decides nothing and stales no decision's ETag. It is never
    changed; strike it and write another.
    """
    with door.writing() as session:
        row = shots.find(session, door.production(session, production), shot, lock=True)
        remark = Remark(text=body.text, camera=body.camera, first=body.first, last=body.last)
        note = actions.add(session, row, key, remark=remark, by=door.by, now=door.now)
        return door.reply(session, NoteOut.of(note), status=HTTPStatus.CREATED)


@router.post(
    "/{production}/shots/{shot}/takes/{take}/notes/{note}/strike",  # noqa: FAST003 -- `take` is in the dependency Named
    operation_id="note_strike",
    summary="Strike a note",
    response_model=NoteOut,
    responses=answers(STRUCK, ProductionUnknown, ShotUnknown, TakeUnknown, NoteUnknown, AlreadyStruck),
)
def strike_note(
    door: Direct, production: ProductionInPath, shot: ShotInPath, key: Named, *, note: NoteInPath, body: StrikeIn
) -> Response:
    """Strike a note, with the reason; it stays in the list as struck.

    Needs `coordinate` or the role of director.
    """
    with door.writing() as session:
        row = shots.find(session, door.production(session, production), shot, lock=True)
        take = actions.find_take(session, row, key)
        struck = actions.strike(session, row, take, note=note, reason=body.reason, by=door.by, now=door.now)
        return door.reply(session, NoteOut.of(struck))
