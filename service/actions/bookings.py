"""Book stages and animators, change bookings, cancel them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.domain.bookings import Activity, Clash, Firmness, Shared, clashes_of
from service.domain.events import EventKind
from service.domain.misfits import released_by_an_omission
from service.domain.refusals import Clash as Contradiction
from service.domain.refusals import Fault, UnfitFields, Unknown
from service.domain.spans import Span
from service.store import bookings as store
from service.store import shots
from service.store.bookings import Booked
from service.store.events import Happening, append, append_all
from service.store.tables import BookingRow, ProductionRow, ShotRow, StageRow


@dataclass(eq=False)
class BookingUnknown(Unknown):
    """There is no booking {booking}."""

    booking: int


@dataclass(eq=False)
class BookingCancelled(Contradiction):
    """Booking {booking} was cancelled on {cancelled_at}; make a new one."""

    booking: int
    cancelled_at: str


@dataclass(eq=False)
class BookingClash(Contradiction):
    """{taken} is promised already: booking {booking}, confirmed, from {start} to {end} for {activity}.

    Book another time, pencil this one, or change that one first.
    """

    shared: Shared
    taken: str
    booking: int
    start: str
    end: str
    activity: Activity
    production: str | None
    shot: str | None


@dataclass(frozen=True, slots=True)
class Author:
    """Who books: the name of the key, and the id of the one production it may see, where it is bound."""

    by: str
    only: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A booking as somebody asks for it; `part` is that of a split shot, `asked_by` who wants it, if named."""

    span: Span
    stage: StageRow | None
    animator: str | None
    shot: ShotRow | None
    part: str | None
    asked_by: str | None
    activity: Activity
    firmness: Firmness
    note: str | None


def find(session: Session, booking_id: int, *, only: int | None = None, lock: bool = False) -> Booked:
    """The booking of this id; raises BookingUnknown, also for those of any but the production with the id *only*."""
    found = store.find(session, booking_id, lock=lock)
    if found is None or only not in {None, found.row.production_id}:
        raise BookingUnknown(booking_id)
    return found


def require_fit(session: Session, wanted: Wanted) -> None:
    """Raises UnfitFields where it takes nothing, holds no stage or without a reason, or is of what is not there."""
    faults = []
    if wanted.stage is None and wanted.animator is None:
        faults.append(Fault("Name the stage, the animator or both: a booking takes something.", pointer="#/stage"))
    if wanted.activity is Activity.HOLDING and wanted.stage is None:
        faults.append(Fault("Name the `stage` whose set must not be touched.", pointer="#/stage"))
    if wanted.activity is Activity.HOLDING and wanted.note is None:
        faults.append(Fault("Say in `note` why the set must not be touched.", pointer="#/note"))
    if wanted.shot is not None and wanted.shot.omitted and released_by_an_omission(wanted.activity):
        detail = f"Shot {wanted.shot.code} is omitted: restore it first. Only strike and upkeep are booked for such."
        faults.append(Fault(detail, pointer="#/shot"))
    if wanted.part is not None and (fault := _no_part(session, wanted.shot, wanted.part)) is not None:
        faults.append(Fault(fault, pointer="#/part"))
    if faults:
        raise UnfitFields(tuple(faults))


def _no_part(session: Session, shot: ShotRow | None, part: str) -> str | None:
    if shot is None:
        return "Name the `shot` whose part this is."
    there = [each.part for each in shots.parts(session, [shot.id or 0])[shot.id or 0] if each.part]
    if part in there:
        return None
    return f"Shot {shot.code} has no part {part}; it has {', '.join(there)}." if there else f"{shot.code} is not split."


def book(session: Session, production: ProductionRow, wanted: Wanted, *, author: Author, now: datetime) -> BookingRow:
    """Make a booking. Raises UnfitFields, BookingClash."""
    require_fit(session, wanted)
    row = BookingRow(production_id=production.id or 0, by=author.by, booked_at=now, **_says(wanted))
    _require_free(session, row, author)
    session.add(row)
    session.flush()
    data = {"booking": row.id, **_told(wanted)}
    _note(session, EventKind.BOOKING_MADE, row, data, by=author.by, now=now)
    return row


