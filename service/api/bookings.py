"""Bookings: what stages and animators are promised to."""

from datetime import datetime
from hashlib import sha256
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response
from sqlmodel import Session

from service.actions import bookings, shots, stages
from service.actions.bookings import Author, BookingCancelled, BookingClash, BookingUnknown, Wanted
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.actions.stages import StageUnknown
from service.api.booked import (
    BOOKED,
    CANCELLED,
    CHANGED,
    BookingChange,
    BookingClashOut,
    BookingIn,
    BookingOut,
    BookingWholeOut,
    CancellationIn,
    span_of,
)
from service.api.doors import Coordinate, Door, Reader
from service.api.examples import answers, page_of
from service.api.fields import Instant, Line
from service.api.pages import LARGEST_ID, Page, Ranking
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.bookings import Activity, Firmness
from service.domain.refusals import Fault, UnfitFields
from service.domain.spans import Span, seconds_of
from service.store import bookings as store
from service.store.bookings import Booked, Filter
from service.store.tables import BookingRow, ProductionRow

router = APIRouter(prefix="/v1/bookings", tags=["bookings"], route_class=StrictRoute)

BookingInPath = Annotated[int, Path(ge=1, le=LARGEST_ID, description="The booking's number.", examples=[1])]


@router.post(
    "",
    operation_id="booking_make",
    summary="Book a stage or an animator",
    status_code=HTTPStatus.CREATED,
    response_model=BookingWholeOut,
    responses=answers(
        BOOKED, ProductionUnknown, ShotUnknown, StageUnknown, BookingClash, UnfitFields, status=HTTPStatus.CREATED
    ),
)
def make_booking(door: Coordinate, body: BookingIn) -> Response:
    """Book a stage, an animator or both. Touching bookings do not clash.

    A confirmed booking that overlaps another confirmed one on its stage or with its animator is refused, and that one
    named; where one of the two is pencilled both stand, and `clashes` says so. Needs `coordinate`.
    """
    with door.writing() as session:
        production = door.production(session, body.production)
        row = bookings.book(
            session, production, _wanted(session, production, body.model_dump()), author=_author(door), now=door.now
        )
        out = _whole(door, session, bookings.find(session, row.id or 0))
        return door.reply(
            session, out, status=HTTPStatus.CREATED, rev=row.rev, head=_head(out), location=f"{router.prefix}/{row.id}"
        )


@router.get(
    "",
    operation_id="booking_list",
    summary="List bookings",
    response_model=Page[BookingOut],
    responses=answers(
        page_of({name: value for name, value in BOOKED.items() if name != "clashes"}),
        ProductionUnknown,
        ShotUnknown,
        StageUnknown,
        UnfitFields,
    ),
)
def list_bookings(
    door: Reader,
    window: Ranking,
    *,
    start: Annotated[
        Instant | None, Query(alias="from", description="Only what lasts past this instant; with `to`.")
    ] = None,
    end: Annotated[
        Instant | None, Query(alias="to", description="Only what begins before this instant; with `from`.")
    ] = None,
    production: Annotated[str | None, Query(description="Only those for this production.")] = None,
    shot: Annotated[str | None, Query(description="Only those for this shot; with `production`.")] = None,
    stage: Annotated[str | None, Query(description="Only those of this stage.")] = None,
    animator: Annotated[Line | None, Query(description="Only those of this animator.")] = None,
    activity: Annotated[Activity | None, Query(description="Only those for this.")] = None,
    cancelled: Annotated[bool, Query(description="Those cancelled, too.")] = False,
) -> Response:
    """List bookings by when they begin. A key bound to a production sees those of that production. Needs `read`."""
    if shot is not None and production is None:
        raise UnfitFields((Fault("Name the `production` of the shot, too.", place="query shot"),))
    with door.reading() as session:
        of = None if production is None else door.production(session, production)
        where = Filter(
            span=_window(start, end),
            stage_id=None if stage is None else stages.find(session, stage).id,
            animator=animator,
            production_id=door.caller.production_id if of is None else of.id,
            shot_id=None if shot is None or of is None else shots.find(session, of, shot).id,
            activity=activity,
            cancelled=cancelled,
        )
        rows = store.page(session, where, after=window.rank, limit=window.limit + 1)
    shown, following = window.page(rows, rank_of=lambda each: (seconds_of(each.row.start_at), each.row.id or 0))
    page = Page[Any](items=[BookingOut.of(each) for each in shown], next=following)
    return door.reply(None, page, link=window.link(following))


