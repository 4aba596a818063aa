"""The facts of a production day: some thirty queries, however many shots, counts and days there are."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Row, func, or_, select, union
from sqlalchemy.orm import Mapped
from sqlmodel import Session, col

from service.domain.days import (
    Brought,
    DayFacts,
    Happened,
    PostName,
    Shooting,
    Silent,
    TakeNamed,
    Terms,
    Waiting,
    worked,
)
from service.domain.events import EventKind
from service.domain.progress import Verdict
from service.domain.takes import LedgerPost, Outcome, Purpose, Step, history
from service.store import daymoves, standings
from service.store.counts import POST_COLUMNS, ledger_post
from service.store.standings import PLAN_KINDS, Asked, Shot
from service.store.tables import (
    CountRow,
    CreditedChangeRow,
    DecisionRow,
    EventRow,
    KeyRow,
    PlannedChangeRow,
    ProductionRow,
    SeriesRow,
    ShotRow,
    StageLogRow,
    StageRow,
    TakeRow,
    TerminalRow,
)

# A row's instant is read before its locks are waited for, so ids follow instants to within this.
OUT_OF_ORDER = timedelta(hours=1)
# From a capture to the edges of its production day: a shift of 24 hours, and a studio that has moved to another zone.
DAY_REACHES = timedelta(hours=72)
ENTRIES = 100
TOLD_KINDS = frozenset(
    {
        EventKind.SHOT_ADDED,
        *PLAN_KINDS,
        EventKind.CUT_LOCKED,
        EventKind.TAKE_DECIDED,
        EventKind.FRAMES_CORRECTED,
        EventKind.SHOT_MERGED,
        EventKind.REPORT_FILED,
    }
)
OFFERED = frozenset({Outcome.FINISHED, Outcome.CIRCLED})


@dataclass(frozen=True, slots=True)
class Track:
    """A series counted on the day: its take, its history, and the names of its counts that came after the close."""

    series_id: int
    take: TakeRow
    steps: Sequence[Step]
    late: frozenset[PostName]


def load(session: Session, production_id: int, code: str, *, terms: Terms) -> DayFacts:
    """The facts of a production's day by these terms; `code` is the production's."""
    stages = {id_: stage for id_, stage in session.execute(select(col(StageRow.id), col(StageRow.code))) if id_}
    asked = Asked(session, production_id, code, terms, stages)
    log = _log(asked)
    told = [event for event in log if event.at < terms.closes_at and _tells(event, terms.day)]
    shots = standings.shots_then(asked, log)
    planned = standings.journal(asked, PlannedChangeRow)
    credited = standings.journal(asked, CreditedChangeRow)
    phases = daymoves.phases_then(asked)
    tracks = _tracks(asked)
    return DayFacts(
        terms=terms,
        shots=tuple(standings.standings(asked, shots, planned=planned, credited=credited, phases=phases)),
        credit_changes=tuple(standings.credit_changes(credited, shots)),
        plan_changes=tuple(standings.plan_changes(planned, shots)),
        shooting=tuple(_shooting(asked, tracks, shots)),
        finished=tuple(_finished(asked, tracks, shots)),
        circled=tuple(_circled(asked, shots)),
        silent=tuple(_silent(asked)),
        brought=tuple(_brought(asked, shots)),
        waiting=tuple(_waiting(asked)),
        happened=tuple(_happened(event) for event in told if event.kind != EventKind.TAKE_DECIDED)[:ENTRIES],
        happenings=dict(sorted(Counter(event.kind for event in told).items())),
        moved=tuple(daymoves.moved(asked, shots)),
        signed=tuple(daymoves.signed(asked, shots)),
    )


def active(session: Session, production_id: int, code: str) -> list[date]:
    """Every production day on which the production has counts, or planned or credited frames changed; in order."""
    own = select(col(ShotRow.id)).where(col(ShotRow.production_id) == production_id)
    waits = (col(CountRow.production_code) == code) & col(CountRow.series_id).is_(None)
    days = union(
        select(col(CountRow.day_on)).where(or_(col(CountRow.shot_id).in_(own), waits)),
        select(col(CreditedChangeRow.changed_on)).where(col(CreditedChangeRow.shot_id).in_(own)),
        select(col(PlannedChangeRow.changed_on)).where(col(PlannedChangeRow.shot_id).in_(own)),
    )
    return sorted(session.scalars(days))


def unmatched(session: Session) -> dict[int, dict[date, int]]:
    """How many counts wait for a shot, by production id and production day."""
    statement = (
        select(col(ProductionRow.id), col(CountRow.day_on), func.count())
        .join(CountRow, col(CountRow.production_code) == col(ProductionRow.code))
        .where(col(CountRow.series_id).is_(None))
        .group_by(col(ProductionRow.id), col(CountRow.day_on))
    )
    found: dict[int, dict[date, int]] = defaultdict(dict)
    for production_id, day, counts in session.execute(statement):
        found[production_id or 0][day] = counts
    return found


def _id_before(session: Session, id_: Mapped[int | None], at: Mapped[datetime], opened_at: datetime) -> int:
    """An id that every row from the day's opening on is above; found from the end, where days are asked for."""
    statement = select(id_).where(at < opened_at - OUT_OF_ORDER).order_by(id_.desc()).limit(1)
    return session.scalar(statement) or 0


