"""Productions and their episodes."""

from datetime import datetime
from fractions import Fraction
from http import HTTPStatus
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Path, Response
from pydantic import Field

from service.actions import productions
from service.actions.productions import (
    EpisodeTaken,
    EpisodeUnknown,
    FrameRateFixed,
    ProductionTaken,
    ProductionUnknown,
)
from service.api.doors import Coordinate, Reader, StudioCoordinate
from service.api.examples import answers, page_of
from service.api.fields import Body, Change, Code, FrameRate, Given, Line, Out, shown_as
from service.api.pages import Page, Paging
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.rates import rate_text
from service.store import productions as store
from service.store.tables import EpisodeRow, ProductionRow

router = APIRouter(prefix="/v1/productions", tags=["productions"], route_class=StrictRoute)

ProductionInPath = Annotated[str, Path(description="The code of the production.", examples=["lantern-bay"])]
EpisodeInPath = Annotated[str, Path(description="The code of the episode.", examples=["101"])]

PRODUCTION = {
    "code": "lantern-bay",
    "title": "Lantern Bay",
    "frame_rate": "25/1",
    "rev": 1,
    "added_at": "2026-03-02T08:00:00Z",
}
EPISODE = {"code": "101", "title": "The Borrowed Oar", "rev": 1, "added_at": "2026-03-02T08:05:00Z"}


class ProductionIn(Body):
    """A production to begin."""

    model_config = shown_as({key: PRODUCTION[key] for key in ("code", "title", "frame_rate")})

    code: Code = Field(description="What the production is called in paths and counts; it never changes.")
    title: Line = Field(description="Its title, up to 200 characters.")
    frame_rate: FrameRate = Field(
        description="Frames per second as `num/den`, reduced when stored; fixed by its first shot."
    )


class ProductionChange(Change):
    """What to change of a production; what is left out stays."""

    model_config = shown_as({"title": "Lantern Bay, first series"})

    title: Given[Line] = Field(None, description="Its title, up to 200 characters.")
    frame_rate: Given[FrameRate] = Field(None, description="Frames per second as `num/den`, while it has no shots.")


class ProductionOut(Out):
    """A production."""

    code: str = Field(description="What it is called in paths and counts.")
    title: str = Field(description="Its title.")
    frame_rate: str = Field(description="Frames per second as `num/den`.")
    rev: int = Field(description="How often it was changed, from 1.")
    added_at: datetime = Field(description="When it was added (UTC).")

    @classmethod
    def of(cls, row: ProductionRow) -> "ProductionOut":
        """The production of this row."""
        rate = rate_text(Fraction(row.rate_num, row.rate_den))
        return cls(code=row.code, title=row.title, frame_rate=rate, rev=row.rev, added_at=row.added_at)


class EpisodeIn(Body):
    """An episode to add."""

    model_config = shown_as({"code": "101", "title": "The Borrowed Oar"})

    code: Code = Field(description="What the episode is called, unique in its production; it never changes.")
    title: Line = Field(description="Its title, up to 200 characters.")


class EpisodeChange(Change):
    """What to change of an episode."""

    model_config = shown_as({"title": "The Oar Nobody Lent"})

    title: Line = Field(description="Its title, up to 200 characters.")


class EpisodeOut(Out):
    """An episode of a production."""

    code: str = Field(description="What it is called.")
    title: str = Field(description="Its title.")
    rev: int = Field(description="How often it was changed, from 1.")
    added_at: datetime = Field(description="When it was added (UTC).")

    @classmethod
    def of(cls, row: EpisodeRow) -> "EpisodeOut":
        """The episode of this row."""
        return cls(code=row.code, title=row.title, rev=row.rev, added_at=row.added_at)


@router.post(
    "",
    operation_id="production_add",
    summary="Begin a production",
    status_code=HTTPStatus.CREATED,
    response_model=ProductionOut,
    responses=answers(PRODUCTION, ProductionTaken, status=HTTPStatus.CREATED),
)
def add_production(door: StudioCoordinate, body: ProductionIn) -> Response:
    """Begin a production. Needs a `coordinate` key that is not bound to a production."""
    with door.writing() as session:
        row = productions.add(
            session, body.code, title=body.title, frame_rate=body.frame_rate, by=door.by, now=door.now
        )
        return door.reply(
            session,
            ProductionOut.of(row),
            status=HTTPStatus.CREATED,
            rev=row.rev,
            location=f"{router.prefix}/{quote(row.code)}",
        )


