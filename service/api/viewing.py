"""The viewing: which takes are finished and wait for somebody to decide on them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import stages as stage_actions
from service.actions.productions import EpisodeUnknown, ProductionUnknown, find_episode
from service.actions.stages import StageUnknown
from service.api.doors import Reader
from service.api.examples import answers, page_of
from service.api.fields import Line, Out
from service.api.pages import Page, Ranking
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.api.takes import RangeOut
from service.domain.phases import Phase
from service.domain.takes import Purpose
from service.domain.viewing import Waiting, waiting
from service.domain.waits import hours
from service.store import events, notes, shots, stages, suspensions
from service.store import viewing as store
from service.store.tables import ProductionRow
from service.store.viewing import Filter, Viewed

router = APIRouter(prefix="/v1/productions", tags=["takes"], route_class=StrictRoute)

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
TICK = timedelta(microseconds=1)
# Waited hours are shown in steps of a tenth, so that a list that is asked for often may be 304.
STEP = timedelta(minutes=6)

WAITING: Mapping[str, Any] = {
    "shot": "0120",
    "episode": "101",
    "phase": "shooting",
    "suspended": None,
    "animator": "Ilse",
    "part": "",
    "take": 2,
    "purpose": "shoot",
    "rev": 1,
    "stage": "mill",
    "offered_at": "2026-03-02T14:05:00Z",
    "since": "2026-03-02T14:05:00Z",
    "waited_h": 19.1,
    "frames": 96,
    "undecided": [{"camera": "main", "pass": "main", "ranges": [{"first": 61, "last": 96}]}],
    "partly_decided": True,
    "earlier_takes": 1,
    "note_count": 2,
    "notes": "/v1/productions/lantern-bay/shots/0120/takes/2/notes",
    "decisions": "/v1/productions/lantern-bay/shots/0120/takes/2/decisions",
}


class UndecidedOut(Out):
    """What nobody has decided on, of one camera and pass."""

    camera: str = Field(description="A required camera.")
    pass_: str = Field(alias="pass", description="A required pass.")
    ranges: list[RangeOut] = Field(description="Planned frames that live in the take and wait.")


class WaitingTakeOut(Out):
    """A take that is finished and waits for a decision."""

    shot: str = Field(description="The code of its shot.")
    episode: str = Field(description="The code of the shot's episode.")
    phase: Phase = Field(description="Where the shot is.")
    suspended: str | None = Field(description="Why the shot is suspended; null where it is not.")
    animator: str | None = Field(description="Who is to animate the shot; null while nobody is named.")
    part: str = Field(description="The part of a split shot; empty where it is not split.")
    take: int = Field(description="The take's number.")
    purpose: Purpose = Field(description="What it was shot for: only takes of purpose shoot wait.")
    rev: int = Field(description='The take\'s `rev`: a decision names it as `If-Match: "<rev>.0"`.')
    stage: str = Field(description="The stage that counted it last on a required camera.")
    offered_at: datetime = Field(
        description="When the last of its required cameras and passes was finished, by its capture (UTC)."
    )
    since: datetime = Field(description="Since when it waits (UTC): as offered, or since a decision was withdrawn.")
    waited_h: float = Field(description="How long that is, in hours, in steps of 0.1.")
    frames: int = Field(description="Planned frames that live in it on any required camera and pass.")
    undecided: list[UndecidedOut] = Field(description="The frames nobody has decided on, by camera and pass.")
    partly_decided: bool = Field(description="Whether other frames of it are decided.")
    earlier_takes: int = Field(description="How many takes of the part have lower numbers.")
    note_count: int = Field(description="How many notes it has that are not struck.")
    notes: str = Field(description="Where its notes are read.")
    decisions: str = Field(description="Where a decision on it is made, by `POST`.")


@dataclass(frozen=True, slots=True)
class Shown:
    """A take that waits, with its shot."""

    viewed: Viewed
    waiting: Waiting

    @property
    def take_id(self) -> int:
        """The id of the take's row."""
        return self.waiting.take.id

    @property
    def stage_id(self) -> int:
        """The stage that counted it last on a required camera."""
        return max(self.waiting.take.required(self.viewed.takes.plan), key=lambda each: each.ruled_at).stage_id

    @property
    def rank(self) -> tuple[int, int]:
        """Its place in the list: who waits longest comes first."""
        return (self.waiting.since - EPOCH) // TICK, self.take_id


