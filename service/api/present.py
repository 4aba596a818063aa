"""What is on each stage now, and when a stage is free."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import stages
from service.actions.stages import StageUnknown
from service.api.booked import BookedOut
from service.api.doors import Door, Reader
from service.api.examples import answers
from service.api.fields import Day, Out
from service.api.occupancy import days_asked, to_the_minute
from service.api.shifts import StageInPath
from service.api.strict import StrictRoute
from service.domain.bookings import Activity, Firmness
from service.domain.occupancy import Promise
from service.domain.present import Free, Present, free, present
from service.domain.refusals import UnfitFields
from service.domain.shifts import silent_since
from service.domain.spans import Span, TimeSet, instant_of
from service.domain.studio import day_opens, production_day
from service.domain.work import Use
from service.store import occupancy, occupied, productions, shifts, shots, terminals
from service.store import stages as stage_rows
from service.store import studio as studios
from service.store.bookings import Booked, Filter
from service.store.tables import ShotRow, StageRow

router = APIRouter(prefix="/v1/stages", tags=["occupancy"], route_class=StrictRoute)

LOOKS_AHEAD = timedelta(days=60)
MOST_DAYS = 400


class OnStageOut(Out):
    """The shot that a stage was at last."""

    production: str | None = Field(description="Its production; null where the key may not see it.")
    shot: str | None = Field(description="Its code; null where the key may not see it.")
    phase: str | None = Field(description="The phase it is in; null where the key may not see it.")
    since: datetime = Field(description="Since when the stage is at it and at no other, by a capture or a move (UTC).")


class StageWaitOut(Out):
    """What a stage waits for."""

    since: datetime = Field(description="Since when it waits (UTC).")
    reason: str = Field(description="For what, as its log says.")


class SilentOut(Out):
    """A terminal that is silent though its stage is at work."""

    terminal: str = Field(description="The terminal.")
    since: datetime = Field(description="Since when it is silent (UTC).")


class StageNowOut(Out):
    """What is on a stage now."""

    stage: str = Field(description="Its code.")
    name: str = Field(description="What people call it.")
    open: bool = Field(description="Whether its hours are now.")
    use: Use = Field(description="What it is used for: work, a hold that is confirmed, or idle.")
    working_since: datetime | None = Field(
        description="Since when work goes on: the call, the end of a wait, or the first capture; null where none does."
    )
    inferred: bool = Field(description="Whether that rests on captures alone, because nobody called.")
    waiting: StageWaitOut | None = Field(description="What it waits for; null where it does not.")
    on: OnStageOut | None = Field(description="The shot it was at last; null where it has left, or there was none.")
    booked: BookedOut | None = Field(description="The booking that is now, confirmed before pencilled.")
    following: BookedOut | None = Field(description="The next confirmed booking, within 60 days.")
    free_at: datetime | None = Field(
        description="From when on it is open and not firmly booked (UTC); null where that is not within 60 days."
    )
    silent: list[SilentOut] = Field(description="Its terminals that are silent though it is at work.")


class StagesNowOut(Out):
    """What is on the stages now."""

    as_of: datetime = Field(description="When that is, to the minute (UTC).")
    stages: list[StageNowOut] = Field(description="Every stage, in the order they were added.")


class FreeSpanOut(Out):
    """A time in which a stage is free."""

    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")
    pencilled: bool = Field(description="Whether somebody has pencilled the stage in for it.")


class FreeOut(Out):
    """When a stage is free."""

    stage: str = Field(description="The stage.")
    first_day: date = Field(description="The first production day.")
    last_day: date = Field(description="The last one.")
    available_s: int = Field(description="Seconds it is open.")
    free_s: int = Field(description="Seconds of that that are not firmly booked, pencilled ones among them.")
    pencilled_s: int = Field(description="Seconds of that that are pencilled.")
    spans: list[FreeSpanOut] = Field(description="When it is free, in order.")


BOOKED_NOW: Mapping[str, Any] = {
    "booking": 7,
    "start": "2026-03-02T08:00:00Z",
    "end": "2026-03-05T17:00:00Z",
    "activity": "shooting",
    "firmness": "confirmed",
    "production": "lantern-bay",
    "shot": "0120",
}
NOW: Mapping[str, Any] = {
    "as_of": "2026-03-02T10:00:00Z",
    "stages": [
        {
            "stage": "mill",
            "name": "The Mill",
            "open": True,
            "use": "shooting",
            "working_since": "2026-03-02T08:00:00Z",
            "inferred": False,
            "waiting": None,
            "on": {
                "production": "lantern-bay",
                "shot": "0120",
                "phase": "shooting",
                "since": "2026-02-27T09:30:00Z",
            },
            "booked": BOOKED_NOW,
            "following": None,
            "free_at": "2026-03-06T09:00:00Z",
            "silent": [{"terminal": "mill-capture", "since": "2026-03-02T09:10:00Z"}],
        }
    ],
}
FREE: Mapping[str, Any] = {
    "stage": "mill",
    "first_day": "2026-03-02",
    "last_day": "2026-03-02",
    "available_s": 32400,
    "free_s": 14400,
    "pencilled_s": 3600,
    "spans": [
        {"start": "2026-03-02T14:00:00Z", "end": "2026-03-02T17:00:00Z", "pencilled": False},
        {"start": "2026-03-02T17:00:00Z", "end": "2026-03-02T18:00:00Z", "pencilled": True},
    ],
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Floor:
    """What is known of all stages at an instant, by stage id."""

    now: datetime
    present: Mapping[int, Present]
    open: Mapping[int, TimeSet]
    booked: Mapping[int, Sequence[Booked]]
    silent: Mapping[int, Sequence[SilentOut]]
    shots: Mapping[int, ShotRow]
    productions: Mapping[int, str]
    at_it_since: Mapping[int, datetime]


@router.get(
    "/now",
    operation_id="stages_now_get",
    summary="Read what is on each stage now",
    response_model=StagesNowOut,
    responses=answers(NOW),
)
def get_now(door: Reader) -> Response:
    """Read what each stage is used for at this moment, since when, what comes next, and from when on it is free.

    Another production's shot or booking is told of, without what it is about. Needs `read`.
    """
    only = door.caller.production_id
    with door.reading() as session:
        rows = stage_rows.every(session)
        floor = _floor(door, session, rows)
    as_of = to_the_minute(door.now)
    return door.reply(None, StagesNowOut(as_of=as_of, stages=[_stage_now(row, floor, only=only) for row in rows]))


def _floor(door: Door, session: Session, rows: Sequence[StageRow]) -> _Floor:
    now, studio, ids = door.now, studios.load(session), [row.id or 0 for row in rows]
    today, ahead = production_day(now, studio), Span(now, now + LOOKS_AHEAD)
    known = occupancy.facts(session, ids, today, last=today, studio=studio, now=now)
    found = {stage_id: present(each, now) for stage_id, each in known.items()}
    booked: dict[int, list[Booked]] = defaultdict(list)
    for each in occupied.standing(session, Filter(span=ahead)):
        if each.row.stage_id is not None:
            booked[each.row.stage_id].append(each)
    there = {row.id or 0: row for row in shots.by_ids(session, {each.shot_id or 0 for each in found.values()})}
    return _Floor(
        now=now,
        present=found,
        open=occupancy.hours(session, ids, ahead, time_zone=studio.time_zone),
        booked=booked,
        silent=_silent(door, session, ids),
        shots=there,
        productions=productions.codes(session, {row.production_id for row in there.values()}),
        at_it_since={
            stage_id: since for stage_id, each in found.items() if (since := _at_it_since(session, stage_id, each))
        },
    )


def _at_it_since(session: Session, stage_id: int, found: Present) -> datetime | None:
    """Since when a stage is at its shot: by its first capture, or by a move before that."""
    if found.shot_id is None or found.shot_since is None:
        return None
    captured_at = occupied.at_it_since(session, stage_id, found.shot_id)
    return found.shot_since if captured_at is None else min(found.shot_since, captured_at)


def _silent(door: Door, session: Session, stage_ids: Sequence[int]) -> dict[int, list[SilentOut]]:
    logs, limit_s = shifts.lately(session, stage_ids, door.now), door.settings.terminal_silent_s
    found: dict[int, list[SilentOut]] = defaultdict(list)
    for row in terminals.beside(session, stage_ids):
        since = silent_since(logs[row.stage_id], heard_at=row.last_seen_at, now=door.now, limit_s=limit_s)
        if since is not None:
            found[row.stage_id].append(SilentOut(terminal=row.name, since=since))
    return found


def _stage_now(row: StageRow, floor: _Floor, *, only: int | None) -> StageNowOut:
    stage_id = row.id or 0
    found, booked = floor.present[stage_id], floor.booked.get(stage_id, ())
    firm = [each for each in booked if each.row.firmness == Firmness.CONFIRMED]
    standing = [each for each in (*firm, *booked) if each.row.start_at <= floor.now]
    following = [each for each in firm if each.row.start_at > floor.now]
    waits = found.waiting
    waiting = None if waits is None else StageWaitOut(since=instant_of(waits.start), reason=waits.reason)
    return StageNowOut(
        stage=row.code,
        name=row.name,
        open=any(span.start_at <= floor.now for span in floor.open[stage_id].spans[:1]),
        use=found.use,
        working_since=found.working_since,
        inferred=found.inferred,
        waiting=waiting,
        on=_on(stage_id, floor, only=only),
        booked=BookedOut.of(standing[0], only=only) if standing else None,
        following=BookedOut.of(following[0], only=only) if following else None,
        free_at=free(floor.open[stage_id], _promises(booked)).at(to_the_minute(floor.now)),
        silent=list(floor.silent.get(stage_id, ())),
    )


def _on(stage_id: int, floor: _Floor, *, only: int | None) -> OnStageOut | None:
    since, shot_id = floor.at_it_since.get(stage_id), floor.present[stage_id].shot_id
    if since is None or shot_id is None:
        return None
    shot = floor.shots[shot_id]
    known = only in {None, shot.production_id}
    return OnStageOut(
        production=floor.productions[shot.production_id] if known else None,
        shot=shot.code if known else None,
        phase=shot.phase if known else None,
        since=since,
    )


def _promises(booked: Sequence[Booked]) -> list[Promise]:
    return [
        Promise(Span(each.row.start_at, each.row.end_at), Activity(each.row.activity), Firmness(each.row.firmness))
        for each in booked
    ]


@router.get(
    "/{stage}/free",
    operation_id="stage_free_get",
    summary="Read when a stage is free",
    response_model=FreeOut,
    responses=answers(FREE, StageUnknown, UnfitFields),
)
def get_free(
    door: Reader,
    stage: StageInPath,
    *,
    first: Annotated[Day, Query(alias="from", description="The first production day.", examples=["2026-03-02"])],
    last: Annotated[
        Day, Query(alias="to", description="The last one, at most 400 days in all.", examples=["2026-03-08"])
    ],
) -> Response:
    """Read when a stage is open and nothing confirmed is booked there; pencilled time is free and says so.

    Needs `read`.
    """
    asked = days_asked(first, last, most=MOST_DAYS)
    with door.reading() as session:
        row, studio = stages.find(session, stage), studios.load(session)
        window = Span(day_opens(first, studio), day_opens(last + timedelta(days=1), studio))
        open_ = occupancy.hours(session, [row.id or 0], window, time_zone=studio.time_zone)[row.id or 0]
        found = free(open_, _promises(occupied.standing(session, Filter(span=window, stage_id=row.id))))
    out = FreeOut(
        stage=row.code,
        first_day=asked.first,
        last_day=asked.last,
        available_s=len(open_),
        free_s=len(found.free),
        pencilled_s=len(found.wished),
        spans=_spans(found),
    )
    return door.reply(None, out)


def _spans(found: Free) -> list[FreeSpanOut]:
    sets = ((found.free - found.wished, False), (found.wished, True))
    spans = [
        FreeSpanOut(start=span.start_at, end=span.end_at, pencilled=pencilled)
        for each, pencilled in sets
        for span in each.spans
    ]
    return sorted(spans, key=lambda each: each.start)
