"""The history of a shot."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field

from service.actions import shots
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.api.doors import Reader
from service.api.examples import answers, page_of
from service.api.fields import Day, Out
from service.api.pages import Page, Paging
from service.api.productions import ProductionInPath
from service.api.shots import ShotInPath
from service.api.strict import StrictRoute
from service.domain import histories
from service.domain.events import EventKind
from service.domain.histories import Entry
from service.domain.keys import Scope
from service.domain.studio import day_opens
from service.store import histories as store
from service.store import retention, studio
from service.store.histories import Asked

router = APIRouter(prefix="/v1/productions", tags=["shots"], route_class=StrictRoute)

# A run of counts may be as long as the log; more of it are another page's.
MOST_FOLDED = 2000


class Order(StrEnum):
    """Which end of a history comes first."""

    OLDEST = "oldest"
    NEWEST = "newest"


class Counts(StrEnum):
    """How counts are told: each of them, or a run of one series as one."""

    EACH = "each"
    FOLDED = "folded"


class EntryOut(Out):
    """Something that happened to a shot."""

    position: int = Field(description="The id of the event, its place in the log; of a run of counts, of the last.")
    first_position: int = Field(description="The id of the first event of a run; else the same.")
    events: int = Field(description="How many events it tells of; more than 1 only where counts are folded.")
    at: datetime = Field(description="When it came to the log (UTC); of a run, when the last did.")
    kind: str = Field(description="The kind of the event.")
    by: str = Field(description="The key, terminal or part of the service it came from.")
    said: str = Field(description="What happened, in a sentence.")
    stage: str | None = Field(description="Of counts: the stage they came from; null where the shot has them no more.")
    animators: list[str] = Field(description="Of counts: who animated, where said; empty to keys without `coordinate`.")
    data: dict[str, Any] = Field(description="What the event holds; of a run, `before_frames` are those before all.")

    @classmethod
    def of(cls, entry: Entry, *, names: bool) -> "EntryOut":
        """The entry, with animators' names where they may be shown."""
        seen = entry.seen
        return cls(
            position=entry.last.id,
            first_position=entry.events[0].id,
            events=len(entry.events),
            at=entry.last.at,
            kind=entry.last.kind,
            by=entry.last.actor,
            said=entry.said,
            stage=seen.stage if seen else None,
            animators=list(seen.animators) if seen and names else [],
            data=dict(entry.data),
        )


class CleanedOut(Out):
    """Events of a shot that are gone from the log; what they told of is in the ledger."""

    events: int = Field(description="How many of the kinds asked for, on whichever days.")
    to: int = Field(description="The id of the last of them.")
    until: datetime = Field(description="When the latest of them happened (UTC).")


class HistoryOut(Page[EntryOut]):
    """A page of what happened to a shot."""

    cleaned: CleanedOut | None = Field(
        description="What is missing, since it was cleaned away; null where nothing that was asked for is."
    )


ENTRY: Mapping[str, Any] = {
    "position": 4812,
    "first_position": 4812,
    "events": 1,
    "at": "2026-03-02T14:05:04.120000Z",
    "kind": "frames.counted",
    "by": "mill-capture",
    "said": "Take 2 on stage mill reached 96 frames (12 more).",
    "stage": "mill",
    "animators": ["Ilse"],
    "data": {
        "series": 7,
        "part": "",
        "purpose": "shoot",
        "take": 2,
        "camera": "main",
        "pass": "main",
        "before_frames": 84,
        "total_frames": 96,
        "state": "open",
    },
}


@router.get(
    "/{production}/shots/{shot}/history",
    operation_id="shot_history",
    summary="Read a shot's history",
    response_model=HistoryOut,
    responses=answers({**page_of(ENTRY), "cleaned": None}, ProductionUnknown, ShotUnknown),
)
def list_history(
    door: Reader,
    production: ProductionInPath,
    shot: ShotInPath,
    *,
    window: Paging,
    order: Annotated[Order, Query(description="Which end comes first.")] = Order.OLDEST,
    counts: Annotated[
        Counts,
        Query(
            description="`folded` tells the counts of one take, camera and pass from one terminal on one production "
            "day as one, where nothing but counts came between."
        ),
    ] = Counts.EACH,
    kind: Annotated[list[EventKind] | None, Query(description="Only events of these kinds.")] = None,
    first_day: Annotated[Day | None, Query(alias="from", description="Only what came from this day on.")] = None,
    last_day: Annotated[Day | None, Query(alias="to", description="Only what came by the end of this day.")] = None,
) -> Response:
    """Read everything that happened to a shot, by whom, a sentence each time; what is counted is in frames.

    It is in the order of the log. Where the studio cleans its log, old counts go, but for the last of the shot; their
    frames do not. Days are the studio's production days. Needs `read`; animators are named to keys that
    cover `coordinate`.
    """
    names = door.caller.scope.covers(Scope.COORDINATE)
    folded = counts is Counts.FOLDED
    with door.reading() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot)
        set_by = studio.load(session)
        asked = Asked(
            newest_first=order is Order.NEWEST,
            kinds=kind,
            since=None if first_day is None else day_opens(first_day, set_by),
            until=None if last_day is None else day_opens(_next(last_day), set_by),
        )
        most = MOST_FOLDED if folded else window.limit
        found = store.page(session, row.id or 0, asked, after=window.after, limit=most + 1)
        shown = found[:most]
        gap = retention.gap(session, production_id=of.id or 0, shot_id=row.id or 0, kinds=kind)
        entries, told = histories.entries(shown, store.seen(session, shown), limit=window.limit, folded=folded)
    following = window.cursor(found[told - 1].id) if told < len(found) else None
    missing = None
    if gap is not None and (asked.since is None or gap.until >= asked.since):
        missing = CleanedOut(events=gap.events, to=gap.position, until=gap.until)
    page = HistoryOut(items=[EntryOut.of(each, names=names) for each in entries], next=following, cleaned=missing)
    return door.reply(None, page, link=window.link(following))


def _next(day: date) -> date:
    return day + timedelta(days=1)
