"""What shots need."""

from collections.abc import Collection

from sqlalchemy import select
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.domain.needs import Needs
from service.store.tables import NeedsRow, ShotRow


def by_shot(session: Session, shot_id: int) -> NeedsRow | None:
    """What was entered of a shot's needs; read it under the shot's lock to change it."""
    return session.get(NeedsRow, shot_id)


def of_shots(session: Session, shot_ids: Collection[int]) -> dict[int, Needs]:
    """What these shots need, by their ids; of whose needs nobody has entered, there is none."""
    return {shot_id: needs for shot_id, (_, needs) in entered(session, shot_ids).items()}


def entered(session: Session, shot_ids: Collection[int]) -> dict[int, tuple[NeedsRow, Needs]]:
    """The rows of these shots that have one, and what each says."""
    whole = aliased(ShotRow)
    statement = (
        select(NeedsRow, col(whole.code))
        .outerjoin(whole, col(whole.id) == col(NeedsRow.insert_of_id))
        .where(col(NeedsRow.shot_id).in_(shot_ids))
    )
    return {row.shot_id: (row, _needs(row, insert_of)) for row, insert_of in session.execute(statement)}


def write(row: NeedsRow, needs: Needs, *, insert_of_id: int | None) -> None:
    """Let a row say this; `insert_of_id` is the id of the shot `needs.insert_of`."""
    values = needs.values()
    row.set_code = values.pop("set")
    del values["insert_of"]
    row.insert_of_id = insert_of_id
    for name, value in values.items():
        setattr(row, name, value)


def _needs(row: NeedsRow, insert_of: str | None) -> Needs:
    said = {name: getattr(row, name) for name in Needs().values() if name not in {"set", "insert_of"}}
    return Needs.of({"set": row.set_code, "insert_of": insert_of, **said})
