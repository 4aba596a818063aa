"""What if: which bookings could not be kept, which stage time would be free, and which shots would lose their place."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.domain.bookings import Booking, Shared
from service.domain.spans import Span, TimeSet, times


@dataclass(frozen=True, slots=True, kw_only=True)
class Away:
    """A stage or an animator that would not be there all through `span`."""

    shared: Shared
    what: int | str
    span: Span

    def takes(self, booking: Booking) -> bool:
        """Whether a booking counts on it, at an instant at which it would not be there."""
        named = booking.stage_id if self.shared is Shared.STAGE else booking.animator
        return named == self.what and booking.span.overlaps(self.span)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """A booking that could not be kept, and the part of it that could not."""

    booking: Booking
    span: Span


def lost(away: Away, bookings: Iterable[Booking]) -> list[Lost]:
    """The bookings that count on what would not be there, by when that begins for each, then by number."""
    found = (
        Lost(booking=booking, span=_common(booking.span, away.span)) for booking in bookings if away.takes(booking)
    )
    return sorted(found, key=lambda each: (each.span.start_at, each.booking.id))


def _common(one: Span, other: Span) -> Span:
    return Span(max(one.start_at, other.start_at), min(one.end_at, other.end_at))


def freed(gone: Iterable[Lost], staying: Iterable[Booking]) -> dict[int, TimeSet]:
    """The time of each stage, by id, that these bookings give up and no other that stays takes; stages with any."""
    given: dict[int, list[Span]] = defaultdict(list)
    for each in gone:
        if each.booking.stage_id is not None:
            given[each.booking.stage_id].append(each.span)
    kept: dict[int, list[Span]] = defaultdict(list)
    for booking in staying:
        if booking.stage_id in given:
            kept[booking.stage_id].append(booking.span)
    free = {stage_id: times(spans) - times(kept[stage_id]) for stage_id, spans in given.items()}
    return {stage_id: time for stage_id, time in free.items() if time}


@dataclass(frozen=True, slots=True, kw_only=True)
class Displaced:
    """A shot that would lose its place: the bookings it would lose, and those it would still have."""

    shot_id: int
    loses: tuple[int, ...]
    keeps: tuple[int, ...]


def displaced(losing: Mapping[int, int | None], having: Mapping[int, int | None]) -> list[Displaced]:
    """The shots that lose bookings, by number with the id of the shot it is for, of all that shots have.

    In the order in which the first of them is lost.
    """
    shots = dict.fromkeys(shot_id for shot_id in losing.values() if shot_id is not None)
    return [
        Displaced(
            shot_id=shot_id,
            loses=tuple(number for number, of in losing.items() if of == shot_id),
            keeps=tuple(number for number, of in having.items() if of == shot_id and number not in losing),
        )
        for shot_id in shots
    ]


def given_up(before: Sequence[Booking], *, now: datetime) -> list[Lost]:
    """Bookings, none of them over, of which all is given up that lies ahead."""
    return [
        Lost(booking=booking, span=Span(max(booking.span.start_at, now), booking.span.end_at)) for booking in before
    ]