def _log(asked: Asked) -> list[Row[Any]]:
    """What the log tells of the day, and the changes of plans since."""
    at, kind = col(EventRow.at), col(EventRow.kind)
    after = _id_before(asked.session, col(EventRow.id), at, asked.terms.opened_at)
    statement = (
        select(at, kind, col(EventRow.actor), col(EventRow.shot_id), col(EventRow.data))
        .where(
            col(EventRow.production_id) == asked.production_id,
            col(EventRow.id) > after,
            kind.in_(sorted(TOLD_KINDS)),
            at >= asked.terms.opened_at,
            or_(at < asked.terms.closes_at, kind.in_(sorted(PLAN_KINDS))),
        )
        .order_by(col(EventRow.id))
    )
    return list(asked.session.execute(statement))


def _tells(event: Row[Any], day: date) -> bool:
    # What was filed for the day itself comes after it.
    return event.kind != EventKind.REPORT_FILED or str(event.data.get("day")) < day.isoformat()


def _happened(event: Row[Any]) -> Happened:
    said = event.data
    return Happened(
        kind=event.kind,
        at=event.at,
        by=event.actor,
        shot=said.get("shot"),
        episode=said.get("episode"),
        revision=said.get("revision"),
        day=date.fromisoformat(said["day"]) if "day" in said else None,
    )


def _tracks(asked: Asked) -> list[Track]:
    """Every series of the production that was counted on the day."""
    on_the_day = (
        select(col(CountRow.series_id))
        .where(
            col(CountRow.stage_id).in_(asked.stages),
            col(CountRow.captured_at) >= asked.terms.opened_at - DAY_REACHES,
            col(CountRow.captured_at) < asked.terms.closes_at + DAY_REACHES,
            col(CountRow.day_on) == asked.terms.day,
            col(CountRow.shot_id).in_(asked.own),
        )
        .distinct()
    )
    series = [each for each in asked.session.scalars(on_the_day) if each is not None]
    posts, late = _ledger(asked, series)
    statement = (
        select(SeriesRow, TakeRow)
        .join(TakeRow, col(TakeRow.id) == col(SeriesRow.take_id))
        .where(col(SeriesRow.id).in_(series))
        .order_by(col(SeriesRow.id))
    )
    return [
        Track(row.id, take, history(posts[row.id]), frozenset(late[row.id]))
        for row, take in asked.session.execute(statement)
    ]


