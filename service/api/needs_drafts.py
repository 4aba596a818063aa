"""Needs of many shots: a production's as a page or a table, and tables of them as drafts that are applied whole."""

from collections.abc import Iterator, Mapping
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import needs, needs_drafts, productions
from service.actions.cuts import ListRefused
from service.actions.needs import Standing
from service.actions.needs_drafts import Drafted, NeedsChanged, NeedsDraftApplied, NeedsDraftUnknown
from service.actions.productions import EpisodeUnknown, ProductionUnknown
from service.api.differences import FindingOut
from service.api.doors import Coordinate, Reader
from service.api.examples import Responses, answers, page_of
from service.api.fields import Out
from service.api.media import CSV_TYPE, Media, chosen
from service.api.needs import ENTERED, NeedsOut
from service.api.pages import LARGEST_PAGE, Page, Paging
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, NotAcceptable, Stale
from service.api.strict import StrictRoute
from service.domain.needs_csv import write_needs
from service.store import events
from service.store import needs_drafts as store
from service.store import shots as shot_store
from service.store.shots import Filter
from service.store.tables import NeedsDraftRow, ProductionRow

router = APIRouter(prefix="/v1/productions/{production}/needs", tags=["needs"], route_class=StrictRoute)

SENT_EXAMPLE = "shot,set,rig,characters,animator\n0120,mill-kitchen,yes,miller x2; gull,Ilse\n0130,mill-yard,no,,\n"
CSV_EXAMPLE = (
    "shot,set,set_up,moving_camera,rig,plate,comp,dialogue,insert_of,difficulty,cameras,passes,characters,props,notes,"
    "animator\r\n0120,mill-kitchen,mill-kitchen-2,false,true,false,false,true,0130,3,main,main,miller x2,"
    "flour sack; lantern,The sack bursts on frame 40.,Ilse\r\n"
)
SENT = {
    "required": True,
    "description": "The table; UTF-8, with or without a byte order mark.",
    "content": {"text/csv": {"schema": {"type": "string"}, "example": SENT_EXAMPLE}},
}
BRIEF: Mapping[str, Any] = {
    "production": "lantern-bay",
    "draft": 2,
    "state": "draft",
    "drafted_by": "office",
    "drafted_at": "2026-03-03T17:10:00Z",
    "applied_by": None,
    "applied_at": None,
}
DRAFT = {
    **BRIEF,
    "findings": [],
    "differences": [{"shot": "0120", "line": 2, "changed": {"rig": {"before": False, "after": True}}}],
    "unchanged": ["0130"],
    "stale": [],
}
APPLIED = {**DRAFT, "state": "applied", "applied_by": "office", "applied_at": "2026-03-03T17:20:00Z"}

DraftInPath = Annotated[str, Path(description="The number of the draft.", examples=["2"])]


class NeedsDraftBriefOut(Out):
    """A table of needs that was sent, in short."""

    production: str = Field(description="The code of the production.")
    draft: int = Field(description="Its number in the production.")
    state: Literal["draft", "applied"] = Field(description="Whether it was applied.")
    drafted_by: str = Field(description="Who sent it, by the name of the key.")
    drafted_at: datetime = Field(description="When it was sent (UTC).")
    applied_by: str | None = Field(description="Who applied it.")
    applied_at: datetime | None = Field(description="When it was applied (UTC).")

    @classmethod
    def of(cls, production: ProductionRow, row: NeedsDraftRow) -> "NeedsDraftBriefOut":
        """The draft of this row."""
        return cls(
            production=production.code,
            draft=row.number,
            state="draft" if row.applied_at is None else "applied",
            drafted_by=row.drafted_by,
            drafted_at=row.drafted_at,
            applied_by=row.applied_by,
            applied_at=row.applied_at,
        )


class NeedsChangeOut(Out):
    """What a table changes of one field."""

    before: Any = Field(description="What stood when the draft was made.")
    after: Any = Field(description="What the table says.")


