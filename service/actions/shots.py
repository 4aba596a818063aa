"""Shots: plan them, change their plans, omit and restore them, find them."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.actions.merges import require_unmerged
from service.actions.releases import Fate, settle
from service.actions.sheets import Sheet
from service.actions.unmatched import match_waiting
from service.domain.codes import composed, is_code
from service.domain.events import EventKind
from service.domain.needs import REQUIRED
from service.domain.progress import Cause
from service.domain.refusals import Clash, Fault, Forbidden, UnfitFields, Unknown
from service.domain.shots import Part, Plan, PlanRefused, check_parts
from service.domain.studio import production_day
from service.store import needs, productions, stages, studio
from service.store import shots as store
from service.store.events import Happening, append_all
from service.store.shots import PlannedPart
from service.store.tables import ProductionRow, ShotRow
from service.store.takes import dissolves_of, note_planned, plan_of, uses_of

# What a stage needs to know again, and what E is counted against.
PLAN_FIELDS = frozenset({"cut_frames", "uses", "dissolves", "handle_in", "handle_out", "parts", "omitted", *REQUIRED})


@dataclass(eq=False)
class ShotUnknown(Unknown):
    """The production {production} has no shot {shot}."""

    production: str
    shot: str


@dataclass(eq=False)
class ShotTaken(Clash):
    """The production {production} already has shots of these codes, perhaps omitted ones; `errors` names each.

    None was added.
    """

    production: str
    faults: tuple[Fault, ...]


@dataclass(eq=False)
class ShotElsewhere(Forbidden):
    """The shot {shot} is not planned for {stage}, the stage of this key."""

    shot: str
    stage: str


@dataclass(eq=False)
class FixedByCut(Clash):
    """Length and episode of {shot} come from the cut lists of episode {episode}.

    Lock a new list; one that covers {shot}-{shot} leaves every other shot as it is.
    """

    shot: str
    episode: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A shot as it is wanted; `parts` with the one part "" mean that one stage shoots all of it, none that any may.

    `uses` and `dissolves` are what a cut list gave it, None and empty before any: then the cut uses 1…`cut_frames`.
    `animator` is who is to animate it, which is no part of the plan.
    """

    code: str
    episode: str
    scene: str | None
    cut_frames: int
    uses: tuple[tuple[int, int], ...] | None = None
    dissolves: tuple[tuple[int, int], ...] = ()
    handle_in: int
    handle_out: int
    cameras: tuple[str, ...]
    passes: tuple[str, ...]
    moving_camera: bool
    parts: tuple[PlannedPart, ...]
    omitted: bool = False
    animator: str | None = None


@dataclass(frozen=True, slots=True)
class _Known:
    """The ids behind the codes that plans name."""

    episodes: Mapping[str, int]
    stages: Mapping[str, int]


def find(session: Session, production: ProductionRow, code: str, *, lock: bool = False) -> ShotRow:
    """The shot of this code in a production; raises ShotUnknown."""
    code = composed(code)
    row = store.by_code(session, production.id or 0, code, lock=lock) if is_code(code) else None
    if row is None:
        raise ShotUnknown(production.code, code)
    return row


def planned(session: Session, rows: Sequence[ShotRow]) -> list[Planned]:
    """These shots as they now stand."""
    ids = [row.id or 0 for row in rows]
    parts = store.parts(session, ids)
    episodes = store.episode_codes(session, {row.episode_id for row in rows})
    return [
        Planned(
            code=row.code,
            episode=episodes[row.episode_id],
            scene=row.scene,
            cut_frames=row.cut_frames,
            uses=None if row.uses is None else uses_of(row),
            dissolves=dissolves_of(row),
            handle_in=row.handle_in,
            handle_out=row.handle_out,
            cameras=tuple(row.cameras),
            passes=tuple(row.passes),
            moving_camera=row.moving_camera,
            parts=parts[row.id or 0],
            omitted=row.omitted,
            animator=row.animator,
        )
        for row in rows
    ]


def add_all(
    session: Session, production: ProductionRow, wanted: Sequence[Planned], *, listed: bool, by: str, now: datetime
) -> list[ShotRow]:
    """Add shots to a locked production, all or none, and match the counts that waited for them.

    Raises UnfitFields and ShotTaken with every fault there is; pointers begin with the shot's place where the shots
    came `listed`.
    """
    known = _known(session, production, wanted)
    roots = [f"#/{place}" if listed else "#" for place in range(len(wanted))]
    faults = [
        *_doubled(wanted, roots),
        *(fault for each, root in zip(wanted, roots, strict=True) for fault in _faults(each, known, root)),
    ]
    if faults:
        raise UnfitFields(tuple(faults))
    taken = store.taken_codes(session, production.id or 0, [each.code for each in wanted])
    if taken:
        detail = "The production already has a shot of this code."
        places = (root for each, root in zip(wanted, roots, strict=True) if each.code in taken)
        raise ShotTaken(production.code, tuple(Fault(detail, pointer=f"{root}/code") for root in places))
    rows, added = insert(session, production, wanted, by=by, now=now)
    append_all(session, added)
    match_waiting(session, production, rows, by=by, now=now)
    return rows


