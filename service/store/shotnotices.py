"""What notices about shots rest on that no other noun reads."""

from collections import defaultdict
from collections.abc import Collection
from datetime import datetime

from sqlalchemy import select
from sqlmodel import Session, col

from service.domain.shotnotices import reached
from service.store.tables import CreditedChangeRow, PlannedChangeRow


def completions(session: Session, shot_ids: Collection[int]) -> dict[int, list[datetime]]:
    """Each time a shot came to have every planned frame credited, by both journals; one that never did is left out."""
    changes: dict[int, list[tuple[datetime, int, int]]] = defaultdict(list)
    planned = select(col(PlannedChangeRow.shot_id), col(PlannedChangeRow.changed_at), col(PlannedChangeRow.frames))
    for shot_id, at, frames in session.execute(planned.where(col(PlannedChangeRow.shot_id).in_(shot_ids))):
        changes[shot_id].append((at, frames, 0))
    credited = select(col(CreditedChangeRow.shot_id), col(CreditedChangeRow.changed_at), col(CreditedChangeRow.frames))
    for shot_id, at, frames in session.execute(credited.where(col(CreditedChangeRow.shot_id).in_(shot_ids))):
        changes[shot_id].append((at, 0, frames))
    came = {shot_id: reached(sorted(each)) for shot_id, each in changes.items()}
    return {shot_id: each for shot_id, each in came.items() if each}