class NeedsDifferenceOut(Out):
    """How one shot's needs differ."""

    shot: str = Field(description="The code of the shot.")
    line: int = Field(description="The line of the table that says so, from 1.")
    changed: dict[str, NeedsChangeOut] = Field(description="Each field that differs.")


class NeedsDraftOut(NeedsDraftBriefOut):
    """A table of needs with what it says and changes."""

    findings: list[FindingOut] = Field(description="What is to be said of the table, by line.")
    differences: list[NeedsDifferenceOut] = Field(description="Each shot that differs, in the order of the table.")
    unchanged: list[str] = Field(description="The codes of the shots that do not differ.")
    stale: list[str] = Field(
        description="The codes of the shots that were changed since, for which the draft cannot be applied any more."
    )


def _out(production: ProductionRow, drafted: Drafted) -> NeedsDraftOut:
    return NeedsDraftOut(
        **dict(NeedsDraftBriefOut.of(production, drafted.row)),
        findings=[FindingOut.of(finding) for finding in drafted.findings],
        differences=[
            NeedsDifferenceOut(
                shot=line.shot,
                line=line.line,
                changed={name: NeedsChangeOut(**each) for name, each in changed.items()},
            )
            for line in drafted.lines
            if (changed := line.changed())
        ],
        unchanged=[line.shot for line in drafted.lines if not line.changed()],
        stale=list(drafted.stale),
    )


def _rev(row: NeedsDraftRow) -> int:
    # All that can happen to a draft is that it is applied.
    return 1 if row.applied_at is None else 2


def _head(session: Session, production: ProductionRow) -> int:
    # Which shots were changed since depends on whatever happened to them.
    return events.last_of(session, production.id or 0)


async def _sent(request: Request) -> bytes:
    return await request.body()


def _documented() -> Responses:
    forms = answers(page_of(ENTERED), ProductionUnknown, EpisodeUnknown, NotAcceptable)
    forms[200]["content"][Media.CSV.value] = {"schema": {"type": "string"}, "example": CSV_EXAMPLE}
    return forms


@router.get(
    "",
    operation_id="needs_list",
    summary="List what shots need",
    response_model=Page[NeedsOut],
    responses=_documented(),
)
def list_needs(
    door: Reader,
    production: ProductionInPath,
    *,
    window: Paging,
    episode: Annotated[str | None, Query(description="Only shots of the episode with this code.")] = None,
) -> Response:
    """List what every shot needs, omitted ones included, in the order the shots were added; `rev` 0 where not entered.

    As `text/csv` it is one table of all of them, without pages, with each shot's animator; sent again as a draft it
    changes nothing. A text that begins with `=`, `+`, `-` or `@` has an apostrophe before it, so that no spreadsheet
    takes it for a formula; reading takes it off. Needs `read`.
    """
    media = chosen(door.request)
    with door.reading() as session:
        of = door.production(session, production)
        last = events.last_of(session, of.id or 0)
        where = Filter(episode_id=None if episode is None else productions.find_episode(session, of, episode).id)
        if media is Media.CSV:
            table = ((each.shot.code, each.values()) for each in _every(session, of, where))
            return door.show(write_needs(table), media=CSV_TYPE, rev=last, about="needs")
        rows = shot_store.page(session, of.id or 0, after=window.after, limit=window.fetch, where=where)
        shown, following = window.page(rows, id_of=lambda row: row.id)
        items = [NeedsOut.of(of, each) for each in needs.standing(session, shown)]
        content = Page[NeedsOut](items=items, next=following).model_dump_json(by_alias=True)
        link = window.link(following)
        return door.show(content, media=Media.JSON.value, rev=last, about="needs", link=link)


def _every(session: Session, production: ProductionRow, where: Filter) -> Iterator[Standing]:
    after = 0
    while rows := shot_store.page(session, production.id or 0, after=after, limit=LARGEST_PAGE, where=where):
        yield from needs.standing(session, rows)
        after = rows[-1].id or 0


