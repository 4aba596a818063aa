"""Moves of shots, and how each stands by the facts its moves are judged by."""

from collections.abc import Collection, Iterator, Mapping, Sequence

from sqlalchemy import select
from sqlmodel import Session, col

from service.domain.bases import Basis, SeriesName, changed_since
from service.domain.moves import Standing
from service.domain.moves import blocked_by as blocks
from service.domain.phases import Fact, Phase
from service.domain.progress import ShotFacts
from service.domain.signoffs import OF_FRAMES, Matter, Role, Signature, SignOff, standing
from service.domain.takes import Purpose, Step, history
from service.store import counts, needs, shots, signoffs, suspensions, takes
from service.store.shots import Filter
from service.store.tables import MoveRow, ShotRow

APPROVAL: Signature = (Matter.APPROVAL, Role.DIRECTOR)
JUDGED_AT_ONCE = 200
MOST_JUDGED = 2000


def page(session: Session, shot_id: int, *, after: int, limit: int) -> Sequence[MoveRow]:
    """At most *limit* moves of a shot after the one with id *after*, in order."""
    statement = select(MoveRow).where(col(MoveRow.shot_id) == shot_id, col(MoveRow.id) > after)
    return session.scalars(statement.order_by(col(MoveRow.id)).limit(limit)).all()


def last(session: Session, shot_id: int) -> MoveRow:
    """The last move of a shot that was moved."""
    statement = select(MoveRow).where(col(MoveRow.shot_id) == shot_id).order_by(col(MoveRow.id).desc()).limit(1)
    return session.scalars(statement).one()


def standings(session: Session, rows: Sequence[ShotRow], *, plate_minimum_frames: int) -> dict[int, Standing]:
    """How these shots stand, by their ids; a handful of queries however many shots."""
    return standings_by(session, rows, takes.shot_facts(session, rows, plate_minimum_frames=plate_minimum_frames))


def standings_by(session: Session, rows: Sequence[ShotRow], facts: Mapping[int, ShotFacts]) -> dict[int, Standing]:
    """The same, where their facts by id were read already."""
    ids = [row.id or 0 for row in rows]
    signed = {shot_id: standing(given) for shot_id, given in signoffs.given(session, ids).items()}
    bases = _bases(session, facts, signed)
    needed, held = needs.of_shots(session, ids), suspensions.open_of_all(session, ids)
    return {
        id_: Standing(
            phase=Phase(row.phase),
            suspended=held[id_].reason if id_ in held else None,
            in_locked_cut=row.cut_revision is not None,
            animator=row.animator,
            needs=needed.get(id_),
            facts=facts[id_],
            signed=signed.get(id_, {}),
            basis=bases.get(id_),
        )
        for id_, row in zip(ids, rows, strict=True)
    }


def every(
    session: Session, production_id: int, *, where: Filter, plate_minimum_frames: int
) -> Iterator[list[tuple[ShotRow, Standing]]]:
    """Every shot of a production that passes the filter with how it stands, JUDGED_AT_ONCE at a time."""
    for rows in shots.in_turn(session, production_id, where=where, at_once=JUDGED_AT_ONCE):
        judged = standings(session, rows, plate_minimum_frames=plate_minimum_frames)
        yield [(row, judged[row.id or 0]) for row in rows]


def blocked_by(
    session: Session,
    production_id: int,
    fact: Fact,
    *,
    where: Filter,
    after: int,
    limit: int,
    plate_minimum_frames: int,
) -> tuple[list[ShotRow], int | None]:
    """At most *limit* shots that pass the filter and whose next step lacks a fact, after the one with id *after*.

    And from which id on there may be more, None where there are none: of many shots MOST_JUDGED are looked at.
    """
    found: list[ShotRow] = []
    for _ in range(MOST_JUDGED // JUDGED_AT_ONCE):
        rows = shots.page(session, production_id, after=after, limit=JUDGED_AT_ONCE, where=where)
        judged = standings(session, rows, plate_minimum_frames=plate_minimum_frames)
        for row in rows:
            after = row.id or 0
            if fact in {lack.fact for lack in blocks(judged[after])}:
                found.append(row)
                if len(found) == limit:
                    return found, after
        if len(rows) < JUDGED_AT_ONCE:
            return found, None
    return found, after


def changed_since_approval(session: Session, shot_ids: Collection[int]) -> dict[int, bool]:
    """Whether anything is other than it was approved, of those of these shots whose approval stands."""
    signed = {shot_id: standing(given) for shot_id, given in signoffs.given(session, shot_ids).items()}
    approvals = {shot_id: found for shot_id, of_shot in signed.items() if (found := of_shot.get(APPROVAL))}
    if not approvals:
        return {}
    # What a plate needs is no part of what was approved.
    facts = takes.shot_facts(session, shots.by_ids(session, approvals), plate_minimum_frames=0)
    now = _bases(session, facts, {shot_id: {APPROVAL: each} for shot_id, each in approvals.items()})
    return {
        shot_id: each.basis is not None and bool(changed_since(each.basis, now[shot_id]))
        for shot_id, each in approvals.items()
    }


def basis(session: Session, shot_id: int, facts: ShotFacts) -> Basis:
    """What a comp or an approval of a shot would rest on now."""
    return Basis.of(facts, _histories(session, [shot_id])[shot_id])


def _bases(
    session: Session, facts: Mapping[int, ShotFacts], signed: Mapping[int, Mapping[Signature, SignOff]]
) -> dict[int, Basis]:
    """The bases of the shots of which something bound to frames was signed: what the others have is never looked at.

    Where nothing befell the frames since, the basis is that of the newest sign-off: whole ledgers are read of few.
    """
    bound = {
        shot_id: max(of_frames, key=lambda each: each.id)
        for shot_id, of_shot in signed.items()
        if (of_frames := [each for (matter, _), each in of_shot.items() if matter in OF_FRAMES])
    }
    still = signoffs.still(session, {shot_id: each.id for shot_id, each in bound.items()})
    histories = _histories(session, bound.keys() - still)
    return {
        shot_id: each.basis
        if shot_id in still and each.basis is not None
        else Basis.of(facts[shot_id], histories[shot_id])
        for shot_id, each in bound.items()
    }


def _histories(session: Session, shot_ids: Collection[int]) -> dict[int, dict[SeriesName, Sequence[Step]]]:
    series = {
        row.id or 0: (take, row)
        for take, row in takes.series_of(session, shot_ids)
        if take.purpose == Purpose.SHOOT.value and row.moved_at is None
    }
    found: dict[int, dict[SeriesName, Sequence[Step]]] = {shot_id: {} for shot_id in shot_ids}
    for series_id, posts in counts.ledger(session, series).items():
        take, row = series[series_id]
        found[row.shot_id][take.part, take.number, row.camera, row.pass_] = history(posts)
    return found
