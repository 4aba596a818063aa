"""Corrections: keep one, list them, move counts of the ledger, and find where they lead later counts."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlalchemy import select as select_columns
from sqlalchemy import update
from sqlmodel import Session, col, select

from service.domain.codes import is_code
from service.domain.corrections import Detour, What
from service.domain.takes import LedgerPost, Purpose
from service.store.tables import CorrectionRow, CountRow, DecisionRow, TakeNoteRow, TerminalRow

Mark = tuple[int, str, int]
"""Terminal id, spool, and the highest serial there was of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Which corrections of a shot: all, or those of one take by its number, part or purpose."""

    take: int | None = None
    part: str | None = None
    purpose: str | None = None


def page(session: Session, shot_id: int, *, after: int, limit: int, where: Filter) -> Sequence[CorrectionRow]:
    """At most `limit` corrections after the one with id `after` that took counts from a shot or to it, in order."""
    row = CorrectionRow
    own, to = col(row.shot_id) == shot_id, col(row.to_shot_id) == shot_id
    if where.take is not None:
        own, to = own & (col(row.take) == where.take), to & (col(row.to_take) == where.take)
    if where.part and not is_code(where.part):
        # A database may refuse to be asked for what no part can be called.
        return []
    if where.part is not None:
        own, to = own & (col(row.part) == where.part), to & (col(row.to_part) == where.part)
    if where.purpose is not None:
        own, to = own & (col(row.purpose) == where.purpose), to & (col(row.purpose) == where.purpose)
    statement = select(row).where(own | to, col(row.id) > after).order_by(col(row.id)).limit(limit)
    return session.exec(statement).all()


def detours(session: Session, shot_ids: Collection[int]) -> tuple[Detour, ...]:
    """Every correction that leads counts of these shots elsewhere, and from there on; in the order they were made."""
    found: dict[int, CorrectionRow] = {}
    seen: set[int] = set()
    ahead = set(shot_ids)
    while ahead:
        statement = select(CorrectionRow).where(
            col(CorrectionRow.shot_id).in_(ahead), col(CorrectionRow.to_shot_id).is_not(None)
        )
        rows = {row.id: row for row in session.exec(statement) if row.id is not None}
        found |= rows
        seen |= ahead
        ahead = {row.to_shot_id for row in rows.values() if row.to_shot_id is not None} - seen
    return tuple(_detour(row) for _, row in sorted(found.items()))


def _detour(row: CorrectionRow) -> Detour:
    return Detour(
        shot_id=row.shot_id,
        to_shot_id=row.to_shot_id or 0,
        part=row.part,
        purpose=None if row.purpose is None else Purpose(row.purpose),
        take=row.take,
        to_part=row.to_part or "",
        to_take=row.to_take or 0,
        take_offset=row.take_offset,
        marks={(terminal, spool, camera, pass_): serial for terminal, spool, serial, camera, pass_ in row.marks},
    )


def merged_into(session: Session, shot_ids: Collection[int]) -> dict[int, int]:
    """The shot that each of these was merged into, by id, of those that were."""
    statement = select(CorrectionRow.shot_id, CorrectionRow.to_shot_id).where(
        col(CorrectionRow.shot_id).in_(shot_ids), col(CorrectionRow.kind) == What.MERGE.value
    )
    return {shot_id: into for shot_id, into in session.exec(statement) if into is not None}


def has_merged(session: Session, shot_id: int) -> bool:
    """Whether other shots were merged into this one."""
    statement = select(CorrectionRow.id).where(
        col(CorrectionRow.to_shot_id) == shot_id, col(CorrectionRow.kind) == What.MERGE.value
    )
    return session.exec(statement.limit(1)).first() is not None


def count_of(session: Session, series_id: int, post: LedgerPost) -> CountRow:
    """The entry of the ledger that a post of a series is."""
    statement = (
        select(CountRow)
        .join(TerminalRow, col(TerminalRow.id) == col(CountRow.terminal_id))
        .where(
            col(CountRow.series_id) == series_id,
            col(TerminalRow.name) == post.terminal,
            col(CountRow.spool) == post.spool,
            col(CountRow.serial) == post.serial,
        )
    )
    return session.exec(statement).one()


def move_counts(session: Session, series_id: int, *, shot_id: int, to_series_id: int) -> list[Mark]:
    """Let every count of a series count for another; how far that reached in each spool.

    The counts are locked in the ledger's order, as everywhere.
    """
    statement = (
        select_columns(col(CountRow.id), col(CountRow.terminal_id), col(CountRow.spool), col(CountRow.serial))
        .where(col(CountRow.series_id) == series_id)
        .order_by(col(CountRow.terminal_id), col(CountRow.spool), col(CountRow.serial))
        .with_for_update(key_share=True)
    )
    highest: dict[tuple[int, str], int] = defaultdict(int)
    for _, terminal_id, spool, serial in session.execute(statement):
        highest[terminal_id, spool] = max(highest[terminal_id, spool], serial)
    session.execute(
        update(CountRow)
        .where(col(CountRow.series_id) == series_id)
        # What its terminal was told of a plan, it was told of another shot's.
        .values(series_id=to_series_id, shot_id=shot_id, plan_rev=None)
        .execution_options(synchronize_session=False)
    )
    return [(terminal_id, spool, serial) for (terminal_id, spool), serial in highest.items()]


def is_spoken_of(session: Session, take_id: int) -> bool:
    """Whether anything was decided or noted of a take."""
    return any(
        session.exec(select(row.id).where(col(row.take_id) == take_id).limit(1)).first() is not None
        for row in (DecisionRow, TakeNoteRow)
    )


def move_sayings(session: Session, take_id: int, *, shot_id: int, to_take_id: int) -> None:
    """Let what was decided and noted of a take be said of another."""
    for row in (DecisionRow, TakeNoteRow):
        session.execute(
            update(row)
            .where(col(row.take_id) == take_id)
            .values(take_id=to_take_id, shot_id=shot_id)
            .execution_options(synchronize_session=False)
        )
