"""Phases: where a shot is, what it waits for, and what it lacks for each move."""

from datetime import datetime
from hashlib import sha256
from urllib.parse import quote

from fastapi import APIRouter, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import moves as actions
from service.actions import shots
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.productions import ProductionInPath
from service.api.shots import ShotInPath
from service.api.strict import StrictRoute
from service.domain.addresses import Place, Told, told
from service.domain.moves import Standing, approval_changed, blocked_by, no_longer, steps
from service.domain.phases import Fact, Phase
from service.store import moves as store
from service.store import studio
from service.store.tables import ProductionRow, ShotRow

router = APIRouter(prefix="/v1/productions", tags=["phases"], route_class=StrictRoute)

LACK = {
    "fact": "framing approved by the camera operator",
    "detail": "No camera operator has signed off: framing approved.",
    "who": "the camera operator",
    "method": "POST",
    "path": "/v1/productions/lantern-bay/shots/0120/signoffs",
    "may_be_overridden": True,
}
NEXT = {
    "shot": "0120",
    "phase": "set dressing",
    "phase_since": "2026-03-02T08:10:00Z",
    "suspended": None,
    "omitted": False,
    "approved_and_changed": [],
    "blocked_by": [LACK],
    "no_longer": [],
    "moves": [
        {"to": "shooting", "back": False, "lacks": [LACK]},
        {"to": "planning", "back": True, "lacks": []},
    ],
}


class LackOut(Out):
    """A fact that a move needs and that does not hold."""

    fact: Fact = Field(description="What is needed.")
    detail: str = Field(description="What is missing of it.")
    who: str = Field(description="Who can do something about it.")
    method: str = Field(description="The method of the operation that records it.")
    path: str = Field(description="Its path and query; of several takes to decide on the first.")
    may_be_overridden: bool = Field(description="Whether a coordinator may move the shot without it.")

    @classmethod
    def of(cls, lack: Told) -> "LackOut":
        """The lack with its address."""
        return cls(
            fact=lack.fact,
            detail=lack.detail,
            who=lack.who,
            method=lack.method,
            path=lack.path,
            may_be_overridden=lack.may_be_overridden,
        )


class StepOut(Out):
    """A move a shot could make."""

    to: Phase = Field(description="The phase it would go to.")
    back: bool = Field(description="Whether work is taken up again; then a `cause` is asked for.")
    lacks: list[LackOut] = Field(description="Everything it still lacks for it; empty where it can go.")


class NextOut(Out):
    """Where a shot is and what it waits for."""

    shot: str = Field(description="The code of the shot.")
    phase: Phase = Field(description="Where it is.")
    phase_since: datetime = Field(description="Since when (UTC).")
    suspended: str | None = Field(description="Why it is suspended; null where it is not.")
    omitted: bool = Field(description="Whether it is omitted.")
    approved_and_changed: list[str] = Field(
        description="What changed since its approval, each in a sentence; empty where nothing did or none stands."
    )
    blocked_by: list[LackOut] = Field(description="What keeps it from its next phase.")
    no_longer: list[LackOut] = Field(description="What its phase rests on and does not hold any more.")
    moves: list[StepOut] = Field(description="Every move from here: on, then back, the nearest first.")

    @classmethod
    def of(cls, row: ShotRow, standing: Standing, place: Place) -> "NextOut":
        """Where a shot is by these facts."""
        return cls(
            shot=row.code,
            phase=standing.phase,
            phase_since=row.phase_since,
            suspended=standing.suspended,
            omitted=row.omitted,
            approved_and_changed=list(approval_changed(standing)),
            blocked_by=[LackOut.of(each) for each in told(blocked_by(standing), standing, place)],
            no_longer=[LackOut.of(each) for each in told(no_longer(standing), standing, place)],
            moves=[
                StepOut(
                    to=each.to, back=each.back, lacks=[LackOut.of(lack) for lack in told(each.lacks, standing, place)]
                )
                for each in steps(standing)
            ],
        )


def plate_minimum(session: Session) -> int:
    """The studio's minimum of a plate of a still camera, in frames."""
    return studio.load(session).plate_minimum_frames


def standing_of(session: Session, row: ShotRow) -> Standing:
    """How a shot stands by the facts its moves are judged by."""
    return store.standings(session, [row], plate_minimum_frames=plate_minimum(session))[row.id or 0]


def _place(session: Session, of: ProductionRow, row: ShotRow) -> Place:
    return actions.places(session, of, [row])[row.id or 0]


@router.get(
    "/{production}/shots/{shot}/next",
    operation_id="shot_next",
    summary="Ask what a shot waits for",
    response_model=NextOut,
    responses=answers(NEXT, ProductionUnknown, ShotUnknown),
)
def next_of_shot(door: Reader, production: ProductionInPath, shot: ShotInPath) -> Response:
    """Say where a shot is, and of each move it could make every fact it still lacks: what, who, and where to record it.

    Needs `read`. Its ETag is the shot's, which a move or a sign-off must name.
    """
    with door.reading() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot)
        out = NextOut.of(row, standing_of(session, row), _place(session, of, row))
        head = sha256(out.model_dump_json().encode()).hexdigest()[:16]
        at = f"{router.prefix}/{quote(of.code)}/shots/{quote(row.code)}"
        return door.reply(session, out, rev=row.rev, head=head, at=at)
