"""Holds: hot sets that must not be touched, until when, and what that costs.

The unit of the cost is the stage-day (`calendars.stage_days`); time outside the stage's hours costs nothing.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from fractions import Fraction

from service.domain.calendars import Calendar, stage_days
from service.domain.spans import Span

NOTHING = Fraction(0)


class HoldState(StrEnum):
    """Where a hold is in time."""

    TO_COME = "to come"
    STANDING = "standing"
    PAST_ITS_END = "past its end"


def state_of(span: Span, now: datetime) -> HoldState:
    """Where a hold of this span is at an instant; one that ends now is past its end."""
    if span.end_at <= now:
        return HoldState.PAST_ITS_END
    return HoldState.STANDING if span.start_at <= now else HoldState.TO_COME


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a hold costs in stage-days: the `whole` of it, of that what has gone by, and what went by since its end."""

    whole: Fraction
    so_far: Fraction
    since_its_end: Fraction


def cost(span: Span, calendar: Calendar, *, time_zone: str, now: datetime) -> Cost:
    """The cost of a hold of this span on a stage of this calendar, as of an instant."""

    def between(start_at: datetime, end_at: datetime) -> Fraction:
        if end_at <= start_at:
            return NOTHING
        return stage_days(calendar, Span(start_at, end_at), time_zone=time_zone)

    return Cost(
        whole=between(span.start_at, span.end_at),
        so_far=between(span.start_at, min(span.end_at, now)),
        since_its_end=between(span.end_at, now),
    )
