"""Blocked: what the shots of a production wait for, and for whom."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions.blocked import blocked_now
from service.actions.productions import EpisodeUnknown, ProductionUnknown, find_episode
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.pages import LARGEST_PAGE, USUAL_PAGE
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.domain.blocked import Blocked, Party, Wait, Waiting
from service.domain.phases import Fact, Phase
from service.store import events, stages, studio
from service.store.shots import Filter

router = APIRouter(prefix="/v1/productions", tags=["phases"], route_class=StrictRoute)

READY: Mapping[str, Any] = {
    "shot": "0130",
    "episode": "101",
    "phase": "compositing",
    "phase_since": "2026-03-02T08:10:00Z",
    "to": "approval",
    "suspended": None,
    "stages": ["mill"],
}
BLOCKED: Mapping[str, Any] = {
    "position": 4812,
    "blocked_shots": 1,
    "waiting_for": {party.value: int(party is Party.CAMERA_OPERATOR) for party in Party},
    "waits": [
        {
            "who": "camera operator",
            "fact": "framing approved by the camera operator",
            "count": 1,
            "shots": [
                {
                    **READY,
                    "shot": "0120",
                    "phase": "set dressing",
                    "to": "shooting",
                    "detail": "No camera operator has signed off: framing approved.",
                    "method": "POST",
                    "path": "/v1/productions/lantern-bay/shots/0120/signoffs",
                    "may_be_overridden": True,
                }
            ],
        }
    ],
    "ready_shots": 1,
    "ready": [READY],
}


class ReadyOut(Out):
    """A shot, where it is and where it goes."""

    shot: str = Field(description="The code of the shot.")
    episode: str = Field(description="The code of its episode.")
    phase: Phase = Field(description="Where it is.")
    phase_since: datetime = Field(description="Since when it is in this phase (UTC).")
    to: Phase | None = Field(
        description="Its next phase; null of a shot that changed since its approval and waits to be approved again."
    )
    suspended: str | None = Field(description="Why it is suspended; null where it is not.")
    stages: list[str] = Field(description="The stages that shoot it; empty where any stage may.")


class WaitingOut(ReadyOut):
    """A shot that waits, and what exactly it lacks."""

    detail: str = Field(description="What exactly is missing.")
    method: str = Field(description="The method of the operation that records it.")
    path: str = Field(description="Its path and query; of several takes to decide on the first.")
    may_be_overridden: bool = Field(description="Whether a coordinator may move the shot without it.")


class WaitOut(Out):
    """A fact that shots lack, and who can do something about it."""

    who: Party = Field(description="Whose turn it is.")
    fact: Fact = Field(description="What is missing.")
    count: int = Field(description="How many shots lack it.")
    shots: list[WaitingOut] = Field(description="Those that are the longest in their phase, at most `limit`.")


class BlockedOut(Out):
    """What waits for whom, as of one event."""

    position: int = Field(description="The last event of the log up to which all of it rests.")
    blocked_shots: int = Field(description="How many shots wait for anybody.")
    waiting_for: dict[Party, int] = Field(description="How many shots wait for each, a shot once for each of them.")
    waits: list[WaitOut] = Field(description="By who can do something about it, and by what is missing.")
    ready_shots: int = Field(description="How many shots lack nothing and only have to be moved.")
    ready: list[ReadyOut] = Field(description="Those that are the longest in their phase, at most `limit`.")

    @classmethod
    def of(cls, session: Session, found: Blocked, *, position: int) -> "BlockedOut":
        """What waits, as it stood at `position`."""
        waiting = (*found.ready, *(each for wait in found.waits for each in wait.shots))
        codes = stages.codes(session, {stage_id for each in waiting for stage_id in each.stage_ids})
        return cls(
            position=position,
            blocked_shots=found.blocked_shots,
            waiting_for=dict(found.by_party),
            waits=[_wait(each, codes) for each in found.waits],
            ready_shots=found.ready_shots,
            ready=[ReadyOut(**_shown(each, codes)) for each in found.ready],
        )


def _wait(wait: Wait, codes: Mapping[int, str]) -> WaitOut:
    return WaitOut(
        who=wait.party,
        fact=wait.fact,
        count=wait.count,
        shots=[
            WaitingOut(
                **_shown(each, codes),
                detail=each.lack.detail,
                method=each.lack.method,
                path=each.lack.path,
                may_be_overridden=each.lack.may_be_overridden,
            )
            for each in wait.shots
            if each.lack is not None
        ],
    )


def _shown(each: Waiting, codes: Mapping[int, str]) -> dict[str, Any]:
    return {
        "shot": each.place.shot,
        "episode": each.place.episode,
        "phase": each.phase,
        "phase_since": each.since,
        "to": each.to,
        "suspended": each.suspended,
        "stages": [codes[stage_id] for stage_id in each.stage_ids],
    }


@router.get(
    "/{production}/blocked",
    operation_id="blocked_get",
    summary="Ask what waits for whom",
    response_model=BlockedOut,
    responses=answers(BLOCKED, ProductionUnknown, EpisodeUnknown),
)
def get_blocked(
    door: Reader,
    production: ProductionInPath,
    *,
    episode: Annotated[str | None, Query(description="Only the shots of the episode with this code.")] = None,
    limit: Annotated[
        int, Query(ge=0, le=LARGEST_PAGE, description="How many shots each fact names at most; counts are of all.")
    ] = USUAL_PAGE,
) -> Response:
    """Say of every shot that cannot go on what it lacks for its next phase, by who can do something about it.

    A shot that lacks several facts stands under each. Frames not yet shot wait for the stage, and for the director only
    when all are. A suspended shot is listed with why it is. `GET …/shots?blocked_by=` pages through all shots of a
    fact. Needs `read`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        minimum = studio.load(session).plate_minimum_frames
        last = events.last_of(session, of.id or 0)
        # What a plate needs is the studio's, and decides what blocks a shot.
        if (unchanged := door.unchanged(rev=last, head=minimum)) is not None:
            return unchanged
        only = None if episode is None else find_episode(session, of, episode).id
        found = blocked_now(session, of, Filter(episode_id=only), limit=limit)
        return door.reply(session, BlockedOut.of(session, found, position=last), rev=last, head=minimum)
