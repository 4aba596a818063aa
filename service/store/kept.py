"""Rows that workers keep in tables of their own, plain JSON values under a key: one table of the database for all."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, delete, exists, insert, tuple_
from sqlmodel import Session, col, select

from service.store.tables import KeptRow, ProductionRow, ShotRow

# PostgreSQL takes 65 535 parameters in a statement at most.
AT_ONCE = 1000

Name = TypeVar("Name")


@dataclass(frozen=True, slots=True)
class Shelf:
    """Whose rows: those of an edition of a worker's in one of its tables, called `kept_in` in the database."""

    worker: str
    edition: int
    kept_in: str

    @property
    def condition(self) -> tuple[ColumnElement[bool], ...]:
        """What a row must be to be among them."""
        return (
            col(KeptRow.worker) == self.worker,
            col(KeptRow.edition) == self.edition,
            col(KeptRow.kept_in) == self.kept_in,
        )


class NoShot(ValueError):
    """A row is of a shot that does not exist."""


def replace(session: Session, shelf: Shelf, *, position: int, rows: Mapping[int, Sequence[Mapping[str, Any]]]) -> None:
    """Make `rows` (by shot id) all that the shelf holds of these shots, their keys `SHOT/NUMBER`. Raises NoShot."""
    productions: dict[int, int] = {}
    for shot_ids in _in_parts(rows):
        session.exec(delete(KeptRow).where(*shelf.condition, col(KeptRow.shot_id).in_(shot_ids)))
        found = session.exec(select(ShotRow.id, ShotRow.production_id).where(col(ShotRow.id).in_(shot_ids)))
        productions |= {id_: production_id for id_, production_id in found if id_ is not None}
    if lost := sorted(rows.keys() - productions.keys()):
        raise NoShot(f"there is no shot with the id {lost[0]}")
    _insert(
        session,
        shelf,
        position,
        [
            {"key": f"{shot_id}/{number}", "shot_id": shot_id, "production_id": productions[shot_id], "data": dict(row)}
            for shot_id, of_shot in sorted(rows.items())
            for number, row in enumerate(of_shot)
        ],
    )


def keep(
    session: Session, shelf: Shelf, *, position: int, rows: Mapping[str, tuple[int | None, Mapping[str, Any] | None]]
) -> None:
    """Make each key's row, given with the production it is of, what the shelf holds under it; None takes it away."""
    for keys in _in_parts(rows):
        session.exec(delete(KeptRow).where(*shelf.condition, col(KeptRow.key).in_(keys)))
    _insert(
        session,
        shelf,
        position,
        [
            {"key": key, "shot_id": None, "production_id": production_id, "data": dict(row)}
            for key, (production_id, row) in sorted(rows.items())
            if row is not None
        ],
    )


def of_shots(session: Session, shelf: Shelf, shot_ids: Collection[int]) -> dict[int, list[dict[str, Any]]]:
    """The rows of these shots in the order they were given; a shot without any is left out."""
    found: dict[int, list[tuple[int, dict[str, Any]]]] = {}
    for part in _in_parts(shot_ids):
        for row in session.exec(select(KeptRow).where(*shelf.condition, col(KeptRow.shot_id).in_(part))):
            number = int(row.key.rpartition("/")[2])
            found.setdefault(row.shot_id or 0, []).append((number, row.data))
    return {shot_id: [data for _, data in sorted(rows, key=lambda each: each[0])] for shot_id, rows in found.items()}


def of_keys(session: Session, shelf: Shelf, keys: Collection[str]) -> dict[str, dict[str, Any]]:
    """The rows under these keys; a key without a row is left out."""
    return {
        row.key: row.data
        for part in _in_parts(keys)
        for row in session.exec(select(KeptRow).where(*shelf.condition, col(KeptRow.key).in_(part)))
    }


@dataclass(frozen=True, slots=True)
class Listed:
    """A kept row with the codes of the production and the shot it is of, where it is of one."""

    row: KeptRow
    production: str | None
    shot: str | None


def page(
    session: Session, shelf: Shelf, *, after: str, limit: int, production_id: int | None = None
) -> Sequence[Listed]:
    """At most `limit` rows with keys after this one, in the database's order; of one production where it is given."""
    statement = (
        select(KeptRow, col(ProductionRow.code), col(ShotRow.code))
        .outerjoin(ProductionRow, col(ProductionRow.id) == col(KeptRow.production_id))
        .outerjoin(ShotRow, col(ShotRow.id) == col(KeptRow.shot_id))
        .where(*shelf.condition, col(KeptRow.key) > after)
    )
    if production_id is not None:
        statement = statement.where(col(KeptRow.production_id) == production_id)
    return [Listed(*each) for each in session.exec(statement.order_by(col(KeptRow.key)).limit(limit))]


def sweep(session: Session, worker: str, edition: int, *, limit: int) -> int:
    """Take away at most *limit* rows of an edition of a worker's; how many that were."""
    key = col(KeptRow.worker), col(KeptRow.edition), col(KeptRow.kept_in), col(KeptRow.key)
    some = select(*key).where(key[0] == worker, key[1] == edition).order_by(*key).limit(limit)
    return session.exec(delete(KeptRow).where(tuple_(*key).in_(some))).rowcount


def any_in(session: Session, shelf: Shelf) -> bool:
    """Whether the shelf holds a row."""
    return bool(session.exec(select(exists().where(*shelf.condition))).one())


def _insert(session: Session, shelf: Shelf, position: int, rows: Sequence[Mapping[str, Any]]) -> None:
    own = {"worker": shelf.worker, "edition": shelf.edition, "kept_in": shelf.kept_in, "position": position}
    if rows:
        session.exec(insert(KeptRow), params=[{**own, **row} for row in rows])


def _in_parts(names: Collection[Name]) -> Iterator[list[Name]]:
    left = iter(names)
    while part := list(islice(left, AT_ONCE)):
        yield part