@router.get(
    "",
    operation_id="production_list",
    summary="List productions",
    response_model=Page[ProductionOut],
    responses=answers(page_of(PRODUCTION)),
)
def list_productions(door: Reader, window: Paging) -> Response:
    """List the productions this key may see, in the order they were added. Needs `read`."""
    with door.reading() as session:
        rows = store.page(session, after=window.after, limit=window.fetch, only=door.caller.production_id)
    return window.reply(door, rows, id_of=lambda row: row.id, out_of=ProductionOut.of)


@router.get(
    "/{production}",
    operation_id="production_get",
    summary="Read a production",
    response_model=ProductionOut,
    responses=answers(PRODUCTION, ProductionUnknown),
)
def get_production(door: Reader, production: ProductionInPath) -> Response:
    """Read a production. Needs `read`."""
    with door.reading() as session:
        row = door.production(session, production)
        return door.reply(session, ProductionOut.of(row), rev=row.rev)


@router.patch(
    "/{production}",
    operation_id="production_change",
    summary="Change a production",
    response_model=ProductionOut,
    responses=answers(PRODUCTION, ProductionUnknown, FrameRateFixed, Stale, MissingPrecondition),
)
def change_production(door: Coordinate, production: ProductionInPath, body: ProductionChange) -> Response:
    """Give a production another title, or another frame rate in frames per second while it has no shots.

    Needs `coordinate` and `If-Match`.
    """
    with door.writing() as session:
        row = door.production(session, production, lock=True)
        door.require_match(rev=row.rev, current=lambda: ProductionOut.of(row))
        productions.change(session, row, title=body.title, frame_rate=body.frame_rate, by=door.by, now=door.now)
        return door.reply(session, ProductionOut.of(row), rev=row.rev)


@router.post(
    "/{production}/episodes",
    operation_id="episode_add",
    summary="Add an episode",
    status_code=HTTPStatus.CREATED,
    response_model=EpisodeOut,
    responses=answers(EPISODE, ProductionUnknown, EpisodeTaken, status=HTTPStatus.CREATED),
)
def add_episode(door: Coordinate, production: ProductionInPath, body: EpisodeIn) -> Response:
    """Add an episode to a production. Needs `coordinate`."""
    with door.writing() as session:
        of = door.production(session, production, lock=True)
        row = productions.add_episode(session, of, code=body.code, title=body.title, by=door.by, now=door.now)
        return door.reply(
            session,
            EpisodeOut.of(row),
            status=HTTPStatus.CREATED,
            rev=row.rev,
            location=f"{router.prefix}/{quote(of.code)}/episodes/{quote(row.code)}",
        )


@router.get(
    "/{production}/episodes",
    operation_id="episode_list",
    summary="List episodes",
    response_model=Page[EpisodeOut],
    responses=answers(page_of(EPISODE), ProductionUnknown),
)
def list_episodes(door: Reader, production: ProductionInPath, window: Paging) -> Response:
    """List the episodes of a production in the order they were added. Needs `read`."""
    with door.reading() as session:
        of = door.production(session, production)
        rows = store.episode_page(session, of.id or 0, after=window.after, limit=window.fetch)
    return window.reply(door, rows, id_of=lambda row: row.id, out_of=EpisodeOut.of)


@router.get(
    "/{production}/episodes/{episode}",
    operation_id="episode_get",
    summary="Read an episode",
    response_model=EpisodeOut,
    responses=answers(EPISODE, ProductionUnknown, EpisodeUnknown),
)
def get_episode(door: Reader, production: ProductionInPath, episode: EpisodeInPath) -> Response:
    """Read an episode of a production. Needs `read`."""
    with door.reading() as session:
        row = productions.find_episode(session, door.production(session, production), episode)
        return door.reply(session, EpisodeOut.of(row), rev=row.rev)


@router.patch(
    "/{production}/episodes/{episode}",
    operation_id="episode_change",
    summary="Change an episode",
    response_model=EpisodeOut,
    responses=answers(EPISODE, ProductionUnknown, EpisodeUnknown, Stale, MissingPrecondition),
)
def change_episode(
    door: Coordinate, production: ProductionInPath, episode: EpisodeInPath, body: EpisodeChange
) -> Response:
    """Give an episode another title. Needs `coordinate` and `If-Match`."""
    with door.writing() as session:
        of = door.production(session, production, lock=True)
        row = productions.find_episode(session, of, episode, lock=True)
        door.require_match(rev=row.rev, current=lambda: EpisodeOut.of(row))
        productions.change_episode(session, of, row, title=body.title, by=door.by, now=door.now)
        return door.reply(session, EpisodeOut.of(row), rev=row.rev)
