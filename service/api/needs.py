"""Needs: what a shot needs before it can be dressed and shot."""

from collections.abc import Mapping
from datetime import datetime
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from service.actions import needs, shots
from service.actions.needs import NeedsNotEntered, Standing
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotElsewhere, ShotUnknown
from service.api.doors import Coordinate, ShotReader
from service.api.examples import answers
from service.api.fields import Body, Code, Given, Item, Out, Text, shown_as
from service.api.plans import Names
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, Stale
from service.api.shots import ShotInPath, require_here
from service.api.strict import StrictRoute
from service.domain.needs import HARDEST, MOST_COPIES, MOST_LISTED, REQUIRED, twice
from service.domain.refusals import UnfitFields
from service.store.tables import ProductionRow

router = APIRouter(prefix="/v1/productions", tags=["needs"], route_class=StrictRoute)

NEW: Mapping[str, Any] = {
    "set": "mill-kitchen",
    "set_up": "mill-kitchen-2",
    "moving_camera": False,
    "rig": True,
    "plate": False,
    "comp": False,
    "dialogue": True,
    "insert_of": "0130",
    "difficulty": 3,
    "cameras": ["main"],
    "passes": ["main"],
    "characters": [{"character": "miller", "copies": 2}],
    "props": ["flour sack", "lantern"],
    "notes": "The sack bursts on frame 40.",
}
ENTERED = {
    "production": "lantern-bay",
    "shot": "0120",
    **NEW,
    "plate_needed": True,
    "comp_needed": True,
    "rev": 2,
    "entered_by": "office",
    "entered_at": "2026-03-02T10:00:00Z",
}
FIRST = {**ENTERED, "rev": 1}


class CastIn(Body):
    """A character, and how many of its puppets the shot needs at once."""

    character: Code = Field(description="The code of the character, free as those of sets are.")
    copies: int = Field(1, ge=1, le=MOST_COPIES, description="How many identical puppets of it.")


class NeedsIn(Body):
    """All that a shot needs: what is left out is not needed, or not known."""

    model_config = shown_as(NEW)

    set_: Code | None = Field(None, alias="set", description="The code of the set it is shot in.")
    set_up: Code | None = Field(None, description="The code of the set-up: one camera-and-light arrangement.")
    moving_camera: Given[bool] = Field(
        None, description="Whether the camera moves, so that its plate is as long. The plan's own: left out, it stays."
    )
    rig: bool = Field(default=False, description="Whether a support has to be removed later.")
    plate: bool = Field(default=False, description="Whether a clean plate is asked for although no rig needs one.")
    comp: bool = Field(
        default=False, description="Whether compositing is asked for although nothing has to be removed."
    )
    dialogue: bool = Field(default=False, description="Whether the shot speaks.")
    insert_of: Code | None = Field(
        None, description="The code of the shot this one is an insert of: another of the production, omitted or not."
    )
    difficulty: int | None = Field(
        None, ge=1, le=HARDEST, description="1 to 5; the studio gives the numbers their meaning. Null while unknown."
    )
    cameras: Given[Names] = Field(None, description="The required cameras. The plan's own: left out, they stay.")
    passes: Given[Names] = Field(None, description="The required passes. The plan's own: left out, they stay.")
    characters: list[CastIn] = Field([], max_length=MOST_LISTED, description="Who is in it, each character once.")
    props: list[Item] = Field([], max_length=MOST_LISTED, description="The props, one line each, without semicolons.")
    notes: Text | None = Field(None, description="Anything else, up to 1 000 characters.")

    @model_validator(mode="after")
    def _each_once(self) -> "NeedsIn":
        if (character := twice([each.character for each in self.characters])) is not None:
            raise PydanticCustomError(
                "twice",
                "Name each character once, with all its copies; {character} is there twice.",
                {"character": character},
            )
        if any(len(set(names)) != len(names) for names in (self.cameras or (), self.passes or ())):
            raise PydanticCustomError("twice", "Name each required camera and each required pass once.")
        return self

    def wanted(self) -> dict[str, Any]:
        """What is entered; what is the plan's own only where it was given."""
        values = self.model_dump(by_alias=True)
        return {name: each for name, each in values.items() if name not in REQUIRED or each is not None}


class CastOut(Out):
    """A character, and how many of its puppets the shot needs at once."""

    character: str = Field(description="The code of the character.")
    copies: int = Field(description="How many identical puppets of it.")


