"""What a production day did to the phases of shots, and how they stood at its close: from dated rows alone."""

from collections.abc import Iterator, Mapping
from datetime import datetime

from sqlalchemy import case, func, or_, select
from sqlalchemy.orm import aliased
from sqlmodel import col

from service.domain.causes import ReturnCause
from service.domain.daymoves import Moved, Signed
from service.domain.phases import Phase
from service.domain.signoffs import Matter, Role
from service.store.standings import Asked, InPhase, Shot
from service.store.tables import MoveRow, ShotRow, SignOffRow, SuspensionRow


def phases_then(asked: Asked) -> dict[int, InPhase]:
    """The phase of every shot at the day's close, and what it was then suspended for.

    That of its last move before the close; else the one its first move since led away from; else the one it is in.
    """
    before, since = aliased(MoveRow), aliased(MoveRow)
    then = col(MoveRow.moved_at) < asked.terms.closes_at
    ends = (
        select(
            col(MoveRow.shot_id),
            func.max(case((then, col(MoveRow.id)))).label("last"),
            func.min(case((~then, col(MoveRow.id)))).label("first"),
        )
        .where(col(MoveRow.shot_id).in_(asked.own))
        .group_by(col(MoveRow.shot_id))
        .subquery()
    )
    statement = (
        select(col(ShotRow.id), func.coalesce(col(before.to_phase), col(since.origin), col(ShotRow.phase)))
        .outerjoin(ends, ends.c.shot_id == col(ShotRow.id))
        .outerjoin(before, col(before.id) == ends.c.last)
        .outerjoin(since, col(since.id) == ends.c.first)
        .where(col(ShotRow.production_id) == asked.production_id)
    )
    held = _held(asked)
    return {id_: InPhase(Phase(phase), *held.get(id_, (None, None))) for id_, phase in asked.session.execute(statement)}


def _held(asked: Asked) -> dict[int, tuple[str, datetime]]:
    """Why and since when each shot was suspended that was at the day's close."""
    statement = (
        select(col(SuspensionRow.shot_id), col(SuspensionRow.reason), col(SuspensionRow.suspended_at))
        .where(
            col(SuspensionRow.shot_id).in_(asked.own),
            col(SuspensionRow.suspended_at) < asked.terms.closes_at,
            or_(col(SuspensionRow.resumed_at).is_(None), col(SuspensionRow.resumed_at) >= asked.terms.closes_at),
        )
        .order_by(col(SuspensionRow.id))
    )
    return {shot_id: (reason, at) for shot_id, reason, at in asked.session.execute(statement)}


def moved(asked: Asked, shots: Mapping[int, Shot]) -> Iterator[Moved]:
    """The moves of the day, in the order they were made."""
    at = col(MoveRow.moved_at)
    statement = select(MoveRow).where(
        col(MoveRow.shot_id).in_(asked.own), at >= asked.terms.opened_at, at < asked.terms.closes_at
    )
    for row in asked.session.scalars(statement.order_by(at, col(MoveRow.id))):
        shot = shots[row.shot_id]
        yield Moved(
            shot=shot.code,
            episode=shot.episode,
            stage=shot.home,
            origin=Phase(row.origin),
            to=Phase(row.to_phase),
            at=row.moved_at,
            by=row.by,
            cause=None if row.cause is None else ReturnCause(row.cause),
            reason=row.reason,
            lacked=tuple(row.lacked or ()),
        )


def signed(asked: Asked, shots: Mapping[int, Shot]) -> Iterator[Signed]:
    """The sign-offs that were given on the day and those that were withdrawn on it, in the order it was done."""
    opened_at, closes_at = asked.terms.opened_at, asked.terms.closes_at
    given, withdrawn = (
        (at >= opened_at) & (at < closes_at) for at in (col(SignOffRow.signed_at), col(SignOffRow.withdrawn_at))
    )
    statement = select(SignOffRow).where(col(SignOffRow.shot_id).in_(asked.own), or_(given, withdrawn))
    rows = asked.session.scalars(statement.order_by(col(SignOffRow.id))).all()
    found = [each for row in rows for each in _signed(row, shots[row.shot_id])]
    yield from sorted((each for each in found if opened_at <= each.at < closes_at), key=lambda each: each.at)


def _signed(row: SignOffRow, shot: Shot) -> Iterator[Signed]:
    """That a sign-off was given, and that it was withdrawn where it was."""
    for given, at, by, reason in (
        (True, row.signed_at, row.by, None),
        (False, row.withdrawn_at, row.withdrawn_by, row.withdrawn_reason),
    ):
        if at is not None and by is not None:
            yield Signed(
                shot=shot.code,
                episode=shot.episode,
                stage=shot.home,
                matter=Matter(row.matter),
                role=Role(row.role),
                given=given,
                at=at,
                by=by,
                reason=reason,
            )
