"""Shots: their plans, their figures and their takes."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import shots
from service.actions.merges import ShotMerged
from service.actions.productions import EpisodeUnknown, ProductionUnknown
from service.actions.shots import FixedByCut, Planned, ShotElsewhere, ShotTaken, ShotUnknown
from service.actions.stages import StageUnknown
from service.actions.suspensions import SuspensionReasonMissing
from service.actions.suspensions import change as change_suspension
from service.api.doors import Coordinate, Door, ShotReader
from service.api.examples import answers, page_of
from service.api.fields import Out
from service.api.misfits import TOUCHED, TouchedOut, touched_of
from service.api.pages import Page, Paging, Window
from service.api.plans import NEW, PartOut, ShotChange, ShotsIn, UseOut
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, Stale
from service.api.sought import Seeking
from service.api.strict import StrictRoute
from service.api.takes import TAKE, TakeOut, takes_of
from service.domain.keys import Scope
from service.domain.phases import Fact, Phase
from service.domain.refusals import UnfitFields
from service.domain.studio import Studio
from service.store import corrections, events, moves, studio, suspensions
from service.store import progress as figures
from service.store import shots as store
from service.store.shots import Filter
from service.store.tables import ProductionRow, ShotProgressRow, ShotRow

router = APIRouter(prefix="/v1/productions", tags=["shots"], route_class=StrictRoute)

PROGRESS = {
    "planned_frames": 96,
    "shot_frames": 132,
    "credited_frames": 96,
    "credited_cut_frames": 88,
    "remaining_frames": 0,
    "overshoot_frames": 0,
    "provisional": False,
    "plate_planned_frames": 25,
    "plate_shot_frames": 0,
    "position": 4812,
}
SHOT: Mapping[str, Any] = {
    **NEW,
    "production": "lantern-bay",
    "cameras": ["main"],
    "passes": ["main"],
    "moving_camera": False,
    "omitted": False,
    "merged_into": None,
    "animator": None,
    "phase": "shooting",
    "phase_since": "2026-03-02T09:00:00Z",
    "suspended": None,
    "changed_since_approval": None,
    "uses": [{"first": 1, "last": 88}],
    "dissolves": [],
    "cut_revision": 4,
    "parts": [{"part": "", "stage": "mill", "first": None, "last": None}],
    "rev": 2,
    "plan_rev": 1,
    "added_at": "2026-03-02T08:10:00Z",
    "progress": PROGRESS,
}
ADDED = {
    **SHOT,
    "phase": "planning",
    "phase_since": "2026-03-02T08:10:00Z",
    "cut_revision": None,
    "rev": 1,
    "progress": None,
}

ShotInPath = Annotated[str, Path(description="The code of the shot.", examples=["0120"])]


class ShotProgressOut(Out):
    """The figures of a shot, in frames."""

    planned_frames: int = Field(description="Frames planned, handles included, T; 0 while it is omitted.")
    shot_frames: int = Field(description="Frames shot for every take, camera and pass, S.")
    credited_frames: int = Field(description="Planned frames that every required camera and pass has, E.")
    credited_cut_frames: int = Field(description="Credited frames without handles.")
    remaining_frames: int = Field(description="Frames still to be credited, T − E.")
    overshoot_frames: int = Field(description="Frames beyond the planned ones, the required cameras added up, O.")
    provisional: bool = Field(description="Whether credited frames rest on a take nobody has decided on.")
    plate_planned_frames: int = Field(description="Frames its plate needs at least.")
    plate_shot_frames: int = Field(description="Frames shot of its plate; they never add to credited frames.")
    position: int = Field(description="The id of the last event of the shot that these figures rest on.")

    @classmethod
    def of(cls, row: ShotProgressRow) -> "ShotProgressOut":
        """The figures of this row."""
        return cls.model_validate(row.model_dump(include=set(cls.model_fields)))


class ShotOut(Out):
    """A shot: its plan and its figures."""

    production: str = Field(description="The code of its production.")
    code: str = Field(description="What it is called.")
    episode: str = Field(description="The code of its episode.")
    scene: str | None = Field(description="The scene it belongs to.")
    cut_frames: int = Field(description="Frames the edit uses; at a shot's first lock they are numbered from 1.")
    uses: list[UseOut] = Field(description="The frames the edit uses, a range for each time it shows the shot.")
    dissolves: list[UseOut] = Field(description="Frames beyond them that a dissolve shows.")
    cut_revision: int | None = Field(description="The locked cut of its episode it is in; null where it is in none.")
    handle_in: int = Field(description="Spare frames before the cut, numbered 0 and below.")
    handle_out: int = Field(description="Spare frames after the cut.")
    cameras: list[str] = Field(description="The required cameras.")
    passes: list[str] = Field(description="The required passes.")
    moving_camera: bool = Field(description="Whether the camera moves, so that its plate is as long.")
    omitted: bool = Field(description="Whether it was removed from the cut; its number and counts are kept.")
    merged_into: str | None = Field(
        description="Of a shot that was entered twice: the code of the one it is now; its counts count there."
    )
    animator: str | None = Field(description="Who is to animate it; null while nobody is named.")
    phase: Phase = Field(description="Where it is; suspended and omitted stand beside it.")
    phase_since: datetime = Field(description="Since when it is there (UTC).")
    suspended: str | None = Field(description="Why it is suspended; null where it is not.")
    changed_since_approval: bool | None = Field(
        description="Whether its plan, its frames or a decision on them is other than was approved; `next` says what. "
        "Null where no approval stands."
    )
    stage: str | None = Field(description="The stage that shoots all of it; null where any may, or where it is split.")
    parts: list[PartOut] = Field(description="What each stage shoots of it; empty where any stage may count for it.")
    rev: int = Field(description="Rises with every change of the shot, not with counts.")
    plan_rev: int = Field(description="Rises with every change of what is to be shot.")
    added_at: datetime = Field(description="When it was added (UTC).")
    progress: ShotProgressOut | None = Field(description="Its figures; null before the worker *progress* has made any.")


class ShotWithTakesOut(ShotOut):
    """A shot with its takes."""

    takes: list[TakeOut] = Field(description="What was shot of it, by part, purpose and number.")


class ShotChangedOut(ShotOut):
    """A shot that was changed, with the bookings that touches."""

    bookings: list[TouchedOut] = Field(description="Its bookings that are not over, and those that became others.")


class ShotsOut(Out):
    """The shots that were added together."""

    items: list[ShotOut] = Field(description="In the order they were sent.")


def _outs(
    session: Session, production: ProductionRow, rows: Sequence[ShotRow], progress: Mapping[int, ShotProgressRow]
) -> list[ShotOut]:
    merged = corrections.merged_into(session, [row.id or 0 for row in rows if row.detours])
    codes = store.codes(session, set(merged.values())) | {0: None}
    held = suspensions.open_of_all(session, [row.id or 0 for row in rows])
    changed = moves.changed_since_approval(session, [row.id or 0 for row in rows])
    return [
        _out(
            production,
            row,
            plan,
            progress=progress.get(row.id or 0),
            suspended=held[row.id or 0].reason if row.id in held else None,
            changed=changed.get(row.id or 0),
            merged_into=codes[merged.get(row.id or 0, 0)],
        )
        for row, plan in zip(rows, shots.planned(session, rows), strict=True)
    ]


def _out(
    production: ProductionRow,
    row: ShotRow,
    plan: Planned,
    *,
    progress: ShotProgressRow | None,
    suspended: str | None,
    changed: bool | None,
    merged_into: str | None,
) -> ShotOut:
    return ShotOut(
        production=production.code,
        code=plan.code,
        episode=plan.episode,
        scene=plan.scene,
        cut_frames=plan.cut_frames,
        uses=[UseOut(first=first, last=last) for first, last in plan.uses or ((1, plan.cut_frames),)],
        dissolves=[UseOut(first=first, last=last) for first, last in plan.dissolves],
        cut_revision=row.cut_revision,
        handle_in=plan.handle_in,
        handle_out=plan.handle_out,
        cameras=list(plan.cameras),
        passes=list(plan.passes),
        moving_camera=plan.moving_camera,
        omitted=plan.omitted,
        merged_into=merged_into,
        animator=plan.animator,
        phase=Phase(row.phase),
        phase_since=row.phase_since,
        suspended=suspended,
        changed_since_approval=changed,
        stage=plan.parts[0].stage if len(plan.parts) == 1 else None,
        parts=[PartOut(part=each.part, stage=each.stage, first=each.first, last=each.last) for each in plan.parts],
        rev=row.rev,
        plan_rev=row.plan_rev,
        added_at=row.added_at,
        progress=None if progress is None else ShotProgressOut.of(progress),
    )


def _progress(session: Session, rows: Sequence[ShotRow]) -> dict[int, ShotProgressRow]:
    rest = figures.rest(session)
    return {} if rest is None else figures.of_shots(session, [row.id or 0 for row in rows], rest)


def one(session: Session, production: ProductionRow, row: ShotRow) -> tuple[ShotOut, str]:
    """A shot and the head of what is shown of it besides its own row: its events and its figures."""
    progress = _progress(session, [row])
    made = f"{shown.edition}-{shown.position}" if (shown := progress.get(row.id or 0)) else "0"
    return _outs(session, production, [row], progress)[0], f"{row.touched}-{made}"


@router.post(
    "/{production}/shots",
    operation_id="shot_add",
    summary="Add shots",
    status_code=HTTPStatus.CREATED,
    response_model=ShotOut | ShotsOut,
    responses=answers(ADDED, ProductionUnknown, ShotTaken, UnfitFields, status=HTTPStatus.CREATED),
)
def add_shots(door: Coordinate, production: ProductionInPath, body: ShotsIn) -> Response:
    """Add one shot, or a list of up to 1 000, all or none. Lengths are in frames. Needs `coordinate`.

    Counts that were posted under a shot's code before it was added count for it now, on the day they were captured.
    The answer to a list is `{"items": [...]}`.
    """
    with door.writing() as session:
        of = door.production(session, production, lock=True)
        listed = isinstance(body, list)
        wanted = [each.planned() for each in (body if isinstance(body, list) else [body])]
        rows = shots.add_all(session, of, wanted, listed=listed, by=door.by, now=door.now)
        outs = _outs(session, of, rows, {})
        if listed:
            return door.reply(session, ShotsOut(items=outs), status=HTTPStatus.CREATED)
        location = f"{router.prefix}/{quote(of.code)}/shots/{quote(rows[0].code)}"
        head = f"{rows[0].touched}-0"
        return door.reply(session, outs[0], status=HTTPStatus.CREATED, rev=rows[0].rev, head=head, location=location)


@router.get(
    "/{production}/shots",
    operation_id="shot_list",
    summary="List shots",
    response_model=Page[ShotOut],
    responses=answers(page_of(SHOT), ProductionUnknown, EpisodeUnknown, StageUnknown),
)
def list_shots(
    door: ShotReader,
    production: ProductionInPath,
    *,
    window: Paging,
    asked: Seeking,
) -> Response:
    """List the shots of a production, omitted ones included, in the order they were added; figures in frames.

    Needs `read`; a `count` key sees the shots planned for its stage or for none. With `blocked_by` some thousand shots
    are judged for a page, so a page may be shorter than its limit, or empty, and have a `next`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        rest = figures.rest(session)
        last = events.last_of(session, of.id or 0)
        # A terminal that was moved to another stage sees another list.
        stage_seen = door.caller.stage_id or 0
        set_by = studio.load(session)
        # What a plate needs is the studio's, and decides what blocks a shot.
        made = rest.tag if rest else "0-0"
        head = f"{made}-{stage_seen}-{set_by.plate_minimum_frames}"
        if (unchanged := door.unchanged(rev=last, head=head)) is not None:
            return unchanged
        where = asked.where(session, of, on_stage_id=door.caller.stage_id)
        here, following = _page(session, of.id or 0, window, where, fact=asked.blocked_by, set_by=set_by)
        outs = _outs(session, of, here, _progress(session, here))
        page = Page[ShotOut](items=outs, next=following)
        return door.reply(session, page, rev=last, head=head, link=window.link(following))


