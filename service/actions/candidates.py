"""Which shots of a production could go on a stage."""

from collections.abc import Iterator, Sequence

from sqlmodel import Session

from service.actions.moves import places
from service.domain.addresses import told
from service.domain.bookings import Activity
from service.domain.candidates import Candidate, Held, chance, elsewhere
from service.domain.spans import Span
from service.store import moves, studio
from service.store.bookings import Booked
from service.store.shots import Filter
from service.store.tables import ProductionRow, StageRow


def candidates(
    session: Session, production: ProductionRow, stage: StageRow, *, standing: Sequence[Booked]
) -> Iterator[Candidate]:
    """The shots planned for a stage, or for none, of which something is left to be done on one, in no order.

    `standing` are all bookings at the instant asked for.
    """
    held = [_held(each) for each in standing]
    stage_id = stage.id or 0
    minimum = studio.load(session).plate_minimum_frames
    where = Filter(on_stage_id=stage_id)
    for rows in moves.every(session, production.id or 0, where=where, plate_minimum_frames=minimum):
        addressed = places(session, production, [row for row, _ in rows])
        for row, of in rows:
            if (found := chance(of, stage_id)) is None:
                continue
            place = addressed[row.id or 0]
            yield Candidate(
                place=place,
                phase=of.phase,
                since=row.phase_since,
                animator=of.animator,
                chance=found,
                lacks=told(found.lacks, of, place),
                elsewhere=elsewhere(of, row.id or 0, stage_id, held),
            )


def _held(booked: Booked) -> Held:
    row = booked.row
    return Held(
        booking=row.id or 0,
        shot_id=row.shot_id,
        stage_id=row.stage_id,
        stage=booked.stage,
        animator=row.animator,
        activity=Activity(row.activity),
        span=Span(row.start_at, row.end_at),
    )
