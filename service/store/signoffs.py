"""Sign-offs: those that were given, and those in force."""

from collections import defaultdict
from collections.abc import Collection, Sequence

from sqlalchemy import select
from sqlmodel import Session, col

from service.domain.bases import Basis
from service.domain.signoffs import Matter, Role, SignOff
from service.store.tables import SignOffRow


def by_id(session: Session, shot_id: int, id_: int) -> SignOffRow | None:
    """The sign-off of a shot with this id."""
    row = session.get(SignOffRow, id_)
    return row if row is not None and row.shot_id == shot_id else None


def page(session: Session, shot_id: int, *, after: int, limit: int) -> Sequence[SignOffRow]:
    """At most *limit* sign-offs of a shot after the one with id *after*, in the order they were given."""
    statement = select(SignOffRow).where(col(SignOffRow.shot_id) == shot_id, col(SignOffRow.id) > after)
    return session.scalars(statement.order_by(col(SignOffRow.id)).limit(limit)).all()


def given(session: Session, shot_ids: Collection[int]) -> dict[int, list[SignOff]]:
    """Every sign-off of these shots by shot id, in the order they were given."""
    found: dict[int, list[SignOff]] = defaultdict(list)
    statement = select(SignOffRow).where(col(SignOffRow.shot_id).in_(shot_ids)).order_by(col(SignOffRow.id))
    for row in session.scalars(statement):
        found[row.shot_id].append(read(row))
    return found


def read(row: SignOffRow) -> SignOff:
    """The sign-off that a row keeps."""
    return SignOff(
        id=row.id or 0,
        matter=Matter(row.matter),
        role=Role(row.role),
        by=row.by,
        signer=row.signer,
        basis=None if row.basis is None else Basis.read(row.basis),
        signed_at=row.signed_at,
        withdrawn_at=row.withdrawn_at,
    )
