"""Decisions: what is said of a take or of a range of it, how long it takes, and what is shot again for it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from fractions import Fraction
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from sqlmodel import Session

from service.actions.productions import ProductionUnknown
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import MOST_FRAMES, Body, Code, Day, Line, Out, shown_as
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.domain.causes import ReturnCause
from service.domain.progress import Decision, Verdict
from service.domain.queues import Queue, Stay, comp_stays, implied_wait, queue
from service.domain.refusals import Unfit
from service.domain.reshoots import Reshoots, reshoots, unrejected
from service.domain.studio import Studio, day_opens, production_day
from service.domain.waits import FirstTakes, Spread, decided_waits, first_takes, waits_at
from service.store import decisions as over
from service.store import events, studio, viewing
from service.store import takes as store
from service.store.viewing import Viewed

router = APIRouter(prefix="/v1/productions", tags=["takes"], route_class=StrictRoute)

USUAL_DAYS = 7
Identity = Annotated[int, Field(ge=-100_000, le=MOST_FRAMES)]

NG_RANGE = {
    "verdict": "reject",
    "camera": "main",
    "first": 61,
    "last": 96,
    "cause": "light",
    "reason": "the light flickers",
}


class DecisionOut(Out):
    """What somebody said of the take or of a range of it."""

    verdict: Verdict = Field(description="What was said.")
    camera: str | None = Field(description="The camera it is about; null of all.")
    first: int | None = Field(description="The first frame it is about; null of the whole take.")
    last: int | None = Field(description="The last frame it is about; null of the whole take.")
    cause: ReturnCause | None = Field(description="Why it was rejected; null where not said, and of other verdicts.")
    by: str = Field(description="The key or terminal it came from.")
    reason: str | None = Field(description="Why, where said.")
    decided_at: datetime = Field(description="When (UTC).")

    @classmethod
    def of(cls, record: store.DecisionRecord) -> "DecisionOut":
        """The decision with who said it and why."""
        said = record.decision
        return cls(
            verdict=said.verdict,
            camera=said.camera,
            first=said.first,
            last=said.last,
            cause=said.cause,
            by=record.by,
            reason=record.reason,
            decided_at=record.decided_at,
        )


class DecisionIn(Body):
    """A decision on a take or on a range of its frames."""

    model_config = shown_as(NG_RANGE)

    verdict: Annotated[Verdict, Field(strict=False)] = Field(
        description="`accept`, `reject` (NG), `circle` (chosen, which accepts it), or `withdraw` what was said before."
    )
    camera: Code | None = Field(None, description="On this camera alone; on all where left out.")
    first: Identity | None = Field(None, description="The first frame identity; with `last`, or neither for all of it.")
    last: Identity | None = Field(None, description="The last frame identity, included.")
    cause: Annotated[ReturnCause, Field(strict=False)] | None = Field(
        None, description="What was wrong; only with the verdict `reject`."
    )
    reason: Line | None = Field(None, description="Why.")

    @model_validator(mode="after")
    def _whole_range(self) -> "DecisionIn":
        if (self.first is None) != (self.last is None):
            raise PydanticCustomError("range", "Give both first and last, or neither for the whole take.")
        return self

    @model_validator(mode="after")
    def _rejection_alone(self) -> "DecisionIn":
        if self.cause is not None and self.verdict is not Verdict.REJECT:
            raise PydanticCustomError("cause", "A cause belongs to the verdict reject; leave it out of any other.")
        return self

    @property
    def decision(self) -> Decision:
        """What it says, without who says it and why."""
        return Decision(verdict=self.verdict, camera=self.camera, first=self.first, last=self.last, cause=self.cause)


FIGURES: Mapping[str, Any] = {
    "position": 4812,
    "from": "2026-10-18",
    "to": "2026-10-24",
    "opened_at": "2026-10-18T04:00:00Z",
    "closes_at": "2026-10-25T05:00:00Z",
    "decided": {"takes": 12, "p50_h": 5.5, "p90_h": 21.3},
    "waiting": {"takes": 3, "p50_h": 2.0, "p90_h": 30.4},
    "first_takes": {"decided": 10, "approved": 7, "per_cent": 70.0},
    "reshoots": {
        "shot_frames": 2400,
        "reshot_frames": 180,
        "per_cent": 7.5,
        "causes": [
            {"cause": "light", "frames": 144, "per_cent": 6.0},
            {"cause": None, "frames": 36, "per_cent": 1.5},
        ],
    },
    "comp_queue": {
        "window_h": 169.0,
        "mean_number": 1.42,
        "arrivals": 8,
        "mean_wait_h": 30.0,
        "implied_wait_h": 30.0,
        "whole": True,
        "keeps_littles_law": True,
    },
}


@dataclass(eq=False)
class DaysBackwards(Unfit):
    """The last day asked for, {last_day}, comes before the first, {first_day}: give `to` no day before `from`.

    Without `to` the last day is the present one; without `from` the first is six days before the last.
    """

    first_day: str
    last_day: str


class SpreadOut(Out):
    """How long takes waited for a decision. Both figures are interpolated between the nearest two waits (type 7)."""

    takes: int = Field(description="How many takes.")
    p50_h: float | None = Field(description="Half waited no longer than this, in hours to 0.1; null of no takes.")
    p90_h: float | None = Field(description="Nine of ten waited no longer than this, in hours; null of no takes.")

    @classmethod
    def of(cls, waits: Spread) -> "SpreadOut":
        """The waits, rounded."""
        return cls(takes=waits.takes, p50_h=_shown(waits.p50_h), p90_h=_shown(waits.p90_h))


class FirstTakesOut(Out):
    """How often the first finished take is the one."""

    decided: int = Field(
        description="Shots, a split one for each part, of which a finished take was first accepted or rejected in the "
        "window; omitted ones left out."
    )
    approved: int = Field(
        description="Those of them of whose lowest-numbered finished take every planned frame is accepted, and of no "
        "take before it anything rejected, by what was said before the window's end."
    )
    per_cent: float | None = Field(description="Approved of decided in per cent, rounded to 0.1; null of none.")

    @classmethod
    def of(cls, found: FirstTakes) -> "FirstTakesOut":
        """The first takes, their rate in per cent."""
        return cls(decided=found.decided, approved=found.approved, per_cent=_per_cent(found.rate))


class CauseOut(Out):
    """Frames that were shot again for one cause."""

    cause: ReturnCause | None = Field(description="What was wrong, as the rejection said; null where it did not say.")
    frames: int = Field(description="Frames shot again for it.")
    per_cent: float | None = Field(description="Of all frames shot in the window, in per cent, rounded to 0.1.")


class ReshootsOut(Out):
    """What was shot again: frames a take holds that stood rejected in a take before it when they were captured.

    Counted are live frames of purpose shoot on required cameras and passes, captured in the window.
    """

    shot_frames: int = Field(description="Frames shot.")
    reshot_frames: int = Field(description="Those frames of them that were shot again.")
    per_cent: float | None = Field(description="Shot again of shot in per cent, rounded to 0.1; null where none was.")
    causes: list[CauseOut] = Field(
        description="By the cause of the latest such rejection; together they are all frames shot again."
    )

    @classmethod
    def of(cls, found: Reshoots) -> "ReshootsOut":
        """The reshoots, causes in the order of their list, those not said last."""
        return cls(
            shot_frames=found.shot_frames,
            reshot_frames=found.reshot_frames,
            per_cent=_per_cent(found.ratio(found.reshot_frames)),
            causes=[
                CauseOut(cause=cause, frames=frames, per_cent=_per_cent(found.ratio(frames)))
                for cause in (*ReturnCause, None)
                if (frames := found.causes.get(cause, 0))
            ],
        )


class QueueOut(Out):
    """Shots that wait for their comp: in compositing, not omitted, and no comp delivered since they came there.

    Suspended shots wait too.
    """

    window_h: float = Field(description="The length of the window, so far as it has passed, in hours.")
    mean_number: float = Field(description="L: how many shots waited on the average of the window, rounded to 0.01.")
    arrivals: int = Field(description="How many came into the queue in the window; one that comes twice counts twice.")
    mean_wait_h: float | None = Field(
        description="W: the mean time in the queue of those that came and went in the window, in hours; null of none."
    )
    implied_wait_h: float | None = Field(
        description="L × hours of the window ÷ arrivals: the mean wait that L and the arrivals imply, in hours, also "
        "where the window cuts waits in two; null where nothing came."
    )
    whole: bool = Field(description="Whether the window begins and ends with nobody waiting.")
    keeps_littles_law: bool | None = Field(
        description="Whether L = arrivals an hour × W, before rounding: it holds exactly over a whole window, so "
        "`false` would be a fault of this service; null over a window that is not whole."
    )

    @classmethod
    def of(cls, found: Queue) -> "QueueOut":
        """The queue, rounded."""
        return cls(
            window_h=float(round(found.window_h, 2)),
            mean_number=float(round(found.mean_number, 2)),
            arrivals=found.arrivals,
            mean_wait_h=_shown(found.mean_wait_h),
            implied_wait_h=_shown(implied_wait(found.mean_number, found.arrivals_per_h)),
            whole=found.whole,
            keeps_littles_law=found.keeps_littles_law,
        )


class DecisionFiguresOut(Out):
    """How a production's decisions went over some production days, the window."""

    position: int = Field(description="The last event of the production; all of it rests on the log up to there.")
    from_: date = Field(alias="from", description="The first production day of the window.")
    to: date = Field(description="The last production day of the window, included.")
    opened_at: datetime = Field(description="When the first of them began (UTC).")
    closes_at: datetime = Field(description="When the last of them ends (UTC); what has not passed yet is not counted.")
    decided: SpreadOut = Field(
        description="Of the takes whose first decision was said in the window: from the capture that first offered the "
        "last of a take's required cameras and passes to that decision. Takes decided before any offer are left out."
    )
    waiting: SpreadOut = Field(
        description="Of the takes that wait at this moment, whatever the window: how long the viewing has had them."
    )
    first_takes: FirstTakesOut = Field(description="How often the first finished take of a shot was the one.")
    reshoots: ReshootsOut = Field(description="Frames shot again, by what was wrong.")
    comp_queue: QueueOut | None = Field(
        description="How shots waited for their comp; null of a window that has not begun."
    )


