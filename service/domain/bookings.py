"""Bookings: who and what a stage is promised to, from when to when, and where two promises clash."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.domain.spans import Span, overlapping

FIRST_YEAR, LAST_YEAR = 1970, 9998
YEARS_RULE = f"Write a time in the years {FIRST_YEAR} to {LAST_YEAR}."


def in_calendar(instant: datetime) -> bool:
    """Whether days around an instant can be reckoned with."""
    return FIRST_YEAR <= instant.year <= LAST_YEAR


class Activity(StrEnum):
    """What a stage or an animator is booked for."""

    DRESSING = "dressing"
    LIGHTING = "lighting"
    SHOOTING = "shooting"
    PLATE = "plate"
    HOLDING = "holding"
    STRIKE = "strike"
    UPKEEP = "upkeep"


class Firmness(StrEnum):
    """How firm a booking is: pencilled ones may overlap, confirmed ones may not."""

    PENCILLED = "pencilled"
    CONFIRMED = "confirmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """A booking of a stage, an animator or both for the `[start, end)` of `span`."""

    id: int
    span: Span
    stage_id: int | None
    animator: str | None
    firmness: Firmness


class Shared(StrEnum):
    """What two bookings that clash both take."""

    STAGE = "stage"
    ANIMATOR = "animator"


@dataclass(frozen=True, slots=True, order=True)
class Clash:
    """Two bookings, by id, the lower first, that overlap and both take what is `shared`.

    `firm` where both are confirmed: such are refused; others are told of.
    """

    one: int
    other: int
    shared: Shared
    firm: bool


def clashes(bookings: Iterable[Booking]) -> tuple[Clash, ...]:
    """Every clash among these bookings, in order. Bookings that touch do not clash.

    Cost: sorting the bookings of each stage and of each animator, and a step for each pair found.
    """
    taken: dict[tuple[Shared, object], list[Booking]] = defaultdict(list)
    for booking in bookings:
        for shared, what in _takes(booking).items():
            taken[shared, what].append(booking)
    found = (
        _clash(several[one], several[other], shared)
        for (shared, _), several in taken.items()
        for one, other in overlapping([booking.span for booking in several])
    )
    return tuple(sorted(found))


def clashes_of(booking: Booking, others: Iterable[Booking]) -> tuple[Clash, ...]:
    """The clashes of one booking with others, in order, whatever these do among themselves."""
    own = _takes(booking)
    found = (
        _clash(booking, other, shared)
        for other in others
        if other.id != booking.id and booking.span.overlaps(other.span)
        for shared, what in _takes(other).items()
        if own.get(shared) == what
    )
    return tuple(sorted(found))


def _takes(booking: Booking) -> dict[Shared, object]:
    both = {Shared.STAGE: booking.stage_id, Shared.ANIMATOR: booking.animator}
    return {shared: what for shared, what in both.items() if what is not None}


def _clash(one: Booking, other: Booking, shared: Shared) -> Clash:
    first, second = sorted((one.id, other.id))
    return Clash(first, second, shared, firm=one.firmness is other.firmness is Firmness.CONFIRMED)
