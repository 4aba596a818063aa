"""Unmatched counts: kept without a shot, until one is found for them."""

from collections import Counter
from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from sqlmodel import Session

from service.actions import shots
from service.actions import unmatched as actions
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.actions.stages import StageUnknown
from service.actions.stages import find as find_stage
from service.actions.unmatched import (
    MOST_MATCHED,
    AlreadyMatched,
    CountsMatched,
    CountsUnknown,
    CountUnknown,
    TooManyCounts,
)
from service.api.corrections import ShotChangeOut, StandOut
from service.api.counts import TakeNumber
from service.api.doors import Coordinate, Door
from service.api.examples import answers, page_of
from service.api.fields import Body, Code, Day, Out, shown_as
from service.api.pages import LARGEST_ID, Page, Paging
from service.api.strict import StrictRoute
from service.domain.counts import Unmatched
from service.domain.takes import Purpose
from service.store import counts as ledger
from service.store import stages, studio

router = APIRouter(prefix="/v1/counts/unmatched", tags=["counts"], route_class=StrictRoute)

UNMATCHED = {
    "id": 4711,
    "reason": "unknown shot",
    "terminal": "mill-capture",
    "stage": "mill",
    "spool": "k7Qm2x",
    "serial": 119,
    "production": "lantern-bay",
    "shot": "0125",
    "take": 1,
    "part": None,
    "camera": None,
    "pass": None,
    "purpose": "shoot",
    "total_frames": 12,
    "starts_at": None,
    "animator": "Ilse",
    "captured_at": "2026-03-02T15:20:11Z",
    "production_day": "2026-03-02",
    "received_at": "2026-03-02T15:20:12Z",
}
MATCHED = {
    "id": 4711,
    "production": "lantern-bay",
    "shot": "0120",
    "take": 3,
    "part": "",
    "production_day": "2026-03-02",
    "planned_frames": 96,
    "credited_frames": 48,
    "remaining_frames": 48,
    "after_approval": False,
}

WHERE = {"production": "lantern-bay", "shot": "0125", "stage": "mill"}
STAND = {"planned_frames": 96, "shot_frames": 0, "credited_frames": 0, "remaining_frames": 96, "provisional": False}
MATCHED_MANY = {
    "preview": False,
    "counts": 14,
    "after_approval": False,
    "shots": [
        {
            "shot": "0120",
            "before": STAND,
            "after": {
                **STAND,
                "shot_frames": 48,
                "credited_frames": 48,
                "remaining_frames": 48,
                "provisional": True,
            },
        }
    ],
    "groups": [
        {
            "posted_shot": "0125",
            "stage": "mill",
            "production_day": "2026-03-02",
            "part": "",
            "take": 3,
            "purpose": "shoot",
            "counts": 14,
        }
    ],
}


class UnmatchedOut(Out):
    """A count that is kept without a shot."""

    id: int = Field(description="Names the count when it is matched.")
    reason: Unmatched = Field(description="Why no shot takes it.")
    terminal: str = Field(description="The terminal that posted it.")
    stage: str = Field(description="The code of the terminal's stage.")
    spool: str = Field(description="The spool it was posted from.")
    serial: int = Field(description="Its serial in the spool.")
    production: str = Field(description="The production's code as posted.")
    shot: str = Field(description="The shot's code as posted.")
    take: int = Field(description="The take's number.")
    part: str | None = Field(description="The part, where one was posted.")
    camera: str | None = Field(description="The camera, where one was posted.")
    pass_: str | None = Field(alias="pass", description="The pass, where one was posted.")
    purpose: Purpose = Field(description="What the take is shot for.")
    total_frames: int = Field(description="The total posted, in frames.")
    starts_at: int | None = Field(description="The frame identity the take begins at, where posted.")
    animator: str | None = Field(description="Who animates, where posted.")
    captured_at: datetime = Field(description="When the frame was captured, by the server's reckoning (UTC).")
    production_day: date = Field(description="The production day the frames belong to.")
    received_at: datetime = Field(description="When the count was received (UTC).")

    @classmethod
    def of(cls, kept: ledger.KeptCount) -> "UnmatchedOut":
        """The unmatched count of this entry of the ledger."""
        row = kept.row
        return cls.model_validate(
            {
                **row.model_dump(include=set(cls.model_fields) - {"pass_"}),
                "pass": row.pass_,
                "reason": row.unmatched_reason,
                "terminal": kept.terminal,
                "stage": kept.stage,
                "production": row.production_code,
                "shot": row.shot_code,
                "production_day": row.day_on,
            }
        )


