"""A nightly report as an answer shows it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from pydantic import Field

from service.api.blocked import BLOCKED, BlockedOut
from service.api.daymoves import (
    FIGURES_EXAMPLE,
    MOVE_EXAMPLE,
    SIGNOFF_EXAMPLE,
    DayMoveOut,
    DaySignOffOut,
    PhaseFiguresOut,
    SuspendedOut,
)
from service.api.fields import Out
from service.api.occupancy import OCCUPANCY, OccupancyGroupOut
from service.api.progress import CreditedChangeOut, FramesShotOut, per_cent
from service.domain.dayfigures import BY_CAUSE, Figure, Grouping
from service.domain.days import Happened, Silent
from service.domain.progress import Cause
from service.domain.reports import Differs, Nightly
from service.domain.studio import iso_week

LONG_DAYS = (
    "Planned rest is below (or the day above) the figure your studio set. Long days tire people. Law, contract and a "
    "competent person decide, not this service."
)
# What each figure counts.
BASIS = {
    "frames_shot": "frames",
    "credited_change": "credited frames",
    "credited_frames": "credited frames",
    "planned_frames": "frames",
    "per_cent": "credited frames of planned frames",
    "shots_finished": "shots",
    "shots_finished_in_all": "shots",
    "takes_finished": "takes",
    "takes_circled": "takes",
    "plates_in": "shots",
    "plates_missing": "shots",
    "silent_terminals": "terminals",
    "late_counts": "counts",
    "late_net_frames": "frames",
    "earlier_days_counts": "counts",
    "unmatched_counts": "counts",
    "phases": "moves, sign-offs and shots",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A report as it is shown: what it is of, whether and when it was filed, and whether animators are named.

    `revision` is 0 and `filed_at` None of a report that was not filed, but made for the one who asks. `blocked` is what
    waited for whom when it was filed, `occupancy` what stages were then known to be used for on the day; beside a day
    that is open, what waits and how they are used now.
    """

    production: str
    report: Nightly
    revision: int
    position: int
    closed: bool
    filed_at: datetime | None
    difference: tuple[Differs, ...] | None
    names: bool
    blocked: BlockedOut | None = None
    occupancy: tuple[OccupancyGroupOut, ...] | None = None


class FiguresOut(Out):
    """The figures of a day, of a production or of a part of it."""

    frames_shot: FramesShotOut = Field(description="Frames captured on the day, whenever they were reported.")
    credited_change: CreditedChangeOut = Field(description="By how many the credited frames changed on the day.")
    credited_frames: int = Field(description="Frames credited at the day's close, E.")
    planned_frames: int = Field(description="Frames planned at the day's close, T.")
    per_cent: float | None = Field(description="Credited of planned frames in per cent, rounded to 0.1; null of none.")
    shots_finished: int = Field(description="Shots with E = T > 0 at the day's close, not the day before's.")
    shots_finished_in_all: int = Field(description="Shots with E = T > 0 at the day's close.")
    takes_finished: int = Field(description="Takes that a count captured on the day offered as finished, each once.")
    takes_circled: int = Field(description="Takes that were circled on the day, each once.")
    plates_in: int = Field(description="Shots whose plate had the frames it needs, by captures up to the day.")
    plates_missing: int = Field(description="Finished shots whose plate lacked frames at the day's close.")
    silent_terminals: int | None = Field(
        description="Terminals that had counted for the production and were silent all day; null of an episode."
    )
    late_counts: int = Field(description="Counts captured on the day that came after its close.")
    late_net_frames: int = Field(description="What these changed in frames shot, deletions taken off.")
    earlier_days_counts: int = Field(description="Counts that came on the day for earlier days.")
    unmatched_counts: int | None = Field(
        description="Counts captured on the day that still wait for a shot; null of an episode."
    )
    phases: PhaseFiguresOut | None = Field(
        description="Moves, sign-offs and phases; null of a report that was filed before reports told of them."
    )


class EpisodeNightOut(FiguresOut):
    """The figures of an episode."""

    episode: str = Field(description="The episode's code.")


class StageNightOut(FiguresOut):
    """The figures of a stage. A shot's credit counts for its home: where its first part was planned."""

    stage: str | None = Field(description="The stage's code; null of shots that were planned and counted nowhere.")


class AnimatorNightOut(Out):
    """What one animator shot. Not a ranking: frames alone say nothing of how hard a shot was."""

    animator: str | None = Field(description="The name as posted; null of counts that named nobody.")
    frames_shot: FramesShotOut = Field(description="Frames captured on the day, over all stages.")
    takes_finished: int = Field(description="Takes that their counts offered as finished.")
    takes_circled: int = Field(description="Takes circled on the day whose last count was theirs.")


class SilentOut(Out):
    """A terminal that was not heard of."""

    terminal: str = Field(description="Its name.")
    stage: str = Field(description="The stage it last counted on.")
    last_heard_at: datetime = Field(description="When its last count, call or wrap came (UTC).")