@dataclass(frozen=True, slots=True)
class Asked:
    """The production days asked for, both included, with the instants they begin and end (UTC)."""

    first_on: date
    last_on: date
    opens_at: datetime
    closes_at: datetime

    @classmethod
    def of(cls, first: date | None, last: date | None, *, set_by: Studio, now: datetime) -> "Asked":
        """The days from one to another; raises DaysBackwards."""
        last_on = last or production_day(now, set_by)
        first_on = first or last_on - timedelta(days=USUAL_DAYS - 1)
        if last_on < first_on:
            raise DaysBackwards(first_on.isoformat(), last_on.isoformat())
        return cls(first_on, last_on, day_opens(first_on, set_by), day_opens(last_on + timedelta(days=1), set_by))


@router.get(
    "/{production}/decisions/figures",
    operation_id="decision_figures",
    summary="Ask how long decisions take and what is shot again",
    response_model=DecisionFiguresOut,
    responses=answers(FIGURES, ProductionUnknown, DaysBackwards),
)
def get_figures(
    door: Reader,
    production: ProductionInPath,
    *,
    first_day: Annotated[
        Day | None, Query(alias="from", description="The first production day; without it six days before `to`.")
    ] = None,
    last_day: Annotated[
        Day | None, Query(alias="to", description="The last production day; without it the present one.")
    ] = None,
) -> Response:
    """Say how long takes wait for decisions, how often a first take is approved, what is shot again, how comps queue.

    The window is made of production days. All figures are reckoned from facts when they are asked for, so counts that
    come late and corrections change those of past days. They are of the production as a whole, and of nobody's speed.
    Needs `read`.
    """
    with door.reading() as session:
        production_id = door.production(session, production).id or 0
        asked = Asked.of(first_day, last_day, set_by=studio.load(session), now=door.now)
        figures = _figures(session, production_id, asked, now=door.now)
    return door.reply(None, figures)