def insert(
    session: Session, production: ProductionRow, wanted: Sequence[Planned], *, by: str, now: datetime
) -> tuple[list[ShotRow], list[Happening]]:
    """Write new shots whose codes are free and whose plans are sound; the rows, and the events to append last."""
    known = _known(session, production, wanted)
    rows = [_row(production, each, known, now=now) for each in wanted]
    session.add_all(rows)
    session.flush()
    ids = [row.id or 0 for row in rows]
    store.add_parts(session, dict(zip(ids, (each.parts for each in wanted), strict=True)), known.stages)
    today = production_day(now, studio.load(session))
    for id_, each in zip(ids, wanted, strict=True):
        frames = len(_plan(each, known).planned_set)
        note_planned(session, id_, frames, cause=Cause.ADDED.value, changed_on=today, now=now)
    added = [_added(row, each, production, by=by, now=now) for row, each in zip(rows, wanted, strict=True)]
    return rows, added


def change(
    session: Session,
    production: ProductionRow,
    row: ShotRow,
    *,
    wanted: Planned,
    reason: str | None,
    by: str,
    now: datetime,
) -> Sequence[Fate]:
    """Make a locked shot as it is wanted; counts that may count now are matched.

    A change of the plan moves credited frames, and the journal says by how many and why. Returns what became of the
    bookings of a shot that was omitted or restored. Raises UnfitFields and FixedByCut.
    """
    changed = rewrite(session, production, row, wanted=wanted, now=now)
    if not changed:
        return ()
    released = settle(session, [row] if "omitted" in changed else [], reason=reason, by=by, now=now)
    event = changed_event(row, changed, production, reason=reason, by=by, now=now)
    append_all(session, [event, *released.happenings])
    if not wanted.omitted and changed.keys() & {"parts", "omitted"}:
        match_waiting(session, production, [row], by=by, now=now)
    return released.fates


def rewrite(
    session: Session,
    production: ProductionRow,
    row: ShotRow,
    *,
    wanted: Planned,
    now: datetime,
    present: Planned | None = None,
    sheet: Sheet | None = None,
) -> Mapping[str, Mapping[str, Any]]:
    """Write a locked shot as it is wanted, and say what was and is, by field; the caller appends the event.

    Whoever rewrites many says how each stands at `present`, and gives one `sheet` of them all, which is then theirs to
    save. Raises UnfitFields and FixedByCut.
    """
    present = present or planned(session, [row])[0]
    changed = differences(present, wanted)
    if not changed:
        return changed
    if not wanted.omitted and "omitted" in changed:
        require_unmerged(session, row)
    if row.uses is not None and changed.keys() & {"cut_frames", "episode"}:
        raise FixedByCut(row.code, present.episode)
    known = _known(session, production, [wanted])
    if faults := tuple(_faults(wanted, known, "#")):
        raise UnfitFields(faults)
    if changed.keys() & PLAN_FIELDS:
        own = sheet or Sheet(session, [row.id or 0], studio.load(session))
        if "parts" in changed:
            store.set_parts(session, row.id or 0, planned=wanted.parts, stage_ids=known.stages)
        _replan(row, wanted, known, cause=_cause(present, wanted), sheet=own)
        if sheet is None:
            own.save(now=now)
    else:
        _write(row, wanted, known)
        row.touched += 1
    row.rev += 1
    if changed.keys() & set(REQUIRED) and (entered := needs.by_shot(session, row.id or 0)) is not None:
        # Whoever enters needs says these with them, and must not overwrite what they have not seen.
        entered.rev += 1
    return changed


def differences(present: Planned, wanted: Planned) -> dict[str, dict[str, Any]]:
    """What differs, by field, before and after; parts in another order are the same parts."""
    before, after = (
        asdict(replace(each, parts=tuple(sorted(each.parts, key=lambda part: part.part)))) for each in (present, wanted)
    )
    return {name: {"before": before[name], "after": after[name]} for name in before if before[name] != after[name]}


