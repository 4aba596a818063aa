"""Rebookings: many bookings moved in one call."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from sqlmodel import Session

from service.actions import rebookings, shots, stages
from service.actions.bookings import Author, BookingCancelled, BookingUnknown
from service.actions.productions import ProductionUnknown
from service.actions.rebookings import BookingsChanged, How, Move, Own, RebookingClash, Tried
from service.actions.shots import ShotUnknown
from service.actions.stages import StageUnknown
from service.api.booked import ActivityIn, span_of
from service.api.doors import Coordinate, Door
from service.api.errors import problem_of
from service.api.examples import answers
from service.api.fields import Body, Code, Day, Instant, Line, Out, shown_as
from service.api.pages import LARGEST_ID
from service.api.strict import StrictRoute
from service.domain.bookings import Activity, Clash, Firmness, Shared
from service.domain.calendars import wall_instant
from service.domain.rebookings import Shift
from service.domain.refusals import Fault, UnfitFields
from service.domain.spans import Span
from service.store import rebookings as store
from service.store import studio
from service.store.bookings import Booked
from service.store.rebookings import Filter

router = APIRouter(prefix="/v1/rebookings", tags=["bookings"], route_class=StrictRoute)

MOST_BOOKINGS, MOST_DAYS = 500, 400
# Of those told one by one.
MOST_CLASHES = 200
SIDE: Mapping[str, Any] = {
    "booking": 1,
    "production": "lantern-bay",
    "shot": "0120",
    "activity": "shooting",
    "firmness": "pencilled",
    "start": "2026-03-04T08:00:00Z",
    "end": "2026-03-06T17:00:00Z",
}
REBOOKED: Mapping[str, Any] = {
    "moved": False,
    "bookings": [
        {
            "booking": 1,
            "rev": 1,
            "production": "lantern-bay",
            "shot": "0120",
            "animator": "Ilse",
            "activity": "shooting",
            "firmness": "pencilled",
            "before": {
                "stage": "mill",
                "start": "2026-03-03T08:00:00Z",
                "end": "2026-03-05T17:00:00Z",
                "length_s": 205200,
            },
            "after": {
                "stage": "mill",
                "start": "2026-03-04T08:00:00Z",
                "end": "2026-03-06T17:00:00Z",
                "length_s": 205200,
            },
        }
    ],
    "clashes_before": [],
    "clashes_before_in_all": 0,
    "clashes_after_in_all": 1,
    "clashes_after": [
        {"shared": "stage", "firm": False, "changes": True, "bookings": [SIDE, {**SIDE, "booking": 4, "shot": "0130"}]}
    ],
    "refused": None,
}


class NamedBookingIn(Body):
    """A booking by its number, and the revision of it that was read."""

    booking: int = Field(ge=1, le=LARGEST_ID, description="The booking's number.")
    rev: Annotated[int, Field(ge=1)] | None = Field(
        None, description="Its `rev` as it was read; where it has changed since, nothing is moved."
    )
    start: Instant | None = Field(None, description="A first instant of its own, to the whole second; with `end`.")
    end: Instant | None = Field(None, description="The instant it ends before then; with `start`.")
    stage: Code | None = Field(None, description="A stage of its own.")

    @property
    def own(self) -> bool:
        """Whether it moves in its own way and not by the shift."""
        return self.start is not None or self.stage is not None

    @model_validator(mode="after")
    def _whole(self) -> "NamedBookingIn":
        if (self.start is None) != (self.end is None):
            raise PydanticCustomError("whole", "Give both start and end, or neither.")
        return self


class WhichIn(Body):
    """Bookings by when they begin, and what else is said."""

    first_day: Day = Field(description="The first local day of the studio's zone on which they begin.")
    last_day: Day = Field(description="The last such day, at most 400 days in all.")
    production: Code | None = Field(None, description="Only those for this production.")
    shot: Code | None = Field(None, description="Only those for this shot; with `production`.")
    stage: Code | None = Field(None, description="Only those of this stage.")
    animator: Line | None = Field(None, description="Only those of this animator.")
    activity: ActivityIn | None = Field(None, description="Only those for this.")


class RebookingIn(Body):
    """Bookings to move, and how."""

    model_config = shown_as({"bookings": [{"booking": 1, "rev": 1}], "shift_days": 1, "preview": True})

    bookings: Annotated[list[NamedBookingIn], Field(min_length=1, max_length=MOST_BOOKINGS)] | None = Field(
        None,
        description="The bookings to move, each once; this or `where`. One with times or a stage of its own is moved "
        "to these and not by the shift, so that two may change places.",
    )
    where: WhichIn | None = Field(None, description="All bookings that stand and begin on some days; at most 500.")
    shift_days: int = Field(
        0,
        ge=-MOST_DAYS,
        le=MOST_DAYS,
        description="By how many days; each keeps the hours that the studio's clock shows, whatever summer time does.",
    )
    shift_s: int = Field(
        0, ge=-MOST_DAYS * 86_400, le=MOST_DAYS * 86_400, description="By how many seconds that elapse; not with days."
    )
    stage: Code | None = Field(None, description="The stage to move those to that take one.")
    preview: bool = Field(default=False, description="Only say what would happen.")

    @model_validator(mode="after")
    def _clear(self) -> "RebookingIn":
        if (self.bookings is None) == (self.where is None):
            raise PydanticCustomError("which", "Give exactly one of bookings and where.")
        if self.bookings and len({each.booking for each in self.bookings}) != len(self.bookings):
            raise PydanticCustomError("twice", "Name each booking once.")
        if self.shift_days and self.shift_s:
            raise PydanticCustomError("both", "Shift by days or by seconds, not by both.")
        shifts = bool(self.shift_days or self.shift_s or self.stage)
        if not shifts and not all(each.own for each in self.bookings or ()):
            raise PydanticCustomError("how", "Say how they move: shift_days, shift_s or stage, or times of their own.")
        if not shifts and self.bookings is None:
            raise PydanticCustomError("how", "Say how they move: shift_days, shift_s or stage.")
        return self


class PlacedOut(Out):
    """Where and when a booking is."""

    stage: str | None = Field(description="Its stage, where it takes one.")
    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")
    length_s: int = Field(description="How long it is, in seconds that elapse; a change of summer time may change it.")

    @classmethod
    def of(cls, stage: str | None, span: Span) -> "PlacedOut":
        """The booking of this span on this stage."""
        return cls(stage=stage, start=span.start_at, end=span.end_at, length_s=span.length_s)


class RebookedOut(Out):
    """One of several bookings that were moved together, or would be."""

    booking: int = Field(description="Its number.")
    rev: int = Field(description="How often it was changed, from 1.")
    production: str = Field(description="The production it is for.")
    shot: str | None = Field(description="The shot it is for.")
    animator: str | None = Field(description="The animator who is booked.")
    activity: Activity = Field(description="What for.")
    firmness: Firmness = Field(description="Whether it may overlap others.")
    before: PlacedOut = Field(description="Where it was.")
    after: PlacedOut = Field(description="Where it is then.")

    @classmethod
    def of(cls, move: Move) -> "RebookedOut":
        """The booking of a move."""
        row = move.booked.row
        return cls(
            booking=row.id or 0,
            rev=row.rev,
            production=move.booked.production,
            shot=move.booked.shot,
            animator=row.animator,
            activity=Activity(row.activity),
            firmness=move.after.firmness,
            before=PlacedOut.of(move.booked.stage, move.before.span),
            after=PlacedOut.of(move.to_stage, move.after.span),
        )


class SideOut(Out):
    """One of two bookings that clash."""

    booking: int = Field(description="Its number.")
    production: str | None = Field(description="The production it is for; null where the key may not see it.")
    shot: str | None = Field(description="Its shot, where it has one that the key may see.")
    activity: Activity = Field(description="What it is for.")
    firmness: Firmness = Field(description="How firm it is.")
    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")


class MovedClashOut(Out):
    """Two bookings that overlap, at least one of them moved."""

    shared: Shared = Field(description="What both take.")
    firm: bool = Field(description="Whether both are confirmed, which is refused.")
    changes: bool = Field(description="Before: whether the move ends it. After: whether the move makes it.")
    bookings: list[SideOut] = Field(description="The two, as they are before or after the move.")


class RebookingOut(Out):
    """What a move of several bookings does, or would do."""

    moved: bool = Field(description="Whether the bookings were moved; false of a preview.")
    bookings: list[RebookedOut] = Field(description="Each booking, in the order named, or by number.")
    clashes_before: list[MovedClashOut] = Field(
        description="The clashes they were in: at most 200, those the move ends first."
    )
    clashes_after: list[MovedClashOut] = Field(
        description="The clashes they are in then: at most 200, those the move makes first."
    )
    clashes_before_in_all: int = Field(description="How many clashes they were in.")
    clashes_after_in_all: int = Field(description="How many clashes they are in then.")
    refused: dict[str, object] | None = Field(
        description="Of a preview: why they cannot be moved so (RFC 9457); null where they can."
    )


@router.post(
    "",
    operation_id="bookings_move",
    summary="Move several bookings",
    response_model=RebookingOut,
    responses=answers(
        REBOOKED,
        ProductionUnknown,
        ShotUnknown,
        StageUnknown,
        BookingUnknown,
        BookingCancelled,
        BookingsChanged,
        RebookingClash,
        UnfitFields,
    ),
)
def move_bookings(door: Coordinate, body: RebookingIn) -> Response:
    """Move several bookings by days, by seconds or to another stage, all or none; `preview` only says what comes of it.

    They are judged where they end up, so two may change places. Shifted by days, each keeps the hours that the clock of
    the studio shows: over a change of summer time a night grows or shrinks, and what would begin or end at a time the
    clock is put forward over is refused by name. Shifted by seconds, each keeps its length. Pencilled bookings may
    overlap, and `clashes_after` says so. Needs `coordinate`; a booking named with its `rev` is not moved where it has
    changed since.
    """
    author = Author(door.by, door.caller.production_id)
    with door.writing() as session:
        time_zone = studio.load(session).time_zone
        several = rebookings.named(session, _revs(door, session, body, time_zone), author=author)
        tried = rebookings.attempt(session, several, _how(session, body, time_zone))
        refused = _refused(tried, author)
        if not body.preview:
            if refused is not None:
                raise refused
            rebookings.move_all(session, tried, by=door.by, now=door.now)
        out = RebookingOut(
            moved=not body.preview,
            bookings=[RebookedOut.of(each) for each in tried.moves],
            clashes_before=_clashes(tried, author, after=False),
            clashes_after=_clashes(tried, author, after=True),
            clashes_before_in_all=len(tried.outcome.before),
            clashes_after_in_all=len(tried.outcome.after),
            refused=None if refused is None else problem_of(refused),
        )
        return door.reply(session, out)


def _revs(door: Door, session: Session, body: RebookingIn, time_zone: str) -> Mapping[int, int | None]:
    if body.where is None:
        return {each.booking: each.rev for each in body.bookings or ()}
    found = store.ids(session, _where(door, session, body.where, time_zone), limit=MOST_BOOKINGS + 1)
    if len(found) > MOST_BOOKINGS:
        detail = f"More than {MOST_BOOKINGS} bookings begin then: ask for fewer days, or for one stage at a time."
        raise UnfitFields((Fault(detail, pointer="#/where"),))
    if not found and not body.preview:
        detail = "No booking that stands begins then, so there is none to move: ask with `preview` which there are."
        raise UnfitFields((Fault(detail, pointer="#/where"),))
    return dict.fromkeys(found)


def _how(session: Session, body: RebookingIn, time_zone: str) -> How:
    stage = None if body.stage is None else stages.find(session, body.stage)
    shift = Shift(days=body.shift_days, seconds=body.shift_s, stage_id=None if stage is None else stage.id)
    own = {
        each.booking: Own(
            span=None if each.start is None or each.end is None else span_of(each.start, each.end, root=root),
            stage=None if each.stage is None else stages.find(session, each.stage),
        )
        for root, each in ((f"#/bookings/{place}", each) for place, each in enumerate(body.bookings or ()))
        if each.own
    }
    return How(shift=shift, stage=stage, own=own, time_zone=time_zone)


def _where(door: Door, session: Session, which: WhichIn, time_zone: str) -> Filter:
    if not timedelta(0) <= which.last_day - which.first_day < timedelta(days=MOST_DAYS):
        detail = f"Let `last_day` be `first_day` or a later day, {MOST_DAYS} days in all at most."
        raise UnfitFields((Fault(detail, pointer="#/where/last_day"),))
    if which.shot is not None and which.production is None:
        raise UnfitFields((Fault("Name the `production` of the shot, too.", pointer="#/where/shot"),))
    of = None if which.production is None else door.production(session, which.production)
    return Filter(
        opens_at=wall_instant(which.first_day, 0, time_zone=time_zone),
        closes_at=wall_instant(which.last_day + timedelta(days=1), 0, time_zone=time_zone).astimezone(UTC),
        production_id=door.caller.production_id if of is None else of.id,
        shot_id=None if which.shot is None or of is None else shots.find(session, of, which.shot).id,
        stage_id=None if which.stage is None else stages.find(session, which.stage).id,
        animator=which.animator,
        activity=which.activity,
    )


def _refused(tried: Tried, author: Author) -> RebookingClash | None:
    firm = tried.outcome.firm
    if not firm:
        return None
    told = (each.model_dump(mode="json") for each in clashes_out(tried, firm, author, after=True))
    return RebookingClash(len(firm), tuple(told))


def _clashes(tried: Tried, author: Author, *, after: bool) -> list[MovedClashOut]:
    found = tried.outcome.after if after else tried.outcome.before
    return clashes_out(tried, found, author, after=after)


def clashes_out(tried: Tried, clashes: Iterable[Clash], author: Author, *, after: bool) -> list[MovedClashOut]:
    """Clashes before or after a move, as its author may see them."""
    # Worked out once for all, and told in part: clashes may be thousands, and whoever counts waits meanwhile.
    spans = {each.before.id: each.after.span if after else each.before.span for each in tried.moves}
    changing = tried.outcome.new if after else tried.outcome.gone
    return [
        MovedClashOut(
            shared=clash.shared,
            firm=clash.firm,
            changes=clash in changing,
            bookings=[side_out(tried.known[number], spans.get(number), author) for number in (clash.one, clash.other)],
        )
        for clash in sorted(clashes, key=lambda clash: (clash not in changing, clash))[:MOST_CLASHES]
    ]


def side_out(booked: Booked, span: Span | None, author: Author) -> SideOut:
    """A booking at a time, its own where none is given, as somebody may see it."""
    row = booked.row
    known = author.only in {None, row.production_id}
    return SideOut(
        booking=row.id or 0,
        production=booked.production if known else None,
        shot=booked.shot if known else None,
        activity=Activity(row.activity),
        firmness=Firmness(row.firmness),
        start=row.start_at if span is None else span.start_at,
        end=row.end_at if span is None else span.end_at,
    )
