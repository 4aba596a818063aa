"""Why a figure of a production is what it is."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions.productions import EpisodeUnknown, ProductionUnknown, find_episode
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.pages import LARGEST_PAGE
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.domain.progress import Figures, whole_figures
from service.domain.refusals import Unknown
from service.domain.totals import OF_SHOT, Sum, Summand, Total, TotalFigure, Value, total
from service.store import events, progress, shots, takes
from service.store.editions import Rest
from service.store.progress import Over
from service.store.shots import Filter
from service.store.tables import ProductionRow, ShotProgressRow

router = APIRouter(prefix="/v1/productions", tags=["progress"], route_class=StrictRoute)

USUAL_SHOTS = 20
ADDED_AT_ONCE = 500


@dataclass(eq=False)
class TotalUnknown(Unknown):
    """A production has no figure {figure}; it has {figures}. Those of one shot are asked for at the shot."""

    figure: str
    figures: tuple[str, ...]


class CarriedOut(Out):
    """What one shot brings to the figure."""

    shot: str = Field(description="The code of the shot.")
    episode: str = Field(description="The code of its episode.")
    value: int | float | None = Field(description="Its own part, from the facts; of `per_cent` its own per cent.")
    planned_frames: int = Field(description="Its planned frames, T.")
    credited_frames: int = Field(description="Its credited frames, E.")
    remaining_frames: int = Field(description="Its remaining frames, T − E.")
    stored: int | float | None = Field(description="Its part as lists show it; null before any was made.")
    differs: bool = Field(description="Whether the two differ.")
    path: str = Field(description="Where its part is explained.")


class RestOut(Out):
    """The shots that carry the figure and are not among `top`, added up."""

    shots: int = Field(description="How many they are.")
    value: int | float | None = Field(description="What they come to together; of `per_cent` their own per cent.")
    planned_frames: int = Field(description="Their planned frames.")
    credited_frames: int = Field(description="Their credited frames.")
    remaining_frames: int = Field(description="Their remaining frames.")

    @classmethod
    def of(cls, rest: Sequence[Summand], figure: TotalFigure) -> "RestOut":
        """These shots added up."""
        added = Sum.of([each.figures for each in rest])
        return cls(
            shots=added.shots,
            value=_inked(added.value(figure)),
            planned_frames=added.planned_frames,
            credited_frames=added.credited_frames,
            remaining_frames=added.remaining_frames,
        )


class StoredTotalOut(Out):
    """The figure as the sums of `progress` show it."""

    value: int | float | None = Field(description="What they come to.")
    position: int = Field(description="The last event the worker *progress* has read.")


class WhyTotalOut(Out):
    """A figure of a production or an episode and the shots that carry it, as of one moment."""

    figure: TotalFigure = Field(description="The figure.")
    value: int | float | None = Field(description="Its value, from the facts; a per cent is rounded to 0.1.")
    unit: str = Field(description="What it counts.")
    formula: str = Field(description="How it is reckoned.")
    said: str = Field(description="What that comes to here.")
    position: int = Field(description="The last event of the production; what is said rests on all up to it.")
    stored: StoredTotalOut | None = Field(description="The figure as it is shown elsewhere; null before any was made.")
    differs: bool = Field(description="Whether it is shown otherwise elsewhere: the worker is behind `position`.")
    shots: int = Field(description="How many shots are added up, omitted ones among them.")
    planned_frames: int = Field(description="The planned frames of all of them, ΣT.")
    credited_frames: int = Field(description="Their credited frames, ΣE.")
    remaining_frames: int = Field(description="Their remaining frames, ΣT − ΣE.")
    carrying_shots: int = Field(description="How many of them carry the figure.")
    top: list[CarriedOut] = Field(description="Those that carry most of it, at most `limit`.")
    rest: RestOut = Field(description="The others that carry some of it, added up.")
    behind_shots: int = Field(description="Of how many shots it is stored otherwise than the facts say.")
    behind: list[CarriedOut] = Field(description="Those shots, at most `limit`.")


CARRIED: Mapping[str, Any] = {
    "shot": "0120",
    "episode": "101",
    "value": 36,
    "planned_frames": 96,
    "credited_frames": 60,
    "remaining_frames": 36,
    "stored": 36,
    "differs": False,
    "path": "/v1/productions/lantern-bay/shots/0120/why/remaining_frames",
}
WHY: Mapping[str, Any] = {
    "figure": "remaining_frames",
    "value": 48,
    "unit": "frames",
    "formula": "Σ(T − E): what is left of every shot, added up; what one shot has too much makes up for nothing "
    "another lacks.",
    "said": "Something is left of 2 of 3 shots: 48 of 252 planned frames.",
    "position": 4812,
    "stored": {"value": 48, "position": 4812},
    "differs": False,
    "shots": 3,
    "planned_frames": 252,
    "credited_frames": 204,
    "remaining_frames": 48,
    "carrying_shots": 2,
    "top": [CARRIED],
    "rest": {"shots": 1, "value": 12, "planned_frames": 60, "credited_frames": 48, "remaining_frames": 12},
    "behind_shots": 0,
    "behind": [],
}


@router.get(
    "/{production}/why/{figure}",
    operation_id="production_why",
    summary="Read why a production's figure is what it is",
    response_model=WhyTotalOut,
    responses=answers(WHY, ProductionUnknown, EpisodeUnknown, TotalUnknown),
)
def get_why_total(
    door: Reader,
    production: ProductionInPath,
    figure: Annotated[
        str, Path(description="The figure, as the `total` of `progress` names it.", examples=["credited_frames"])
    ],
    *,
    episode: Annotated[str | None, Query(description="Only the shots of the episode with this code.")] = None,
    limit: Annotated[
        int, Query(ge=0, le=LARGEST_PAGE, description="How many shots are named at most; all are added up.")
    ] = USUAL_SHOTS,
) -> Response:
    """Read what a figure is the sum of, which shots carry most of it, and of which it is stored otherwise. In frames.

    All of it is reckoned from the facts of one moment; `stored` is what `progress` still shows. What carries a per cent
    is what keeps it down: the remaining frames. Needs `read`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        asked = _named(figure)
        at = progress.rest(session)
        last = events.last_of(session, of.id or 0)
        head = at.tag if at else "0"
        if (unchanged := door.unchanged(rev=last, head=head)) is not None:
            return unchanged
        over = Over(of.id or 0, None if episode is None else find_episode(session, of, episode).id)
        found = total(asked, _summands(session, over, at))
        out = _out(of, found, _stored(session, over, asked, at), position=last, limit=limit)
        return door.reply(session, out, rev=last, head=head)


