"""What the worker *notices* finds of shots, stages and bookings that a batch touched: their conditions, from facts."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from fractions import Fraction

from service.domain.bookings import Activity, Firmness, clashes
from service.domain.bookings import Booking as Promise
from service.domain.conditions import Concerns, Condition
from service.domain.notices import NoticeKind
from service.domain.progress import shot_figures
from service.domain.shotnotices import (
    Behind,
    Booked,
    behind,
    behind_conditions,
    completion,
    decisions_due,
    next_day_end,
    of_standing,
    of_takes,
)
from service.domain.spans import NEVER, Span, times
from service.domain.stagenotices import LOOKS_AHEAD, LOOKS_BACK, TIMED, Heard, Occupant, StageState, judge
from service.domain.studio import zone
from workers.contract import Booking, Context, Keep, Shot, TimeSet

PARTNERS = "partners"
FURTHEST = timedelta(days=400)
SHIFTS_BACK = timedelta(days=3)


@dataclass(frozen=True, slots=True)
class Finding:
    """A condition, whom its notices concern, and the event that had it looked at."""

    condition: Condition
    concerns: Concerns
    event_id: int


@dataclass(frozen=True, slots=True)
class Findings:
    """What was found: conditions, when to look again (None: not before something happens), rows to remember."""

    found: list[Finding] = field(default_factory=list)
    look_at: dict[str, datetime | None] = field(default_factory=dict)
    keeps: list[Keep] = field(default_factory=list)


def concerns_of(shot_id: int, shot: Shot, codes: Mapping[int, str]) -> Concerns:
    """Whom notices about a shot concern; `codes` are those of stages by id."""
    stage_ids = tuple(dict.fromkeys(part.stage_id for part in shot.standing.facts.plan.parts))
    animator = shot.standing.animator
    return Concerns(
        production_id=shot.production_id,
        shot_id=shot_id,
        stage_ids=stage_ids,
        people=() if animator is None else (animator,),
        facts={
            "production": shot.place.production,
            "episode": shot.place.episode,
            "shot": shot.place.shot,
            "stages": [codes[each] for each in stage_ids if each in codes],
            "animator": animator,
            "phase": shot.standing.phase.value,
        },
    )


def of_shots(
    touched: Mapping[int, int], shots: Mapping[int, Shot], concerns: Mapping[int, Concerns], context: Context
) -> Findings:
    """The conditions of shots, given with the events that touched them."""
    findings = Findings()
    wanted = {kind: context.thresholds(kind) for kind in BY_SHOT} if shots else {}
    hours = wanted.get(NoticeKind.DECISION_WAITED_FOR, ())
    frames, days = wanted.get(NoticeKind.BEHIND_BY_FRAMES, ()), wanted.get(NoticeKind.BEHIND_BY_DAYS, ())
    takes, came = context.takes(list(shots)), context.completions(list(shots))
    booked = _booked(list(shots), context) if frames or days else {}
    for shot_id, shot in shots.items():
        figures = shot_figures(shot.standing.facts).figures
        planned, credited = figures.planned_frames, figures.credited_frames
        own = booked.get(shot_id, Booked(time=NEVER, days=Fraction(0)))
        how_far = behind(planned, credited, own, context.now) if frames or days else Behind(0, Fraction(0))
        conditions = [
            completion(shot_id, came.get(shot_id, ()), whole=0 < planned <= credited, planned=planned),
            *of_standing(shot_id, shot.standing),
            *of_takes(takes[shot_id], hours, context.now),
            *behind_conditions(shot_id, how_far, by_frames=frames, by_days=days),
        ]
        findings.found.extend(Finding(each, concerns[shot_id], touched[shot_id]) for each in conditions)
        ahead = (decisions_due(takes[shot_id], hours, context.now), next_day_end(own, context.now))
        if hours or frames or days:
            findings.look_at[f"shot/{shot_id}"] = min((at for at in ahead if at is not None), default=None)
    return findings


BY_SHOT = (NoticeKind.DECISION_WAITED_FOR, NoticeKind.BEHIND_BY_FRAMES, NoticeKind.BEHIND_BY_DAYS)


def _booked(shot_ids: Sequence[int], context: Context) -> dict[int, Booked]:
    """The confirmed shooting of each shot that is booked, in open time of the stages it is booked on."""
    window = Span(context.now - FURTHEST, context.now + FURTHEST)
    shooting = [
        each
        for each in context.bookings(window, shot_ids=shot_ids)
        if each.activity is Activity.SHOOTING and each.firmness is Firmness.CONFIRMED and each.stage_id is not None
    ]
    if not shooting:
        return {}
    first, last = min(each.span.start_at for each in shooting), max(each.span.end_at for each in shooting)
    open_ = context.open_time(
        sorted({each.stage_id for each in shooting if each.stage_id is not None}), Span(first, last)
    )
    found: dict[int, Booked] = {}
    for each in shooting:
        time = open_.get(each.stage_id or 0, NEVER) & times([each.span])
        before = found.get(each.shot_id or 0, Booked(time=NEVER, days=Fraction(0)))
        days = _local_days(time, context.studio.time_zone)
        found[each.shot_id or 0] = Booked(time=before.time | time, days=before.days + days)
    return found


def _local_days(time: TimeSet, time_zone: str) -> int:
    """On how many local days a stage is open within a time."""
    rules = zone(time_zone)
    days: set[date] = {span.start_at.astimezone(rules).date() for span in time.spans}
    return len(days)


def of_stages(touched: Mapping[int, int], codes: Mapping[int, str], context: Context) -> Findings:
    """The conditions of stages that somebody wants to hear of."""
    findings = Findings()
    thresholds = {kind: context.thresholds(kind) for kind in TIMED} if touched else {}
    if not any(thresholds.values()):
        return findings
    window = Span(context.now - LOOKS_BACK, context.now + LOOKS_AHEAD)
    ids = sorted(touched)
    booked, open_ = context.bookings(window, stage_ids=ids), context.open_time(ids, window)
    beside = context.terminals()
    for stage_id in ids:
        state = StageState(
            stage_id=stage_id,
            bookings=[_occupant(each) for each in booked if each.stage_id == stage_id and _firm(each)],
            log=[(line.at, line.signal) for line in context.stage_log(stage_id, since=context.now - SHIFTS_BACK)],
            terminals=[
                Heard(terminal=each.name, heard_at=each.heard_at) for each in beside if each.stage_id == stage_id
            ],
            open=open_.get(stage_id, NEVER),
            thresholds=thresholds,
        )
        concerns = Concerns(
            stage_ids=(stage_id,), facts={"stage": codes.get(stage_id), "stages": [codes.get(stage_id)]}
        )
        judged = list(judge(state, context.now))
        findings.found.extend(
            Finding(each.condition, concerns, touched[stage_id]) for each in judged if each.condition is not None
        )
        looks = [each.changes_at for each in judged if each.changes_at is not None]
        findings.look_at[f"stage/{stage_id}"] = min(looks, default=None)
    return findings


def _firm(booking: Booking) -> bool:
    return booking.firmness is Firmness.CONFIRMED


def _occupant(booking: Booking) -> Occupant:
    return Occupant(span=booking.span, shot_id=booking.shot_id, shot=booking.shot, activity=booking.activity.value)


def bookings_ahead(context: Context) -> Mapping[int, Booking]:
    """The bookings that stand and are not long over, by their numbers."""
    window = Span(context.now - timedelta(days=1), context.now + FURTHEST)
    return {each.booking_id: each for each in context.bookings(window)}


def of_bookings(touched: Mapping[int, int], standing: Mapping[int, Booking], context: Context) -> Findings:
    """Which bookings that were touched clash with which of those that stand; those they clashed with before, too."""
    findings = Findings()
    if not touched:
        return findings
    pairs: dict[tuple[int, int], set[str]] = {}
    own = [standing[number] for number in touched if number in standing]
    stage_ids, animators = {each.stage_id for each in own} - {None}, {each.animator for each in own} - {None}
    near = (each for each in standing.values() if each.stage_id in stage_ids or each.animator in animators)
    for clash in clashes(_promise(each) for each in near):
        if clash.one in touched or clash.other in touched:
            pairs.setdefault((clash.one, clash.other), set()).add(clash.shared.value)
    partners = {
        int(key): set(row["with"]) for key, row in context.kept(PARTNERS, [str(each) for each in touched]).items()
    }
    before = {(min(one, other), max(one, other)) for one, several in partners.items() for other in several}
    for one, other in sorted(before | pairs.keys()):
        event_id = max(touched.get(one, 0), touched.get(other, 0))
        condition = Condition(
            kind=NoticeKind.CLASH,
            subject=f"bookings/{one}/{other}",
            holds=(one, other) in pairs,
            remembered=True,
            facts=_clash_facts(standing.get(one), standing.get(other), pairs.get((one, other), ())),
        )
        findings.found.append(Finding(condition, _both(standing.get(one), standing.get(other)), event_id))
    findings.keeps.extend(_partners(before, set(pairs), context))
    return findings


def _partners(before: set[tuple[int, int]], now: set[tuple[int, int]], context: Context) -> Iterator[Keep]:
    changed = before ^ now
    ids = sorted({each for pair in changed for each in pair})
    rows = context.kept(PARTNERS, [str(each) for each in ids])
    for id_ in ids:
        known = set(rows.get(str(id_), {"with": ()})["with"])
        gone = {one + other - id_ for one, other in before - now if id_ in {one, other}}
        came = {one + other - id_ for one, other in now - before if id_ in {one, other}}
        left = sorted((known | came) - gone)
        yield Keep(table=PARTNERS, key=str(id_), row={"with": left} if left else None)


def _promise(booking: Booking) -> Promise:
    return Promise(
        id=booking.booking_id,
        span=booking.span,
        stage_id=booking.stage_id,
        animator=booking.animator,
        firmness=booking.firmness,
    )


def _both(*bookings: Booking | None) -> Concerns:
    there = [each for each in bookings if each is not None]
    productions = {each.production_id for each in there}
    return Concerns(
        production_id=productions.pop() if len(productions) == 1 else None,
        stage_ids=tuple(sorted({each.stage_id for each in there if each.stage_id is not None})),
        people=tuple(sorted({each.animator for each in there if each.animator is not None})),
    )


def _clash_facts(one: Booking | None, other: Booking | None, shared: Iterable[str]) -> dict[str, object]:
    return {
        "shared": sorted(shared),
        "bookings": [
            {
                "booking": each.booking_id,
                "stage": each.stage,
                "animator": each.animator,
                "shot": each.shot,
                "activity": each.activity.value,
                "firmness": each.firmness.value,
                "start": each.span.start_at.isoformat(),
                "end": each.span.end_at.isoformat(),
            }
            for each in (one, other)
            if each is not None
        ],
    }
