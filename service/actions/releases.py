"""Releases: an omission takes a shot's bookings back, a restoring brings back those whose time is free."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlmodel import Session

from service.actions.bookings import changed_event
from service.domain.bookings import Activity, Firmness, clashes_of
from service.domain.events import EventKind
from service.domain.misfits import Becomes, released_by_an_omission
from service.domain.spans import Span
from service.store import bookings
from service.store import misfits as store
from service.store.bookings import Booked
from service.store.events import Happening
from service.store.tables import BookingRow, ShotRow


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of a booking, or would, and why."""

    booked: Booked
    becomes: Becomes
    why: str


@dataclass(frozen=True, slots=True)
class Released:
    """What became of bookings, and the events to append."""

    fates: Sequence[Fate] = ()
    happenings: Sequence[Happening] = ()


def foresee(
    session: Session, *, omitted: Sequence[int], there: Sequence[int], now: datetime, reason: str | None = None
) -> list[Fate]:
    """What becomes of the bookings of shots, by id, that are omitted for a reason, and of those there again."""
    cause = "its shot was omitted" + ("" if reason is None else f": {reason}")
    gone = [
        Fate(each, Becomes.SHORTENED if each.row.start_at < _whole(now) else Becomes.RELEASED, cause)
        for each in store.of_shots(session, omitted, now=now)
        if released_by_an_omission(Activity(each.row.activity))
    ]
    return [*gone, *(_back(session, each, now) for each in store.released(session, there))]


def _whole(instant: datetime) -> datetime:
    # Bookings know no fractions of a second.
    return instant.replace(microsecond=0)


def _next_whole(instant: datetime) -> datetime:
    return _whole(instant + timedelta(microseconds=999_999))


def _back(session: Session, booked: Booked, now: datetime) -> Fate:
    begins_at = max(booked.row.start_at, _next_whole(now))
    if booked.row.end_at <= begins_at:
        return Fate(booked, Becomes.LOST, "its time has gone by")
    own = replace(bookings.read(booked.row), span=Span(begins_at, booked.row.end_at))
    others = [bookings.read(each.row) for each in bookings.beside(session, [own])]
    firm = [each for each in others if each.firmness is Firmness.CONFIRMED]
    if clash := next(iter(clashes_of(own, firm)), None):
        other = clash.other if clash.one == own.id else clash.one
        return Fate(booked, Becomes.LOST, f"its {clash.shared} is promised to booking {other} by now")
    return Fate(booked, Becomes.BROUGHT_BACK, "its shot is back, and its time is free")


def settle(session: Session, shots: Sequence[ShotRow], *, reason: str | None, by: str, now: datetime) -> Released:
    """Release or bring back the bookings of locked shots that were omitted or restored just now.

    What is released stays in the record, cancelled with the cause; one that is under way ends now, and its rest is
    released as a booking of its own. What comes back is pencilled, because somebody may have planned around it, and
    begins now where its start has gone by; what is lost stays cancelled for good. Returns the events; the caller
    appends them.
    """
    if not shots:
        return Released()
    concerned = [row.id or 0 for row in shots]
    store.lock(session, [*store.of_shots(session, concerned, now=now), *store.released(session, concerned)])
    omitted = [row.id or 0 for row in shots if row.omitted]
    there = [row.id or 0 for row in shots if not row.omitted]
    fates: list[Fate] = []
    happenings: list[Happening] = []
    for fate in foresee(session, omitted=omitted, there=there, now=now, reason=reason):
        one = fate
        if fate.becomes is Becomes.SHORTENED:
            rest = _shorten(session, fate, now=now)
            happenings.append(_cut_short(fate, rest.end_at, by=by, now=now))
            fates.append(fate)
            one = Fate(replace(fate.booked, row=rest), Becomes.RELEASED, fate.why)
        else:
            _settle(fate, now=now)
        fates.append(one)
        happenings.append(_told(one, by=by, now=now))
    session.flush()
    return Released(fates, happenings)


def _settle(fate: Fate, *, now: datetime) -> None:
    row = fate.booked.row
    row.released = fate.becomes is Becomes.RELEASED
    if fate.becomes is Becomes.RELEASED:
        row.cancelled_at, row.cancel_reason = now, fate.why
    elif fate.becomes is Becomes.BROUGHT_BACK:
        row.cancelled_at, row.cancel_reason, row.firmness = None, None, Firmness.PENCILLED.value
        row.start_at = max(row.start_at, _next_whole(now))
    row.rev += 1


def _shorten(session: Session, fate: Fate, *, now: datetime) -> BookingRow:
    """Let a booking that is under way end now; the rest of it, released, as a booking of its own."""
    row = fate.booked.row
    said = row.model_dump(exclude={"id", "start_at", "rev", "cancelled_at", "cancel_reason", "released"})
    rest = BookingRow(**said, start_at=_whole(now), cancelled_at=now, cancel_reason=fate.why, released=True)
    row.end_at = _whole(now)
    row.rev += 1
    session.add(rest)
    session.flush()
    return rest


def _cut_short(fate: Fate, was_end: datetime, *, by: str, now: datetime) -> Happening:
    row = fate.booked.row
    changed = {"end": {"before": was_end.isoformat(), "after": row.end_at.isoformat()}}
    return changed_event(row, changed, by=by, now=now)


def hand_over(session: Session, shot: ShotRow, into: ShotRow, *, by: str, now: datetime) -> list[Happening]:
    """Let the bookings of a locked shot that are not over be of the one it is merged into; the events to append."""
    several = store.of_shots(session, [shot.id or 0], now=now)
    store.lock(session, several)
    for each in several:
        each.row.shot_id, each.row.part = into.id, None
        each.row.rev += 1
    changed = {"shot": {"before": shot.code, "after": into.code}}
    return [changed_event(each.row, changed, by=by, now=now) for each in several]


KINDS: Mapping[Becomes, EventKind] = {
    Becomes.RELEASED: EventKind.BOOKING_CANCELLED,
    Becomes.BROUGHT_BACK: EventKind.BOOKING_RESTORED,
    Becomes.LOST: EventKind.BOOKING_LOST,
}


def _told(fate: Fate, *, by: str, now: datetime) -> Happening:
    row = fate.booked.row
    data = {
        "booking": row.id,
        "stage": fate.booked.stage,
        "animator": row.animator,
        "activity": row.activity,
        "start": row.start_at.isoformat(),
        "end": row.end_at.isoformat(),
        "reason": fate.why,
    }
    return Happening(
        kind=KINDS[fate.becomes],
        at=now,
        actor=by,
        production_id=row.production_id,
        shot_id=row.shot_id,
        data=data,
    )
