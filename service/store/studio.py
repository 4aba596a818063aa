"""The one studio."""

from sqlmodel import Session

from service.domain.studio import Studio
from service.store.tables import StudioRow


def read(session: Session, *, lock: bool = False) -> StudioRow:
    """The studio's row; a row of the defaults, not yet stored, where none was set."""
    row = session.get(StudioRow, 1, with_for_update={"key_share": True} if lock else None)
    if row is not None:
        return row
    unset = Studio()
    return StudioRow(
        id=1,
        name=unset.name,
        time_zone=unset.time_zone,
        day_starts_at_min=unset.day_starts_at_min,
        plate_minimum_frames=unset.plate_minimum_frames,
        terminals_may_decide=unset.terminals_may_decide,
        # What holds until somebody sets the studio: 0 says that nobody has.
        rev=unset.rev,
    )


def load(session: Session) -> Studio:
    """What the studio set, or the defaults."""
    row = read(session)
    return Studio(
        name=row.name,
        time_zone=row.time_zone,
        day_starts_at_min=row.day_starts_at_min,
        plate_minimum_frames=row.plate_minimum_frames,
        terminals_may_decide=row.terminals_may_decide,
        rev=row.rev,
    )
