"""What is known of stages over a time: hours, bookings, log, captures and what befell their shots.

A dozen queries for however many stages, and a few for each stage that a shot came to in that time.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Mapped
from sqlmodel import Session, col

from service.domain.bookings import Activity, Firmness
from service.domain.calendars import Calendar, open_between
from service.domain.idleness import ShotWaits
from service.domain.occupancy import Promise, StageFacts
from service.domain.phases import Phase
from service.domain.progress import judged
from service.domain.shifts import LONGEST_SHIFT, Signal
from service.domain.signoffs import Matter
from service.domain.spans import Span, TimeSet, times
from service.domain.studio import Studio, day_opens
from service.domain.takes import Purpose
from service.domain.turnovers import Run, Turnover, turnovers
from service.domain.waits import undecided
from service.domain.work import Capture, LogLine, Mark, Use
from service.store import calendars, viewing
from service.store.tables import BookingRow, CountRow, MoveRow, PartRow, ShotRow, SignOffRow, StageLogRow

# A day rests on work that was called up to a day before it, and on what ended that up to a day later.
REACHES = 2 * LONGEST_SHIFT
USE_IN: Mapping[str, Use] = {
    Phase.SET_DRESSING: Use.DRESSING,
    Phase.SHOOTING: Use.SHOOTING,
    Phase.BACKGROUND_PLATE: Use.PLATE,
}
UNSHOT = frozenset({Phase.PLANNING.value, Phase.SET_DRESSING.value})
MARKING = (Purpose.SHOOT.value, Purpose.PLATE.value)
OF_SHOT = col(CountRow.shot_id).is_not(None)


@dataclass(frozen=True, slots=True)
class _Asked:
    session: Session
    stage_ids: Sequence[int]
    window: Span
    first_at: datetime
    until: datetime

    def within(self, column: Mapped[datetime]) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
        return column >= self.window.start_at, column < self.window.end_at


def facts(
    session: Session, stage_ids: Collection[int], first: date, *, last: date, studio: Studio, now: datetime
) -> dict[int, StageFacts]:
    """What is known of these stages that the production days from `first` to `last` rest on, as of `now`."""
    opens, closes = day_opens(first, studio), day_opens(last + timedelta(days=1), studio)
    window = Span(opens - REACHES, closes + REACHES)
    asked = _Asked(session, sorted(stage_ids), window, opens, now)
    open_ = hours(session, asked.stage_ids, window, time_zone=studio.time_zone)
    promises, log, captures = _promises(asked), _log(asked), _captures(asked)
    homes = _homes(asked)
    moves = _moves(asked, homes)
    signed = _approvals(asked, set(moves))
    due = {
        stage_id: {each.shot_id for each in promises[stage_id] if each.shot_id is not None}
        | _in_hand(moves, homes[stage_id], captures[stage_id], asked)
        for stage_id in asked.stage_ids
    }
    lacking = _waits(asked, {shot_id for each in due.values() for shot_id in each}, signed)
    heard = _heard(asked, moves)
    taken = _turnovers(asked, captures)
    return {
        stage_id: StageFacts(
            open=open_[stage_id],
            promises=promises[stage_id],
            log=log[stage_id],
            captures=captures[stage_id],
            marks=[mark for shot_id in sorted(homes[stage_id]) for mark in moves.get(shot_id, ())],
            approved={shot_id: signed[shot_id] for shot_id in homes[stage_id] if shot_id in signed},
            heard={shot_id: heard[shot_id] for shot_id in homes[stage_id] if shot_id in heard},
            waiting={shot_id: lacking[shot_id] for shot_id in sorted(due[stage_id]) if shot_id in lacking},
            turnovers_s=[(each.began_at, each.length_s) for each in taken[stage_id]],
        )
        for stage_id in asked.stage_ids
    }


def hours(session: Session, stage_ids: Collection[int], window: Span, *, time_zone: str) -> dict[int, TimeSet]:
    """When each of these stages is open within a time, by its calendar and the studio's."""
    known: list[tuple[Calendar, TimeSet]] = []
    found = {}
    for stage_id, calendar in calendars.kept(session, stage_ids).items():
        same = next((each for other, each in known if other == calendar), None)
        if same is None:
            same = open_between(calendar, window, time_zone=time_zone)
            known.append((calendar, same))
        found[stage_id] = same
    return found