class NeedsOut(Out):
    """What a shot needs."""

    production: str = Field(description="The code of its production.")
    shot: str = Field(description="The code of the shot.")
    set_: str | None = Field(alias="set", description="The code of the set it is shot in.")
    set_up: str | None = Field(description="The code of the set-up.")
    moving_camera: bool = Field(description="Whether the camera moves, as its plan says.")
    rig: bool = Field(description="Whether a support has to be removed later.")
    plate: bool = Field(description="Whether a clean plate is asked for although no rig needs one.")
    comp: bool = Field(description="Whether compositing is asked for although nothing has to be removed.")
    dialogue: bool = Field(description="Whether the shot speaks.")
    insert_of: str | None = Field(description="The code of the shot this one is an insert of.")
    difficulty: int | None = Field(description="1 to 5, as the studio means it; null while unknown.")
    cameras: list[str] = Field(description="The required cameras, as its plan says.")
    passes: list[str] = Field(description="The required passes, as its plan says.")
    characters: list[CastOut] = Field(description="Who is in it.")
    props: list[str] = Field(description="The props.")
    notes: str | None = Field(description="Anything else.")
    plate_needed: bool = Field(
        description="Whether a plate has to be shot: for its `rig`, or as a `plate` is asked for."
    )
    comp_needed: bool = Field(description="Whether it has to be composited: for a plate, or as a `comp` is asked for.")
    rev: int = Field(description="Rises with every change of it; 0 before anything was entered.")
    entered_by: str | None = Field(description="Who entered it last, by the name of the key.")
    entered_at: datetime | None = Field(description="When that was (UTC).")

    @classmethod
    def of(cls, production: ProductionRow, standing: Standing) -> "NeedsOut":
        """What a shot needs as it stands."""
        return cls(
            production=production.code,
            shot=standing.shot.code,
            **standing.values(),
            plate_needed=standing.needs.plate_needed,
            comp_needed=standing.needs.comp_needed,
            rev=standing.rev,
            entered_by=None if standing.row is None else standing.row.entered_by,
            entered_at=None if standing.row is None else standing.row.entered_at,
        )


@router.get(
    "/{production}/shots/{shot}/needs",
    operation_id="needs_get",
    summary="Read what a shot needs",
    response_model=NeedsOut,
    responses=answers(ENTERED, ProductionUnknown, ShotUnknown, ShotElsewhere, NeedsNotEntered),
)
def get_needs(door: ShotReader, production: ProductionInPath, shot: ShotInPath) -> Response:
    """Read what a shot needs before it can be dressed and shot.

    Needs `read`; a `count` key sees the shots planned for its stage or for none.
    """
    with door.reading() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot)
        require_here(door, session, row)
        found = needs.find(session, of, row)
        return door.reply(session, NeedsOut.of(of, found), rev=found.rev)


@router.put(
    "/{production}/shots/{shot}/needs",
    operation_id="needs_put",
    summary="Enter what a shot needs",
    response_model=NeedsOut,
    responses={
        **answers(FIRST, status=HTTPStatus.CREATED),
        **answers(ENTERED, ProductionUnknown, ShotUnknown, UnfitFields, Stale, MissingPrecondition),
    },
)
def put_needs(door: Coordinate, production: ProductionInPath, shot: ShotInPath, body: NeedsIn) -> Response:
    """Enter all that a shot needs; what is left out takes its default, but for what is the plan's own, which stays.

    `moving_camera`, `cameras` and `passes` change the plan, as a change of the shot does, with the journals of planned
    and credited frames. A plate has to be shot where there is a `rig` or a `plate` is asked for, and the shot has to be
    composited where a plate has to be shot or a `comp` is asked for. Needs `coordinate`, and `If-Match` once they were
    entered; the first time is 201.
    """
    with door.writing() as session:
        of = door.production(session, production)
        present = needs.standing(session, [shots.find(session, of, shot, lock=True)])[0]
        first = present.row is None
        if not first:
            door.require_match(rev=present.rev, current=lambda: NeedsOut.of(of, present))
        found = needs.put(session, of, present, wanted=body.wanted(), by=door.by, now=door.now)
        return door.reply(
            session,
            NeedsOut.of(of, found),
            status=HTTPStatus.CREATED if first else HTTPStatus.OK,
            rev=found.rev,
            location=f"{router.prefix}/{quote(of.code)}/shots/{quote(present.shot.code)}/needs" if first else None,
        )
