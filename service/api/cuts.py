"""Cuts: an episode's cut lists as drafts, what they change, the lock, and the cut as a list again."""

from collections.abc import Mapping
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import cuts
from service.actions.cuts import Asked, CutLocked, CutUnknown, Drafted, ListRefused
from service.actions.merges import ShotMerged
from service.actions.productions import EpisodeUnknown, ProductionUnknown, find_episode
from service.api.differences import DIFFERENCES, FINDING, DifferencesOut, FindingOut, differences_out
from service.api.doors import Coordinate, Door, Reader
from service.api.examples import answers, page_of, problems
from service.api.fields import FrameRate, Out
from service.api.misfits import TOUCHED, ShotTouchedOut
from service.api.pages import Page, Paging
from service.api.plans import HandleFrames
from service.api.productions import EpisodeInPath, ProductionInPath
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.cutlists import write
from service.domain.cuts import WHOLE_EPISODE
from service.domain.readings import ListFormat, NameFrom
from service.domain.refusals import UnfitFields
from service.store import cuts as store
from service.store import events
from service.store.tables import CutRow, EpisodeRow, ProductionRow

router = APIRouter(
    prefix="/v1/productions/{production}/episodes/{episode}/cuts", tags=["cuts"], route_class=StrictRoute
)

MEDIA = {ListFormat.EDL: "text/plain", ListFormat.CSV: "text/csv", ListFormat.JSON: "application/json"}
EDL_EXAMPLE = """TITLE: LANTERN BAY 101
FCM: NON-DROP FRAME
001  0110     V     C        00:00:00:00 00:00:02:12 01:00:00:00 01:00:02:12
002  0120     V     C        00:00:00:00 00:00:03:13 01:00:02:12 01:00:06:00
"""
CSV_EXAMPLE = "shot,frames,scene\n0110,62,12A\n0120,88,12B\n"
JSON_EXAMPLE = {
    "frame_rate": "25/1",
    "uses": [
        {"shot": "0110", "record_in": 90000, "frames": 62},
        {"shot": "0120", "record_in": 90062, "frames": 88, "source": "board-3", "source_in": 0, "source_frames": 88},
    ],
}
SENT = {
    "required": True,
    "description": "The list's text, in the `format` named; UTF-8, with or without a byte order mark.",
    "content": {
        "text/plain": {"schema": {"type": "string"}, "example": EDL_EXAMPLE},
        "text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE},
        "application/json": {"schema": {"type": "object"}, "example": JSON_EXAMPLE},
    },
}


class CutBriefOut(Out):
    """A revision of an episode's cut, in short."""

    production: str = Field(description="The code of the production.")
    episode: str = Field(description="The code of the episode.")
    revision: int = Field(description="Its number; drafts have one too, so the locked ones leave gaps.")
    state: Literal["draft", "current", "replaced"] = Field(
        description="`current` is the locked one that rules, `replaced` one that ruled before."
    )
    format: ListFormat = Field(description="The format it was sent in.")
    title: str | None = Field(description="The title the list gives itself.")
    frame_rate: str = Field(description="Frames per second as `num/den`.")
    drop_frame: bool = Field(description="Whether its labels are drop-frame.")
    covers: str = Field(description="`episode`, or the first and the last shot of the part it speaks for.")
    drafted_by: str = Field(description="Who sent it, by the name of the key.")
    drafted_at: datetime = Field(description="When it was sent (UTC).")
    locked_by: str | None = Field(description="Who locked it.")
    locked_at: datetime | None = Field(description="When it was locked (UTC).")
    follows: int | None = Field(description="Of a locked one, the revision it replaced.")


class CutOut(CutBriefOut):
    """A revision with what its list says and changes."""

    findings: list[FindingOut] = Field(description="What is to be said of the list, by line.")
    differences: DifferencesOut | None = Field(
        description="What it would change as things stand, or, locked, what it changed; null of a draft that cannot be "
        "locked any more."
    )
    bookings: list[ShotTouchedOut] | None = Field(
        description="The bookings, not over, of shots that differ, and what becomes of them, or became; null of a "
        "draft that cannot be locked any more, and of a cut that was locked before this was kept."
    )


BRIEF: Mapping[str, Any] = {
    "production": "lantern-bay",
    "episode": "101",
    "revision": 4,
    "state": "draft",
    "format": "edl",
    "title": "LANTERN BAY 101",
    "frame_rate": "25/1",
    "drop_frame": False,
    "covers": "episode",
    "drafted_by": "office",
    "drafted_at": "2026-03-03T17:10:00Z",
    "locked_by": None,
    "locked_at": None,
    "follows": None,
}
CUT = {
    **BRIEF,
    "findings": [FINDING],
    "differences": DIFFERENCES,
    "bookings": [{"shot": "0120", "bookings": [TOUCHED]}],
}
LOCKED = {
    **CUT,
    "state": "current",
    "locked_by": "office",
    "locked_at": "2026-03-03T17:20:00Z",
    "follows": 2,
}

