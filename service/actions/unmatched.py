"""Match the counts that were kept without a shot, by hand or when their shot arrives.

They count on the production day of their capture; what was posted stays as it was.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session

from service.actions.sheets import Sheet
from service.domain.counts import Counted, Post, Target, place
from service.domain.events import EventKind
from service.domain.progress import Figures
from service.domain.refusals import Clash, Unfit, Unknown
from service.domain.shots import Plan
from service.domain.studio import Studio
from service.domain.takes import Outcome, Purpose
from service.store import counts as ledger
from service.store import studio as studios
from service.store.events import Happening, append_all
from service.store.tables import CountRow, ProductionRow, ShotRow, TerminalRow

# Each is judged in turn while the shot's other counts wait.
MOST_MATCHED = 2000


@dataclass(eq=False)
class CountUnknown(Unknown):
    """The ledger has no count with the id {count}."""

    count: int


@dataclass(eq=False)
class AlreadyMatched(Clash):
    """The count {count} already counts for shot {shot}; a count is matched once."""

    count: int
    shot: str


@dataclass(eq=False)
class CountsUnknown(Unknown):
    """The ledger has no counts with the ids {counts}; none was matched."""

    counts: tuple[int, ...]


@dataclass(eq=False)
class CountsMatched(Clash):
    """The counts {counts} count for a shot already; none was matched."""

    counts: tuple[int, ...]


@dataclass(eq=False)
class TooManyCounts(Unfit):
    """More than {most} counts wait there, and at most {most} are matched at once: name a day or a stage, or ids."""

    POINTER = "/where"

    most: int


def post_of(row: CountRow) -> Post:
    """A kept count as it was posted, but for the age at sending, which only the first reckoning needed."""
    return Post(
        serial=row.serial,
        spool=row.spool,
        production=row.production_code,
        shot=row.shot_code,
        take=row.take,
        captures_total=row.captures_total,
        frames_total=row.frames_total,
        frames_per_capture=row.frames_per_capture,
        camera=row.camera,
        pass_=row.pass_,
        part=row.part,
        purpose=Purpose(row.purpose),
        starts_at=row.starts_at,
        animator=row.animator,
        at=row.posted_at,
        outcome=Outcome(row.outcome) if row.outcome else None,
    )


def match_arrivals(
    session: Session, shot: ShotRow, production: str, *, studio: Studio, by: str, now: datetime
) -> list[Happening]:
    """Match what was posted under a shot's code before it could count, on its capture days.

    Returns the events for the caller to append last. Counts that still may not count (another stage's) stay unmatched.
    """
    waiting = ledger.unmatched_of(session, production, shot.code)
    if not waiting or shot.id is None:
        return []
    sheet = Sheet(session, [shot.id], studio)
    target = Target(shot.id, sheet.plan(shot.id))
    placed = [(row, place(post_of(row), target, row.stage_id, production_known=True)) for row in waiting]
    matched = [(row, where.part, row.take) for row, where in placed if isinstance(where, Counted)]
    return _write(session, sheet, shot.id, matched, by=by, now=now)


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """What a coordinator says of an unmatched count; `take` and `part` replace what was posted where they are given.

    `only_production` is the code of the production whose counts alone may be matched.
    """

    count_id: int
    take: int | None = None
    part: str | None = None
    only_production: str | None = None


@dataclass(frozen=True, slots=True)
class Matched:
    """A count that was matched: its entry, the take and part it counts for, and the shot's figures with it.

    `after_approval` where it is of purpose shoot and the shot was approved when it was matched.
    """

    row: CountRow
    take: int
    part: str
    figures: Figures
    after_approval: bool


def match_count(session: Session, match: Match, shot: ShotRow, *, studio: Studio, by: str, now: datetime) -> Matched:
    """Let a kept count count for this shot, planned for its stage or not: a coordinator knows better than the plan.

    Raises CountUnknown and AlreadyMatched.
    """
    shot_id = shot.id or 0
    sheet = Sheet(session, [shot_id], studio)
    row = session.get(CountRow, match.count_id, with_for_update={"key_share": True}, populate_existing=True)
    if row is None or match.only_production not in {None, row.production_code}:
        raise CountUnknown(match.count_id)
    if row.shot_id is not None:
        raise AlreadyMatched(match.count_id, session.get_one(ShotRow, row.shot_id).code)
    part = match.part if match.part is not None else _part(sheet.plan(shot_id), row)
    take = match.take if match.take is not None else row.take
    append_all(session, _write(session, sheet, shot_id, [(row, part, take)], by=by, now=now))
    return Matched(row, take, part, sheet.figures(shot_id), sheet.after_approval(shot_id, Purpose(row.purpose)))


def _part(plan: Plan, row: CountRow) -> str:
    part = plan.part_counted(row.part, row.stage_id)
    return plan.parts[0].part if part is None else part


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """What a coordinator says of many unmatched counts; `take` and `part` replace what was posted where given.

    With `preview` nothing is written.
    """

    which: ledger.Which
    take: int | None = None
    part: str | None = None
    only_production: str | None = None
    preview: bool = False


@dataclass(frozen=True, slots=True)
class Many:
    """Counts that were matched, each with the part and take it counts for, and the shot's figures around it.

    `after_approval` where any is of purpose shoot and the shot was approved when they were matched.
    """

    placed: Sequence[tuple[CountRow, str, int]]
    before: Figures
    after: Figures
    after_approval: bool


def match_many(session: Session, match: Matching, shot: ShotRow, *, studio: Studio, by: str, now: datetime) -> Many:
    """Let many kept counts count for a shot, all or none.

    Raises CountsUnknown, CountsMatched and TooManyCounts.
    """
    shot_id = shot.id or 0
    sheet = Sheet(session, [shot_id], studio)
    rows = ledger.locked(session, match.which, limit=MOST_MATCHED + 1)
    _require_all(rows, match)
    before, plan = sheet.figures(shot_id), sheet.plan(shot_id)
    placed = [
        (
            row,
            match.part if match.part is not None else _part(plan, row),
            match.take if match.take is not None else row.take,
        )
        for row in rows
    ]
    late = any(sheet.after_approval(shot_id, Purpose(row.purpose)) for row in rows)
    if not match.preview:
        append_all(session, _write(session, sheet, shot_id, placed, by=by, now=now))
        return Many(placed, before, sheet.figures(shot_id), late)
    # What would happen is found out by doing it, and then undone.
    tried = session.begin_nested()
    _write(session, sheet, shot_id, placed, by=by, now=now)
    after = sheet.figures(shot_id)
    tried.rollback()
    return Many(placed, before, after, late)


def _require_all(rows: Sequence[CountRow], match: Matching) -> None:
    if len(rows) > MOST_MATCHED:
        raise TooManyCounts(MOST_MATCHED)
    own = [row for row in rows if match.only_production in {None, row.production_code}]
    if match.which.ids is not None:
        unknown = set(match.which.ids) - {row.id for row in own}
        if unknown:
            raise CountsUnknown(tuple(sorted(unknown)))
    if matched := [row.id or 0 for row in own if row.series_id is not None]:
        raise CountsMatched(tuple(sorted(matched)))


def _write(
    session: Session,
    sheet: Sheet,
    shot_id: int,
    placed: Sequence[tuple[CountRow, str, int]],
    *,
    by: str,
    now: datetime,
) -> list[Happening]:
    sheet.prepare({(shot_id, take) for _, _, take in placed})
    for row, part, take in placed:
        terminal = session.get_one(TerminalRow, row.terminal_id).name
        post = replace(post_of(row), take=take)
        series = sheet.count(shot_id, part, post, kept=ledger.ledger_post(row, terminal), now=now)
        row.shot_id, row.series_id, row.unmatched_reason = shot_id, series.id, None
    sheet.save(now=now)
    return sheet.happenings(EventKind.FRAMES_MATCHED, actor=by, now=now)


def match_waiting(
    session: Session, production: ProductionRow, rows: Sequence[ShotRow], *, by: str, now: datetime
) -> None:
    """Match the counts that waited for these shots, and append what that makes happen.

    To be called once the shots' own events are appended: a count that found no shot has either been committed by then,
    and is seen here, or comes to the log after this, and looks for the shot again there.
    """
    waiting = ledger.waiting(session, production.code, {row.code for row in rows})
    if not waiting:
        return
    set_by = studios.load(session)
    happenings: list[Happening] = []
    for row in rows:
        if row.code in waiting:
            happenings += match_arrivals(session, row, production.code, studio=set_by, by=by, now=now)
    append_all(session, happenings)
