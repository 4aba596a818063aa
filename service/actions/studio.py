"""Set the studio: its name, its clock, and what its terminals may do."""

from dataclasses import asdict, dataclass
from datetime import datetime
from functools import cache
from importlib import resources

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.refusals import Clash, Fault, UnfitFields
from service.domain.studio import Studio
from service.store import rows
from service.store.events import append
from service.store.tables import StudioRow


@dataclass(eq=False)
class StudioSetMeanwhile(Clash):
    """Somebody else set the studio at the same moment; read it, then send what you want with its ETag."""


@cache
def zones() -> frozenset[str]:
    """The names of the time zones in the pinned IANA data."""
    return frozenset(resources.files("tzdata").joinpath("zones").read_text(encoding="utf-8").split())


def put(session: Session, row: StudioRow, studio: Studio, *, by: str, now: datetime) -> None:
    """Set the studio; *row* is its locked row, stored or not. Days already given to counts stay as they are.

    Raises UnfitFields (a time zone that does not exist) and StudioSetMeanwhile.
    """
    if studio.time_zone not in zones():
        detail = "This is no time zone of the IANA database; write one as Europe/London."
        raise UnfitFields((Fault(detail, pointer="#/time_zone"),))
    first = row.rev == 0
    row.name = studio.name
    row.time_zone = studio.time_zone
    row.day_starts_at_min = studio.day_starts_at_min
    row.plate_minimum_frames = studio.plate_minimum_frames
    row.terminals_may_decide = studio.terminals_may_decide
    row.rev += 1
    if first:
        try:
            rows.add(session, row)
        except rows.NameTaken:
            raise StudioSetMeanwhile from None
    data = asdict(studio)
    del data["rev"]
    append(session, kind=EventKind.STUDIO_SET, at=now, actor=by, data=data)
