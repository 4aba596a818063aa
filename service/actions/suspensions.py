"""Suspend shots and resume them: work stops for a reason, to be taken up again where it was."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.refusals import Unfit
from service.store import suspensions as store
from service.store.events import append
from service.store.tables import ProductionRow, ShotRow, SuspensionRow


@dataclass(eq=False)
class SuspensionReasonMissing(Unfit):
    """Say the `reason` for which shot {shot} is suspended: it stands beside its phase until it is resumed."""

    POINTER = "/reason"

    shot: str


def change(
    session: Session,
    production: ProductionRow,
    shot: ShotRow,
    *,
    suspended: bool,
    reason: str | None,
    by: str,
    now: datetime,
) -> None:
    """Let a locked shot be suspended for a reason, or not; its phase stays, and what is so already stays as it is.

    Raises SuspensionReasonMissing.
    """
    present = store.open_of(session, shot.id or 0)
    if suspended == (present is not None):
        return
    if present is not None:
        present.resumed_at, present.resumed_by = now, by
        data = {"suspended_at": present.suspended_at.isoformat(), "suspended_for": present.reason, "reason": reason}
    elif reason is None:
        raise SuspensionReasonMissing(shot.code)
    else:
        session.add(SuspensionRow(shot_id=shot.id or 0, reason=reason, by=by, suspended_at=now))
        data = {"reason": reason}
    shot.rev += 1
    shot.touched += 1
    append(
        session,
        kind=EventKind.SHOT_SUSPENDED if suspended else EventKind.SHOT_RESUMED,
        at=now,
        actor=by,
        production_id=production.id,
        shot_id=shot.id,
        data={"production": production.code, "shot": shot.code, **data},
    )
