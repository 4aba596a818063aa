"""Sign-offs: those that were given, and those in force."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.domain.bases import LEAVE_AS_IT_IS, Basis
from service.domain.events import EventKind
from service.domain.signoffs import Matter, Role, SignOff
from service.store.tables import EventRow, SignOffRow


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


def still(session: Session, signed: Mapping[int, int]) -> set[int]:
    """Those of these shots whose frames nothing befell, by the log, since the sign-off of this id was given."""
    of_shots = col(EventRow.shot_id).in_(signed)
    given_at = select(col(EventRow.shot_id), col(EventRow.id), col(EventRow.data)).where(
        of_shots, col(EventRow.kind) == EventKind.SIGNOFF_GIVEN.value
    )
    moved_at = (
        select(col(EventRow.shot_id), func.max(EventRow.id))
        .where(of_shots, col(EventRow.kind).not_in(sorted(kind.value for kind in LEAVE_AS_IT_IS)))
        .group_by(col(EventRow.shot_id))
    )
    if not signed:
        return set()
    last = {int(shot_id): int(position) for shot_id, position in session.execute(moved_at)}
    return {
        shot_id
        for shot_id, position, data in session.execute(given_at)
        if data["signoff"] == signed[shot_id] and last.get(shot_id, 0) < position
    }


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
