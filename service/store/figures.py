"""Figures that workers made: written whole for a shot at a time, in an edition of their maker's rows."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import delete, insert, inspect, tuple_
from sqlmodel import Session, col, select

from service.store.tables import (
    DayCreditRow,
    DayFramesRow,
    PartProgressRow,
    ReportedFramesRow,
    ShotProgressRow,
)

FigureRow = (
    type[ShotProgressRow] | type[PartProgressRow] | type[DayFramesRow] | type[DayCreditRow] | type[ReportedFramesRow]
)
TABLES: Mapping[str, FigureRow] = {
    "shot_progress": ShotProgressRow,
    "part_progress": PartProgressRow,
    "day_frames": DayFramesRow,
    "day_credit": DayCreditRow,
    "reported_frames": ReportedFramesRow,
}

# A table has one maker: another worker's rows in it would be shown as his. To any other its name is a name.
MAKERS: Mapping[str, str] = {**dict.fromkeys(TABLES, "progress"), "reported_frames": "nightly"}


def replace(
    session: Session, table: str, *, edition: int, position: int, rows: Mapping[int, Sequence[Mapping[str, Any]]]
) -> None:
    """Make `rows` (by shot) all that `table` holds of these shots in this edition.

    Edition, shot and (where the table has one) position are filled in. Raises ValueError of an unknown column.
    """
    row_type = TABLES[table]
    session.exec(delete(row_type).where(col(row_type.edition) == edition, col(row_type.shot_id).in_(sorted(rows))))
    known = set(row_type.model_fields)
    own = {"edition": edition} | ({"position": position} if "position" in known else {})
    filled = [{**row, **own, "shot_id": shot_id} for shot_id, of_shot in sorted(rows.items()) for row in of_shot]
    for row in filled:
        if row.keys() != known:
            raise ValueError(f"a row of {table} has the columns {sorted(known)}, not {sorted(row)}")
    if filled:
        session.exec(insert(row_type), params=filled)


def of_shots(session: Session, table: str, *, edition: int, shot_ids: Iterable[int]) -> dict[int, list[dict[str, Any]]]:
    """The rows of `table` in an edition by shot, without edition, shot and position."""
    row_type = TABLES[table]
    found: dict[int, list[dict[str, Any]]] = {}
    statement = select(row_type).where(col(row_type.edition) == edition, col(row_type.shot_id).in_(sorted(shot_ids)))
    for row in session.exec(statement):
        values = row.model_dump(exclude={"edition", "position"})
        found.setdefault(values.pop("shot_id"), []).append(values)
    return found


def sweep(session: Session, worker: str, edition: int, *, limit: int) -> int:
    """Take away at most *limit* rows of an edition from each of the worker's tables; how many that were."""
    swept = 0
    for table, row_type in TABLES.items():
        if MAKERS[table] == worker:
            key = [
                col(row_type.edition),
                *(column for column in inspect(row_type).primary_key if column.key != "edition"),
            ]
            some = select(*key).where(col(row_type.edition) == edition).order_by(*key).limit(limit)
            swept += session.exec(delete(row_type).where(tuple_(*key).in_(some))).rowcount
    return swept
