"""A queue over a window: how much waits in it, how fast work comes, how long each piece stays.

Exact fractions; hours where a time is meant. What is undefined is None, never a quotient by zero.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from fractions import Fraction
from typing import assert_never

from service.domain.waits import hours


@dataclass(frozen=True, slots=True)
class Stay:
    """One piece of work: in the queue from `entered_at` until `delivered_at`, None while it is there; UTC."""

    entered_at: datetime
    delivered_at: datetime | None = None

    def within(self, opens_at: datetime, closes_at: datetime) -> timedelta:
        """How long of [opens_at, closes_at) it is in the queue."""
        ends_at = closes_at if self.delivered_at is None else min(self.delivered_at, closes_at)
        return max(ends_at - max(self.entered_at, opens_at), timedelta(0))

    def there(self, instant: datetime) -> bool:
        """Whether it came before the instant and leaves after it."""
        return self.entered_at < instant and (self.delivered_at is None or self.delivered_at > instant)


class Turn(StrEnum):
    """What befalls a shot that may be waiting for its comp."""

    CAME = "came into compositing"
    LEFT = "left compositing"
    DELIVERED = "comp delivered"
    WITHDRAWN = "delivery withdrawn"
    OMITTED = "omitted"
    RESTORED = "restored"


def comp_stays(turns: Iterable[tuple[datetime, Turn]]) -> Iterator[Stay]:
    """The stays of one shot in the comp queue, of what befell it in any order; instants UTC.

    It is in the queue while it is in compositing, not omitted, and no comp was delivered since it came there; one
    delivered before was of other frames. A delivery that is withdrawn puts it back.
    """
    there, omitted, delivered, since = False, False, False, None
    for at, turn in sorted(turns, key=lambda each: each[0]):
        match turn:
            case Turn.CAME | Turn.LEFT:
                there, delivered = turn is Turn.CAME, False
            case Turn.DELIVERED | Turn.WITHDRAWN:
                delivered = turn is Turn.DELIVERED
            case Turn.OMITTED | Turn.RESTORED:
                omitted = turn is Turn.OMITTED
            case _:
                assert_never(turn)
        waits = there and not omitted and not delivered
        if waits and since is None:
            since = at
        elif not waits and since is not None:
            yield Stay(since, at)
            since = None
    if since is not None:
        yield Stay(since)


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """A queue over a window of `window_h` hours.

    `mean_number` is L, the pieces in the queue on the average of the window; `arrivals` came in it; `mean_wait_h` is W,
    the mean stay of those that came in it and were delivered in it, None of none. `whole` where the window begins and
    ends with the queue empty, so that all of every stay lies in it.
    """

    window_h: Fraction
    mean_number: Fraction
    arrivals: int
    mean_wait_h: Fraction | None
    whole: bool

    @property
    def arrivals_per_h(self) -> Fraction:
        """λ, pieces an hour."""
        return Fraction(self.arrivals) / self.window_h

    @property
    def keeps_littles_law(self) -> bool | None:
        """Whether L = λW, which holds exactly over a window that begins and ends empty; None over any other.

        J. D. C. Little and S. C. Graves, Little's Law, in Building Intuition (2008), chapter 5.
        """
        if not self.whole:
            return None
        return self.mean_number == self.arrivals_per_h * (self.mean_wait_h or 0)


def queue(stays: Iterable[Stay], opens_at: datetime, *, closes_at: datetime) -> Queue:
    """The queue that these stays make over [opens_at, closes_at); raises ValueError of a window without length."""
    if closes_at <= opens_at:
        raise ValueError("a window ends after it begins")
    every = list(stays)
    window_h = hours(closes_at - opens_at)
    came = [stay for stay in every if opens_at <= stay.entered_at < closes_at]
    served = [
        stay.delivered_at - stay.entered_at
        for stay in came
        if stay.delivered_at is not None and stay.delivered_at <= closes_at
    ]
    return Queue(
        window_h=window_h,
        mean_number=_total_h([stay.within(opens_at, closes_at) for stay in every]) / window_h,
        arrivals=len(came),
        mean_wait_h=_total_h(served) / len(served) if served else None,
        whole=not any(stay.there(opens_at) or stay.there(closes_at) for stay in every),
    )


def implied_wait(number: Fraction, arrivals_per_unit: Fraction) -> Fraction | None:
    """The mean wait that a mean number in the queue and a rate of arrivals imply: W = L ÷ λ, in the rate's unit.

    None where nothing arrives.
    """
    return number / arrivals_per_unit if arrivals_per_unit else None


def _total_h(spans: Sequence[timedelta]) -> Fraction:
    return sum((hours(span) for span in spans), Fraction(0))