class MatchIn(Body):
    """Which shot an unmatched count counts for."""

    model_config = shown_as({"production": "lantern-bay", "shot": "0120"})

    production: Code = Field(description="The code of the production.")
    shot: Code = Field(description="The code of the shot it counts for.")
    take: TakeNumber | None = Field(None, description="Instead of the take posted.")
    part: Code | None = Field(None, description="Instead of the part posted.")


class MatchOut(Out):
    """What a matched count counts for, and the shot's figures with it, in frames."""

    id: int = Field(description="The count's id.")
    production: str = Field(description="The production's code.")
    shot: str = Field(description="The shot's code.")
    take: int = Field(description="The take it counts for.")
    part: str = Field(description="The part it counts for; empty where the shot is not split.")
    production_day: date = Field(description="The day of its capture, to which its frames belong.")
    planned_frames: int = Field(description="The shot's planned frames, T.")
    credited_frames: int = Field(description="The shot's credited frames, E.")
    remaining_frames: int = Field(description="The shot's remaining frames, T − E.")
    after_approval: bool = Field(
        description="Whether it is of purpose shoot and the shot is approved: its approval speaks of other frames now."
    )

    @classmethod
    def of(cls, matched: actions.Matched, production: str, shot: str) -> "MatchOut":
        """What was matched, by the codes it counts for."""
        figures = matched.figures
        return cls(
            id=matched.row.id or 0,
            production=production,
            shot=shot,
            take=matched.take,
            part=matched.part,
            production_day=matched.row.day_on,
            planned_frames=figures.planned_frames,
            credited_frames=figures.credited_frames,
            remaining_frames=figures.remaining_frames,
            after_approval=matched.after_approval,
        )


@router.get(
    "",
    operation_id="unmatched_list",
    summary="List unmatched counts",
    response_model=Page[UnmatchedOut],
    responses=answers(page_of(UNMATCHED)),
)
def list_unmatched(door: Coordinate, window: Paging) -> Response:
    """List the counts that are kept without a shot, oldest first; totals in frames. Needs `coordinate`.

    They count as soon as their shot is added, restored or planned for their stage, or when they are matched by hand.
    """
    with door.reading() as session:
        only = door.caller.production_id
        rows = ledger.unmatched(session, after=window.after, limit=window.fetch, production_id=only)
    return window.reply(door, rows, id_of=lambda each: each.row.id, out_of=UnmatchedOut.of)


@router.post(
    "/{count}/match",
    operation_id="unmatched_match",
    summary="Match a count to a shot",
    response_model=MatchOut,
    responses=answers(MATCHED, CountUnknown, AlreadyMatched, ProductionUnknown, ShotUnknown),
)
def match_unmatched(
    door: Coordinate,
    count: Annotated[int, Path(ge=1, le=LARGEST_ID, description="The id of the count.", examples=[4711])],
    body: MatchIn,
) -> Response:
    """Let a kept count count for a shot, whatever the stage planned for it. Needs `coordinate`.

    Its frames belong to the production day of their capture. What was posted stays as it is. A key bound to a
    production matches counts that were posted for that one.
    """
    with door.writing() as session:
        production = door.production(session, body.production)
        shot = shots.find(session, production, body.shot)
        match = actions.Match(count_id=count, take=body.take, part=body.part, only_production=door.caller.production)
        matched = actions.match_count(session, match, shot, studio=studio.load(session), by=door.by, now=door.now)
        return door.reply(session, MatchOut.of(matched, production.code, shot.code))


class WhereIn(Body):
    """Which unmatched counts: those that were posted so, by every field that is given."""

    production: Code | None = Field(None, description="The production's code as posted.")
    shot: Code | None = Field(None, description="The shot's code as posted.")
    stage: Code | None = Field(None, description="The code of the stage they came from.")
    day: Day | None = Field(None, description="The production day of their captures.")

    @model_validator(mode="after")
    def _says_something(self) -> "WhereIn":
        if not self.model_fields_set:
            raise PydanticCustomError("empty", "Name at least one of production, shot, stage and day.")
        return self


