"""Notices: what came about that people may want to hear of, and of which kinds."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import shots, watches
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.api.doors import Reader
from service.api.examples import answers, page_of
from service.api.fields import Line, Out
from service.api.pages import LARGEST_ID, Page, Ranking
from service.api.strict import StrictRoute
from service.domain.notices import MEANINGS, Unit
from service.domain.refusals import Fault, UnfitFields
from service.domain.wording import words
from service.store import notices as store
from service.store import productions, stages
from service.store import shots as shot_rows
from service.store import studio as studios
from service.store.tables import NoticeRow

router = APIRouter(prefix="/v1", tags=["watches"], route_class=StrictRoute)

NOTICE: Mapping[str, Any] = {
    "id": 41,
    "kind": "take finished",
    "threshold": None,
    "subject": "take/7",
    "occasion": "4812",
    "over": False,
    "since": "2026-03-02T14:05:04Z",
    "raised_at": "2026-03-02T14:05:05Z",
    "production": "lantern-bay",
    "shot": "0120",
    "stages": ["mill"],
    "headline": "0120: take 2 is finished",
    "text": "Shot 0120 of lantern-bay, episode 101: take 2, 96 frames, was offered as finished, its last frame "
    "captured on Monday 2 March 2026, 14:05 (Europe/London).\nIt is planned on mill, animated by Ilse Brandt.\n"
    "Wanted: the director decides on it.",
    "cautions": [],
    "facts": {"take": 2, "part": "", "frames": 96},
}
KIND = {
    "kind": "decision waited for",
    "tells_of": "A finished take has waited for a decision for longer than this.",
    "unit": "hours",
    "most": 1440,
    "lasts": True,
}


class NoticeOut(Out):
    """One occasion that was raised."""

    id: int = Field(description="Its number.")
    kind: str = Field(description="What it tells of.")
    threshold: int | None = Field(description="At which threshold, of a kind that has one.")
    subject: str = Field(description="What it is about, in the kind's own form.")
    occasion: str = Field(description="What tells this time from others.")
    over: bool = Field(description="Whether it tells of the end.")
    since: datetime = Field(description="When it came about (UTC).")
    raised_at: datetime = Field(description="When it was raised (UTC).")
    production: str | None = Field(description="The production it concerns.")
    shot: str | None = Field(description="The shot it concerns.")
    stages: list[str] = Field(description="The stages it concerns.")
    headline: str = Field(description="It in a line, with times on the studio's clock.")
    text: str = Field(description="It in whole sentences.")
    cautions: list[str] = Field(description="What to be careful about.")
    facts: dict[str, Any] = Field(description="The codes and values the words are made of, as they were.")


class KindOut(Out):
    """A kind of notice."""

    kind: str = Field(description="Its name.")
    tells_of: str = Field(description="What it tells of.")
    unit: Unit | None = Field(description="What the threshold counts that a watch gives; null where it gives none.")
    most: int | None = Field(description="The largest threshold.")
    lasts: bool = Field(description="Whether its end can be told, too.")


class KindsOut(Out):
    """Every kind of notice."""

    items: list[KindOut] = Field(description="Our own first, then those of installed workers by name.")


@router.get(
    "/notices",
    operation_id="notice_list",
    summary="List notices",
    response_model=Page[NoticeOut],
    responses=answers(page_of(NOTICE), ProductionUnknown, ShotUnknown, UnfitFields),
)
def list_notices(
    door: Reader,
    window: Ranking,
    *,
    production: Annotated[str | None, Query(description="Only those about this production.")] = None,
    shot: Annotated[str | None, Query(description="Only those about this shot; with `production`.")] = None,
    kind: Annotated[Line | None, Query(description="Only those of this kind.")] = None,
) -> Response:
    """List what was raised, the newest first, whether or not anybody hears of it.

    A key bound to a production sees what is about it alone. Needs `read`.
    """
    if shot is not None and production is None:
        raise UnfitFields((Fault("Name the `production` of the shot, too.", place="query shot"),))
    with door.reading() as session:
        of = None if production is None else door.production(session, production)
        rows = store.page(
            session,
            production_id=door.caller.production_id if of is None else of.id,
            shot_id=None if shot is None or of is None else shots.find(session, of, shot).id,
            kind=kind,
            before=None if window.rank is None else min(max(-window.rank[0], 0), LARGEST_ID),
            limit=window.limit + 1,
        )
        shown, following = window.page(rows, rank_of=lambda row: (-(row.id or 0), 0))
        page = Page[Any](items=_outs(session, shown), next=following)
    return door.reply(None, page, link=window.link(following))


@router.get(
    "/notice-kinds",
    operation_id="notice_kind_list",
    summary="List the kinds of notice",
    response_model=KindsOut,
    responses=answers({"items": [KIND]}),
)
def list_kinds(door: Reader) -> Response:
    """List every kind of notice that a watch can hear of. Needs `read`."""
    with door.reading() as session:
        others = watches.kinds(session)
    items = [
        KindOut(kind=kind, tells_of=each.text, unit=each.unit, most=each.most or None, lasts=each.lasts)
        for kind, each in MEANINGS.items()
    ]
    items += [
        KindOut(kind=kind, tells_of=said, unit=None, most=None, lasts=False) for kind, said in sorted(others.items())
    ]
    return door.reply(None, KindsOut(items=items))


def _outs(session: Session, rows: list[NoticeRow] | Any) -> list[NoticeOut]:  # noqa: ANN401 - any sequence of them
    of = productions.codes(session, {row.production_id for row in rows if row.production_id is not None})
    codes = shot_rows.codes(session, {row.shot_id for row in rows if row.shot_id is not None})
    named = stages.codes(session, {stage_id for row in rows for stage_id in row.stage_ids})
    clock = studios.load(session).time_zone
    return [_out(row, of=of, codes=codes, named=named, clock=clock) for row in rows]


def _out(
    row: NoticeRow, *, of: Mapping[int, str], codes: Mapping[int, str], named: Mapping[int, str], clock: str
) -> NoticeOut:
    told = words(store.read(row), clock)
    return NoticeOut(
        id=row.id or 0,
        kind=row.kind,
        threshold=row.threshold or None,
        subject=row.subject,
        occasion=row.occasion,
        over=row.over,
        since=row.since,
        raised_at=row.raised_at,
        production=None if row.production_id is None else of.get(row.production_id),
        shot=None if row.shot_id is None else codes.get(row.shot_id),
        stages=[named[each] for each in row.stage_ids if each in named],
        headline=told.headline,
        text="\n".join(told.sentences),
        cautions=list(told.cautions),
        facts=row.facts,
    )
