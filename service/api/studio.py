"""The studio."""

from fastapi import APIRouter, Response
from pydantic import Field

from service.actions import studio
from service.actions.studio import StudioSetMeanwhile
from service.api.doors import Admin, Reader
from service.api.examples import answers
from service.api.fields import Body, ClockMinute, Line, Out, clock_text, shown_as
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.refusals import UnfitFields
from service.domain.studio import PLATE_MINIMUM_FRAMES, Studio
from service.store import studio as store
from service.store.tables import StudioRow

router = APIRouter(prefix="/v1/studio", tags=["studio"], route_class=StrictRoute)

SET = {
    "name": "Tin Pier Pictures",
    "time_zone": "Europe/London",
    "day_starts_at": "05:00",
    "plate_minimum_frames": 25,
    "terminals_may_decide": False,
}
MOST_PLATE_FRAMES = 100_000


class StudioIn(Body):
    """The studio as it is to be."""

    model_config = shown_as(SET)

    name: Line = Field(description="Its name, up to 200 characters.")
    time_zone: str = Field(
        max_length=64,
        description="Its time zone, by its IANA name.",
        json_schema_extra={"pattern": "^[A-Za-z0-9+_/-]+$"},
    )
    day_starts_at: ClockMinute = Field(
        description="The local time of day, `HH:MM`, at which a production day begins; frames before it belong to the "
        "day before."
    )
    plate_minimum_frames: int = Field(
        PLATE_MINIMUM_FRAMES, ge=1, le=MOST_PLATE_FRAMES, description="Frames a plate of a still camera needs at least."
    )
    terminals_may_decide: bool = Field(
        default=False, description="Whether the outcomes `circled` and `ng` that a terminal posts are decisions."
    )


class StudioOut(Out):
    """The studio as it stands."""

    name: str = Field(description="Its name; empty before it is first set.")
    time_zone: str = Field(description="Its time zone, by its IANA name.")
    day_starts_at: str = Field(description="The local time of day, `HH:MM`, at which a production day begins.")
    plate_minimum_frames: int = Field(description="Frames a plate of a still camera needs at least.")
    terminals_may_decide: bool = Field(
        description="Whether the outcomes `circled` and `ng` that a terminal posts are decisions."
    )
    rev: int = Field(description="How often it was set; 0 means that these are the defaults.")

    @classmethod
    def of(cls, row: StudioRow) -> "StudioOut":
        """The studio of this row."""
        return cls(
            name=row.name,
            time_zone=row.time_zone,
            day_starts_at=clock_text(row.day_starts_at_min),
            plate_minimum_frames=row.plate_minimum_frames,
            terminals_may_decide=row.terminals_may_decide,
            rev=row.rev,
        )


@router.get(
    "",
    operation_id="studio_get",
    summary="Read the studio",
    response_model=StudioOut,
    responses=answers({**SET, "rev": 1}),
)
def get_studio(door: Reader) -> Response:
    """Read the studio: its zone, the hour its production days begin, the frames a plate needs. Needs `read`."""
    with door.reading() as session:
        row = store.read(session)
        return door.reply(session, StudioOut.of(row), rev=row.rev)


@router.put(
    "",
    operation_id="studio_set",
    summary="Set the studio",
    response_model=StudioOut,
    responses=answers({**SET, "rev": 1}, StudioSetMeanwhile, UnfitFields, Stale, MissingPrecondition),
)
def put_studio(door: Admin, body: StudioIn) -> Response:
    """Set the studio, all of it: what is left out takes its default.

    Zone and hour decide the production day of every count that comes after; days already given stay. Needs `admin`,
    and `If-Match` once the studio was set.
    """
    with door.writing() as session:
        row = store.read(session, lock=True)
        if row.rev > 0:
            door.require_match(rev=row.rev, current=lambda: StudioOut.of(row))
        wanted = Studio(
            name=body.name,
            time_zone=body.time_zone,
            day_starts_at_min=body.day_starts_at,
            plate_minimum_frames=body.plate_minimum_frames,
            terminals_may_decide=body.terminals_may_decide,
        )
        studio.put(session, row, wanted, by=door.by, now=door.now)
        return door.reply(session, StudioOut.of(row), rev=row.rev)