def change(session: Session, booked: Booked, wanted: Wanted, *, was: Wanted, author: Author, now: datetime) -> None:
    """Let a locked booking be as wanted; the same changes nothing.

    Raises UnfitFields, BookingCancelled, BookingClash.
    """
    _require_standing(booked)
    require_fit(session, wanted)
    before, after = ({**_told(each), "shot": _code(each.shot)} for each in (was, wanted))
    changed = {name: {"before": before[name], "after": each} for name, each in after.items() if before[name] != each}
    if not changed:
        return
    row = booked.row
    for name, value in _says(wanted).items():
        setattr(row, name, value)
    row.rev += 1
    with session.no_autoflush:
        _require_free(session, row, author)
    session.flush()
    append_all(session, [changed_event(row, changed, by=author.by, now=now)])


def changed_event(row: BookingRow, changed: Mapping[str, Any], *, by: str, now: datetime) -> Happening:
    """The event of a booking that was changed; `changed` says what was and is, by field."""
    return Happening(
        kind=EventKind.BOOKING_CHANGED,
        at=now,
        actor=by,
        production_id=row.production_id,
        shot_id=row.shot_id,
        data={"booking": row.id, "changed": changed},
    )


def cancel(session: Session, booked: Booked, *, reason: str, by: str, now: datetime) -> None:
    """Cancel a locked booking, which stays in the record. Raises BookingCancelled."""
    _require_standing(booked)
    row = booked.row
    row.cancelled_at, row.cancel_reason = now, reason
    row.rev += 1
    data = {
        "booking": row.id,
        "stage": booked.stage,
        "animator": row.animator,
        "activity": row.activity,
        "start": row.start_at.isoformat(),
        "end": row.end_at.isoformat(),
        "reason": reason,
    }
    _note(session, EventKind.BOOKING_CANCELLED, row, data, by=by, now=now)


def clashing(session: Session, row: BookingRow) -> list[tuple[Clash, Booked]]:
    """What a booking clashes with, each with the other booking."""
    if row.cancelled_at is not None:
        return []
    own = store.read(row)
    others = {other.row.id or 0: other for other in store.beside(session, [own])}
    found = clashes_of(own, [store.read(other.row) for other in others.values()])
    return [(clash, others[clash.other if clash.one == own.id else clash.one]) for clash in found]


def _require_free(session: Session, row: BookingRow, author: Author) -> None:
    for clash, other in clashing(session, row):
        if clash.firm:
            raise _refused(clash, other, known=author.only in {None, other.row.production_id})


def _refused(clash: Clash, other: Booked, *, known: bool) -> BookingClash:
    taken = f"Stage {other.stage}" if clash.shared is Shared.STAGE else str(other.row.animator)
    return BookingClash(
        shared=clash.shared,
        taken=taken,
        booking=other.row.id or 0,
        start=other.row.start_at.isoformat(),
        end=other.row.end_at.isoformat(),
        activity=Activity(other.row.activity),
        # Productions share stages and not what they are about.
        production=other.production if known else None,
        shot=other.shot if known else None,
    )


def _require_standing(booked: Booked) -> None:
    if (at := booked.row.cancelled_at) is not None:
        raise BookingCancelled(booked.row.id or 0, at.isoformat())


def _says(wanted: Wanted) -> dict[str, Any]:
    return {
        "stage_id": None if wanted.stage is None else wanted.stage.id,
        "shot_id": None if wanted.shot is None else wanted.shot.id,
        "animator": wanted.animator,
        "activity": wanted.activity.value,
        "firmness": wanted.firmness.value,
        "start_at": wanted.span.start_at,
        "end_at": wanted.span.end_at,
        "note": wanted.note,
        "part": wanted.part,
        "asked_by": wanted.asked_by,
    }


def _told(wanted: Wanted) -> dict[str, Any]:
    return {
        "stage": None if wanted.stage is None else wanted.stage.code,
        "animator": wanted.animator,
        "activity": wanted.activity.value,
        "firmness": wanted.firmness.value,
        "start": wanted.span.start_at.isoformat(),
        "end": wanted.span.end_at.isoformat(),
        "note": wanted.note,
        "part": wanted.part,
        "asked_by": wanted.asked_by,
    }


def _code(shot: ShotRow | None) -> str | None:
    return None if shot is None else shot.code


def _note(session: Session, kind: EventKind, row: BookingRow, data: dict[str, Any], *, by: str, now: datetime) -> None:
    append(session, kind=kind, at=now, actor=by, production_id=row.production_id, shot_id=row.shot_id, data=data)