class MatchManyIn(Body):
    """Which shot many unmatched counts count for: those of `ids`, or those that `where` describes."""

    model_config = shown_as({"where": WHERE, "production": "lantern-bay", "shot": "0120", "take": 3})

    ids: (
        Annotated[list[Annotated[int, Field(ge=1, le=LARGEST_ID)]], Field(min_length=1, max_length=MOST_MATCHED)] | None
    ) = Field(None, description="The ids of the counts, at most 2 000.")
    where: WhereIn | None = Field(
        None, description="Instead of `ids`: all that wait and were posted so, at most 2 000."
    )
    production: Code = Field(description="The code of the production of the shot they count for.")
    shot: Code = Field(description="The code of the shot they count for.")
    take: TakeNumber | None = Field(None, description="Instead of the takes posted.")
    part: Code | None = Field(None, description="Instead of the parts posted.")
    preview: bool = Field(default=False, description="Whether to say what would happen, and change nothing.")

    @model_validator(mode="after")
    def _one_way(self) -> "MatchManyIn":
        if (self.ids is None) == (self.where is None):
            raise PydanticCustomError("which", "Give exactly one of ids and where.")
        return self


class MatchedGroupOut(Out):
    """Counts alike: posted for one shot from one stage, captured on one day, and matched to one take."""

    posted_shot: str = Field(description="The shot's code as posted.")
    stage: str = Field(description="The code of their stage.")
    production_day: date = Field(description="The day of their captures, to which their frames belong.")
    part: str = Field(description="The part they count for; empty where the shot is not split.")
    take: int = Field(description="The take they count for.")
    purpose: Purpose = Field(description="What the take is shot for.")
    counts: int = Field(description="How many counts.")


class MatchedManyOut(Out):
    """What was matched, or would be, and the shot's figures with it."""

    preview: bool = Field(description="Whether nothing was changed.")
    counts: int = Field(description="How many counts in all.")
    after_approval: bool = Field(
        description="Whether any is of purpose shoot and the shot is approved: its approval speaks of others then."
    )
    shots: list[ShotChangeOut] = Field(description="The shot they count for, before and after.")
    groups: list[MatchedGroupOut] = Field(description="The counts, those alike together.")

    @classmethod
    def of(cls, many: actions.Many, shot: str, stage_codes: Mapping[int, str], *, preview: bool) -> "MatchedManyOut":
        """The counts, added up."""
        alike = Counter(
            (row.shot_code, stage_codes[row.stage_id], row.day_on, part, take, row.purpose)
            for row, part, take in many.placed
        )
        return cls(
            preview=preview,
            counts=len(many.placed),
            after_approval=many.after_approval,
            shots=[ShotChangeOut(shot=shot, before=StandOut.of(many.before), after=StandOut.of(many.after))],
            groups=[
                MatchedGroupOut(
                    posted_shot=posted,
                    stage=stage,
                    production_day=day,
                    part=part,
                    take=take,
                    purpose=Purpose(purpose),
                    counts=number,
                )
                for (posted, stage, day, part, take, purpose), number in sorted(alike.items())
            ],
        )


@router.post(
    "/match",
    operation_id="unmatched_match_many",
    summary="Match many counts to a shot",
    response_model=MatchedManyOut,
    responses=answers(
        MATCHED_MANY, CountsUnknown, CountsMatched, TooManyCounts, ProductionUnknown, ShotUnknown, StageUnknown
    ),
)
def match_many_unmatched(door: Coordinate, body: MatchManyIn) -> Response:
    """Let many kept counts count for a shot, all or none, whatever the stages planned for it. Needs `coordinate`.

    By their ids, or all that were posted so; with `preview` the answer says what would happen and nothing is changed.
    What is not there any more where `where` looks is not missed: 0 counts are matched then.
    """
    with door.writing() as session:
        production = door.production(session, body.production)
        shot = shots.find(session, production, body.shot)
        match = actions.Matching(
            which=_which(door, session, body),
            take=body.take,
            part=body.part,
            only_production=door.caller.production,
            preview=body.preview,
        )
        many = actions.match_many(session, match, shot, studio=studio.load(session), by=door.by, now=door.now)
        codes = stages.codes(session, {row.stage_id for row, _, _ in many.placed})
        return door.reply(session, MatchedManyOut.of(many, body.shot, codes, preview=body.preview))


def _which(door: Door, session: Session, body: MatchManyIn) -> ledger.Which:
    if body.where is None:
        return ledger.Which(ids=frozenset(body.ids or ()))
    where, only = body.where, door.caller.production
    if only is not None and where.production is not None:
        # A key bound to a production sees no other's counts.
        door.production(session, where.production)
    return ledger.Which(
        production=only or where.production,
        shot=where.shot,
        stage_id=None if where.stage is None else find_stage(session, where.stage).id,
        day=where.day,
    )