def _promises(asked: _Asked) -> dict[int, list[Promise]]:
    statement = (
        select(
            col(BookingRow.stage_id),
            col(BookingRow.start_at),
            col(BookingRow.end_at),
            col(BookingRow.activity),
            col(BookingRow.firmness),
            col(BookingRow.shot_id),
        )
        .where(
            col(BookingRow.stage_id).in_(asked.stage_ids),
            col(BookingRow.cancelled_at).is_(None),
            col(BookingRow.start_at) < asked.window.end_at,
            col(BookingRow.end_at) > asked.window.start_at,
        )
        .order_by(col(BookingRow.start_at), col(BookingRow.id))
    )
    found: dict[int, list[Promise]] = {stage_id: [] for stage_id in asked.stage_ids}
    for stage_id, start_at, end_at, activity, firmness, shot_id in asked.session.execute(statement):
        found[stage_id].append(Promise(Span(start_at, end_at), Activity(activity), Firmness(firmness), shot_id))
    return found


def _log(asked: _Asked) -> dict[int, list[LogLine]]:
    statement = (
        select(col(StageLogRow.stage_id), col(StageLogRow.at), col(StageLogRow.kind), col(StageLogRow.reason))
        .where(col(StageLogRow.stage_id).in_(asked.stage_ids), *asked.within(col(StageLogRow.at)))
        .order_by(col(StageLogRow.at), col(StageLogRow.id))
    )
    found: dict[int, list[LogLine]] = {stage_id: [] for stage_id in asked.stage_ids}
    for stage_id, at, kind, reason in asked.session.execute(statement):
        found[stage_id].append(LogLine(at, Signal(kind), reason))
    return found


def _captures(asked: _Asked) -> dict[int, list[Capture]]:
    """The captures of each stage in the time, and before them the last that says what the stage was at."""
    columns = (col(CountRow.stage_id), col(CountRow.captured_at), col(CountRow.shot_id), col(CountRow.purpose))
    of_stages = col(CountRow.stage_id).in_(asked.stage_ids)
    before = (
        select(col(CountRow.stage_id).label("stage_id"), func.max(CountRow.captured_at).label("at"))
        .where(
            of_stages,
            col(CountRow.captured_at) < asked.window.start_at,
            OF_SHOT,
            col(CountRow.purpose).in_(MARKING),
        )
        .group_by(col(CountRow.stage_id))
        .subquery()
    )
    newest = select(*columns).join(
        before, and_(before.c.stage_id == col(CountRow.stage_id), before.c.at == col(CountRow.captured_at))
    )
    found: dict[int, list[Capture]] = {stage_id: [] for stage_id in asked.stage_ids}
    within = select(*columns).where(of_stages, *asked.within(col(CountRow.captured_at)))
    for statement in (newest.where(OF_SHOT, col(CountRow.purpose).in_(MARKING)), within):
        for stage_id, at, shot_id, purpose in asked.session.execute(
            statement.order_by(col(CountRow.captured_at), col(CountRow.id))
        ):
            found[stage_id].append(Capture(at, shot_id, Purpose(purpose)))
    return found


def _homes(asked: _Asked) -> dict[int, set[int]]:
    """The shots that are planned for each stage, or a part of them: of these alone phases tell something of a stage."""
    found: dict[int, set[int]] = {stage_id: set() for stage_id in asked.stage_ids}
    statement = select(col(PartRow.stage_id), col(PartRow.shot_id)).where(col(PartRow.stage_id).in_(asked.stage_ids))
    for stage_id, shot_id in asked.session.execute(statement):
        found[stage_id].add(shot_id)
    return found


