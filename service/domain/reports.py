"""The nightly report: the figures of one production day, for the production, its episodes, stages and animators.

Computed from the day's facts alone, and again from the same facts the same.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from service.domain.dayfigures import (
    BACK_BY_CAUSE,
    BY_CAUSE,
    FIGURES_OF,
    IN_PHASE,
    OF_PHASES,
    Figure,
    Grouping,
)
from service.domain.daymoves import Held, Moved, Signed
from service.domain.days import DayFacts, Happened, ShotAtClose, Silent, TakeNamed, Terms, built, plain
from service.domain.phases import Phase
from service.domain.takes import Purpose

PLATES_NAMED = 100
MOVES_NAMED = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The figures of one production, episode, stage or animator.

    `code` is its code or name; None of the production, of shots no stage is home of, and of counts that named nobody.
    """

    scope: Grouping
    code: str | None
    figures: Mapping[Figure, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Nightly:
    """The report of one production day.

    `groups` has the production first, then episodes, stages and animators by code, None last; never by size.
    `missing_plates` are the first shots that were finished and lacked their plate, by code. `happened` are the first
    entries of what changed, `happenings` the number of all by kind. `moved` are the first moves and `signed` the first
    sign-offs of the day in order, `suspended` the first shots that were suspended at its close, by code. `moved` is
    None, and the figures of phases are left out, in a report that was filed before reports told of phases.
    """

    terms: Terms
    groups: tuple[Group, ...]
    missing_plates: tuple[str, ...]
    silent: tuple[Silent, ...]
    happened: tuple[Happened, ...]
    happenings: Mapping[str, int]
    moved: tuple[Moved, ...] | None = None
    signed: tuple[Signed, ...] = ()
    suspended: tuple[Held, ...] = ()

    @property
    def total(self) -> Group:
        """The figures of the whole production."""
        return self.groups[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Differs:
    """A figure that changed between two revisions; None where one of them has no such group, or did not tell it yet."""

    scope: Grouping
    code: str | None
    figure: Figure
    before: int | None
    after: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed:
    """The latest revision, `revision`, of the report of the production day `day`, filed at `filed_at` (UTC).

    `position` is the event it rests on, `unmatched_counts` how many counts of the day it says wait for a shot.
    """

    day: date
    revision: int
    position: int
    unmatched_counts: int
    filed_at: datetime


Codes = Mapping[Grouping, str | None]
Share = tuple[Codes, Figure, int]


def nightly(facts: DayFacts) -> Nightly:
    """The report of the day these facts are of."""
    sums: dict[tuple[Grouping, str | None], dict[Figure, int]] = defaultdict(dict)
    sums[Grouping.PRODUCTION, None] = {}
    for codes, figure, amount in _shares(facts):
        for scope, code in ((Grouping.PRODUCTION, None), *codes.items()):
            if figure in FIGURES_OF[scope]:
                sums[scope, code][figure] = sums[scope, code].get(figure, 0) + amount
    missing = sorted(each.shot for each in facts.shots if _finished(each) and not _plate_in(each))
    told = facts.moved is not None
    return Nightly(
        terms=facts.terms,
        groups=tuple(
            Group(scope=scope, code=code, figures=_whole(scope, sums[scope, code], phases=told))
            for scope, code in _in_order(sums)
        ),
        missing_plates=tuple(missing[:PLATES_NAMED]),
        silent=facts.silent,
        happened=facts.happened,
        happenings=facts.happenings,
        moved=None if facts.moved is None else facts.moved[:MOVES_NAMED],
        signed=facts.signed[:MOVES_NAMED],
        suspended=tuple(sorted(_held(facts.shots), key=lambda each: each.shot)[:MOVES_NAMED]),
    )


def _held(shots: Sequence[ShotAtClose]) -> Iterator[Held]:
    for each in shots:
        if _in_hand(each) and each.phase and each.suspended_at and each.suspended is not None:
            yield Held(
                shot=each.shot, episode=each.episode, phase=each.phase, since=each.suspended_at, reason=each.suspended
            )


def _in_order(keys: Mapping[tuple[Grouping, str | None], Any]) -> list[tuple[Grouping, str | None]]:
    order = list(Grouping)
    return sorted(keys, key=lambda key: (order.index(key[0]), key[1] is None, key[1] or ""))


def _whole(scope: Grouping, found: Mapping[Figure, int], *, phases: bool) -> dict[Figure, int]:
    told = FIGURES_OF[scope] if phases else FIGURES_OF[scope] - OF_PHASES
    return {figure: found.get(figure, 0) for figure in Figure if figure in told}


def _shares(facts: DayFacts) -> Iterator[Share]:
    """What each fact adds to which figure of which groups; the production has a share in all."""
    homes: dict[str, Codes] = {
        each.shot: {Grouping.EPISODE: each.episode, Grouping.STAGE: each.stage} for each in facts.shots
    }
    yield from _shot_shares(facts, homes)
    for change in facts.credit_changes:
        yield homes[change.shot], Figure.CREDITED_CHANGE_FRAMES, change.frames
        yield homes[change.shot], BY_CAUSE[change.cause], change.frames
    yield from _capture_shares(facts)
    yield from _phase_shares(facts, homes)
    yield from (({Grouping.STAGE: each.stage}, Figure.SILENT_TERMINALS, 1) for each in facts.silent)
    yield from (({Grouping.STAGE: each.stage}, Figure.UNMATCHED_COUNTS, each.counts) for each in facts.waiting)
    for brought in facts.brought:
        codes = {Grouping.EPISODE: brought.episode, Grouping.STAGE: brought.stage}
        yield codes, Figure.EARLIER_DAYS_COUNTS, brought.counts


def _shot_shares(facts: DayFacts, homes: Mapping[str, Codes]) -> Iterator[Share]:
    planned_today: dict[str, int] = defaultdict(int)
    credited_today: dict[str, int] = defaultdict(int)
    for planned in facts.plan_changes:
        planned_today[planned.shot] += planned.frames
    for credited in facts.credit_changes:
        credited_today[credited.shot] += credited.frames
    for shot in facts.shots:
        codes = homes[shot.shot]
        yield codes, Figure.PLANNED_FRAMES, shot.planned_frames
        yield codes, Figure.CREDITED_FRAMES, shot.credited_frames
        yield codes, Figure.PLATES_IN, int(shot.planned_frames > 0 and _plate_in(shot))
        if _finished(shot):
            planned_before = shot.planned_frames - planned_today[shot.shot]
            before = finished(planned_before, shot.credited_frames - credited_today[shot.shot])
            yield codes, Figure.SHOTS_FINISHED_IN_ALL, 1
            yield codes, Figure.SHOTS_FINISHED, int(not before)
            yield codes, Figure.PLATES_MISSING, int(not _plate_in(shot))


def _phase_shares(facts: DayFacts, homes: Mapping[str, Codes]) -> Iterator[Share]:
    for shot in facts.shots:
        if _in_hand(shot) and shot.phase is not None:
            yield homes[shot.shot], IN_PHASE[shot.phase], 1
            yield homes[shot.shot], Figure.SHOTS_SUSPENDED, int(shot.suspended is not None)
    approved: dict[str, Codes] = {}
    for move in facts.moved or ():
        # A shot may have been moved and be in no plan any more, and then the facts have no close of it.
        codes = {Grouping.EPISODE: move.episode, Grouping.STAGE: move.stage}
        yield codes, Figure.MOVES, 1
        yield codes, Figure.MOVES_OVERRIDDEN, int(bool(move.lacked))
        yield codes, Figure.MOVES_BACK, int(move.back)
        if move.cause is not None:
            yield codes, BACK_BY_CAUSE[move.cause], 1
        if move.to is Phase.APPROVED:
            approved[move.shot] = codes
    yield from ((codes, Figure.SHOTS_APPROVED, 1) for codes in approved.values())
    for each in facts.signed:
        codes = {Grouping.EPISODE: each.episode, Grouping.STAGE: each.stage}
        yield codes, Figure.SIGNOFFS_GIVEN if each.given else Figure.SIGNOFFS_WITHDRAWN, 1


def _in_hand(shot: ShotAtClose) -> bool:
    # An omitted shot plans nothing, and an entered one always something.
    return shot.planned_frames > 0


def finished(planned: int, credited: int) -> bool:
    """Whether a shot with these frames planned and credited is finished: something is planned, and all of it is there.

    E = T > 0.
    """
    return planned > 0 and credited == planned


def _finished(shot: ShotAtClose) -> bool:
    return finished(shot.planned_frames, shot.credited_frames)


def _plate_in(shot: ShotAtClose) -> bool:
    return shot.plate_frames >= shot.plate_needed_frames


def _capture_shares(facts: DayFacts) -> Iterator[Share]:
    for each in facts.shooting:
        codes = {Grouping.EPISODE: each.episode, Grouping.STAGE: each.stage, Grouping.ANIMATOR: each.animator}
        if each.purpose is Purpose.SHOOT:
            yield codes, Figure.NET_FRAMES, each.gross_frames - each.deleted_frames + each.corrected_frames
            yield codes, Figure.GROSS_FRAMES, each.gross_frames
            yield codes, Figure.DELETED_FRAMES, each.deleted_frames
            yield codes, Figure.CORRECTED_FRAMES, each.corrected_frames
            yield codes, Figure.LATE_NET_FRAMES, each.late_net_frames
        # Whose counts were late is the network's doing, and a plate's count may be late like any other.
        here = {Grouping.EPISODE: each.episode, Grouping.STAGE: each.stage}
        yield here, Figure.LATE_COUNTS, each.late_counts
    yield from _take_shares(facts.finished, Figure.TAKES_FINISHED)
    yield from _take_shares(facts.circled, Figure.TAKES_CIRCLED)


def _take_shares(takes: Sequence[TakeNamed], figure: Figure) -> Iterator[Share]:
    for each in takes:
        yield {Grouping.EPISODE: each.episode, Grouping.STAGE: each.stage, Grouping.ANIMATOR: each.animator}, figure, 1


def difference(before: Nightly, after: Nightly) -> tuple[Differs, ...]:
    """Every figure that is another in `after`, by group; a group only one of them has counts where it is not 0."""
    old, new = ({(each.scope, each.code): each.figures for each in report.groups} for report in (before, after))
    return tuple(
        Differs(
            scope=scope,
            code=code,
            figure=figure,
            before=old[scope, code].get(figure) if (scope, code) in old else None,
            after=new[scope, code].get(figure) if (scope, code) in new else None,
        )
        for scope, code in _in_order(old | new)
        for figure in Figure
        if old.get((scope, code), {}).get(figure, 0) != new.get((scope, code), {}).get(figure, 0)
    )


def report_of(figures: Mapping[str, Any]) -> Nightly:
    """The report that `plain` made these stored figures of.

    Frames there was no figure of yet when it was filed are 0, figures of phases left out where it did not tell them.
    """
    report = built(Nightly, figures)
    told = report.moved is not None
    groups = (replace(each, figures=_whole(each.scope, each.figures, phases=told)) for each in report.groups)
    return replace(report, groups=tuple(groups))


def says_the_same(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool:
    """Whether two reports as they are stored say the same, whichever figures there were when each was made.

    Where the earlier one was filed before reports told of phases, that the later one tells of them is nothing new.
    """
    if before == after:
        return True
    old, new = report_of(before), report_of(after)
    return old == new if old.moved is not None else _without_phases(old) == _without_phases(new)


def _without_phases(report: Nightly) -> Nightly:
    """What a report says apart from phases: a group that says nothing else is left out."""
    groups = (
        replace(each, figures={figure: n for figure, n in each.figures.items() if n and figure not in OF_PHASES})
        for each in report.groups
    )
    said = tuple(each for each in groups if each.figures)
    return replace(report, groups=said, moved=None, signed=(), suspended=())


def facts_of(inputs: Mapping[str, Any]) -> DayFacts:
    """The facts that `plain` made these stored inputs of."""
    return built(DayFacts, inputs)


def stored(report: Nightly) -> dict[str, Any]:
    """A report's figures as they are stored, in plain JSON values."""
    figures: dict[str, Any] = plain(report)
    return figures


def stored_facts(facts: DayFacts) -> dict[str, Any]:
    """A report's inputs as they are stored, in plain JSON values."""
    inputs: dict[str, Any] = plain(facts)
    return inputs