class HappenedOut(Out):
    """Something that happened on the day; what does not apply is null."""

    kind: str = Field(description="The kind of the event.")
    at: datetime = Field(description="When (UTC).")
    by: str = Field(description="Who did it: a key, a terminal, the command or a worker's engine.")
    shot: str | None = Field(description="The shot it speaks of.")
    episode: str | None = Field(description="The episode it speaks of.")
    day: date | None = Field(description="Of a report that was filed: its production day.")
    revision: int | None = Field(description="The revision of the report or of the cut.")


class ChangesOut(Out):
    """What changed between the day's opening and its close: plans, cuts, decisions, reports of earlier days."""

    number: int = Field(description="How many events in all.")
    by_kind: dict[str, int] = Field(description="How many of each kind.")
    entries: list[HappenedOut] = Field(description="The first 100 in order; decisions are only counted.")


class DiffersOut(Out):
    """A figure that is another than in the revision before."""

    scope: Grouping = Field(description="Of what: the production, an episode, a stage, an animator.")
    code: str | None = Field(description="Its code or name.")
    figure: Figure = Field(description="The figure, named as in the CSV.")
    before: int | None = Field(
        description="What the revision before said; null where it had no such group, or did not tell the figure yet."
    )
    after: int | None = Field(description="What this revision says; null where it has no such group.")


class NightlyOut(Out):
    """What a production day brought. Figures of captures are revised by late counts, those of decisions never."""

    production: str = Field(description="The code of the production.")
    day: date = Field(description="The production day.")
    week: str = Field(description="Its ISO 8601 week.", examples=["2026-W43"])
    opened_at: datetime = Field(description="When the day began (UTC), at the studio's hour.")
    closes_at: datetime = Field(description="When it ends (UTC): 24 hours later, but for a change of the clock.")
    closed: bool = Field(description="Whether it has ended.")
    filed: bool = Field(description="Whether this was filed; else it was made just now and may change.")
    filed_at: datetime | None = Field(description="When it was filed (UTC).")
    revision: int = Field(description="The revision, from 1 on; 0 of what was not filed.")
    position: int = Field(description="The last event it rests on.")
    tz_data_version: str = Field(description="The release of the time zone database that opening and close follow.")
    basis: dict[str, str] = Field(description="What each figure counts.")
    total: FiguresOut = Field(description="The whole production.")
    episodes: list[EpisodeNightOut] = Field(description="By code.")
    stages: list[StageNightOut] = Field(description="By code; they add up to the production.")
    animators: list[AnimatorNightOut] | None = Field(
        description="By name, never ranked; null to a key that does not cover `coordinate`."
    )
    silent: list[SilentOut] = Field(description="The silent terminals, by name.")
    missing_plates: list[str] = Field(description="The first 100 shots whose plate is missing, by code.")
    changes: ChangesOut = Field(description="What else happened on the day.")
    moves: list[DayMoveOut] | None = Field(
        description="The first 100 moves of the day in order; null of a report filed before reports told of phases."
    )
    signoffs: list[DaySignOffOut] = Field(description="The first 100 sign-offs given or withdrawn on the day in order.")
    suspended: list[SuspendedOut] = Field(description="The first 100 shots that were suspended at its close, by code.")
    blocked: BlockedOut | None = Field(
        description="What waited for whom when this revision was filed; beside the day that is open, what waits now. "
        "Null of a closed day of which nothing was filed, and of reports from before this was kept."
    )
    occupancy: list[OccupancyGroupOut] | None = Field(
        description="What each stage of the studio was planned and used for on the day, in seconds, as far as it was "
        "known when this was filed; null where `blocked` is. `GET /v1/occupancy` tells it as it is known now."
    )
    difference: list[DiffersOut] | None = Field(
        description="The figures that differ from the revision before; null of the first and of what was not filed."
    )
    cautions: list[str] = Field(description="What to bear in mind where a day's hours show.")

    @classmethod
    def of(cls, shown: Shown) -> "NightlyOut":
        """The report as it is shown."""
        report, terms = shown.report, shown.report.terms
        animators = [_animator(each.code, each.figures) for each in report.groups if each.scope is Grouping.ANIMATOR]
        return cls(
            production=shown.production,
            day=terms.day,
            week=iso_week(terms.day),
            opened_at=terms.opened_at,
            closes_at=terms.closes_at,
            closed=shown.closed,
            filed=shown.filed_at is not None,
            filed_at=shown.filed_at,
            revision=shown.revision,
            position=shown.position,
            tz_data_version=terms.tz_data_version,
            basis=BASIS,
            total=FiguresOut(**_figures(report.total.figures)),
            episodes=[
                EpisodeNightOut(episode=each.code or "", **_figures(each.figures))
                for each in report.groups
                if each.scope is Grouping.EPISODE
            ],
            stages=[
                StageNightOut(stage=each.code, **_figures(each.figures))
                for each in report.groups
                if each.scope is Grouping.STAGE
            ],
            animators=animators if shown.names else None,
            silent=[_silent(each) for each in report.silent],
            missing_plates=list(report.missing_plates),
            changes=ChangesOut(
                number=sum(report.happenings.values()),
                by_kind=dict(report.happenings),
                entries=[_happened(each) for each in report.happened],
            ),
            moves=None if report.moved is None else [DayMoveOut.of(each) for each in report.moved],
            signoffs=[DaySignOffOut.of(each) for each in report.signed],
            suspended=[SuspendedOut.of(each) for each in report.suspended],
            blocked=shown.blocked,
            occupancy=None if shown.occupancy is None else list(shown.occupancy),
            difference=None if shown.difference is None else [_differs(each) for each in shown.difference],
            cautions=[LONG_DAYS],
        )


