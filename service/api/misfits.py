"""Touched bookings, as answers show them that say what befell a shot."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from pydantic import Field
from sqlmodel import Session

from service.actions.misfits import plain, touched
from service.actions.releases import Fate
from service.api.doors import Door
from service.api.fields import Out
from service.domain.bookings import Activity, Firmness
from service.domain.keys import Scope
from service.domain.misfits import BY_PACE, Becomes, Misfit
from service.store import moves, studio
from service.store.tables import ProductionRow, ShotRow

TOUCHED: dict[str, Any] = {
    "booking": 1,
    "path": "/v1/bookings/1",
    "stage": "mill",
    "animator": "Ilse",
    "part": None,
    "activity": "shooting",
    "firmness": "confirmed",
    "start": "2026-03-03T08:00:00Z",
    "end": "2026-03-05T17:00:00Z",
    "becomes": "stays",
    "why": None,
    "misfits": [
        {"misfit": "phase past", "detail": "It is booked for shooting, and the shot is in compositing."},
    ],
}


def touched_of(
    door: Door, session: Session, of: ProductionRow, row: ShotRow, *, fates: Sequence[Fate] = ()
) -> "list[TouchedOut]":
    """The bookings of a shot as it stands now, with what became of those that its omission or restoring befell."""
    minimum = studio.load(session).plate_minimum_frames
    standings = moves.standings(session, [row], plate_minimum_frames=minimum)
    found = touched(session, of, standings, fates=fates, now=door.now)
    return TouchedOut.several(door, [plain(each) for each in found.get(row.id or 0, ())])


class RemarkOut(Out):
    """What about a booking does not fit its shot."""

    misfit: Misfit = Field(description="What does not fit.")
    detail: str = Field(description="How.")


class TouchedOut(Out):
    """A booking of a shot that something befalls."""

    booking: int = Field(description="Its number.")
    path: str = Field(description="Where it is read and changed.")
    stage: str | None = Field(description="The stage that is booked.")
    animator: str | None = Field(description="The animator who is booked.")
    part: str | None = Field(description="The part of a split shot it is for.")
    activity: Activity = Field(description="What for.")
    firmness: Firmness = Field(description="How firm it is; of one that comes back, as it then is.")
    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")
    becomes: Becomes = Field(
        description="What becomes of it: an omission releases it, or shortens one that is under way and releases its "
        "rest; a restoring brings it back or finds it lost."
    )
    why: str | None = Field(description="Why, where it does not just stay.")
    misfits: list[RemarkOut] = Field(
        description="What about it does not fit its shot then; how long it should be is told to `coordinate` alone."
    )

    @classmethod
    def several(cls, door: Door, found: Iterable[Mapping[str, Any]]) -> "list[TouchedOut]":
        """These bookings, as plain values, as the caller may see them: what rests on a pace is for coordinators."""
        paces = door.caller.scope.covers(Scope.COORDINATE)
        return [
            cls.model_validate(
                {**each, "misfits": [one for one in each["misfits"] if paces or Misfit(one["misfit"]) not in BY_PACE]}
            )
            for each in found
        ]


class ShotTouchedOut(Out):
    """A shot with its bookings that something befalls."""

    shot: str = Field(description="The code of the shot.")
    bookings: list[TouchedOut] = Field(description="Its bookings.")

    @classmethod
    def by_shot(cls, door: Door, found: Iterable[Mapping[str, Any]]) -> "list[ShotTouchedOut]":
        """The shots a cut touches with their bookings, as plain values."""
        return [cls(shot=each["shot"], bookings=TouchedOut.several(door, each["bookings"])) for each in found]
