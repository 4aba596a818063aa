"""Re-cuts: write into an episode's shots what a new cut makes of them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session

from service.actions import shots
from service.actions.merges import require_unmerged
from service.actions.releases import Fate, settle
from service.actions.sheets import Sheet
from service.actions.shots import Planned
from service.domain.cuts import ShotCut
from service.domain.proposals import Proposal, Recut
from service.domain.shots import Plan
from service.store import shots as store
from service.store import stages
from service.store.events import Happening
from service.store.tables import EpisodeRow, ProductionRow, ShotRow


@dataclass(frozen=True, slots=True)
class Applied:
    """The shots for which counts may have waited, the events to append, and what became of bookings."""

    arrived: Sequence[ShotRow]
    happenings: Sequence[Happening]
    fates: Sequence[Fate]


def apply(
    session: Session,
    production: ProductionRow,
    episode: EpisodeRow,
    whole: Proposal,
    *,
    sheet: Sheet,
    revision: int,
    by: str,
    now: datetime,
) -> Applied:
    """Write what a new cut changes; `sheet` holds every shot of the episode that there was."""
    rows = {row.code: row for row in sheet.shots.values()}
    known = [(rows[recut.shot], recut) for recut in whole.recuts if recut.before is not None]
    altered = [(row, recut) for row, recut in known if recut.before != recut.after]
    before = shots.planned(session, [row for row, _ in altered])
    restored = [row for row, recut in altered if row.omitted and not recut.after.omitted]
    for row in restored:
        require_unmerged(session, row)
    for row, recut in known:
        if recut.cut is not None:
            _lie(row, recut.cut)
    for row, recut in altered:
        _replan(session, row, recut, sheet)
    sheet.save(now=now)
    wanted = [_wanted(recut, recut.cut, episode) for recut in whole.recuts if recut.before is None and recut.cut]
    new, added = shots.insert(session, production, wanted, by=by, now=now)
    cuts = {recut.shot: recut.cut for recut in whole.recuts}
    for row in new:
        if (cut := cuts[row.code]) is not None:
            row.source, row.source_zero = cut.source, cut.source_zero
    _mark([*rows.values(), *new], {use.shot for use in whole.uses}, revision)
    episode.cut_revision = revision
    session.flush()
    reason = f"cut revision {revision}"
    after = shots.planned(session, [row for row, _ in altered])
    changed = [
        shots.changed_event(row, shots.differences(was, becomes), production, reason=reason, by=by, now=now)
        for (row, _), was, becomes in zip(altered, before, after, strict=True)
    ]
    flipped = [row for row, recut in altered if recut.before is not None and recut.before.omitted != row.omitted]
    released = settle(session, flipped, reason=reason, by=by, now=now)
    return Applied((*new, *restored), (*added, *changed, *released.happenings), released.fates)


def _lie(row: ShotRow, cut: ShotCut) -> None:
    """Say where the shot lies on its reel, which may change though nothing of its plan does."""
    row.uses = list(cut.uses)
    row.source, row.source_zero = cut.source, cut.source_zero


def _replan(session: Session, row: ShotRow, recut: Recut, sheet: Sheet) -> None:
    after, shot_id = recut.after, row.id or 0
    if recut.cut is not None:
        row.dissolves = list(recut.cut.dissolves) or None
        row.cut_frames = recut.cut.frames
    row.handle_in, row.handle_out, row.omitted = after.handle_in, after.handle_out, after.omitted
    row.plan_rev += 1
    row.rev += 1
    if recut.before is not None and recut.before.parts != after.parts:
        _stretch(session, shot_id, after)
    sheet.replan(shot_id, after, recut.cause)


def _stretch(session: Session, shot_id: int, plan: Plan) -> None:
    ranges = {part.part: (part.first, part.last) for part in plan.parts}
    planned = [
        replace(part, first=ranges[part.part][0], last=ranges[part.part][1])
        for part in store.parts(session, [shot_id])[shot_id]
    ]
    stage_ids = stages.ids_by_code(session, {part.stage for part in planned})
    store.set_parts(session, shot_id, planned=planned, stage_ids=stage_ids)


def _wanted(recut: Recut, cut: ShotCut, episode: EpisodeRow) -> Planned:
    return Planned(
        code=recut.shot,
        episode=episode.code,
        scene=recut.scene,
        cut_frames=cut.frames,
        uses=cut.uses,
        dissolves=cut.dissolves,
        handle_in=recut.after.handle_in,
        handle_out=recut.after.handle_out,
        cameras=recut.after.cameras,
        passes=recut.after.passes,
        moving_camera=recut.after.moving_camera,
        parts=(),
    )


def _mark(rows: Sequence[ShotRow], shown: set[str], revision: int) -> None:
    for row in rows:
        if row.code in shown or row.cut_revision is not None:
            row.cut_revision = revision if row.code in shown else None
            # What is shown of a shot has changed, even where nothing of its plan has.
            row.touched += 1