def _named(figure: str) -> TotalFigure:
    try:
        return TotalFigure(figure)
    except ValueError:
        raise TotalUnknown(figure, tuple(each.value for each in TotalFigure)) from None


def _summands(session: Session, over: Over, at: Rest | None) -> Iterator[Summand]:
    where = Filter(episode_id=over.episode_id)
    for rows in shots.in_turn(session, over.production_id, where=where, at_once=ADDED_AT_ONCE):
        ids = [row.id or 0 for row in rows]
        # No figure that is added up rests on what a plate needs.
        facts = takes.shot_facts(session, rows, plate_minimum_frames=0)
        stored = {} if at is None else progress.of_shots(session, ids, at)
        episodes = shots.episode_codes(session, {row.episode_id for row in rows})
        for id_, row in zip(ids, rows, strict=True):
            yield Summand(
                shot=row.code,
                episode=episodes[row.episode_id],
                figures=whole_figures(facts[id_]),
                stored=_figures(stored[id_]) if id_ in stored else None,
            )


def _figures(row: ShotProgressRow) -> Figures:
    return Figures(**row.model_dump(include=set(Figures.__slots__)))


def _stored(session: Session, over: Over, figure: TotalFigure, at: Rest | None) -> tuple[Value, int] | None:
    if at is None:
        return None
    return progress.total(session, over, at).value(figure), at.position


def _inked(value: Value) -> int | float | None:
    return round(float(10 * value)) / 10 if isinstance(value, Fraction) else value


def _out(
    of: ProductionRow, found: Total, stored: tuple[Value, int] | None, *, position: int, limit: int
) -> WhyTotalOut:
    return WhyTotalOut(
        figure=found.figure,
        value=_inked(found.value),
        unit=found.unit,
        formula=found.formula,
        said=found.said,
        position=position,
        stored=None if stored is None else StoredTotalOut(value=_inked(stored[0]), position=stored[1]),
        differs=stored is not None and stored[0] != found.value,
        shots=found.sum.shots,
        planned_frames=found.sum.planned_frames,
        credited_frames=found.sum.credited_frames,
        remaining_frames=found.sum.remaining_frames,
        carrying_shots=len(found.carriers),
        top=_carried(of, found.figure, found.carriers[:limit]),
        rest=RestOut.of(found.carriers[limit:], found.figure),
        behind_shots=len(found.behind),
        behind=_carried(of, found.figure, found.behind[:limit]),
    )


def _carried(of: ProductionRow, figure: TotalFigure, summands: Sequence[Summand]) -> list[CarriedOut]:
    return [
        CarriedOut(
            shot=each.shot,
            episode=each.episode,
            value=_inked(each.value(figure)),
            planned_frames=each.figures.planned_frames,
            credited_frames=each.figures.credited_frames,
            remaining_frames=each.figures.remaining_frames,
            stored=_inked(each.stored_value(figure)),
            differs=each.stored_value(figure) != each.value(figure),
            path=f"{router.prefix}/{quote(of.code, safe='')}/shots/{quote(each.shot, safe='')}/why/{OF_SHOT[figure]}",
        )
        for each in summands
    ]