def _moves(asked: _Asked, homes: Mapping[int, Collection[int]]) -> dict[int, list[Mark]]:
    """The moves of the shots of these stages, as marks, in order; a shot without one is left out.

    Of those before the time only the last of each shot, and on each stage the last to a phase that is worked on there:
    with the last capture these say what the stage was at when the time began.
    """
    shot_ids = {shot_id for of_stage in homes.values() for shot_id in of_stage}
    before = col(MoveRow.moved_at) < asked.window.start_at
    wanted = select(func.max(MoveRow.id)).where(before, col(MoveRow.shot_id).in_(shot_ids))
    kept = set(asked.session.scalars(wanted.group_by(col(MoveRow.shot_id))))
    for of_stage in homes.values():
        at_work = select(col(MoveRow.id)).where(
            before, col(MoveRow.shot_id).in_(of_stage), col(MoveRow.to_phase).in_(sorted(USE_IN))
        )
        kept |= set(
            asked.session.scalars(at_work.order_by(col(MoveRow.moved_at).desc(), col(MoveRow.id).desc()).limit(1))
        )
    statement = (
        select(col(MoveRow.shot_id), col(MoveRow.moved_at), col(MoveRow.to_phase))
        .where(
            col(MoveRow.shot_id).in_(shot_ids),
            or_(col(MoveRow.moved_at) >= asked.window.start_at, col(MoveRow.id).in_(kept)),
        )
        .order_by(col(MoveRow.id))
    )
    found: dict[int, list[Mark]] = defaultdict(list)
    for shot_id, moved_at, to_phase in asked.session.execute(statement):
        found[shot_id].append(Mark(moved_at, shot_id, USE_IN.get(to_phase)))
    return found


def _approvals(asked: _Asked, shot_ids: Collection[int]) -> dict[int, TimeSet]:
    """When the set of each of these shots was approved."""
    statement = select(col(SignOffRow.shot_id), col(SignOffRow.signed_at), col(SignOffRow.withdrawn_at)).where(
        col(SignOffRow.shot_id).in_(shot_ids), col(SignOffRow.matter) == Matter.SET_APPROVED.value
    )
    found: dict[int, list[Span]] = defaultdict(list)
    for shot_id, signed_at, withdrawn_at in asked.session.execute(statement):
        end_at = withdrawn_at or max(asked.window.end_at, asked.until)
        if signed_at < end_at:
            found[shot_id].append(Span(signed_at, end_at))
    return {shot_id: times(spans) for shot_id, spans in found.items()}


def _heard(asked: _Asked, moves: Mapping[int, Sequence[Mark]]) -> dict[int, datetime]:
    """When each shot that is being dressed still was last heard of, by a sign-off or a capture."""
    dressed = {shot_id: marks[-1].at for shot_id, marks in moves.items() if marks[-1].use is Use.DRESSING}
    signed = select(col(SignOffRow.shot_id), func.max(SignOffRow.signed_at)).group_by(col(SignOffRow.shot_id))
    captured = select(col(CountRow.shot_id), func.max(CountRow.captured_at)).group_by(col(CountRow.shot_id))
    found = dict(dressed)
    for statement in (
        signed.where(col(SignOffRow.shot_id).in_(dressed)),
        captured.where(col(CountRow.shot_id).in_(dressed)),
    ):
        for shot_id, at in asked.session.execute(statement):
            found[shot_id] = max(found[shot_id], at)
    return found


def _in_hand(
    moves: Mapping[int, Sequence[Mark]], homes: Collection[int], captures: Sequence[Capture], asked: _Asked
) -> set[int]:
    """The shots that a stage may have been at in the time."""
    found = {each.shot_id for each in captures if each.shot_id is not None}
    marks = sorted((mark for shot_id in homes for mark in moves.get(shot_id, ())), key=lambda each: each.at)
    found |= {mark.shot_id for mark in marks if mark.at >= asked.window.start_at}
    before = [mark.shot_id for mark in marks if mark.at < asked.window.start_at and mark.use is not None]
    return found | set(before[-1:])


