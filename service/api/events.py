"""The log of events."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions.productions import ProductionUnknown
from service.api.doors import Door, Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.pages import LARGEST_ID, next_page
from service.api.strict import StrictRoute
from service.domain.events import MAY_GO, Event, EventKind
from service.domain.refusals import Clash, Gone
from service.store import events as store
from service.store import productions, retention, shots
from service.store.events import Sought

router = APIRouter(prefix="/v1/events", tags=["events"], route_class=StrictRoute)

MOST_EVENTS = 1000

EVENT = {
    "id": 4812,
    "at": "2026-03-02T14:05:04.120000Z",
    "kind": "frames.counted",
    "actor": "mill-capture",
    "production": "lantern-bay",
    "shot": "0120",
    "data": {"take": 2, "camera": "main", "pass": "main", "before_frames": 46, "total_frames": 48, "state": "open"},
}


@dataclass(eq=False)
class AheadOfLog(Clash):
    """There is no event {after}: the log ends at {head}.

    A log put back from a copy goes on from its end, so what stood after it is gone; go on after an event you know.
    """

    after: int
    head: int


@dataclass(eq=False)
class CleanedAway(Gone):
    """Events after {after} were cleaned away, the last of those asked for at {cleaned_to}.

    From `after={cleaned_to}` on nothing is missing: begin there, and read how things stand at the addresses of what you
    follow. With `gaps=true` what is left is read all the same; of kinds other than {kinds} nothing ever goes.
    """

    after: int
    cleaned_to: int
    kinds: tuple[str, ...] = tuple(sorted(MAY_GO))


class EventOut(Out):
    """Something that happened."""

    id: int = Field(description="Its place in the log; ids rise in the order of commit, with gaps.")
    at: datetime = Field(description="When (UTC).")
    kind: str = Field(description="What.")
    actor: str = Field(description="The key, terminal or part of the service it came from.")
    production: str | None = Field(description="The code of the production it concerns; null for the whole studio.")
    shot: str | None = Field(description="The code of the shot it concerns.")
    data: dict[str, Any] = Field(description="The codes and values it concerns, as they were.")


class EventsOut(Out):
    """A part of the log."""

    items: list[EventOut] = Field(description="In the order of the log.")
    next: int = Field(description="What to give as `after` next time; nothing before it will ever appear.")
    cleaned_to: int | None = Field(
        description="With `gaps`: the id of the last event of those asked for that was cleaned away; null where none "
        "is missing after `after`."
    )


@router.get(
    "",
    operation_id="event_list",
    summary="Read the log",
    response_model=EventsOut,
    responses=answers({"items": [EVENT], "next": 4812, "cleaned_to": None}, ProductionUnknown, AheadOfLog, CleanedAway),
)
def list_events(
    door: Reader,
    after: Annotated[int, Query(ge=0, le=LARGEST_ID, description="Begin after the event with this id.")] = 0,
    *,
    limit: Annotated[int, Query(ge=1, le=MOST_EVENTS, description="How many events to read at most.")] = 100,
    production: Annotated[str | None, Query(description="Only events of the production with this code.")] = None,
    kind: Annotated[list[EventKind] | None, Query(description="Only events of these kinds.")] = None,
    gaps: Annotated[bool, Query(description="Read over what was cleaned away, rather than be refused.")] = False,
) -> Response:
    """Read what happened after a position, in order. Whoever follows `next` misses nothing and sees nothing twice.

    A full page has a `Link` to the next; where there is none the log ends, for now, at `next`.
    Where events that are asked for were cleaned away after `after`, the answer is 410 and says from where on none is
    missing.
    Needs `read`; a key bound to a production sees the events of that production.
    """
    with door.reading() as session:
        # Read first: what is read after it is of the same moment, so that a short page reaches up to it.
        head = store.head(session)
        if after > head:
            raise AheadOfLog(after, head)
        asked = sought(door, session, production=production, kinds=kind)
        which: Mapping[str, Any] = {"production_id": asked.production_id, "kinds": asked.kinds}
        cleaned_to = retention.cleaned_to(session, **which)
        if after < cleaned_to and not gaps:
            raise CleanedAway(after, cleaned_to)
        found = store.read_after(session, after, limit=limit, **which)
        full = len(found) == limit
        following = found[-1].id if full else head
        link = next_page(door.request, "after", str(following)) if full else None
        missing = cleaned_to if after < cleaned_to else None
        page = EventsOut(items=outs(session, found), next=following, cleaned_to=missing)
        return door.reply(None, page, link=link)


def sought(door: Door, session: Session, *, production: str | None, kinds: Sequence[EventKind] | None) -> Sought:
    """Which events a caller asks for, and may see. Raises ProductionUnknown, also of what its key does not see."""
    only = door.caller.production_id if production is None else door.production(session, production).id
    return Sought(kinds=None if kinds is None else frozenset(kinds), production_id=only)


def outs(session: Session, found: Sequence[Event]) -> list[EventOut]:
    """These events, with the codes of what they concern."""
    of = productions.codes(session, {each.production_id for each in found if each.production_id is not None})
    codes = shots.codes(session, {each.shot_id for each in found if each.shot_id is not None})
    return [
        EventOut(
            id=each.id,
            at=each.at,
            kind=each.kind,
            actor=each.actor,
            production=None if each.production_id is None else of.get(each.production_id),
            shot=None if each.shot_id is None else codes.get(each.shot_id),
            data=each.data,
        )
        for each in found
    ]