def _known(session: Session, production: ProductionRow, wanted: Sequence[Planned]) -> _Known:
    return _Known(
        episodes=productions.episodes_by_code(session, production.id or 0, {each.episode for each in wanted}),
        stages=stages.ids_by_code(session, {part.stage for each in wanted for part in each.parts}),
    )


def _doubled(wanted: Sequence[Planned], roots: Sequence[str]) -> Iterator[Fault]:
    first: dict[str, str] = {}
    for each, root in zip(wanted, roots, strict=True):
        if (earlier := first.setdefault(each.code, root)) != root:
            yield Fault(f"The shot at {earlier} has this code already.", pointer=f"{root}/code")


def _faults(wanted: Planned, known: _Known, root: str) -> Iterator[Fault]:
    if wanted.episode not in known.episodes:
        yield Fault("The production has no episode of this code; add it first.", pointer=f"{root}/episode")
    strangers = [place for place, part in enumerate(wanted.parts) if part.stage not in known.stages]
    for place in strangers:
        at = "stage" if wanted.parts[place].part == "" else f"parts/{place}/stage"
        yield Fault("There is no stage of this code; add it first.", pointer=f"{root}/{at}")
    if strangers:
        return
    try:
        # An omitted shot's plan is checked as if it stood, so that it can be restored.
        check_parts(replace(_plan(wanted, known), omitted=False), [part.part for part in wanted.parts])
    except PlanRefused as refused:
        yield Fault(refused.message, pointer=f"{root}/{refused.field}")


def _plan(wanted: Planned, known: _Known) -> Plan:
    return Plan(
        uses=wanted.uses or ((1, wanted.cut_frames),),
        dissolves=wanted.dissolves,
        handle_in=wanted.handle_in,
        handle_out=wanted.handle_out,
        cameras=wanted.cameras,
        passes=wanted.passes,
        parts=_parts(wanted, known),
        moving_camera=wanted.moving_camera,
        omitted=wanted.omitted,
    )


def _parts(wanted: Planned, known: _Known) -> tuple[Part, ...]:
    return tuple(Part(part.part, known.stages[part.stage], part.first, part.last) for part in wanted.parts)


def _row(production: ProductionRow, wanted: Planned, known: _Known, *, now: datetime) -> ShotRow:
    row = ShotRow(
        production_id=production.id or 0,
        episode_id=known.episodes[wanted.episode],
        code=wanted.code,
        cut_frames=wanted.cut_frames,
        cameras=[],
        passes=[],
        phase_since=now,
        added_at=now,
    )
    _write(row, wanted, known)
    return row


def _write(row: ShotRow, wanted: Planned, known: _Known) -> None:
    row.episode_id = known.episodes[wanted.episode]
    row.scene = wanted.scene
    row.cut_frames = wanted.cut_frames
    row.uses = None if wanted.uses is None else list(wanted.uses)
    row.dissolves = list(wanted.dissolves) or None
    row.handle_in = wanted.handle_in
    row.handle_out = wanted.handle_out
    row.cameras = list(wanted.cameras)
    row.passes = list(wanted.passes)
    row.moving_camera = wanted.moving_camera
    row.omitted = wanted.omitted
    row.animator = wanted.animator


def _replan(row: ShotRow, wanted: Planned, known: _Known, *, cause: Cause, sheet: Sheet) -> None:
    _write(row, wanted, known)
    row.plan_rev += 1
    sheet.replan(row.id or 0, plan_of(row, _parts(wanted, known)), cause)


def _cause(present: Planned, wanted: Planned) -> Cause:
    if present.omitted == wanted.omitted:
        return Cause.RECUT
    return Cause.OMITTED if wanted.omitted else Cause.RESTORED


def _added(row: ShotRow, wanted: Planned, production: ProductionRow, *, by: str, now: datetime) -> Happening:
    facts = asdict(wanted)
    del facts["code"], facts["omitted"]
    return Happening(
        kind=EventKind.SHOT_ADDED,
        at=now,
        actor=by,
        production_id=production.id,
        shot_id=row.id,
        data={"production": production.code, "shot": row.code, **facts},
    )


def changed_event(
    row: ShotRow,
    changed: Mapping[str, Any],
    production: ProductionRow,
    *,
    reason: str | None,
    by: str,
    now: datetime,
) -> Happening:
    """The event of a shot that was changed, omitted or restored; `changed` says what was and is, by field."""
    kind = EventKind.SHOT_CHANGED
    if "omitted" in changed:
        kind = EventKind.SHOT_OMITTED if row.omitted else EventKind.SHOT_RESTORED
    return Happening(
        kind=kind,
        at=now,
        actor=by,
        production_id=production.id,
        shot_id=row.id,
        data={"production": production.code, "shot": row.code, "changed": changed, "reason": reason},
    )
