"""Proposals: what a list would make of an episode, before anything of it is written."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from service.domain.cuts import CutShot, Numbered, ShotCut, by_shot, covered, merged, numbered, untold_reels
from service.domain.differences import Difference, difference, in_hand, moved
from service.domain.findings import Finding, FindingKind
from service.domain.moves import Standing
from service.domain.progress import Cause
from service.domain.shots import Plan, stretched
from service.domain.uses import Use

# What is required of a shot that only a list has named; a coordinator says more.
CAMERAS = PASSES = ("main",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Handles:
    """Spare frames a list asks for at each end of the shots it names; None leaves those a known shot has."""

    before: int | None = None
    after: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EpisodeFacts:
    """An episode as a list finds it.

    `shots` is how all its shots stand by code, `cuts` what cuts have said of them, `current` the uses of its locked
    cut in the order of the record, `elsewhere` the codes of other episodes' shots.
    """

    shots: Mapping[str, Standing]
    cuts: Mapping[str, CutShot]
    current: Sequence[Use]
    elsewhere: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Recut:
    """One shot under a new cut; `before` is None of a shot that is new, `cut` of one that is omitted."""

    shot: str
    scene: str | None = None
    before: Plan | None
    after: Plan
    cut: ShotCut | None
    difference: Difference

    @property
    def cause(self) -> Cause:
        """Why its planned and credited frames change."""
        if self.after.omitted:
            return Cause.OMITTED
        return Cause.RESTORED if self.before is not None and self.before.omitted else Cause.RECUT


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The whole episode's uses under a new cut, what is to be said of them, and every shot the list decides on."""

    uses: tuple[Use, ...]
    findings: tuple[Finding, ...]
    recuts: tuple[Recut, ...]


def propose(listed: Sequence[Use], episode: EpisodeFacts, *, covers: str, handles: Handles) -> Proposal:
    """What these uses make of the episode; nothing may come of it where a finding is a fault.

    Raises CoversRefused.
    """
    scope = covered(covers, episode.current)
    whole, seams = merged(listed, episode.current, scope)
    new = by_shot(listed)
    untold = untold_reels(new, episode.cuts)
    numbers = {shot: numbered(uses, episode.cuts.get(shot), untold=untold) for shot, uses in new.items()}
    shown = {use.shot for use in whole}
    displaced = moved(list(by_shot(episode.current)), list(by_shot(whole)))
    recuts = [
        _recut(shot, uses, numbers[shot], episode.shots.get(shot), handles=handles, displaced=shot in displaced)
        for shot, uses in new.items()
    ]
    gone = [
        _omitted(shot, standing)
        for shot, standing in episode.shots.items()
        if shot not in shown and not standing.facts.plan.omitted and (scope is None or shot in scope)
    ]
    findings = [*seams, *_remarks(new, numbers, episode.elsewhere)]
    findings.sort(key=lambda finding: finding.line)
    return Proposal(uses=whole, findings=tuple(findings), recuts=(*recuts, *gone))


def _recut(
    shot: str,
    uses: Sequence[Use],
    numbers: Numbered,
    standing: Standing | None,
    *,
    handles: Handles,
    displaced: bool,
) -> Recut:
    before = None if standing is None else standing.facts.plan
    after = _planned(before, numbers.cut, handles)
    found = difference(shot, before, after, end_known=numbers.end_known, moved=displaced)
    return Recut(
        shot=shot,
        scene=next((use.scene for use in uses if use.scene is not None), None),
        before=before,
        after=after,
        cut=numbers.cut,
        difference=found if standing is None else replace(found, in_hand=in_hand(standing, after)),
    )


def _omitted(shot: str, standing: Standing) -> Recut:
    before = standing.facts.plan
    after = replace(before, omitted=True)
    found = replace(difference(shot, before, after), in_hand=in_hand(standing, after))
    return Recut(shot=shot, before=before, after=after, cut=None, difference=found)


def _planned(before: Plan | None, cut: ShotCut, handles: Handles) -> Plan:
    if before is None:
        return Plan(
            uses=cut.uses,
            dissolves=cut.dissolves,
            handle_in=handles.before or 0,
            handle_out=handles.after or 0,
            cameras=CAMERAS,
            passes=PASSES,
        )
    changed = replace(
        before,
        uses=cut.uses,
        dissolves=cut.dissolves,
        handle_in=before.handle_in if handles.before is None else handles.before,
        handle_out=before.handle_out if handles.after is None else handles.after,
        omitted=False,
    )
    return stretched(changed)


def _remarks(
    new: Mapping[str, Sequence[Use]], numbers: Mapping[str, Numbered], elsewhere: frozenset[str]
) -> Iterable[Finding]:
    for shot, uses in new.items():
        line = uses[0].line
        if shot in elsewhere:
            detail = f"{shot} is a shot of another episode; a code is one shot for good, so this one needs another."
            yield Finding(kind=FindingKind.ELSEWHERE, line=line, detail=detail, shot=shot)
        if not numbers[shot].end_known:
            detail = (
                f"The source side does not tell which frames of {shot} changed, so the tail is taken. Give its source "
                "side on the reel of the cut before to say otherwise."
            )
            yield Finding(kind=FindingKind.END_UNKNOWN, line=line, detail=detail, shot=shot)