@router.get(
    "/{production}/viewing",
    operation_id="viewing_list",
    summary="List the takes that wait for a decision",
    response_model=Page[WaitingTakeOut],
    responses=answers(page_of(WAITING), ProductionUnknown, EpisodeUnknown, StageUnknown),
)
def list_waiting(
    door: Reader,
    production: ProductionInPath,
    *,
    window: Ranking,
    episode: Annotated[str | None, Query(description="Only takes of the episode with this code.")] = None,
    stage: Annotated[str | None, Query(description="Only takes counted last on the stage with this code.")] = None,
    animator: Annotated[Line | None, Query(description="Only takes of shots that this animator is named for.")] = None,
) -> Response:
    """List the finished takes that nobody has decided on, the longest wait first; what they hold is in frames.

    A take is here while planned frames of it are neither accepted nor rejected on a required camera and pass. Frames
    of which another take was accepted after this one was offered were chosen between, and wait no more. Takes of
    suspended shots are here with why; those of omitted shots are not, nor those whose counts were all moved to another
    take. Needs `read`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        last, ticks = events.last_of(session, of.id or 0), (door.now - EPOCH) // STEP
        if (unchanged := door.unchanged(rev=last, head=ticks)) is not None:
            return unchanged
        where = Filter(
            episode_id=None if episode is None else find_episode(session, of, episode).id,
            stage_id=None if stage is None else stage_actions.find(session, stage).id,
            animator=animator,
        )
        shown, following = window.page(_waiting(session, of, where), rank_of=lambda each: each.rank)
        outs = _outs(session, of, shown, now=EPOCH + ticks * STEP)
        page = Page[WaitingTakeOut](items=outs, next=following)
        return door.reply(session, page, rev=last, head=ticks, link=window.link(following))


def _waiting(session: Session, of: ProductionRow, where: Filter) -> list[Shown]:
    found = (
        Shown(viewed, each)
        for viewed in store.of_shots(session, store.undecided(session, of.id or 0, where))
        for each in waiting(viewed.takes)
    )
    kept = (each for each in found if where.stage_id is None or each.stage_id == where.stage_id)
    return sorted(kept, key=lambda each: each.rank)


def _outs(session: Session, of: ProductionRow, shown: Sequence[Shown], *, now: datetime) -> list[WaitingTakeOut]:
    episodes = shots.episode_codes(session, {each.viewed.shot.episode_id for each in shown})
    stage_codes = stages.codes(session, {each.stage_id for each in shown})
    held = suspensions.open_of_all(session, {each.viewed.takes.id for each in shown})
    noted = notes.counts_of_takes(session, {each.take_id for each in shown})
    return [
        WaitingTakeOut(
            shot=each.viewed.shot.code,
            episode=episodes[each.viewed.shot.episode_id],
            phase=Phase(each.viewed.shot.phase),
            suspended=held[each.viewed.takes.id].reason if each.viewed.takes.id in held else None,
            animator=each.viewed.shot.animator,
            stage=stage_codes[each.stage_id],
            rev=each.viewed.rows[each.take_id].rev,
            note_count=noted.get(each.take_id, 0),
            notes=_path(of, each, "notes"),
            decisions=_path(of, each, "decisions"),
            **_of_take(each.waiting, now),
        )
        for each in shown
    ]


def _of_take(each: Waiting, now: datetime) -> dict[str, Any]:
    return {
        "part": each.take.part,
        "take": each.take.number,
        "purpose": Purpose.SHOOT,
        "offered_at": each.offered_at,
        "since": each.since,
        "waited_h": float(round(hours(max(now - each.since, timedelta(0))), 1)),
        "frames": len(each.frames),
        "undecided": [
            UndecidedOut(
                camera=camera,
                **{"pass": pass_},
                ranges=[RangeOut(first=first, last=last) for first, last in frames.ranges],
            )
            for (camera, pass_), frames in sorted(each.undecided_on.items())
        ],
        "partly_decided": each.partly_decided,
        "earlier_takes": each.earlier_takes,
    }


def _path(of: ProductionRow, each: Shown, below: str) -> str:
    take, shot = each.waiting.take, quote(each.viewed.shot.code, safe="")
    path = f"{router.prefix}/{quote(of.code, safe='')}/shots/{shot}/takes/{take.number}/{below}"
    return path + (f"?{urlencode({'part': take.part})}" if take.part else "")
