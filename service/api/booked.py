"""What is sent and answered of bookings."""

from datetime import datetime
from typing import Annotated, Any, Self

from pydantic import Field

from service.api.fields import Body, Change, Code, Given, Instant, Line, Out, Text, shown_as
from service.domain.bookings import YEARS_RULE, Activity, Clash, Firmness, Shared, in_calendar
from service.domain.refusals import Fault, UnfitFields
from service.domain.spans import Span
from service.store.bookings import Booked

LONGEST_S = 400 * 24 * 3600
STARTS, ENDS = "2026-03-03T08:00:00Z", "2026-03-05T17:00:00Z"

NEW: dict[str, Any] = {
    "production": "lantern-bay",
    "shot": "0120",
    "stage": "mill",
    "animator": "Ilse",
    "activity": "shooting",
    "firmness": "pencilled",
    "start": STARTS,
    "end": ENDS,
    "note": "the long night shot",
}
BOOKED: dict[str, Any] = {
    "booking": 1,
    **NEW,
    "part": None,
    "asked_by": None,
    "clashes": [],
    "rev": 1,
    "by": "office",
    "booked_at": "2026-03-02T10:00:00Z",
    "cancelled_at": None,
    "cancel_reason": None,
}
CHANGED = {**BOOKED, "firmness": "confirmed", "rev": 2}
CANCELLED = {**BOOKED, "rev": 2, "cancelled_at": "2026-03-02T11:00:00Z", "cancel_reason": "the set is not dry"}

ActivityIn = Annotated[Activity, Field(strict=False)]
FirmnessIn = Annotated[Firmness, Field(strict=False)]


class BookingIn(Body):
    """A stage, an animator or both, promised from `start` until just before `end`."""

    model_config = shown_as(NEW)

    production: Code = Field(description="The production it is for.")
    shot: Code | None = Field(None, description="The shot it is for; none where it is for no single one.")
    part: Code | None = Field(None, description="The part of a split shot it is for; none: of all of the shot.")
    stage: Code | None = Field(None, description="The stage that is booked.")
    animator: Line | None = Field(None, description="The animator who is booked. One of the two, or both.")
    activity: ActivityIn = Field(
        description="What for: `dressing`, `lighting`, `shooting`, `plate`, `strike`, `upkeep`, or `holding`, a hot "
        "set that must not be touched, which needs a `stage` and a `note` that says why."
    )
    firmness: FirmnessIn = Field(
        Firmness.PENCILLED, description="`confirmed` ones of one stage or animator never overlap, `pencilled` ones may."
    )
    start: Instant = Field(description="Its first instant, to the whole second.")
    end: Instant = Field(description="The instant it ends before, to the whole second, at most 400 days later.")
    note: Text | None = Field(None, description="Anything else, up to 1 000 characters; of a hold its reason.")
    asked_by: Line | None = Field(None, description="Who asked for it, where that is not who enters it.")


class BookingChange(Change):
    """What to change of a booking; null takes a shot, part, stage, animator, note or who asked away."""

    model_config = shown_as({"firmness": "confirmed"})

    shot: Code | None = Field(None, description="The shot it is for; another one takes the part away.")
    part: Code | None = Field(None, description="The part of a split shot it is for.")
    stage: Code | None = Field(None, description="The stage that is booked.")
    animator: Line | None = Field(None, description="The animator who is booked.")
    activity: Given[ActivityIn] = Field(None, description="What for.")
    firmness: Given[FirmnessIn] = Field(None, description="How firm it is.")
    start: Given[Instant] = Field(None, description="Its first instant, to the whole second.")
    end: Given[Instant] = Field(None, description="The instant it ends before, to the whole second.")
    note: Text | None = Field(None, description="Anything else; of a hold its reason.")
    asked_by: Line | None = Field(None, description="Who asked for it.")


class CancellationIn(Body):
    """Why a booking is cancelled."""

    model_config = shown_as({"reason": "the set is not dry"})

    reason: Line = Field(description="Why, up to 200 characters.")


