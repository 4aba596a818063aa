"""Ask what the shots of a production wait for."""

from collections.abc import Callable, Iterator

from sqlmodel import Session

from service.actions.moves import places
from service.domain.blocked import Blocked, Shot, blocked
from service.store import moves, studio
from service.store.shots import Filter
from service.store.tables import ProductionRow


def _silent() -> None:
    return


def blocked_now(
    session: Session, of: ProductionRow, where: Filter, *, limit: int, beat: Callable[[], None] = _silent
) -> Blocked:
    """What the shots of a production that pass the filter wait for, naming at most `limit` for each fact.

    `beat` is called every few hundred shots: a long production takes a while.
    """
    return blocked(_shots(session, of, where, beat), limit=limit)


def _shots(session: Session, of: ProductionRow, where: Filter, beat: Callable[[], None]) -> Iterator[Shot]:
    minimum = studio.load(session).plate_minimum_frames
    for rows in moves.every(session, of.id or 0, where=where, plate_minimum_frames=minimum):
        addressed = places(session, of, [row for row, _ in rows])
        for row, standing in rows:
            yield Shot(place=addressed[row.id or 0], since=row.phase_since, standing=standing)
        beat()
