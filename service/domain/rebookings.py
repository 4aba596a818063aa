"""Rebookings: many bookings moved together, judged by how they stand when all of them have moved."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from service.domain.bookings import FIRST_YEAR, LAST_YEAR, Booking, Clash, clashes, in_calendar
from service.domain.spans import Span
from service.domain.studio import zone

BEYOND = f"would lie beyond the calendar, which has the years {FIRST_YEAR} to {LAST_YEAR}: move it less far"


class CannotMove(Exception):
    """A booking cannot be moved so; its message says why and what would do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """How bookings move: by whole `days` of the studio's clock or by `seconds` that elapse, to another stage, or both.

    A booking that takes no stage is given none.
    """

    days: int = 0
    seconds: int = 0
    stage_id: int | None = None


def shifted(booking: Booking, shift: Shift, *, time_zone: str) -> Booking:
    """The booking after the shift; raises CannotMove."""
    try:
        span = _span(booking.span, shift, time_zone)
    except OverflowError:
        raise CannotMove(BEYOND) from None
    if not (in_calendar(span.start_at) and in_calendar(span.end_at)):
        raise CannotMove(BEYOND)
    moves = shift.stage_id is not None and booking.stage_id is not None
    return replace(booking, span=span, stage_id=shift.stage_id if moves else booking.stage_id)


def _span(span: Span, shift: Shift, time_zone: str) -> Span:
    if not shift.days:
        by = timedelta(seconds=shift.seconds)
        return Span(span.start_at + by, span.end_at + by)
    start_at = days_later(span.start_at, shift.days, time_zone=time_zone)
    end_at = days_later(span.end_at, shift.days, time_zone=time_zone)
    if end_at <= start_at:
        raise CannotMove(
            "would end before it starts, because its hours lie in the night in which the clock is put back: give it "
            "its own times"
        )
    return Span(start_at, end_at)


def days_later(instant: datetime, days: int, *, time_zone: str) -> datetime:
    """The instant at which the clock of a zone shows the same time so many days later.

    So nine in the morning stays nine in the morning over a change of summer time, and what lasts over the change grows
    or shrinks by it. A time that the clock shows twice then is meant as it was meant before: the first time, as a rule.
    Raises CannotMove of a time that the clock is put forward over, OverflowError beyond the calendar.
    """
    rules = zone(time_zone)
    shown = instant.astimezone(rules)
    wanted = shown.replace(tzinfo=None) + timedelta(days=days)
    found = wanted.replace(tzinfo=rules, fold=shown.fold).astimezone(UTC)
    if found.astimezone(rules).replace(tzinfo=None) != wanted:
        raise CannotMove(
            f"would begin or end on {wanted:%Y-%m-%d} at {wanted:%H:%M}, a time that the clock is put forward over: "
            "move it by itself, to a time there is"
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a rebooking does to clashes in which a booking takes part that moves: `before` it and `after` it."""

    before: tuple[Clash, ...]
    after: tuple[Clash, ...]

    @property
    def gone(self) -> frozenset[Clash]:
        """The clashes it ends."""
        return frozenset(self.before) - frozenset(self.after)

    @property
    def new(self) -> frozenset[Clash]:
        """The clashes it makes."""
        return frozenset(self.after) - frozenset(self.before)

    @property
    def firm(self) -> tuple[Clash, ...]:
        """The clashes after it of which both are confirmed: such are refused."""
        return tuple(clash for clash in self.after if clash.firm)


def outcome(before: Sequence[Booking], after: Sequence[Booking], others: Iterable[Booking]) -> Outcome:
    """What comes of moving these bookings, which stand among others that stay.

    All are judged where they end up, so two may change places. Cost: that of finding all clashes, twice.
    """
    moved = {booking.id for booking in before}
    stay = [booking for booking in others if booking.id not in moved]

    def of(bookings: Sequence[Booking]) -> tuple[Clash, ...]:
        return tuple(clash for clash in clashes([*bookings, *stay]) if {clash.one, clash.other} & moved)

    return Outcome(before=of(before), after=of(after))
