"""Cuts: the revisions of an episode's cut, drafts and locked ones."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import defer
from sqlmodel import Session, col

from service.domain.cuts import CutShot, ShotCut
from service.domain.differences import Change
from service.domain.findings import Finding, FindingKind
from service.domain.progress import ShotFacts
from service.domain.proposals import Proposal
from service.domain.uses import Use
from service.store.tables import CutRow, ShotRow
from service.store.takes import dissolves_of
from service.store.takes import uses_of as uses_in


def by_revision(session: Session, episode_id: int, revision: int) -> CutRow | None:
    """A revision of an episode's cut."""
    statement = select(CutRow).where(col(CutRow.episode_id) == episode_id, col(CutRow.revision) == revision)
    return session.scalars(statement).one_or_none()


def last_revision(session: Session, episode_id: int) -> int:
    """The number of an episode's newest revision, locked or not; 0 before any."""
    return session.scalar(select(func.max(CutRow.revision)).where(col(CutRow.episode_id) == episode_id)) or 0


def page(session: Session, episode_id: int, *, after: int, limit: int) -> Sequence[CutRow]:
    """At most *limit* revisions after the one with id *after*, without what the lists say."""
    statement = select(CutRow).where(col(CutRow.episode_id) == episode_id, col(CutRow.id) > after)
    heavy: tuple[Any, ...] = (CutRow.text, CutRow.uses, CutRow.findings, CutRow.differences)
    light = statement.options(*(defer(each, raiseload=True) for each in heavy))
    return session.scalars(light.order_by(col(CutRow.id)).limit(limit)).all()


def elsewhere(session: Session, production_id: int, *, episode_id: int, codes: Iterable[str]) -> set[str]:
    """Those of *codes* that shots of the production's other episodes have, omitted ones included."""
    statement = select(col(ShotRow.code)).where(
        col(ShotRow.production_id) == production_id,
        col(ShotRow.episode_id) != episode_id,
        col(ShotRow.code).in_(sorted(codes)),
    )
    return set(session.scalars(statement))


def shot_ids(session: Session, episode_id: int) -> list[int]:
    """The ids of an episode's shots, omitted ones included."""
    statement = select(col(ShotRow.id)).where(col(ShotRow.episode_id) == episode_id).order_by(col(ShotRow.id))
    return [id_ for id_ in session.scalars(statement) if id_ is not None]


def use_values(use: Use) -> dict[str, Any]:
    """A use as it is kept."""
    return {**asdict(use), "remarks": list(use.remarks)}


def uses_of(row: CutRow) -> tuple[Use, ...]:
    """The uses of a kept revision."""
    return tuple(Use(**{**values, "remarks": tuple(values["remarks"])}) for values in row.uses)


def finding_values(finding: Finding) -> dict[str, Any]:
    """A finding as it is kept."""
    return {**asdict(finding), "kind": finding.kind.value}


def findings_of(values: Iterable[Mapping[str, Any]]) -> tuple[Finding, ...]:
    """Findings as they were kept."""
    return tuple(Finding(**{**each, "kind": FindingKind(each["kind"])}) for each in values)


def cut_shot(row: ShotRow, facts: ShotFacts) -> CutShot:
    """What cuts have said of a shot."""
    cut = ShotCut(uses=uses_in(row), dissolves=dissolves_of(row), source=row.source, source_zero=row.source_zero)
    counted = any(series.total_frames for series in facts.series)
    return CutShot(cut=cut, listed=row.uses is not None, counted=counted)


def totals(whole: Proposal) -> dict[str, Any]:
    """How many shots each change befalls, and what cut and planned frames come to, before and after."""
    found = [recut.difference for recut in whole.recuts]
    return {
        "changed": {change.value: sum(change in each.changes for each in found) for change in Change},
        "cut_frames_before": sum(each.cut_frames_before for each in found),
        "cut_frames_after": sum(each.cut_frames_after for each in found),
        "planned_frames_before": sum(each.planned_frames_before for each in found),
        "planned_frames_after": sum(each.planned_frames_after for each in found),
    }


def difference_values(whole: Proposal) -> dict[str, Any]:
    """What a cut changes, as it is kept: totals, each shot that differs, the codes of those that do not."""
    found = [recut.difference for recut in whole.recuts]
    return {
        **totals(whole),
        "shots": [asdict(each) for each in found if each.changes],
        "unchanged": [each.shot for each in found if not each.changes],
    }
