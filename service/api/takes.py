"""Takes: what was shot of a shot, and what was decided of it."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import shots
from service.actions import takes as actions
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.actions.takes import CameraUnknown, RangeBackwards, TakeUnknown
from service.api.decisions import DecisionIn, DecisionOut
from service.api.doors import Direct, Door, Reader
from service.api.examples import answers, page_of
from service.api.fields import Out
from service.api.pages import Page, Paging
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.frames import FrameSet, run
from service.domain.keys import Scope
from service.domain.progress import Judged, TakeKey, judged
from service.domain.takes import Purpose, SeriesState, Step, history
from service.store import counts as ledger
from service.store import notes, stages, studio
from service.store import takes as store
from service.store.tables import SeriesRow, ShotRow, TakeRow

router = APIRouter(prefix="/v1/productions", tags=["takes"], route_class=StrictRoute)

ShotInPath = Annotated[str, Path(description="The code of the shot.", examples=["0120"])]
TakeInPath = Annotated[int, Path(ge=1, le=9999, description="The take's number.", examples=[2])]
PartInQuery = Annotated[str, Query(max_length=64, description="The part of a split shot; empty where it is not split.")]
PurposeInQuery = Annotated[Purpose, Query(description="What the take was shot for.")]


def named_take(take: TakeInPath, part: PartInQuery = "", purpose: PurposeInQuery = Purpose.SHOOT) -> TakeKey:
    """The take a path and its query name."""
    return part, purpose, take


Counted = tuple[TakeRow, list[SeriesRow]]
Named = Annotated[TakeKey, Depends(named_take)]


class RangeOut(Out):
    """Frame identities first to last, both included."""

    first: int = Field(description="The lowest frame.")
    last: int = Field(description="The highest frame.")


class StepOut(Out):
    """One count in a series' history and the change it made, in frames."""

    captured_at: datetime = Field(description="When the frame was captured, by the server's reckoning (UTC).")
    production_day: date = Field(description="The production day the change belongs to.")
    terminal: str = Field(description="The terminal that posted it.")
    spool: str = Field(description="Its spool.")
    serial: int = Field(description="Its serial in the spool.")
    animator: str | None = Field(description="Who animated; null where not said, and to keys without `coordinate`.")
    total_frames: int = Field(description="The total it posted, in frames.")
    change_frames: int = Field(description="Frames gained, or deleted where negative.")
    corrected_frames: int = Field(description="Frames a correction adds to the total it posted.")

    @classmethod
    def of(cls, step: Step, *, names: bool) -> "StepOut":
        """The step, with the animator's name where it may be shown."""
        post = step.post
        return cls(
            captured_at=post.captured_at,
            production_day=post.day_on,
            terminal=post.terminal,
            spool=post.spool,
            serial=post.serial,
            animator=post.animator if names else None,
            total_frames=post.total_frames,
            change_frames=step.change_frames,
            corrected_frames=step.corrected_frames,
        )


class SeriesOut(Out):
    """What lives of a take on one camera and pass, in frames."""

    camera: str = Field(description="The camera.")
    pass_: str = Field(alias="pass", description="The pass.")
    stage: str = Field(description="The stage that counted it last.")
    state: SeriesState = Field(description="What its terminals said of it last.")
    starts_at: int = Field(description="The frame identity it begins at.")
    total_frames: int = Field(description="Frames that live in it.")
    reached_frames: int = Field(description="The most frames it ever held.")
    accepted: list[RangeOut] = Field(description="Live frames that are accepted.")
    rejected: list[RangeOut] = Field(description="Live frames that are rejected, NG.")
    history: list[StepOut] = Field(description="Every count of it, in order.")


class TakeOut(Out):
    """One attempt at a shot or at a part of it."""

    take: int = Field(description="Its number.")
    part: str = Field(description="The part of a split shot; empty where it is not split.")
    purpose: Purpose = Field(description="What it was shot for.")
    circled: bool = Field(description="Whether any of it is circled on any camera.")
    ng: bool = Field(description="Whether all of it is rejected on every camera.")
    rev: int = Field(description="Rises with decisions and outcomes, not with frames.")
    note_count: int = Field(description="How many notes it has that are not struck.")
    series: list[SeriesOut] = Field(description="What lives of it, by camera and pass.")
    decisions: list[DecisionOut] = Field(description="What was said of it, in order.")