def _page(
    session: Session, production_id: int, window: Window, where: Filter, *, fact: Fact | None, set_by: Studio
) -> tuple[Sequence[ShotRow], str | None]:
    """The shots of a page, and the cursor of the next."""
    if fact is None:
        rows = store.page(session, production_id, after=window.after, limit=window.fetch, where=where)
        return window.page(rows, id_of=lambda row: row.id)
    blocked, further = moves.blocked_by(
        session,
        production_id,
        fact,
        where=where,
        after=window.after,
        limit=window.limit,
        plate_minimum_frames=set_by.plate_minimum_frames,
    )
    return blocked, None if further is None else window.cursor(further)


@router.get(
    "/{production}/shots/{shot}",
    operation_id="shot_get",
    summary="Read a shot",
    response_model=ShotWithTakesOut,
    responses=answers({**SHOT, "takes": [TAKE]}, ProductionUnknown, ShotUnknown, ShotElsewhere),
)
def get_shot(door: ShotReader, production: ProductionInPath, shot: ShotInPath) -> Response:
    """Read a shot: its plan, its figures in frames, its takes with their counts in order.

    Needs `read`; a `count` key sees the shots planned for its stage or for none. Who animated a take is named to keys
    that cover `coordinate`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot)
        require_here(door, session, row)
        out, head = one(session, of, row)
        takes = takes_of(session, row, names=door.caller.scope.covers(Scope.COORDINATE))
        whole = ShotWithTakesOut(**dict(out), takes=takes)
        return door.reply(session, whole, rev=row.rev, head=head)


def require_here(door: Door, session: Session, row: ShotRow) -> None:
    """Raise ShotElsewhere where the key is bound to a stage the shot is not planned for, though it is for others."""
    if door.caller.stage is None:
        return
    parts = store.parts(session, [row.id or 0])[row.id or 0]
    if parts and door.caller.stage not in {part.stage for part in parts}:
        raise ShotElsewhere(row.code, door.caller.stage)


@router.patch(
    "/{production}/shots/{shot}",
    operation_id="shot_change",
    summary="Change a shot",
    response_model=ShotChangedOut,
    responses=answers(
        {**SHOT, "handle_out": 6, "rev": 3, "plan_rev": 2, "bookings": [TOUCHED]},
        ProductionUnknown,
        ShotUnknown,
        ShotMerged,
        FixedByCut,
        UnfitFields,
        SuspensionReasonMissing,
        Stale,
        MissingPrecondition,
    ),
)
def change_shot(door: Coordinate, production: ProductionInPath, shot: ShotInPath, body: ShotChange) -> Response:
    """Re-cut a shot, change what is required of it or where it is shot; omit or restore, suspend or resume it.

    Lengths are in frames. Frames keep their numbers whatever the plan. The journal of credited frames notes what the
    change moved. To omit a shot releases its bookings, all but those for strike and upkeep; to restore it brings back,
    pencilled, those whose time is free; `bookings` says so, and what about the others does not fit any more. Needs
    `coordinate` and `If-Match`; counts do not stale the ETag.
    """
    with door.writing() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot, lock=True)
        out, head = one(session, of, row)
        door.require_match(rev=row.rev, head=head, current=lambda: out)
        wanted = body.applied(shots.planned(session, [row])[0])
        fates = shots.change(session, of, row, wanted=wanted, reason=body.reason, by=door.by, now=door.now)
        if body.suspended is not None:
            change_suspension(session, of, row, suspended=body.suspended, reason=body.reason, by=door.by, now=door.now)
        out, head = one(session, of, row)
        bookings = touched_of(door, session, of, row, fates=fates)
        return door.reply(session, ShotChangedOut(**dict(out), bookings=bookings), rev=row.rev, head=head)
