"""Move many bookings together, all or none."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.actions.bookings import Author, BookingCancelled, BookingUnknown, changed_event
from service.domain.bookings import Booking, Firmness
from service.domain.rebookings import CannotMove, Outcome, Shift, outcome, shifted
from service.domain.refusals import Clash, Fault, UnfitFields
from service.domain.spans import Span
from service.store import rebookings as store
from service.store.bookings import Booked, read
from service.store.events import Happening, append_all
from service.store.tables import BookingRow, StageRow


@dataclass(eq=False)
class BookingsChanged(Clash):
    """These bookings were changed since you read them, so none was moved: {bookings}.

    Read them again, then move them.
    """

    bookings: tuple[int, ...]


@dataclass(eq=False)
class RebookingClash(Clash):
    """None of these bookings was moved: {number} confirmed overlaps would come of it, the first 200 in `clashes`.

    Leave those bookings out, move what is in their way first, or make one of the two pencilled.
    """

    number: int
    clashes: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """A time, a stage or both that one booking is given in the place of the shift."""

    span: Span | None
    stage: StageRow | None


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """How bookings move: all by `shift`, to `stage` where it is named, but those in `own`, by number, in their own way.

    `time_zone` is the studio's, by whose clock days are shifted; `root` points to where the shift stands in the body.
    """

    shift: Shift
    stage: StageRow | None
    own: Mapping[int, Own]
    time_zone: str
    root: str = "#"


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One of several bookings: as it stands, and as it is to stand."""

    booked: Booked
    before: Booking
    after: Booking
    to_stage: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What moving several bookings does; `known` are all that take part in a clash, by id."""

    moves: Sequence[Move]
    outcome: Outcome
    known: Mapping[int, Booked]


def named(session: Session, revs: Mapping[int, int | None], *, author: Author) -> list[Booked]:
    """The bookings of these numbers, locked, in the order they are named.

    Raises BookingUnknown, also of those the author may not see, BookingCancelled, and BookingsChanged where one has
    another `rev` than was read.
    """
    found = store.lock(session, revs)
    for number in revs:
        if number not in found or author.only not in {None, found[number].row.production_id}:
            raise BookingUnknown(number)
        if (at := found[number].row.cancelled_at) is not None:
            raise BookingCancelled(number, at.isoformat())
    changed = tuple(number for number, rev in revs.items() if rev is not None and found[number].row.rev != rev)
    if changed:
        raise BookingsChanged(changed)
    return [found[number] for number in revs]


def attempt(session: Session, several: Sequence[Booked], how: How) -> Tried:
    """Judge a move of several locked bookings without making it.

    Raises UnfitFields with a fault for each that cannot move so.
    """
    moves, faults = [], []
    for booked in several:
        try:
            moves.append(_move(booked, how))
        except CannotMove as cannot:
            shift = "shift_days" if how.shift.days else "shift_s"
            faults.append(Fault(f"Booking {booked.row.id} {cannot}.", pointer=f"{how.root}/{shift}"))
    if faults:
        raise UnfitFields(tuple(faults))
    were, become = [each.before for each in moves], [each.after for each in moves]
    others = {other.row.id or 0: other for other in (*store.around(session, were), *store.around(session, become))}
    found = outcome(were, become, [read(other.row) for other in others.values()])
    return Tried(moves=moves, outcome=found, known=others | {each.before.id: each.booked for each in moves})


def _move(booked: Booked, how: How) -> Move:
    before = read(booked.row)
    if (own := how.own.get(before.id)) is None:
        after = shifted(before, how.shift, time_zone=how.time_zone)
        stage = None if booked.stage is None else how.stage
    else:
        stage = own.stage
        after = replace(before, span=own.span or before.span, stage_id=stage.id if stage else before.stage_id)
    return Move(booked=booked, before=before, after=after, to_stage=stage.code if stage else booked.stage)


def move_all(session: Session, tried: Tried, *, by: str, now: datetime) -> None:
    """Move bookings as they were tried, where no confirmed overlap comes of it; those that stay as they are, stay."""
    moved = [each for each in tried.moves if each.before != each.after]
    said = [_changed(each, by=by, now=now) for each in moved]
    # PostgreSQL compares row by row: what gives up its place does so before another takes it.
    for each in moved:
        each.booked.row.firmness = Firmness.PENCILLED.value
    session.flush()
    for each in moved:
        row: BookingRow = each.booked.row
        row.firmness = each.after.firmness.value
        row.stage_id = each.after.stage_id
        row.start_at, row.end_at = each.after.span.start_at, each.after.span.end_at
        row.rev += 1
    append_all(session, said)


def _changed(move: Move, *, by: str, now: datetime) -> Happening:
    before, after = (
        {"stage": stage, "start": span.start_at.isoformat(), "end": span.end_at.isoformat()}
        for stage, span in ((move.booked.stage, move.before.span), (move.to_stage, move.after.span))
    )
    changed = {name: {"before": before[name], "after": each} for name, each in after.items() if before[name] != each}
    return changed_event(move.booked.row, changed, by=by, now=now)