class BookedOut(Out):
    """A booking, as whoever it keeps out is told of it."""

    booking: int = Field(description="Its number.")
    start: datetime = Field(description="When it begins (UTC).")
    end: datetime = Field(description="When it ends (UTC).")
    activity: Activity = Field(description="What it is for.")
    firmness: Firmness = Field(description="How firm it is.")
    production: str | None = Field(description="Its production; null where the key may not see it.")
    shot: str | None = Field(description="Its shot, where it has one that the key may see.")

    @classmethod
    def of(cls, booked: Booked, *, only: int | None) -> "BookedOut":
        """The booking as a key may see it that is bound to the production with the id *only*."""
        known = only in {None, booked.row.production_id}
        return cls(
            booking=booked.row.id or 0,
            start=booked.row.start_at,
            end=booked.row.end_at,
            activity=Activity(booked.row.activity),
            firmness=Firmness(booked.row.firmness),
            production=booked.production if known else None,
            shot=booked.shot if known else None,
        )


class BookingClashOut(BookedOut):
    """Another booking that overlaps this one."""

    shared: Shared = Field(description="What both take.")

    @classmethod
    def clashing(cls, clash: Clash, other: Booked, *, only: int | None) -> "BookingClashOut":
        """The other booking of a clash, as a key may see it that is bound to the production with the id *only*."""
        return cls(shared=clash.shared, **BookedOut.of(other, only=only).model_dump())


class BookingOut(Out):
    """A booking."""

    booking: int = Field(description="Its number.")
    production: str = Field(description="The production it is for.")
    shot: str | None = Field(description="The shot it is for; null where it is for no single one.")
    part: str | None = Field(description="The part of a split shot it is for; null: of all of the shot.")
    stage: str | None = Field(description="The stage that is booked.")
    animator: str | None = Field(description="The animator who is booked.")
    activity: Activity = Field(description="What for.")
    firmness: Firmness = Field(description="Whether it may overlap others.")
    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")
    note: str | None = Field(description="Anything else; of a hold its reason.")
    asked_by: str | None = Field(description="Who asked for it; null: who entered it.")
    rev: int = Field(description="How often it was changed, from 1.")
    by: str = Field(description="The key that made it.")
    booked_at: datetime = Field(description="When it was made (UTC).")
    cancelled_at: datetime | None = Field(description="When it was cancelled (UTC); null while it stands.")
    cancel_reason: str | None = Field(description="Why it was cancelled.")

    @classmethod
    def of(cls, booked: Booked, **more: Any) -> Self:  # noqa: ANN401 -- what a wider answer adds
        """The answer of this booking."""
        row = booked.row
        return cls(
            booking=row.id or 0,
            production=booked.production,
            shot=booked.shot,
            part=row.part,
            stage=booked.stage,
            animator=row.animator,
            activity=Activity(row.activity),
            firmness=Firmness(row.firmness),
            start=row.start_at,
            end=row.end_at,
            note=row.note,
            asked_by=row.asked_by,
            rev=row.rev,
            by=row.by,
            booked_at=row.booked_at,
            cancelled_at=row.cancelled_at,
            cancel_reason=row.cancel_reason,
            **more,
        )


class BookingWholeOut(BookingOut):
    """A booking with the others it overlaps."""

    clashes: list[BookingClashOut] = Field(
        description="Bookings that stand and overlap it on its stage or with its animator; at most one of two is firm."
    )


def span_of(start: datetime, end: datetime, *, root: str = "#", names: tuple[str, str] = ("start", "end")) -> Span:
    """The span that is asked for in two fields of these `names`; raises UnfitFields, pointers beginning with `root`."""
    faults = [
        Fault("Write a whole second; bookings know no fractions.", pointer=f"{root}/{name}")
        for name, instant in zip(names, (start, end), strict=True)
        if instant.microsecond
    ]
    faults += [
        Fault(YEARS_RULE, pointer=f"{root}/{name}")
        for name, instant in zip(names, (start, end), strict=True)
        if not in_calendar(instant)
    ]
    if not faults and not 0 < (end - start).total_seconds() <= LONGEST_S:
        faults.append(Fault("Let it end after it starts, 400 days later at most.", pointer=f"{root}/{names[1]}"))
    if faults:
        raise UnfitFields(tuple(faults))
    return Span(start, end)