def _ledger(asked: Asked, series: Sequence[int]) -> tuple[dict[int, list[LedgerPost]], dict[int, set[PostName]]]:
    """Every post of these series, and the names of those that came after the day's close."""
    statement = (
        select(col(CountRow.series_id), *POST_COLUMNS, col(CountRow.received_at))
        .join(TerminalRow, col(TerminalRow.id) == col(CountRow.terminal_id))
        .where(col(CountRow.series_id).in_(series))
    )
    posts: dict[int, list[LedgerPost]] = defaultdict(list)
    late: dict[int, set[PostName]] = defaultdict(set)
    for row in asked.session.execute(statement):
        posts[row.series_id].append(ledger_post(row, row.name))
        if row.received_at >= asked.terms.closes_at:
            late[row.series_id].add((row.name, row.spool, row.serial))
    return posts, late


def _shooting(asked: Asked, tracks: Sequence[Track], shots: Mapping[int, Shot]) -> Iterator[Shooting]:
    for track in tracks:
        shot = shots[track.take.shot_id]
        for each in worked(track.steps, late=track.late):
            if each.day_on == asked.terms.day:
                yield Shooting(
                    series_id=track.series_id,
                    shot_id=track.take.shot_id,
                    shot=shot.code,
                    episode=shot.episode,
                    purpose=Purpose(track.take.purpose),
                    stage_id=each.stage_id,
                    stage=asked.stages[each.stage_id],
                    animator=each.animator,
                    counts=each.counts,
                    gross_frames=each.gross_frames,
                    deleted_frames=each.deleted_frames,
                    late_counts=each.late_counts,
                    late_net_frames=each.late_net_frames,
                    corrected_frames=each.corrected_frames,
                )


def _finished(asked: Asked, tracks: Sequence[Track], shots: Mapping[int, Shot]) -> Iterator[TakeNamed]:
    """Each take that a count captured on the day offered as finished, once, by the last such count."""
    offers: dict[int, tuple[TakeRow, LedgerPost]] = {}
    for track in tracks:
        for step in track.steps:
            post = step.post
            if (
                track.take.purpose == Purpose.SHOOT
                and post.day_on == asked.terms.day
                and post.outcome in OFFERED
                and _latest(post) > _latest(offers.get(track.take.id or 0, (None, None))[1])
            ):
                offers[track.take.id or 0] = track.take, post
    for _, (take, post) in sorted(offers.items()):
        yield _named(take, shots, stage=asked.stages[post.stage_id], animator=post.animator)


def _latest(post: LedgerPost | None) -> tuple[Any, ...]:
    return () if post is None else (post.captured_at, post.terminal, post.spool, post.serial)


def _named(take: TakeRow, shots: Mapping[int, Shot], *, stage: str | None, animator: str | None) -> TakeNamed:
    shot = shots[take.shot_id]
    return TakeNamed(
        shot=shot.code, episode=shot.episode, part=take.part, take=take.number, stage=stage, animator=animator
    )


def _circled(asked: Asked, shots: Mapping[int, Shot]) -> Iterator[TakeNamed]:
    """Each take that was circled on the day, once, by the last count of it that had come by then."""
    statement = (
        select(TakeRow)
        .join(DecisionRow, col(DecisionRow.take_id) == col(TakeRow.id))
        .where(
            col(DecisionRow.shot_id).in_(asked.own),
            col(DecisionRow.verdict) == Verdict.CIRCLE.value,
            col(DecisionRow.decided_at) >= asked.terms.opened_at,
            col(DecisionRow.decided_at) < asked.terms.closes_at,
            col(TakeRow.purpose) == Purpose.SHOOT.value,
        )
        .distinct()
        .order_by(col(TakeRow.id))
    )
    takes = asked.session.scalars(statement).all()
    last = (
        select(func.max(CountRow.id))
        .join(SeriesRow, col(SeriesRow.id) == col(CountRow.series_id))
        .where(col(SeriesRow.take_id).in_([take.id for take in takes]))
        .where(col(CountRow.received_at) < asked.terms.closes_at)
        .group_by(col(SeriesRow.take_id))
    )
    counted = (
        select(col(SeriesRow.take_id), col(CountRow.stage_id), col(CountRow.animator))
        .join(SeriesRow, col(SeriesRow.id) == col(CountRow.series_id))
        .where(col(CountRow.id).in_(last))
    )
    by = {take_id: (asked.stages[stage_id], animator) for take_id, stage_id, animator in asked.session.execute(counted)}
    for take in takes:
        stage, animator = by.get(take.id or 0, (shots[take.shot_id].home, None))
        yield _named(take, shots, stage=stage, animator=animator)


