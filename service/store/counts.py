"""The ledger of counts: find what is known, read a series, add and match."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Row, func, insert, or_, tuple_
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.domain.counts import Known
from service.domain.takes import Heads, LedgerPost, Outcome
from service.store.tables import (
    CountRow,
    ProductionRow,
    SeriesRow,
    ShotRow,
    StageLogRow,
    StageRow,
    TakeRow,
    TerminalRow,
)


def known(session: Session, terminal_id: int, serials: Collection[tuple[str, int]]) -> dict[tuple[str, int], Known]:
    """What is already kept of a terminal's (spool, serial) pairs: counts, and lines of a stage's log without an answer.

    Both have one numbering, and what a line says is never what a count says.
    """
    found: dict[tuple[str, int], Known] = {}
    by_spool: dict[str, list[int]] = defaultdict(list)
    for spool, serial in serials:
        by_spool[spool].append(serial)
    for spool, numbers in by_spool.items():
        statement = (
            select(CountRow.serial, CountRow.digest, CountRow.answer)
            .where(col(CountRow.terminal_id) == terminal_id, col(CountRow.spool) == spool)
            .where(col(CountRow.serial).in_(set(numbers)))
        )
        lines = (
            select(StageLogRow.serial, StageLogRow.digest)
            .where(col(StageLogRow.terminal_id) == terminal_id, col(StageLogRow.spool) == spool)
            .where(col(StageLogRow.serial).in_(set(numbers)))
        )
        found |= {(spool, serial or 0): Known(digest or "", {}) for serial, digest in session.exec(lines)}
        found |= {(spool, serial): Known(digest, answer) for serial, digest, answer in session.exec(statement)}
    return found


class Named(NamedTuple):
    """A shot that is named: its id, and how many corrections lead its counts elsewhere."""

    shot_id: int
    detours: int


def shots_named(session: Session, names: Collection[tuple[str, str]]) -> dict[tuple[str, str], Named]:
    """Shots by (production code, shot code), of those that exist."""
    found: dict[tuple[str, str], Named] = {}
    by_production: dict[str, list[str]] = defaultdict(list)
    for production, shot in names:
        by_production[production].append(shot)
    for production, codes in by_production.items():
        statement = (
            select(ShotRow.code, ShotRow.id, ShotRow.detours)
            .join(ProductionRow, col(ProductionRow.id) == col(ShotRow.production_id))
            .where(col(ProductionRow.code) == production, col(ShotRow.code).in_(set(codes)))
        )
        found |= {
            (production, code): Named(shot_id, detours)
            for code, shot_id, detours in session.exec(statement)
            if shot_id is not None
        }
    return found


def productions_named(session: Session, codes: Collection[str]) -> dict[str, int]:
    """Production ids by code, of those that exist."""
    statement = select(ProductionRow.code, ProductionRow.id).where(col(ProductionRow.code).in_(set(codes)))
    return {code: production_id for code, production_id in session.exec(statement) if production_id is not None}


def heads(session: Session, series_ids: Collection[int]) -> dict[int, Heads]:
    """The heads of each series: every spool's newest post, and every post that says an outcome or a start."""
    newest = (
        select(CountRow.series_id, CountRow.terminal_id, CountRow.spool, func.max(CountRow.serial))
        .where(col(CountRow.series_id).in_(series_ids))
        .group_by(col(CountRow.series_id), col(CountRow.terminal_id), col(CountRow.spool))
    )
    place = tuple_(col(CountRow.series_id), col(CountRow.terminal_id), col(CountRow.spool), col(CountRow.serial))
    tells = or_(col(CountRow.outcome).is_not(None), col(CountRow.starts_at).is_not(None), place.in_(newest))
    return {series_id: Heads.of(posts) for series_id, posts in _posts(session, series_ids, tells).items()}


def ledger(session: Session, series_ids: Collection[int]) -> dict[int, list[LedgerPost]]:
    """Every post of each series, in no particular order."""
    return _posts(session, series_ids)


def add_all(session: Session, rows: Sequence[dict[str, Any]]) -> None:
    """Enter these posts in the ledger, in this order; each a value for every column of CountRow but the id."""
    session.execute(insert(CountRow), rows)


# Columns, not rows: a series has hundreds of posts, and the answers kept with them are most of their weight.
POST_COLUMNS = (
    col(TerminalRow.name),
    col(CountRow.spool),
    col(CountRow.serial),
    col(CountRow.captured_at),
    col(CountRow.total_frames),
    col(CountRow.outcome),
    col(CountRow.starts_at),
    col(CountRow.stage_id),
    col(CountRow.animator),
    col(CountRow.day_on),
    col(CountRow.restated_frames),
)


def _posts(session: Session, series_ids: Collection[int], *more: ColumnElement[bool]) -> dict[int, list[LedgerPost]]:
    posts: dict[int, list[LedgerPost]] = defaultdict(list)
    statement = (
        select_columns(col(CountRow.series_id), *POST_COLUMNS)
        .join(TerminalRow, col(TerminalRow.id) == col(CountRow.terminal_id))
        .where(col(CountRow.series_id).in_(series_ids), *more)
    )
    for row in session.execute(statement):
        posts[row.series_id].append(ledger_post(row, row.name))
    return posts


def ledger_post(row: CountRow | Row[Any], terminal: str) -> LedgerPost:
    """A kept post as the ordering and the day sheet need it."""
    return LedgerPost(
        terminal=terminal,
        spool=row.spool,
        serial=row.serial,
        captured_at=row.captured_at,
        total_frames=row.total_frames,
        outcome=Outcome(row.outcome) if row.outcome else None,
        starts_at=row.starts_at,
        stage_id=row.stage_id,
        animator=row.animator,
        day_on=row.day_on,
        restated_frames=row.restated_frames,
    )