@router.get(
    "/{booking}",
    operation_id="booking_get",
    summary="Read a booking",
    response_model=BookingWholeOut,
    responses=answers(BOOKED, BookingUnknown),
)
def get_booking(door: Reader, booking: BookingInPath) -> Response:
    """Read a booking with what it clashes with. Needs `read`."""
    with door.reading() as session:
        out = _whole(door, session, bookings.find(session, booking, only=door.caller.production_id))
    return door.reply(None, out, rev=out.rev, head=_head(out))


@router.patch(
    "/{booking}",
    operation_id="booking_change",
    summary="Change a booking",
    response_model=BookingWholeOut,
    responses=answers(
        CHANGED,
        BookingUnknown,
        BookingCancelled,
        BookingClash,
        ShotUnknown,
        StageUnknown,
        UnfitFields,
        Stale,
        MissingPrecondition,
    ),
)
def change_booking(door: Coordinate, booking: BookingInPath, body: BookingChange) -> Response:
    """Move a booking, make it firmer or softer, give it to another stage or shot. Needs `coordinate` and `If-Match`."""
    with door.writing() as session:
        found = bookings.find(session, booking, only=door.caller.production_id, lock=True)
        _require_match(door, session, found)
        production = door.production(session, found.production)
        was = _said(found)
        said = body.model_dump(exclude_unset=True)
        # A part is one of its shot's.
        parted = {"part": None} if said.get("shot", was["shot"]) != was["shot"] else {}
        wanted = _wanted(session, production, {**was, **parted, **said})
        before = _wanted(session, production, was)
        bookings.change(session, found, wanted, was=before, author=_author(door), now=door.now)
        out = _whole(door, session, bookings.find(session, booking))
        return door.reply(session, out, rev=out.rev, head=_head(out))


@router.post(
    "/{booking}/cancel",
    operation_id="booking_cancel",
    summary="Cancel a booking",
    response_model=BookingWholeOut,
    responses=answers(CANCELLED, BookingUnknown, BookingCancelled, Stale, MissingPrecondition),
)
def cancel_booking(door: Coordinate, booking: BookingInPath, body: CancellationIn) -> Response:
    """Cancel a booking with a reason; it stays in the record. Needs `coordinate` and `If-Match`."""
    with door.writing() as session:
        found = bookings.find(session, booking, only=door.caller.production_id, lock=True)
        _require_match(door, session, found)
        bookings.cancel(session, found, reason=body.reason, by=door.by, now=door.now)
        out = _whole(door, session, found)
        return door.reply(session, out, rev=out.rev, head=_head(out))


def _require_match(door: Door, session: Session, found: Booked) -> None:
    out = _whole(door, session, found)
    door.require_match(rev=found.row.rev, head=_head(out), current=lambda: out)


def _author(door: Door) -> Author:
    return Author(door.by, door.caller.production_id)


def _said(found: Booked) -> dict[str, Any]:
    row: BookingRow = found.row
    return {
        "shot": found.shot,
        "part": row.part,
        "stage": found.stage,
        "animator": row.animator,
        "activity": Activity(row.activity),
        "firmness": Firmness(row.firmness),
        "start": row.start_at,
        "end": row.end_at,
        "note": row.note,
        "asked_by": row.asked_by,
    }


def _wanted(session: Session, production: ProductionRow, said: dict[str, Any]) -> Wanted:
    return Wanted(
        span=span_of(said["start"], said["end"]),
        stage=None if said["stage"] is None else stages.find(session, said["stage"]),
        animator=said["animator"],
        shot=None if said["shot"] is None else shots.find(session, production, said["shot"]),
        activity=said["activity"],
        firmness=said["firmness"],
        note=said["note"],
        part=said["part"],
        asked_by=said["asked_by"],
    )


def _window(start: datetime | None, end: datetime | None) -> Span | None:
    if start is None and end is None:
        return None
    if start is None or end is None or end <= start:
        raise UnfitFields((Fault("Give `from` and a later `to`, or neither.", place="query to"),))
    return Span(start, end)


def _whole(door: Door, session: Session, booked: Booked) -> BookingWholeOut:
    only = door.caller.production_id
    found = [BookingClashOut.clashing(*each, only=only) for each in bookings.clashing(session, booked.row)]
    return BookingWholeOut.of(booked, clashes=found)


def _head(out: BookingWholeOut) -> str:
    # Other bookings come and go beside it, and its clashes with them.
    said = "".join(each.model_dump_json() for each in out.clashes)
    return sha256(said.encode()).hexdigest()[:8] if said else "0"