RevisionInPath = Annotated[
    str, Path(description="The number of the revision, or `current` for the locked one.", examples=["2"])
]


async def _sent(request: Request) -> bytes:
    return await request.body()


def _brief(production: ProductionRow, episode: EpisodeRow, row: CutRow) -> CutBriefOut:
    state: Literal["draft", "current", "replaced"] = "draft"
    if row.locked_at is not None:
        state = "current" if row.revision == episode.cut_revision else "replaced"
    return CutBriefOut(
        production=production.code,
        episode=episode.code,
        revision=row.revision,
        state=state,
        format=ListFormat(row.format),
        title=row.title,
        frame_rate=row.asked["frame_rate"],
        drop_frame=row.drop_frame,
        covers=row.asked["covers"],
        drafted_by=row.drafted_by,
        drafted_at=row.drafted_at,
        locked_by=row.locked_by,
        locked_at=row.locked_at,
        follows=row.follows,
    )


def _out(door: Door, session: Session, production: ProductionRow, episode: EpisodeRow, drafted: Drafted) -> CutOut:
    return CutOut(
        **dict(_brief(production, episode, drafted.row)),
        findings=[FindingOut.of(finding) for finding in drafted.findings],
        differences=differences_out(session, drafted.differences),
        bookings=None if drafted.touched is None else ShotTouchedOut.by_shot(door, drafted.touched),
    )


def _head(session: Session, production: ProductionRow, row: CutRow) -> str:
    # What a draft would change depends on every count of its shots.
    return f"{row.revision}-{events.last_of(session, production.id or 0)}"


@router.post(
    "",
    operation_id="cut_draft",
    summary="Send a cut list",
    status_code=HTTPStatus.CREATED,
    response_model=CutOut,
    openapi_extra={"requestBody": SENT},
    responses=answers(CUT, ProductionUnknown, EpisodeUnknown, ListRefused, UnfitFields, status=HTTPStatus.CREATED),
)
def draft_cut(
    door: Coordinate,
    production: ProductionInPath,
    episode: EpisodeInPath,
    *,
    body: Annotated[bytes, Depends(_sent)],
    kind: Annotated[
        ListFormat,
        Query(
            alias="format",
            description="What the text is: an edit decision list, CSV, or our JSON.",
            examples=["edl"],
        ),
    ],
    frame_rate: Annotated[
        FrameRate,
        Query(
            description="Frames per second as `num/den`; lists do not say it, so it must be said.", examples=["25/1"]
        ),
    ],
    name_from: Annotated[
        NameFrom, Query(description="Of an edit decision list: where an event names its shot.")
    ] = NameFrom.REEL,
    name_pattern: Annotated[
        str | None,
        Query(
            max_length=200,
            description="Of an edit decision list: the reel or comment as literal text, `{shot}` where the code stands "
            "and `*` for anything, as `SHOT {shot}_*`. Without it the whole reel, or the clip name's comment.",
        ),
    ] = None,
    handle_in: Annotated[
        HandleFrames | None, Query(description="Handle before each shot of the list, in frames; else known shots' own.")
    ] = None,
    handle_out: Annotated[
        HandleFrames | None, Query(description="Handle after each shot of the list, in frames; else known shots' own.")
    ] = None,
    covers: Annotated[
        str,
        Query(
            max_length=200,
            description="`episode`, or FIRST-LAST: two shots of the current cut; shots outside stay as they are.",
        ),
    ] = WHOLE_EPISODE,
) -> Response:
    """Send the text of a cut list. It is kept as a draft, with its findings by line and what it would change.

    Nothing of the plan changes before the draft is locked. A list with a fault is refused whole. Needs `coordinate`.
    """
    asked = Asked(
        format=kind,
        frame_rate=frame_rate,
        name_from=name_from,
        name_pattern=name_pattern,
        handle_in=handle_in,
        handle_out=handle_out,
        covers=covers,
    )
    with door.writing() as session:
        of = door.production(session, production, lock=True)
        row = find_episode(session, of, episode, lock=True)
        drafted = cuts.draft(session, of, row, body, asked=asked, by=door.by, now=door.now)
        out = _out(door, session, of, row, drafted)
        return door.reply(
            session,
            out,
            status=HTTPStatus.CREATED,
            rev=row.cut_revision or 0,
            head=_head(session, of, drafted.row),
            at=_path(of, row),
            location=f"{_path(of, row)}/{out.revision}",
        )


