"""Candidates: what can go on a stage now."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import candidates as actions
from service.actions import stages
from service.actions.lengths import Outlook, outlook
from service.actions.productions import ProductionUnknown
from service.actions.stages import StageUnknown
from service.api.doors import Door, Reader
from service.api.examples import answers
from service.api.fields import Instant, Out
from service.api.lengths import EXPECTED, ExpectedOut
from service.api.occupancy import to_the_minute
from service.api.pages import LARGEST_PAGE, USUAL_PAGE
from service.api.phases import LACK, LackOut
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.domain.bookings import YEARS_RULE, Activity, Firmness, in_calendar
from service.domain.candidates import Candidate, Whose, in_order
from service.domain.keys import Scope
from service.domain.phases import Phase
from service.domain.refusals import Fault, UnfitFields
from service.store import candidates as store
from service.store.bookings import Booked
from service.store.tables import ProductionRow

router = APIRouter(prefix="/v1/productions", tags=["bookings"], route_class=StrictRoute)

CANDIDATES: Mapping[str, Any] = {
    "stage": "mill",
    "at": "2026-03-03T08:00:00Z",
    "booked": [],
    "next_booking": "2026-03-05T08:00:00Z",
    "ready_shots": 1,
    "blocked_shots": 1,
    "candidates": [
        {
            "shot": "0120",
            "episode": "101",
            "phase": "shooting",
            "phase_since": "2026-03-02T08:10:00Z",
            "activity": "shooting",
            "animator": "Ilse",
            "ready": True,
            "free": True,
            "blocked_by": [],
            "elsewhere": [],
            "remaining_frames": 200,
            "expected": EXPECTED,
        },
        {
            "shot": "0130",
            "episode": "101",
            "phase": "planning",
            "phase_since": "2026-03-02T08:10:00Z",
            "activity": "dressing",
            "animator": "Tove",
            "ready": False,
            "free": False,
            "blocked_by": [LACK],
            "elsewhere": [
                {
                    "booking": 7,
                    "whose": "animator",
                    "stage": "barn",
                    "activity": "shooting",
                    "start": "2026-03-03T08:00:00Z",
                    "end": "2026-03-03T17:00:00Z",
                }
            ],
            "remaining_frames": 96,
            "expected": None,
        },
    ],
}


class StandingOut(Out):
    """A booking of the stage that stands then."""

    booking: int = Field(description="Its number.")
    activity: Activity = Field(description="What for.")
    firmness: Firmness = Field(description="How firm it is.")
    end: datetime = Field(description="The instant it ends before (UTC).")
    shot: str | None = Field(description="Its shot, where it has one that the key may see.")


class ElsewhereOut(Out):
    """A booking that keeps a shot or its animator elsewhere."""

    booking: int = Field(description="Its number.")
    whose: Whose = Field(description="Who or what is booked.")
    stage: str | None = Field(description="The stage it is of; null where it takes none.")
    activity: Activity = Field(description="What for.")
    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")


class CandidateOut(Out):
    """A shot that could go on the stage."""

    shot: str = Field(description="The code of the shot.")
    episode: str = Field(description="The code of its episode.")
    phase: Phase = Field(description="Where it is.")
    phase_since: datetime = Field(description="Since when it is in this phase (UTC).")
    activity: Activity = Field(description="What it could be on the stage for.")
    animator: str | None = Field(description="Who is to animate it; null while nobody is named.")
    ready: bool = Field(description="Whether it lacks nothing for that.")
    free: bool = Field(description="Whether neither it nor its animator is booked elsewhere then.")
    blocked_by: list[LackOut] = Field(description="What it lacks, who can do something about it, and where.")
    elsewhere: list[ElsewhereOut] = Field(description="Where it, or its animator, is booked then.")
    remaining_frames: int = Field(description="Frames still to be credited of what this stage would shoot.")
    expected: ExpectedOut | None = Field(
        description="When these would be there, begun then; null to keys that do not cover `coordinate`."
    )

    @classmethod
    def of(cls, found: Candidate, expected: ExpectedOut | None) -> "CandidateOut":
        """The candidate."""
        return cls(
            shot=found.place.shot,
            episode=found.place.episode,
            phase=found.phase,
            phase_since=found.since,
            activity=found.chance.activity,
            animator=found.animator,
            ready=found.ready,
            free=found.free,
            blocked_by=[LackOut.of(each) for each in found.lacks],
            elsewhere=[
                ElsewhereOut(
                    booking=each.booking,
                    whose=each.whose,
                    stage=each.stage,
                    activity=each.activity,
                    start=each.span.start_at,
                    end=each.span.end_at,
                )
                for each in found.elsewhere
            ],
            remaining_frames=found.chance.remaining_frames,
            expected=expected,
        )


class CandidatesOut(Out):
    """What could go on a stage at an instant."""

    stage: str = Field(description="The code of the stage.")
    at: datetime = Field(description="The instant asked for (UTC).")
    booked: list[StandingOut] = Field(description="What the stage is booked for then; empty where it is free.")
    next_booking: datetime | None = Field(description="When the next booking of the stage begins (UTC), if any.")
    ready_shots: int = Field(description="How many shots lack nothing and are booked nowhere else.")
    blocked_shots: int = Field(description="How many others there are.")
    candidates: list[CandidateOut] = Field(
        description="Ready and free ones first, then by how little is missing, the furthest on first; at most `limit`."
    )


@router.get(
    "/{production}/candidates",
    operation_id="candidates_get",
    summary="Ask what can go on a stage",
    response_model=CandidatesOut,
    responses=answers(CANDIDATES, ProductionUnknown, StageUnknown, UnfitFields),
)
def get_candidates(
    door: Reader,
    production: ProductionInPath,
    *,
    stage: Annotated[str, Query(description="The code of the stage.", examples=["mill"])],
    at: Annotated[Instant | None, Query(description="The instant it is asked for; now where it is left out.")] = None,
    limit: Annotated[
        int, Query(ge=0, le=LARGEST_PAGE, description="How many shots to name at most; counts are of all.")
    ] = USUAL_PAGE,
) -> Response:
    """Say which shots planned for a stage, or for none, could go on it: for what, what each lacks, who is elsewhere.

    Shots of which nothing is left to be done on a stage are left out. How long what remains will take is told to keys
    that cover `coordinate`. Needs `read`.
    """
    instant = at or to_the_minute(door.now)
    if not in_calendar(instant):
        raise UnfitFields((Fault(YEARS_RULE, place="query at"),))
    with door.reading() as session:
        of = door.production(session, production)
        on = stages.find(session, stage)
        standing = store.at(session, instant)
        found = in_order(actions.candidates(session, of, on, standing=standing))
        after = store.following(session, on.id or 0, instant)
        ahead = _outlook(door, session, of, on.id or 0, instant=instant)
        ready = sum(each.ready and each.free for each in found)
        out = CandidatesOut(
            stage=on.code,
            at=instant,
            booked=[_standing(door, each) for each in standing if each.row.stage_id == on.id],
            next_booking=None if after is None else after.row.start_at,
            ready_shots=ready,
            blocked_shots=len(found) - ready,
            candidates=[CandidateOut.of(each, _expected(ahead, each, on.id or 0)) for each in found[:limit]],
        )
    return door.reply(None, out)


def _standing(door: Door, booked: Booked) -> StandingOut:
    row = booked.row
    known = door.caller.production_id in {None, row.production_id}
    return StandingOut(
        booking=row.id or 0,
        activity=Activity(row.activity),
        firmness=Firmness(row.firmness),
        end=row.end_at,
        shot=booked.shot if known else None,
    )


def _outlook(door: Door, session: Session, of: ProductionRow, stage_id: int, *, instant: datetime) -> Outlook | None:
    """What ends are reckoned by, where the caller may know: paces are people's."""
    if not door.caller.scope.covers(Scope.COORDINATE):
        return None
    return outlook(session, of, stage_ids=[stage_id], now=max(door.now, instant))


def _expected(ahead: Outlook | None, found: Candidate, stage_id: int) -> ExpectedOut | None:
    if ahead is None:
        return None
    expected = ahead.expected(found.chance.remaining_frames, animator=found.animator, stage_id=stage_id)
    return ExpectedOut.of(expected, frame_rate=ahead.frame_rate)