def _silent(asked: Asked) -> Iterator[Silent]:
    """Terminals that had counted for the production by the day's close and were not heard of on the day."""
    session, opened_at, closes_at = asked.session, asked.terms.opened_at, asked.terms.closes_at
    after = _id_before(session, col(CountRow.id), col(CountRow.received_at), opened_at)
    received, noted = col(CountRow.received_at), col(StageLogRow.noted_at)
    called = select(col(KeyRow.terminal_id)).join(StageLogRow, col(StageLogRow.by) == col(KeyRow.name))
    heard = {
        *session.scalars(
            select(col(CountRow.terminal_id))
            .where(col(CountRow.id) > after, received >= opened_at, received < closes_at)
            .distinct()
        ),
        *session.scalars(called.where(noted >= opened_at, noted < closes_at).distinct()),
    }
    own = select(col(CountRow.id)).where(
        col(CountRow.terminal_id) == col(TerminalRow.id),
        col(CountRow.production_code) == asked.code,
        received < closes_at,
    )
    names = {
        id_: name
        for id_, name in session.execute(select(col(TerminalRow.id), col(TerminalRow.name)).where(own.exists()))
        if id_ not in heard
    }
    last = select(func.max(CountRow.id)).where(col(CountRow.terminal_id).in_(names), received < opened_at)
    counted = select(col(CountRow.terminal_id), col(CountRow.stage_id), received).where(
        col(CountRow.id).in_(last.group_by(col(CountRow.terminal_id)))
    )
    signals = called.add_columns(func.max(noted)).where(col(KeyRow.terminal_id).in_(names), noted < opened_at)
    signed = {row[0]: row[1] for row in session.execute(signals.group_by(col(KeyRow.terminal_id)))}
    for id_, stage_id, at in sorted(session.execute(counted), key=lambda row: names[row[0]]):
        yield Silent(terminal=names[id_], stage=asked.stages[stage_id], last_heard_at=max(at, signed.get(id_) or at))


def _brought(asked: Asked, shots: Mapping[int, Shot]) -> Iterator[Brought]:
    """The counts that came on the day for earlier ones, by stage and episode."""
    received = col(CountRow.received_at)
    after = _id_before(asked.session, col(CountRow.id), received, asked.terms.opened_at)
    statement = (
        select(col(CountRow.stage_id), col(CountRow.shot_id), func.count())
        .where(
            col(CountRow.id) > after,
            received >= asked.terms.opened_at,
            received < asked.terms.closes_at,
            col(CountRow.day_on) < asked.terms.day,
            col(CountRow.shot_id).in_(asked.own),
        )
        .group_by(col(CountRow.stage_id), col(CountRow.shot_id))
    )
    sums: Counter[tuple[str, str]] = Counter()
    for stage_id, shot_id, counts in asked.session.execute(statement):
        sums[asked.stages[stage_id], shots[shot_id].episode] += counts
    for (stage, episode), counts in sorted(sums.items()):
        yield Brought(stage=stage, episode=episode, counts=counts)


def _waiting(asked: Asked) -> Iterator[Waiting]:
    """The counts captured on the day that still wait for a shot, by stage."""
    statement = (
        select(col(CountRow.stage_id), func.count())
        .where(
            col(CountRow.production_code) == asked.code,
            col(CountRow.series_id).is_(None),
            col(CountRow.day_on) == asked.terms.day,
        )
        .group_by(col(CountRow.stage_id))
    )
    for stage, counts in sorted((asked.stages[stage_id], n) for stage_id, n in asked.session.execute(statement)):
        yield Waiting(stage=stage, counts=counts)