def plans_told(session: Session, terminal_id: int, shot_ids: Collection[int]) -> dict[int, int]:
    """The newest plan revision this terminal was answered under, by shot id."""
    statement = (
        select(CountRow.shot_id, func.max(CountRow.plan_rev))
        .where(col(CountRow.terminal_id) == terminal_id, col(CountRow.shot_id).in_(shot_ids))
        .group_by(col(CountRow.shot_id))
    )
    return {shot_id: rev for shot_id, rev in session.exec(statement) if shot_id is not None and rev is not None}


def unmatched_of(session: Session, production: str, shot: str) -> list[CountRow]:
    """The unmatched counts posted under these codes, oldest first."""
    statement = (
        select(CountRow)
        .where(col(CountRow.production_code) == production, col(CountRow.shot_code) == shot)
        .where(col(CountRow.series_id).is_(None))
        .order_by(col(CountRow.id))
    )
    return list(session.exec(statement))


@dataclass(frozen=True, slots=True, kw_only=True)
class Which:
    """Which counts of the ledger: those of these `ids`, or all that wait and were posted so, None for any."""

    ids: Collection[int] | None = None
    production: str | None = None
    shot: str | None = None
    stage_id: int | None = None
    day: date | None = None

    @property
    def conditions(self) -> list[ColumnElement[bool]]:
        """What a row must be to be among them."""
        if self.ids is not None:
            return [col(CountRow.id).in_(self.ids)]
        asked = {
            col(CountRow.production_code): self.production,
            col(CountRow.shot_code): self.shot,
            col(CountRow.stage_id): self.stage_id,
            col(CountRow.day_on): self.day,
        }
        named = [column == value for column, value in asked.items() if value is not None]
        return [col(CountRow.series_id).is_(None), *named]


def locked(session: Session, which: Which, *, limit: int) -> list[CountRow]:
    """At most `limit` of these counts, locked in the ledger's order and as they stand after any wait."""
    statement = (
        select(CountRow)
        .where(*which.conditions)
        .order_by(col(CountRow.terminal_id), col(CountRow.spool), col(CountRow.serial))
        .limit(limit)
        .with_for_update(key_share=True)
        .execution_options(populate_existing=True)
    )
    return list(session.exec(statement))


@dataclass(frozen=True, slots=True)
class KeptCount:
    """An entry of the ledger with the name of its terminal and the code of its stage."""

    row: CountRow
    terminal: str
    stage: str


def unmatched(session: Session, *, after: int, limit: int, production_id: int | None = None) -> list[KeptCount]:
    """At most `limit` unmatched counts after the entry with id `after`, oldest first."""
    statement = (
        select(CountRow, TerminalRow.name, StageRow.code)
        .join(TerminalRow, col(TerminalRow.id) == col(CountRow.terminal_id))
        .join(StageRow, col(StageRow.id) == col(CountRow.stage_id))
        .where(col(CountRow.series_id).is_(None), col(CountRow.id) > after)
    )
    if production_id is not None:
        code = select(ProductionRow.code).where(col(ProductionRow.id) == production_id).scalar_subquery()
        statement = statement.where(col(CountRow.production_code) == code)
    found = session.exec(statement.order_by(col(CountRow.id)).limit(limit))
    return [KeptCount(row, terminal, stage) for row, terminal, stage in found]


@dataclass(frozen=True, slots=True)
class PostedCount:
    """An entry of the ledger, the code of its stage, and the shot, part and take it now counts for."""

    row: CountRow
    stage: str
    shot: str | None
    part: str | None
    take: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The counts of a terminal for a production day, `day_on`: all, or those posted for one production, by its code.

    And all, or those that are `counted` now, or `unmatched`.
    """

    terminal_id: int
    day_on: date
    production: str | None = None
    outcome: str | None = None


def of_terminal(session: Session, asked: Asked, *, after: int, limit: int) -> list[PostedCount]:
    """At most `limit` of the counts asked for after the entry with id `after`, as they came."""
    statement = (
        select_columns(CountRow, col(StageRow.code), col(ShotRow.code), col(TakeRow.part), col(TakeRow.number))
        .join(StageRow, col(StageRow.id) == col(CountRow.stage_id))
        .outerjoin(SeriesRow, col(SeriesRow.id) == col(CountRow.series_id))
        .outerjoin(TakeRow, col(TakeRow.id) == col(SeriesRow.take_id))
        .outerjoin(ShotRow, col(ShotRow.id) == col(CountRow.shot_id))
        .where(col(CountRow.terminal_id) == asked.terminal_id, col(CountRow.day_on) == asked.day_on)
        .where(col(CountRow.id) > after)
        .order_by(col(CountRow.id))
        .limit(limit)
    )
    if asked.production is not None:
        statement = statement.where(col(CountRow.production_code) == asked.production)
    if asked.outcome is not None:
        counts = col(CountRow.series_id).is_not(None)
        statement = statement.where(counts if asked.outcome == "counted" else ~counts)
    return [PostedCount(*row) for row in session.execute(statement)]


def waiting(session: Session, production: str, shots: Collection[str]) -> set[str]:
    """Those of these shot codes under which unmatched counts of the production wait."""
    statement = (
        select(CountRow.shot_code)
        .where(col(CountRow.production_code) == production, col(CountRow.shot_code).in_(shots))
        .where(col(CountRow.series_id).is_(None))
        .distinct()
    )
    return set(session.exec(statement))