@router.post(
    "/drafts",
    operation_id="needs_draft_add",
    summary="Send a table of what shots need",
    status_code=HTTPStatus.CREATED,
    response_model=NeedsDraftOut,
    openapi_extra={"requestBody": SENT},
    responses=answers(DRAFT, ProductionUnknown, ListRefused, status=HTTPStatus.CREATED),
)
def add_draft(door: Coordinate, production: ProductionInPath, *, body: Annotated[bytes, Depends(_sent)]) -> Response:
    """Send a table (CSV) of what up to 1 000 shots need. It is kept as a draft, with what it would change of each.

    Its first line names the columns, in any order: `shot`, and any of `set`, `set_up`, `moving_camera`, `rig`, `plate`,
    `comp`, `dialogue`, `insert_of`, `difficulty`, `cameras`, `passes`, `characters`, `props`, `notes`, `animator`. A
    column that is not there leaves its field as it is; an empty cell clears it, `cameras` and `passes` to `main`.
    What is so or not is `true` or `false`, or `yes` or `no`. Lists are parted by semicolons, characters with their
    copies: `miller x2; gull`. Nothing changes before the draft is applied. A table with a fault is refused whole, each
    fault named by line and column. Needs `coordinate`.
    """
    with door.writing() as session:
        of = door.production(session, production, lock=True)
        drafted = needs_drafts.draft(session, of, body, by=door.by, now=door.now)
        location = f"{router.prefix.format(production=quote(of.code))}/drafts/{drafted.row.number}"
        return door.reply(
            session,
            _out(of, drafted),
            status=HTTPStatus.CREATED,
            rev=_rev(drafted.row),
            head=_head(session, of),
            location=location,
        )


@router.get(
    "/drafts",
    operation_id="needs_draft_list",
    summary="List the tables that were sent",
    response_model=Page[NeedsDraftBriefOut],
    responses=answers(page_of(BRIEF), ProductionUnknown),
)
def list_drafts(door: Reader, production: ProductionInPath, *, window: Paging) -> Response:
    """List a production's tables of needs, applied and not, in the order they were sent. Needs `read`."""
    with door.reading() as session:
        of = door.production(session, production)
        rows = store.page(session, of.id or 0, after=window.after, limit=window.fetch)
        return window.reply(door, rows, id_of=lambda each: each.id, out_of=lambda each: NeedsDraftBriefOut.of(of, each))


@router.get(
    "/drafts/{draft}",
    operation_id="needs_draft_get",
    summary="Read a draft of needs",
    response_model=NeedsDraftOut,
    responses=answers(DRAFT, ProductionUnknown, NeedsDraftUnknown),
)
def get_draft(door: Reader, production: ProductionInPath, draft: DraftInPath) -> Response:
    """Read a draft: what it changes, as things stood when it was made, and which shots were changed since.

    Needs `read`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        row = needs_drafts.find(session, of, draft)
        out = _out(of, needs_drafts.look(session, of, row))
        return door.reply(session, out, rev=_rev(row), head=_head(session, of))


@router.post(
    "/drafts/{draft}/apply",
    operation_id="needs_draft_apply",
    summary="Apply a draft of needs",
    response_model=NeedsDraftOut,
    responses=answers(
        APPLIED,
        ProductionUnknown,
        NeedsDraftUnknown,
        NeedsDraftApplied,
        NeedsChanged,
        Stale,
        MissingPrecondition,
    ),
)
def apply_draft(door: Coordinate, production: ProductionInPath, draft: DraftInPath) -> Response:
    """Enter all that a draft says, or nothing where any of its shots' needs were changed since it was made.

    Cameras, passes and moving cameras change the plans, with their journals. Needs `coordinate`, and `If-Match` with
    the draft's ETag.
    """
    with door.writing() as session:
        of = door.production(session, production, lock=True)
        row = needs_drafts.find(session, of, draft)

        def check() -> None:
            door.require_match(
                rev=_rev(row),
                head=_head(session, of),
                current=lambda: _out(of, needs_drafts.look(session, of, row)),
            )

        done = needs_drafts.apply(session, of, row, check=check, by=door.by, now=door.now)
        return door.reply(session, _out(of, done), rev=_rev(row), head=_head(session, of))