def _path(production: ProductionRow, episode: EpisodeRow) -> str:
    # A lock names the current cut, by the tag of whichever of the episode's cuts was read.
    return router.prefix.format(production=quote(production.code), episode=quote(episode.code))


@router.get(
    "",
    operation_id="cut_list",
    summary="List an episode's cuts",
    response_model=Page[CutBriefOut],
    responses=answers(page_of(BRIEF), ProductionUnknown, EpisodeUnknown),
)
def list_cuts(door: Reader, production: ProductionInPath, episode: EpisodeInPath, *, window: Paging) -> Response:
    """List the revisions of an episode's cut, drafts and locked ones, in the order they were sent. Needs `read`."""
    with door.reading() as session:
        of = door.production(session, production)
        row = find_episode(session, of, episode)
        rows = store.page(session, row.id or 0, after=window.after, limit=window.fetch)
        return window.reply(door, rows, id_of=lambda each: each.id, out_of=lambda each: _brief(of, row, each))


@router.get(
    "/{revision}",
    operation_id="cut_get",
    summary="Read a cut",
    response_model=CutOut,
    responses=answers(CUT, ProductionUnknown, EpisodeUnknown, CutUnknown),
)
def get_cut(door: Reader, production: ProductionInPath, episode: EpisodeInPath, revision: RevisionInPath) -> Response:
    """Read a revision with its findings and differences: a draft's as things stand now, in frames. Needs `read`."""
    with door.reading() as session:
        of = door.production(session, production)
        row = find_episode(session, of, episode)
        cut = cuts.find(session, row, revision)
        out = _out(door, session, of, row, cuts.look(session, of, row, cut, now=door.now))
        return door.reply(session, out, rev=row.cut_revision or 0, head=_head(session, of, cut), at=_path(of, row))


@router.post(
    "/{revision}/lock",
    operation_id="cut_lock",
    summary="Lock a cut",
    response_model=CutOut,
    responses=answers(
        LOCKED,
        ProductionUnknown,
        EpisodeUnknown,
        CutUnknown,
        CutLocked,
        ListRefused,
        ShotMerged,
        UnfitFields,
        Stale,
        MissingPrecondition,
    ),
)
def lock_cut(
    door: Coordinate, production: ProductionInPath, episode: EpisodeInPath, revision: RevisionInPath
) -> Response:
    """Make a draft the episode's cut, all of it or nothing: shots are added, re-cut, omitted and restored.

    `If-Match` names the cut you know to be current, by the ETag of any of the episode's cuts. Frames keep their
    numbers; the journal of credited frames notes what the cut moved. Needs `coordinate`.
    """
    with door.writing() as session:
        of = door.production(session, production, lock=True)
        row = find_episode(session, of, episode, lock=True)
        cut = cuts.find(session, row, revision)

        def present() -> CutOut:
            known = cut if row.cut_revision is None else cuts.find(session, row, cuts.CURRENT)
            return _out(door, session, of, row, cuts.look(session, of, row, known, now=door.now))

        def check() -> None:
            head = _head(session, of, cut)
            door.require_match(rev=row.cut_revision or 0, head=head, at=_path(of, row), current=present)

        out = _out(door, session, of, row, cuts.lock(session, of, row, cut, check=check, by=door.by, now=door.now))
        return door.reply(session, out, rev=row.cut_revision or 0, head=_head(session, of, cut), at=_path(of, row))


@router.get(
    "/{revision}/list",
    operation_id="cut_export",
    summary="Export a cut",
    response_class=Response,
    responses={
        200: {
            "description": "The list's text.",
            "content": {
                "text/plain": {"schema": {"type": "string"}, "example": EDL_EXAMPLE},
                "text/csv": {"schema": {"type": "string"}, "example": CSV_EXAMPLE},
                "application/json": {"schema": {"type": "object"}, "example": JSON_EXAMPLE},
            },
        },
        **problems(ProductionUnknown, EpisodeUnknown, CutUnknown),
    },
)
def export_cut(
    door: Reader,
    production: ProductionInPath,
    episode: EpisodeInPath,
    revision: RevisionInPath,
    *,
    kind: Annotated[
        ListFormat,
        Query(
            alias="format",
            description="What to write: an edit decision list, CSV, or our JSON.",
            examples=["edl"],
        ),
    ],
) -> Response:
    """Read a revision as a list again: a locked one is the cut of the whole episode, a draft what was sent.

    Sent again, the list means the same cut. Needs `read`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        row = find_episode(session, of, episode)
        listing = cuts.listing_of(cuts.find(session, row, revision))
    return door.text(write(listing, kind), media_type=MEDIA[kind])
