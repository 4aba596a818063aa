"""Touched bookings: what becomes of a shot's bookings when it moves, is re-cut, omitted or restored.

Of a booking that stands it is said what about it does not fit its shot any more; the booking itself is somebody's word,
and only an omission takes it back.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from fractions import Fraction

from service.domain.bookings import Activity
from service.domain.lengths import Expected
from service.domain.moves import Standing, lacking
from service.domain.phases import ORDER, Fact, Phase
from service.domain.spans import Span


class Becomes(StrEnum):
    """What becomes of a booking."""

    STAYS = "stays"
    SHORTENED = "shortened"
    RELEASED = "released"
    BROUGHT_BACK = "brought back"
    LOST = "lost"


class Misfit(StrEnum):
    """What about a booking does not fit its shot."""

    OMITTED = "shot omitted"
    SUSPENDED = "shot suspended"
    PHASE_PAST = "phase past"
    NOTHING_REMAINS = "nothing remains"
    NO_PLATE = "no plate asked for"
    STRUCK_TOO_SOON = "struck too soon"
    NO_SUCH_PART = "no such part"
    OTHER_STAGE = "planned elsewhere"
    TOO_SHORT = "too short"
    TOO_LONG = "too long"


BY_PACE = frozenset({Misfit.TOO_SHORT, Misfit.TOO_LONG})
"""What is judged by somebody's pace, which is not for everybody to see."""


@dataclass(frozen=True, slots=True)
class Remark:
    """What does not fit, and in a sentence how."""

    misfit: Misfit
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """A booking of a shot, as it is held against the shot."""

    activity: Activity
    span: Span
    stage: str | None
    part: str | None


KEPT_BY_AN_OMISSION = frozenset({Activity.STRIKE, Activity.UPKEEP})
"""What still has to be done on a stage whose shot was omitted."""

LAST_PHASE: Mapping[Activity, Phase] = {
    Activity.DRESSING: Phase.SET_DRESSING,
    Activity.LIGHTING: Phase.SHOOTING,
    Activity.SHOOTING: Phase.SHOOTING,
    Activity.PLATE: Phase.BACKGROUND_PLATE,
    Activity.HOLDING: Phase.APPROVAL,
}
"""The last phase of a shot in which a stage is wanted for each; a set is struck at any time, and kept up."""


def remarks(
    promise: Promise, standing: Standing, *, stages: Mapping[str, str], expected: Expected | None, spare: Fraction
) -> tuple[Remark, ...]:
    """What of a booking does not fit its shot as it stands; empty where all does.

    `stages` has the code of the stage of each part of the shot's plan, by part. `expected` is when its frames will be
    there, None where that is not asked of this booking; `spare` the stage-days from the late end to the booking's.
    """
    if standing.facts.plan.omitted:
        kept = promise.activity in KEPT_BY_AN_OMISSION
        return () if kept else (Remark(Misfit.OMITTED, "The shot is omitted."),)
    return (
        *_of_phase(promise, standing),
        *_of_work(promise, standing),
        *_of_place(promise, stages),
        *_of_length(promise, expected, spare),
    )


def _of_phase(promise: Promise, standing: Standing) -> Iterator[Remark]:
    if standing.suspended is not None:
        yield Remark(Misfit.SUSPENDED, f"The shot is suspended ({standing.suspended}).")
    last = LAST_PHASE.get(promise.activity)
    if last is not None and ORDER[standing.phase] > ORDER[last]:
        detail = f"It is booked for {promise.activity}, and the shot is in {standing.phase}."
        yield Remark(Misfit.PHASE_PAST, detail)


def _of_work(promise: Promise, standing: Standing) -> Iterator[Remark]:
    if promise.activity is Activity.PLATE and standing.needs is not None and not standing.needs.plate_needed:
        yield Remark(Misfit.NO_PLATE, "The shot's needs ask for neither rig nor plate.")
    if promise.activity is Activity.STRIKE:
        missing = (lacking(fact, standing) for fact in (Fact.FRAMES_ACCEPTED, Fact.PLATE_SHOT, Fact.PLATE_ACCEPTED))
        if said := " ".join(each for each in missing if each):
            yield Remark(Misfit.STRUCK_TOO_SOON, f"The set is still needed as things are: {said}")


def _of_place(promise: Promise, stages: Mapping[str, str]) -> Iterator[Remark]:
    if promise.part is not None and promise.part not in stages:
        yield Remark(Misfit.NO_SUCH_PART, f"The shot is not planned with a part {promise.part} any more.")
        return
    planned = {stages[promise.part]} if promise.part is not None else set(stages.values())
    if promise.stage is None or not planned or promise.activity in KEPT_BY_AN_OMISSION or promise.stage in planned:
        return
    of = "The shot" if promise.part is None else f"Part {promise.part}"
    yield Remark(Misfit.OTHER_STAGE, f"{of} is planned to be shot on {', '.join(sorted(planned))}.")


def _of_length(promise: Promise, expected: Expected | None, spare: Fraction) -> Iterator[Remark]:
    if expected is None:
        return
    if not expected.remaining_frames:
        yield Remark(Misfit.NOTHING_REMAINS, "Every planned frame is credited.")
        return
    frames = "1 frame remains" if expected.remaining_frames == 1 else f"{expected.remaining_frames} frames remain"
    if expected.usual_at is not None and expected.usual_at > promise.span.end_at:
        end = _told(expected.usual_at)
        yield Remark(Misfit.TOO_SHORT, f"{frames}: at the usual pace they are there at {end}, after it ends.")
    elif expected.late_at is not None and spare >= 1:
        end = _told(expected.late_at)
        yield Remark(Misfit.TOO_LONG, f"{frames}: even at a slow pace they are there at {end}, a day or more before.")


def _told(instant: datetime) -> str:
    return f"{instant:%Y-%m-%dT%H:%M:%S}Z"


def released_by_an_omission(activity: Activity) -> bool:
    """Whether an omission of its shot takes a booking for this back."""
    return activity not in KEPT_BY_AN_OMISSION