class DecidedOut(Out):
    """A take after a decision, and the shot's figures with it, in frames."""

    take: TakeOut = Field(description="The take.")
    planned_frames: int = Field(description="The shot's planned frames, T.")
    credited_frames: int = Field(description="The shot's credited frames, E.")
    remaining_frames: int = Field(description="The shot's remaining frames, T − E.")
    provisional: bool = Field(description="Whether credited frames still rest on a take nobody has decided on.")


def takes_of(session: Session, shot: ShotRow, *, names: bool) -> list[TakeOut]:
    """The takes of a shot by part, purpose and number, with their history; animators' names where `names`."""
    takes = sorted(_counted(session, shot), key=lambda each: store.take_key(each[0]))
    return _outs(session, shot, takes, names=names)


def _counted(session: Session, shot: ShotRow) -> list[Counted]:
    """The takes of a shot, each with its series, in the order they were begun."""
    takes: dict[int, Counted] = {}
    for take, series in store.series_of(session, [shot.id or 0]):
        if series.moved_at is not None:
            continue
        takes.setdefault(series.take_id, (take, []))[1].append(series)
    return [takes[take_id] for take_id in sorted(takes)]


def _outs(session: Session, shot: ShotRow, takes: Sequence[Counted], *, names: bool) -> list[TakeOut]:
    said, noted = store.decisions_of(session, [shot.id or 0]), notes.counts(session, shot.id or 0)
    series = [row for _, rows in takes for row in rows]
    steps = {key: history(posts) for key, posts in ledger.ledger(session, [row.id or 0 for row in series]).items()}
    stage_codes = stages.codes(session, {row.stage_id for row in series})
    shown = []
    for take, rows in takes:
        records = said.get(take.id or 0, [])
        decisions = [record.decision for record in records]
        verdicts = {row.camera: judged(decisions, row.camera) for row in rows}
        shown.append(
            TakeOut(
                take=take.number,
                part=take.part,
                purpose=Purpose(take.purpose),
                circled=any(verdict.circled for verdict in verdicts.values()),
                ng=bool(verdicts) and all(verdict.ng for verdict in verdicts.values()),
                rev=take.rev,
                note_count=noted.get(take.id or 0, 0),
                series=[
                    _series(row, verdicts[row.camera], steps[row.id or 0], stage=stage_codes[row.stage_id], names=names)
                    for row in rows
                ],
                decisions=[DecisionOut.of(record) for record in records],
            )
        )
    return shown


def _series(row: SeriesRow, verdict: Judged, steps: Sequence[Step], *, stage: str, names: bool) -> SeriesOut:
    live = run(row.starts_at, row.total_frames)
    return SeriesOut(
        camera=row.camera,
        **{"pass": row.pass_},
        stage=stage,
        state=SeriesState(row.outcome),
        starts_at=row.starts_at,
        total_frames=row.total_frames,
        reached_frames=max((step.post.stands_frames for step in steps), default=0),
        accepted=_ranges(live & verdict.accepted),
        rejected=_ranges(live & verdict.rejected),
        history=[StepOut.of(step, names=names) for step in steps],
    )


def _ranges(frames: FrameSet) -> list[RangeOut]:
    return [RangeOut(first=first, last=last) for first, last in frames.ranges]


TAKE = {
    "take": 2,
    "part": "",
    "purpose": "shoot",
    "circled": True,
    "ng": False,
    "rev": 3,
    "note_count": 1,
    "series": [
        {
            "camera": "main",
            "pass": "main",
            "stage": "mill",
            "state": "finished",
            "starts_at": 61,
            "total_frames": 36,
            "reached_frames": 36,
            "accepted": [{"first": 61, "last": 96}],
            "rejected": [],
            "history": [
                {
                    "captured_at": "2026-03-02T14:05:03Z",
                    "production_day": "2026-03-02",
                    "terminal": "mill-capture",
                    "spool": "k7Qm2x",
                    "serial": 118,
                    "animator": "Ilse",
                    "total_frames": 36,
                    "change_frames": 36,
                    "corrected_frames": 0,
                }
            ],
        }
    ],
    "decisions": [
        {
            "verdict": "circle",
            "camera": None,
            "first": None,
            "last": None,
            "cause": None,
            "by": "office",
            "reason": None,
            "decided_at": "2026-03-03T09:12:00Z",
        }
    ],
}
DECIDED = {"take": TAKE, "planned_frames": 96, "credited_frames": 96, "remaining_frames": 0, "provisional": False}


