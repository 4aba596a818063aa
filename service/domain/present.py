"""What is on a stage at this moment: whether it is worked on, on what, since when, and from when on it is free."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.domain.bookings import Firmness
from service.domain.occupancy import USE_OF, Promise, StageFacts
from service.domain.shifts import at_work_since
from service.domain.spans import TimeSet, instant_of, seconds_of, times
from service.domain.work import QUIET, Capture, LogLine, Use, Wait, at_last, stretches, waits


@dataclass(frozen=True, slots=True, kw_only=True)
class Present:
    """What a stage is used for now (`use`), since when work goes on there, and what it was at last.

    `working_since` is the call, the end of a wait, or of captures that nobody called the first, `inferred` then; None
    where nobody works. `waiting` is what it waits for. `shot_id` is the shot it was at last, since `shot_since`, both
    None where it has none.
    """

    use: Use
    working_since: datetime | None = None
    inferred: bool = False
    waiting: Wait | None = None
    shot_id: int | None = None
    shot_since: datetime | None = None


def present(facts: StageFacts, now: datetime) -> Present:
    """What is on a stage now, by what is known of it; nothing after `now` is looked at."""
    log = [line for line in facts.log if line.at <= now]
    captures = [each for each in facts.captures if each.at <= now]
    last = at_last([mark for mark in facts.marks if mark.at <= now], captures)
    second = seconds_of(now)
    waited = waits(log, captures)[-1:]
    waiting = waited[0] if waited and waited[0].start <= second < waited[0].end else None
    since = at_work_since(((line.at, line.signal) for line in log), now)
    inferred = since is None and waiting is None and bool(captures) and now - captures[-1].at <= QUIET
    # A stage that was wrapped after its last capture is not at work.
    if inferred and any(line.at >= captures[-1].at for line in log):
        inferred = False
    standing = [each for each in facts.promises if each.firmness is Firmness.CONFIRMED and _holds(each, now)]
    use = _use(standing, last.use if last else None, working=since is not None or inferred)
    return Present(
        use=use,
        working_since=_begun(log, captures) if inferred else since,
        inferred=inferred,
        waiting=waiting,
        shot_id=last.shot_id if last else None,
        shot_since=instant_of(last.at) if last else None,
    )


def _begun(log: Sequence[LogLine], captures: Sequence[Capture]) -> datetime:
    """The first of the captures without a call that the last one follows on."""
    run = [each.start for each in stretches(log, captures) if each.end == seconds_of(captures[-1].at)]
    return instant_of(run[0]) if run else captures[-1].at


def _holds(promise: Promise, now: datetime) -> bool:
    return promise.span.start_at <= now < promise.span.end_at


def _use(standing: Sequence[Promise], last: Use | None, *, working: bool) -> Use:
    booked = [USE_OF[each.activity] for each in standing]
    if working:
        return last or next((use for use in booked if use is not Use.HELD), Use.UPKEEP)
    return Use.HELD if Use.HELD in booked else Use.IDLE


@dataclass(frozen=True, slots=True)
class Free:
    """When a stage is open and nothing confirmed stands there; `wished` is what of that is pencilled."""

    free: TimeSet
    wished: TimeSet

    def at(self, instant: datetime) -> datetime | None:
        """The first instant from this one on at which it is free; None where it never is."""
        second = seconds_of(instant)
        following = next((each for each in self.free.ranges if each[1] >= second), None)
        return None if following is None else max(instant, instant_of(following[0]))


def free(open_: TimeSet, promises: Sequence[Promise]) -> Free:
    """When a stage of these hours and bookings is free."""
    firm = times(each.span for each in promises if each.firmness is Firmness.CONFIRMED)
    left = open_ - firm
    return Free(left, left & times(each.span for each in promises if each.firmness is Firmness.PENCILLED))
