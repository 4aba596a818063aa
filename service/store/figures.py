"""Figures that workers made: written whole for a shot at a time, read by the version that is furthest."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import delete, insert
from sqlmodel import Session, col, select

from service.store import partitions
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
    session: Session, table: str, *, version: int, position: int, rows: Mapping[int, Sequence[Mapping[str, Any]]]
) -> None:
    """Make `rows` (by shot) all that `table` holds of these shots in this version.

    Version, shot and (where the table has one) position are filled in. Raises ValueError of an unknown column.
    """
    row_type = TABLES[table]
    session.exec(delete(row_type).where(col(row_type.version) == version, col(row_type.shot_id).in_(sorted(rows))))
    known = set(row_type.model_fields)
    own = {"version": version} | ({"position": position} if "position" in known else {})
    filled = [{**row, **own, "shot_id": shot_id} for shot_id, of_shot in sorted(rows.items()) for row in of_shot]
    for row in filled:
        if row.keys() != known:
            raise ValueError(f"a row of {table} has the columns {sorted(known)}, not {sorted(row)}")
    if filled:
        session.exec(insert(row_type), params=filled)


def of_shots(session: Session, table: str, *, version: int, shot_ids: Iterable[int]) -> dict[int, list[dict[str, Any]]]:
    """The rows of `table` in a version by shot, without version, shot and position."""
    row_type = TABLES[table]
    found: dict[int, list[dict[str, Any]]] = {}
    statement = select(row_type).where(col(row_type.version) == version, col(row_type.shot_id).in_(sorted(shot_ids)))
    for row in session.exec(statement):
        values = row.model_dump(exclude={"version", "position"})
        found.setdefault(values.pop("shot_id"), []).append(values)
    return found


def ruling_version(session: Session, worker: str) -> int | None:
    """The version whose figures are shown: the one that has read furthest, of equals the newest; None before any.

    A new version reads the log from its beginning, and until it has caught up the old one's figures are the better.
    """
    return partitions.furthest(session, worker)
