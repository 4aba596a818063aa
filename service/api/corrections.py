"""Corrections: frames put right by whoever coordinates, with what was posted left as it is."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from sqlmodel import Session

from service.actions import corrections as actions
from service.actions import shots
from service.actions.corrections import (
    OtherTotal,
    PartUnknown,
    PostedInFrames,
    SeriesUnclear,
    SeriesUnknown,
    TakeHasFrames,
    TotalStands,
)
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.actions.takes import TakeUnknown
from service.api.counts import TakeNumber
from service.api.doors import Coordinate, Reader
from service.api.examples import answers, page_of
from service.api.fields import MOST_FRAMES, Body, Code, Line, Out, shown_as
from service.api.pages import Page, Paging
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.api.takes import Named, ShotInPath, about, find_take, names_shown
from service.domain.corrections import What
from service.domain.progress import Figures
from service.domain.takes import Purpose
from service.store import corrections as store
from service.store import shots as shot_rows
from service.store import studio
from service.store.tables import CorrectionRow, TakeRow

router = APIRouter(prefix="/v1/productions", tags=["takes"], route_class=StrictRoute)

Total = Annotated[int, Field(ge=0, le=MOST_FRAMES)]


def filtered(
    take: Annotated[int | None, Query(ge=1, le=9999, description="Of this take alone.")] = None,
    part: Annotated[str | None, Query(max_length=64, description="Of this part alone.")] = None,
    purpose: Annotated[Purpose | None, Query(description="Of takes shot for this alone.")] = None,
) -> store.Filter:
    """Which corrections a query asks for."""
    return store.Filter(take=take, part=part, purpose=purpose)


Asked = Annotated[store.Filter, Depends(filtered)]

RESTATED = {
    "id": 17,
    "what": "total",
    "shot": "0120",
    "part": "",
    "purpose": "shoot",
    "take": 2,
    "camera": "main",
    "pass": "main",
    "to": None,
    "before_frames": 52,
    "frames": 49,
    "captures_total": None,
    "reason": "three frames were test exposures",
    "by": "office",
    "corrected_at": "2026-03-03T09:12:00Z",
}
MOVED = {
    **RESTATED,
    "id": 18,
    "what": "move",
    "camera": None,
    "pass": None,
    "to": {"shot": "0130", "part": "", "take": 2},
    "before_frames": 49,
    "reason": "shot under the wrong code all day",
}
BEFORE = {"planned_frames": 96, "shot_frames": 92, "credited_frames": 52, "remaining_frames": 44, "provisional": True}
AFTER = {**BEFORE, "shot_frames": 89, "credited_frames": 49, "remaining_frames": 47}


class MoveTo(Body):
    """The take that counts are really of."""

    shot: Code = Field(description="The code of its shot, of the same production; the same shot for another take.")
    part: Code | None = Field(None, description="Its part; as its plan has it where left out.")
    take: TakeNumber | None = Field(None, description="Its number; the same where left out.")


class CorrectionIn(Body):
    """What is right: the take its counts are of, or what a series of it holds. Exactly one of the three."""

    model_config = shown_as({"frames_total": 46, "reason": "three frames were test exposures"})

    move_to: MoveTo | None = Field(None, description="Every count the take has so far counts for this one instead.")
    captures_total: Total | None = Field(None, description="What the series holds, in captures as they were posted.")
    frames_total: Total | None = Field(None, description="What the series holds, in frames.")
    instead_of_frames: Total | None = Field(
        None, description="With a total: what you saw it hold, in frames. Where it holds another by now, it is refused."
    )
    camera: Code | None = Field(None, description="The camera; needed for a total where several counted the take.")
    pass_: Code | None = Field(None, alias="pass", description="The pass, likewise.")
    reason: Line = Field(description="Why.")

    @model_validator(mode="after")
    def _one_thing(self) -> "CorrectionIn":
        given = [each for each in (self.move_to, self.captures_total, self.frames_total) if each is not None]
        if len(given) != 1:
            raise PydanticCustomError("correction", "Give exactly one of move_to, captures_total and frames_total.")
        if self.move_to is not None and self.instead_of_frames is not None:
            raise PydanticCustomError("correction", "instead_of_frames goes with a total, not with move_to.")
        return self


class ToOut(Out):
    """Where counts were moved."""

    shot: str = Field(description="The shot's code.")
    part: str | None = Field(description="The part; null of a merge, which moves all of them.")
    take: int | None = Field(description="The take's number; null of a merge.")


class CorrectionOut(Out):
    """What was put right, by whom and why."""

    id: int = Field(description="Its number among all corrections, in the order they were made.")
    what: What = Field(description="`total` restated a series, `move` moved a take's counts, `merge` a whole shot's.")
    shot: str = Field(description="The shot it was said of.")
    part: str | None = Field(description="The part of the take; null of a merge.")
    purpose: Purpose | None = Field(description="What the take was shot for; null of a merge.")
    take: int | None = Field(description="The take's number; null of a merge.")
    camera: str | None = Field(description="The camera; null of all.")
    pass_: str | None = Field(alias="pass", description="The pass; null of all.")
    to: ToOut | None = Field(description="Where the counts were moved; null of a total.")
    before_frames: int = Field(description="What the series held, in frames; of a move or merge all that was moved.")
    frames: int = Field(description="What they hold by the correction, in frames.")
    captures_total: int | None = Field(description="The total in captures, where it was given so.")
    reason: str = Field(description="Why.")
    by: str = Field(description="The key it came from.")
    corrected_at: datetime = Field(description="When (UTC).")

    @classmethod
    def of(cls, row: CorrectionRow, codes: Mapping[int, str]) -> "CorrectionOut":
        """The correction with the codes of its shots."""
        to = None
        if row.to_shot_id is not None:
            to = ToOut(shot=codes[row.to_shot_id], part=row.to_part, take=row.to_take)
        return cls(
            id=row.id or 0,
            what=What(row.kind),
            shot=codes[row.shot_id],
            part=row.part,
            purpose=None if row.purpose is None else Purpose(row.purpose),
            take=row.take,
            camera=row.camera,
            **{"pass": row.pass_},
            to=to,
            before_frames=row.before_frames,
            frames=row.frames,
            captures_total=row.captures_total,
            reason=row.reason,
            by=row.by,
            corrected_at=row.corrected_at,
        )


class StandOut(Out):
    """The figures of a shot, in frames."""

    planned_frames: int = Field(description="Planned frames, T.")
    shot_frames: int = Field(description="Frames that live in its takes.")
    credited_frames: int = Field(description="Credited frames, E.")
    remaining_frames: int = Field(description="Remaining frames, T − E.")
    provisional: bool = Field(description="Whether credited frames rest on a take nobody has decided on.")

    @classmethod
    def of(cls, figures: Figures) -> "StandOut":
        """The figures that a correction may change."""
        return cls(**{name: getattr(figures, name) for name in cls.model_fields})


class ShotChangeOut(Out):
    """A shot a correction touched."""

    shot: str = Field(description="Its code.")
    before: StandOut = Field(description="Its figures before.")
    after: StandOut = Field(description="Its figures after.")


class CorrectedOut(Out):
    """A correction, and the figures of every shot it touched."""

    correction: CorrectionOut = Field(description="What was put right.")
    sayings_moved: bool = Field(description="Whether decisions and notes on the take went with its counts.")
    shots: list[ShotChangeOut] = Field(description="The shot it was said of, then the one its counts went to.")

    @classmethod
    def of(cls, row: CorrectionRow, changes: Sequence[actions.ShotChange], *, sayings: bool) -> "CorrectedOut":
        """The correction as it was made."""
        return cls(
            correction=CorrectionOut.of(row, {each.shot.id or 0: each.shot.code for each in changes}),
            sayings_moved=sayings,
            shots=[
                ShotChangeOut(shot=each.shot.code, before=StandOut.of(each.before), after=StandOut.of(each.after))
                for each in changes
            ],
        )


CORRECTED = {
    "correction": {**RESTATED, "frames": 49},
    "sayings_moved": False,
    "shots": [{"shot": "0120", "before": BEFORE, "after": AFTER}],
}


@router.post(
    "/{production}/shots/{shot}/takes/{take}/corrections",  # noqa: FAST003 -- `take` is in the dependency Named
    operation_id="take_correct",
    summary="Put a take's frames right",
    response_model=CorrectedOut,
    responses=answers(
        CORRECTED,
        ProductionUnknown,
        ShotUnknown,
        TakeUnknown,
        SeriesUnknown,
        SeriesUnclear,
        PostedInFrames,
        PartUnknown,
        TotalStands,
        OtherTotal,
        TakeHasFrames,
        Stale,
        MissingPrecondition,
    ),
)
def correct_take(
    door: Coordinate, production: ProductionInPath, shot: ShotInPath, key: Named, body: CorrectionIn
) -> Response:
    """Say what a take's frames really are. Needs `coordinate` and `If-Match`. What was posted stays as it is.

    A total stands until a later count of the series comes, by its serial or, from another spool, by its capture; the
    difference is in the day's `corrected_frames`, neither gained nor deleted. A move takes every count the take has so
    far, on the days of their captures, and with them what was decided where the whole take moves to a new one; counts
    that come later and say the same count for what they say. The reports of closed days are revised.
    """
    with door.writing() as session:
        found = door.production(session, production)
        row = shots.find(session, found, shot)

        def check(take: TakeRow) -> None:
            door.require_match(
                rev=take.rev,
                head=row.touched,
                about=about(key),
                current=lambda: find_take(session, row, key, names=names_shown(door)),
            )

        said = actions.Said(by=door.by, reason=body.reason, now=door.now, studio=studio.load(session))
        series = actions.Series(key=key, camera=body.camera, pass_=body.pass_)
        if body.move_to is None:
            total = actions.Total(
                captures_total=body.captures_total,
                frames_total=body.frames_total,
                instead_of_frames=body.instead_of_frames,
            )
            done = actions.restate(session, row.id or 0, series, total, check=check, said=said)
        else:
            other = shots.find(session, found, body.move_to.shot)
            to = actions.Move(shot=other, part=body.move_to.part, take=body.move_to.take)
            done = actions.move(session, row.id or 0, series, to, check=check, said=said)
        out = CorrectedOut.of(done.row, done.shots, sayings=done.sayings_moved)
        return door.reply(session, out, rev=done.take.rev, head=row.touched, about=about(key))


@router.get(
    "/{production}/shots/{shot}/corrections",
    operation_id="correction_list",
    summary="List a shot's corrections",
    response_model=Page[CorrectionOut],
    responses=answers(page_of(RESTATED, MOVED), ProductionUnknown, ShotUnknown),
)
def list_corrections(
    door: Reader, production: ProductionInPath, shot: ShotInPath, window: Paging, where: Asked
) -> Response:
    """List what was put right of a shot's frames, and what came to it from other shots, in order. Needs `read`."""
    with door.reading() as session:
        row = shots.find(session, door.production(session, production), shot)
        rows = store.page(session, row.id or 0, after=window.after, limit=window.fetch, where=where)
        codes = _codes(session, rows)
    return window.reply(door, rows, id_of=lambda each: each.id, out_of=lambda each: CorrectionOut.of(each, codes))


def _codes(session: Session, rows: Sequence[CorrectionRow]) -> dict[int, str]:
    named = {row.shot_id for row in rows} | {row.to_shot_id for row in rows if row.to_shot_id is not None}
    return shot_rows.codes(session, named)