def _waits(asked: _Asked, shot_ids: Collection[int], approved: Mapping[int, TimeSet]) -> dict[int, ShotWaits]:
    """What shots lacked: a set approved while they were not shot yet, and a decision on what was."""
    end_at = max(asked.window.end_at, asked.until)
    unshot: dict[int, list[Span]] = defaultdict(list)
    moved: dict[int, list[tuple[datetime, str]]] = defaultdict(list)
    statement = select(col(MoveRow.shot_id), col(MoveRow.moved_at), col(MoveRow.to_phase))
    for shot_id, moved_at, to_phase in asked.session.execute(
        statement.where(col(MoveRow.shot_id).in_(shot_ids)).order_by(col(MoveRow.id))
    ):
        moved[shot_id].append((moved_at, to_phase))
    added = select(col(ShotRow.id), col(ShotRow.added_at)).where(col(ShotRow.id).in_(shot_ids))
    for shot_id, added_at in asked.session.execute(added):
        turns = [(added_at, Phase.PLANNING.value), *moved[shot_id]]
        ends = [*(at for at, _ in turns[1:]), end_at]
        for (at, phase), to in zip(turns, ends, strict=True):
            if phase in UNSHOT and at < to:
                unshot[shot_id].append(Span(at, to))
    approvals = {**approved, **_approvals(asked, set(shot_ids) - approved.keys())}
    shown = {each.takes.id: each.takes for each in viewing.of_shots(asked.session, shot_ids)}
    return {
        shot_id: ShotWaits(
            set_not_approved=times(unshot[shot_id]) - approvals.get(shot_id, TimeSet()),
            undecided=undecided(takes, until=end_at),
        )
        for shot_id, takes in shown.items()
    }


def _turnovers(asked: _Asked, captures: Mapping[int, Sequence[Capture]]) -> dict[int, list[Turnover]]:
    """The turnovers that ended in the time: to shots whose first frame on a stage is one of it."""
    found: dict[int, list[Turnover]] = {stage_id: [] for stage_id in asked.stage_ids}
    for stage_id, of_stage in captures.items():
        shot_ids = {each.shot_id for each in of_stage if each.at >= asked.first_at and each.purpose is Purpose.SHOOT}
        for shot_id, began_at in _begun(asked, stage_id, shot_ids - {None}):
            left_id = _before(asked.session, stage_id, shot_id, began_at)
            if left_id is not None:
                accepted_at = _last_accepted(asked.session, left_id, stage_id, before=began_at)
                left = Run(shot_id=left_id, began_at=began_at, accepted_at=accepted_at)
                found[stage_id] += turnovers([left, Run(shot_id=shot_id, began_at=began_at)])
    return found


def _begun(asked: _Asked, stage_id: int, shot_ids: Collection[int | None]) -> Iterator[tuple[int, datetime]]:
    """Those of these shots whose first frame on a stage is one of the time, with its instant, in order."""
    first = func.min(CountRow.captured_at)
    statement = (
        select(col(CountRow.shot_id), first)
        .where(
            col(CountRow.shot_id).in_(shot_ids),
            col(CountRow.stage_id) == stage_id,
            col(CountRow.purpose) == Purpose.SHOOT.value,
        )
        .group_by(col(CountRow.shot_id))
        .order_by(first)
    )
    for shot_id, began_at in asked.session.execute(statement):
        if shot_id is not None and began_at >= asked.first_at:
            yield shot_id, began_at


def _before(session: Session, stage_id: int, shot_id: int, began_at: datetime) -> int | None:
    statement = (
        select(col(CountRow.shot_id))
        .where(
            col(CountRow.stage_id) == stage_id,
            col(CountRow.captured_at) < began_at,
            OF_SHOT,
            col(CountRow.shot_id) != shot_id,
            col(CountRow.purpose) == Purpose.SHOOT.value,
        )
        .order_by(col(CountRow.captured_at).desc(), col(CountRow.id).desc())
        .limit(1)
    )
    return session.scalars(statement).one_or_none()


def _last_accepted(session: Session, shot_id: int, stage_id: int, *, before: datetime) -> datetime | None:
    """The last capture of a shot on a stage before an instant that is of a take of which frames are accepted."""
    statement = select(func.max(CountRow.captured_at)).where(
        col(CountRow.series_id).in_(_accepted(viewing.of_shots(session, [shot_id]))),
        col(CountRow.stage_id) == stage_id,
        col(CountRow.captured_at) < before,
    )
    return session.scalars(statement).one_or_none()


def _accepted(viewed: Iterable[viewing.Viewed]) -> list[int]:
    """The series of takes of which frames are accepted on their camera."""
    said = [({take.id: take.decisions() for take in each.takes.takes}, each.series) for each in viewed]
    return [
        row.id or 0
        for decisions, series in said
        for row in series
        if judged(decisions.get(row.take_id, ()), row.camera).accepted
    ]
