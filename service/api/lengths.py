"""Expected ends: when a booking's shot will be shot, by what remains and how fast frames come."""

from datetime import datetime
from fractions import Fraction
from typing import Any

from fastapi import APIRouter, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import bookings
from service.actions.bookings import BookingUnknown
from service.actions.lengths import outlook, remaining
from service.api.bookings import BookingInPath
from service.api.doors import Coordinate, Door
from service.api.examples import answers
from service.api.fields import Out
from service.api.occupancy import to_the_minute
from service.api.phases import standing_of
from service.api.strict import StrictRoute
from service.domain.bookings import Activity
from service.domain.lengths import Expected
from service.store import shots
from service.store.bookings import Booked

router = APIRouter(prefix="/v1/bookings", tags=["bookings"], route_class=StrictRoute)

CAUTION = (
    "Planning figures from what was credited: no promise, and no measure of anybody, since they say nothing of how "
    "hard a shot is."
)
PACE: dict[str, Any] = {
    "animator": "Ilse",
    "animator_days": 6,
    "credited_s": 24.0,
    "seconds_a_day": 4.0,
    "p10_s": 2.4,
    "p50_s": 4.0,
    "p90_s": 5.6,
}
EXPECTED: dict[str, Any] = {
    "remaining_frames": 200,
    "remaining_s": 8.0,
    "from": "2026-03-03T08:00:00Z",
    "pace": PACE,
    "early": {"days": 1.429, "end": "2026-03-04T12:51:26Z"},
    "usual": {"days": 2.0, "end": "2026-03-04T18:00:00Z"},
    "late": {"days": 3.333, "end": "2026-03-06T12:00:00Z"},
    "reason": None,
    "cautions": [CAUTION],
}


class PaceOut(Out):
    """A pace: how many seconds of credited frames an animator-day brings."""

    animator: str | None = Field(
        description="Whose it is; null: that of all of the production's animator-days together."
    )
    animator_days: int = Field(description="The animator-days it is of.")
    credited_s: float = Field(description="The credited seconds of all of them.")
    seconds_a_day: float = Field(description="Credited seconds by animator-days.")
    p10_s: float = Field(description="The credited seconds that one day in ten falls short of (type 7).")
    p50_s: float = Field(description="The credited seconds of the middle day.")
    p90_s: float = Field(description="The credited seconds that one day in ten exceeds.")


class EndOut(Out):
    """An expected end."""

    days: float | None = Field(description="After how many animator-days, of the stage's calendar, rounded to 0.001.")
    end: datetime | None = Field(description="When that is by the stage's hours (UTC); null: see `reason`.")


class ExpectedOut(Out):
    """When the frames that remain will be there, as a range."""

    remaining_frames: int = Field(
        description="Planned frames that are not credited yet; of the part, where one is named."
    )
    remaining_s: float = Field(description="How long they last, in seconds.")
    start: datetime = Field(
        alias="from", description="From when that is reckoned: its start, or now if that is later (UTC)."
    )
    pace: PaceOut | None = Field(description="The pace it is reckoned by; null while none is known.")
    early: EndOut = Field(description="At the pace of a fast day, which one in ten exceeds.")
    usual: EndOut = Field(description="At the pace of the middle day.")
    late: EndOut = Field(description="At the pace of a slow day, which nine in ten exceed.")
    reason: str | None = Field(description="Why an end is null.")
    cautions: list[str] = Field(description="What whoever reads this must bear in mind.")

    @classmethod
    def of(cls, found: Expected, *, frame_rate: Fraction) -> "ExpectedOut":
        """What is expected."""
        early, usual, late = found.days
        return cls.model_validate(
            {
                "remaining_frames": found.remaining_frames,
                "remaining_s": shown(found.remaining_frames / frame_rate),
                "from": found.start_at,
                "pace": _pace(found),
                "early": {"days": shown(early), "end": found.early_at},
                "usual": {"days": shown(usual), "end": found.usual_at},
                "late": {"days": shown(late), "end": found.late_at},
                "reason": found.reason,
                "cautions": [CAUTION],
            }
        )


def _pace(found: Expected) -> dict[str, Any] | None:
    if (pace := found.pace) is None:
        return None
    return {
        "animator": found.whose,
        "animator_days": pace.animator_days,
        "credited_s": shown(pace.credited_s),
        "seconds_a_day": shown(pace.seconds_a_day),
        "p10_s": shown(pace.p10_s),
        "p50_s": shown(pace.p50_s),
        "p90_s": shown(pace.p90_s),
    }


def shown(value: Fraction | None) -> float | None:
    """A number as it is shown, rounded to thousandths."""
    return None if value is None else round(float(value), 3)


class BookingExpectedOut(ExpectedOut):
    """When a booking's frames will be there."""

    booking: int = Field(description="The booking's number.")
    shot: str | None = Field(description="Its shot.")
    start_booked: datetime = Field(description="When it begins (UTC).")
    end_booked: datetime = Field(description="When it ends (UTC).")


@router.get(
    "/{booking}/expected-end",
    operation_id="booking_expected_end",
    summary="Ask when a booking's shot will be shot",
    response_model=BookingExpectedOut,
    responses=answers(
        {
            "booking": 1,
            "shot": "0120",
            "start_booked": "2026-03-03T08:00:00Z",
            "end_booked": "2026-03-05T17:00:00Z",
            **EXPECTED,
        },
        BookingUnknown,
    ),
)
def get_expected_end(door: Coordinate, booking: BookingInPath) -> Response:
    """Say when the frames that remain of a shooting booking's shot will be there: early, as usual, late.

    By the pace of its animator (else of the shot's), where at least 3 animator-days of theirs are known, else by that
    of the production; each animator-day is a day of the stage's calendar. Frames that rest on a take nobody has decided
    on count as credited. Needs `coordinate`, because paces are people's.
    """
    with door.reading() as session:
        booked = bookings.find(session, booking, only=door.caller.production_id)
        out = _expected(door, session, booked)
    return door.reply(None, out)


def _expected(door: Door, session: Session, booked: Booked) -> BookingExpectedOut:
    row, now = booked.row, to_the_minute(door.now)
    production = door.production(session, booked.production)
    rate = Fraction(production.rate_num, production.rate_den)
    found = Expected(start_at=max(now, row.start_at), remaining_frames=0, reason=_of_no_frames(booked))
    if row.shot_id is not None and found.reason is None:
        (shot,) = shots.by_ids(session, [row.shot_id])
        animator = row.animator or shot.animator
        ahead = outlook(
            session,
            production,
            stage_ids=[] if row.stage_id is None else [row.stage_id],
            animators=None if animator is None else [animator],
            now=now,
        )
        frames = remaining(standing_of(session, shot), row.part)
        found = ahead.expected(frames, animator=animator, stage_id=row.stage_id, start_at=row.start_at)
    of = ExpectedOut.of(found, frame_rate=rate)
    return BookingExpectedOut.model_validate(
        {
            **of.model_dump(by_alias=True),
            "booking": row.id,
            "shot": booked.shot,
            "start_booked": row.start_at,
            "end_booked": row.end_at,
        }
    )


def _of_no_frames(booked: Booked) -> str | None:
    if booked.row.cancelled_at is not None:
        return "The booking was cancelled."
    if Activity(booked.row.activity) is not Activity.SHOOTING:
        return f"The booking is for {booked.row.activity}; an end is expected of shooting alone."
    return None if booked.shot is not None else "The booking is for no single shot."