@router.get(
    "/{production}/shots/{shot}/takes",
    operation_id="take_list",
    summary="List a shot's takes",
    response_model=Page[TakeOut],
    responses=answers(page_of(TAKE), ProductionUnknown, ShotUnknown),
)
def list_takes(door: Reader, production: ProductionInPath, shot: ShotInPath, window: Paging) -> Response:
    """List the takes of a shot in the order they were begun, with their counts in order; totals in frames.

    Needs `read`; animators are named to keys that cover `coordinate`.
    """
    with door.reading() as session:
        row = shots.find(session, door.production(session, production), shot)
        takes = [each for each in _counted(session, row) if (each[0].id or 0) > window.after]
        shown, following = window.page(takes[: window.fetch], id_of=lambda each: each[0].id)
        page = Page[TakeOut](items=_outs(session, row, shown, names=names_shown(door)), next=following)
    return door.reply(None, page, rev=row.rev, head=row.touched, link=window.link(following))


@router.get(
    "/{production}/shots/{shot}/takes/{take}",  # noqa: FAST003 -- `take` is in the dependency Named
    operation_id="take_get",
    summary="Read a take",
    response_model=TakeOut,
    responses=answers(TAKE, ProductionUnknown, ShotUnknown, TakeUnknown),
)
def get_take(
    door: Reader,
    production: ProductionInPath,
    shot: ShotInPath,
    key: Named,
) -> Response:
    """Read a take with its counts in order; totals in frames. Needs `read`. Its ETag is what a decision must name."""
    with door.reading() as session:
        row = shots.find(session, door.production(session, production), shot)
        out = find_take(session, row, key, names=names_shown(door))
    return door.reply(None, out, rev=out.rev, head=row.touched, about=about(key))


@router.post(
    "/{production}/shots/{shot}/takes/{take}/decisions",  # noqa: FAST003 -- `take` is in the dependency Named
    operation_id="take_decide",
    summary="Decide on a take",
    response_model=DecidedOut,
    responses=answers(
        DECIDED,
        ProductionUnknown,
        ShotUnknown,
        TakeUnknown,
        CameraUnknown,
        RangeBackwards,
        Stale,
        MissingPrecondition,
    ),
)
def decide_take(
    door: Direct,
    production: ProductionInPath,
    shot: ShotInPath,
    key: Named,
    body: DecisionIn,
) -> Response:
    """Accept, reject or circle a take or a range of its frame identities.

    Needs `coordinate` or the role of director, and `If-Match`. A later decision replaces an earlier one on the frames
    both speak of. Frames counted meanwhile do not stale the ETag, other decisions and outcomes do.
    """
    with door.writing() as session:
        row = shots.find(session, door.production(session, production), shot)

        def check(found: TakeRow) -> None:
            door.require_match(
                rev=found.rev,
                head=row.touched,
                about=about(key),
                current=lambda: find_take(session, row, key, names=names_shown(door)),
            )

        ruling = actions.Ruling(key=key, decision=body.decision, by=door.by, reason=body.reason)
        _, figures = actions.decide(
            session, row.id or 0, ruling, studio=studio.load(session), check=check, now=door.now
        )
        decided = find_take(session, row, key, names=names_shown(door))
        out = DecidedOut(
            take=decided,
            planned_frames=figures.planned_frames,
            credited_frames=figures.credited_frames,
            remaining_frames=figures.remaining_frames,
            provisional=figures.provisional,
        )
        return door.reply(session, out, rev=decided.rev, head=row.touched, about=about(key))


def about(key: TakeKey) -> str:
    """What tells a take from others of its path, for its ETag."""
    # Part and purpose are in the query, and left out where they are the usual ones.
    part, purpose, _ = key
    return f"{purpose} {part}"


def names_shown(door: Door) -> bool:
    """Whether animators are named: who shot how much is for those who plan the work."""
    return door.caller.scope.covers(Scope.COORDINATE)


def find_take(session: Session, shot: ShotRow, key: TakeKey, *, names: bool) -> TakeOut:
    """A take of a shot; raises TakeUnknown."""
    _, purpose, number = key
    for take in takes_of(session, shot, names=names):
        if (take.part, take.purpose, take.take) == key:
            return take
    raise TakeUnknown(shot.code, number, purpose.value)
