"""The one studio."""

from sqlmodel import Session

from service.store.tables import StudioRow


def read(session: Session, *, lock: bool = False) -> StudioRow:
    """The studio's row; a row of the defaults, not yet stored, where none was set."""
    row = session.get(StudioRow, 1, with_for_update={"key_share": True} if lock else None)
    if row is not None:
        return row
    return StudioRow(
        id=1,
        name="",
        time_zone="UTC",
        day_starts_at_min=300,
        plate_minimum_frames=25,
        terminals_may_decide=False,
        # What holds until somebody sets the studio: 0 says that nobody has.
        rev=0,
    )