def _figures(session: Session, production_id: int, asked: Asked, *, now: datetime) -> DecisionFiguresOut:
    opens_at, closes_at = asked.opens_at, asked.closes_at
    decided = over.decided(session, production_id, opens_at, closes_at=closes_at)
    counted = over.counted(session, production_id, asked.first_on, last_on=asked.last_on)
    waiting = viewing.undecided(session, production_id, viewing.Filter())
    viewed = list(viewing.of_shots(session, {*decided, *counted, *waiting}))
    takes = [each.takes for each in viewed]
    return DecisionFiguresOut(
        position=events.last_of(session, production_id),
        **{"from": asked.first_on},
        to=asked.last_on,
        opened_at=opens_at,
        closes_at=closes_at,
        decided=SpreadOut.of(Spread.of(decided_waits(takes, opens_at, closes_at=closes_at))),
        waiting=SpreadOut.of(Spread.of(waits_at(takes, now))),
        first_takes=FirstTakesOut.of(first_takes(takes, opens_at, closes_at=closes_at)),
        reshoots=ReshootsOut.of(
            _reshoots(session, [each for each in viewed if each.takes.id in counted], counted, asked)
        ),
        comp_queue=_comp_queue(session, production_id, opens_at, closes_at=min(closes_at, now)),
    )


def _reshoots(session: Session, viewed: Sequence[Viewed], counted: Mapping[int, bool], asked: Asked) -> Reshoots:
    """The reshoots of those of these shots that were counted, which says whether all counts lie in the window."""
    found, left = Reshoots(), []
    for each in (each for each in viewed if each.takes.id in counted):
        # Ledgers are long, and most shots have nothing rejected: theirs need not be read.
        plain = unrejected(each.takes) if counted[each.takes.id] else None
        if plain is None:
            left.append(each)
        else:
            found += plain
    histories = viewing.histories(session, left)
    for each in left:
        found += reshoots(each.takes, histories, first_on=asked.first_on, last_on=asked.last_on)
    return found


def _comp_queue(session: Session, production_id: int, opens_at: datetime, *, closes_at: datetime) -> QueueOut | None:
    if closes_at <= opens_at:
        return None
    stays: list[Stay] = []
    for turns in over.comp_turns(session, production_id):
        stays.extend(comp_stays(turns))
    return QueueOut.of(queue(stays, opens_at, closes_at=closes_at))


def _shown(value: Fraction | None) -> float | None:
    return None if value is None else float(round(value, 1))


def _per_cent(share: Fraction | None) -> float | None:
    return None if share is None else float(round(100 * share, 1))