def _figures(figures: Mapping[Figure, int]) -> dict[str, Any]:
    """A group's figures by the names they have in JSON."""
    causes = {cause: figures[figure] for cause, figure in BY_CAUSE.items() if figures[figure]}
    own = {Figure(name): figures.get(Figure(name)) for name in FiguresOut.model_fields if name in set(Figure)}
    return {
        **{figure.value: value for figure, value in own.items()},
        "frames_shot": _frames_shot(figures),
        "credited_change": CreditedChangeOut(
            frames=figures[Figure.CREDITED_CHANGE_FRAMES],
            causes={cause: causes[cause] for cause in sorted(causes, key=lambda each: each.value)},
        ),
        "per_cent": per_cent(figures[Figure.CREDITED_FRAMES], figures[Figure.PLANNED_FRAMES]),
        "phases": PhaseFiguresOut.of(figures),
    }


def _frames_shot(figures: Mapping[Figure, int]) -> FramesShotOut:
    return FramesShotOut(
        net=figures[Figure.NET_FRAMES],
        gross=figures[Figure.GROSS_FRAMES],
        deletions=figures[Figure.DELETED_FRAMES],
        corrected=figures[Figure.CORRECTED_FRAMES],
    )


def _animator(name: str | None, figures: Mapping[Figure, int]) -> AnimatorNightOut:
    return AnimatorNightOut(
        animator=name,
        frames_shot=_frames_shot(figures),
        takes_finished=figures[Figure.TAKES_FINISHED],
        takes_circled=figures[Figure.TAKES_CIRCLED],
    )


def _silent(each: Silent) -> SilentOut:
    return SilentOut(terminal=each.terminal, stage=each.stage, last_heard_at=each.last_heard_at)


def _happened(each: Happened) -> HappenedOut:
    return HappenedOut(
        kind=each.kind,
        at=each.at,
        by=each.by,
        shot=each.shot,
        episode=each.episode,
        day=each.day,
        revision=each.revision,
    )


def _differs(each: Differs) -> DiffersOut:
    return DiffersOut(scope=each.scope, code=each.code, figure=each.figure, before=each.before, after=each.after)


_FIGURES = {
    "frames_shot": {"net": 61, "gross": 64, "deletions": 3, "corrected": 0},
    "credited_change": {"frames": 49, "causes": {Cause.COUNTED.value: 49}},
    "credited_frames": 100,
    "planned_frames": 192,
    "per_cent": 52.1,
    "shots_finished": 0,
    "shots_finished_in_all": 0,
    "takes_finished": 1,
    "takes_circled": 0,
    "plates_in": 1,
    "plates_missing": 0,
    "silent_terminals": 1,
    "late_counts": 1,
    "late_net_frames": 12,
    "earlier_days_counts": 0,
    "unmatched_counts": 0,
    "phases": FIGURES_EXAMPLE,
}
_OF_EPISODE = {**_FIGURES, "silent_terminals": None, "unmatched_counts": None}
EXAMPLE = {
    "production": "lantern-bay",
    "day": "2026-10-24",
    "week": "2026-W43",
    "opened_at": "2026-10-24T04:00:00Z",
    "closes_at": "2026-10-25T05:00:00Z",
    "closed": True,
    "filed": True,
    "filed_at": "2026-10-26T09:12:40Z",
    "revision": 2,
    "position": 5011,
    "tz_data_version": "2026.6",
    "basis": BASIS,
    "total": _FIGURES,
    "episodes": [{**_OF_EPISODE, "episode": "101"}],
    "stages": [{**_FIGURES, "stage": "mill"}],
    "animators": None,
    "silent": [{"terminal": "mill-capture", "stage": "mill", "last_heard_at": "2026-10-23T16:40:02Z"}],
    "missing_plates": [],
    "changes": {
        "number": 4,
        "by_kind": {"shot.changed": 1, "take.decided": 3},
        "entries": [
            {
                "kind": "shot.changed",
                "at": "2026-10-24T14:05:00Z",
                "by": "office",
                "shot": "0120",
                "episode": None,
                "day": None,
                "revision": None,
            }
        ],
    },
    "moves": [MOVE_EXAMPLE],
    "signoffs": [SIGNOFF_EXAMPLE],
    "suspended": [],
    "blocked": BLOCKED,
    "occupancy": OCCUPANCY["groups"][:1],
    "difference": [
        {"scope": "production", "code": None, "figure": "net_frames", "before": 49, "after": 61},
        {"scope": "production", "code": None, "figure": "late_counts", "before": 0, "after": 1},
    ],
    "cautions": [LONG_DAYS],
}
