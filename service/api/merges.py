"""Merges: a shot that was entered under two codes made one."""

from fastapi import APIRouter, Response
from pydantic import Field

from service.actions import corrections, shots
from service.actions import merges as actions
from service.actions.merges import MergeChain, MergedWithItself, ShotMerged, TakesCollide
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.api.corrections import AFTER, BEFORE, MOVED, CorrectedOut
from service.api.doors import Coordinate
from service.api.examples import answers
from service.api.fields import Body, Code, Line, shown_as
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, Stale
from service.api.shots import ShotInPath, one
from service.api.strict import StrictRoute
from service.store import studio
from service.store.tables import ShotRow

router = APIRouter(prefix="/v1/productions", tags=["shots"], route_class=StrictRoute)

REASON = "entered twice, as 0120 and as 0130"
MERGED = {
    "correction": {
        **MOVED,
        "what": "merge",
        "part": None,
        "purpose": None,
        "take": None,
        "to": {"shot": "0130", "part": None, "take": None},
        "reason": REASON,
    },
    "sayings_moved": True,
    "shots": [{"shot": "0120", "before": AFTER, "after": BEFORE}, {"shot": "0130", "before": BEFORE, "after": AFTER}],
}


class MergeIn(Body):
    """Which shot it really is."""

    model_config = shown_as({"into": "0130", "reason": REASON, "renumber": True})

    into: Code = Field(description="The code of the shot it is one with, of the same production.")
    reason: Line = Field(description="Why.")
    renumber: bool = Field(
        default=False, description="Let its takes follow the other's highest where both have takes of one number."
    )


@router.post(
    "/{production}/shots/{shot}/merge",
    operation_id="shot_merge",
    summary="Merge a shot into another",
    response_model=CorrectedOut,
    responses=answers(
        MERGED,
        ProductionUnknown,
        ShotUnknown,
        MergedWithItself,
        ShotMerged,
        MergeChain,
        TakesCollide,
        Stale,
        MissingPrecondition,
    ),
)
def merge_shot(door: Coordinate, production: ProductionInPath, shot: ShotInPath, body: MergeIn) -> Response:
    """Make one shot of one that was entered under two codes. Needs `coordinate` and `If-Match`; it is for good.

    Its takes, with their counts on their days and what was decided of them, become takes of the other. The merged shot
    stays, omitted, and says `merged_into`; counts posted under its code later count for the other, and are answered so.
    """
    with door.writing() as session:
        of = door.production(session, production)
        row, into = shots.find(session, of, shot), shots.find(session, of, body.into)

        def check(locked: ShotRow) -> None:
            out, head = one(session, of, locked)
            door.require_match(rev=locked.rev, head=head, current=lambda: out)

        done = actions.merge(
            session,
            of,
            row.id or 0,
            into.id or 0,
            renumber=body.renumber,
            check=check,
            said=corrections.Said(by=door.by, reason=body.reason, now=door.now, studio=studio.load(session)),
        )
        _, head = one(session, of, row)
        return door.reply(session, CorrectedOut.of(done.row, done.shots, sayings=True), rev=row.rev, head=head)
