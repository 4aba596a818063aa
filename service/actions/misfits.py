"""Which bookings a shot's move, omission, restoring or re-cut touches, and what about them does not fit any more."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from sqlmodel import Session

from service.actions.lengths import Outlook, outlook, remaining
from service.actions.releases import Fate, foresee
from service.domain.bookings import Activity, Firmness
from service.domain.calendars import stage_days
from service.domain.lengths import Expected
from service.domain.misfits import Becomes, Promise, Remark, remarks
from service.domain.moves import Standing, replanned
from service.domain.proposals import Recut
from service.domain.spans import Span
from service.store import misfits as store
from service.store import moves, shots, stages, studio
from service.store.bookings import Booked
from service.store.tables import ProductionRow

NONE = Fraction(0)


@dataclass(frozen=True, slots=True)
class Touched:
    """A booking of a shot that something befell: what becomes of it and why, and what does not fit."""

    booked: Booked
    becomes: Becomes
    why: str | None
    remarks: tuple[Remark, ...]


def touched(
    session: Session,
    production: ProductionRow,
    standings: Mapping[int, Standing],
    *,
    fates: Sequence[Fate] = (),
    now: datetime,
) -> dict[int, list[Touched]]:
    """The bookings, not over, of these shots, which stand as they do afterwards, by the shots' ids.

    `fates` are what became of bookings, or would, where shots were omitted or restored. A shot without any is left out.
    How long a booking should be is asked of the only one for shooting that a shot or part has: several share the work.
    """
    by_number = {fate.booked.row.id: fate for fate in fates}
    several = {each.row.id: each for each in store.of_shots(session, standings, now=now)}
    several |= {fate.booked.row.id: fate.booked for fate in fates}
    if not several:
        return {}
    judge = _judge(session, production, standings, list(several.values()), now=now)
    found: dict[int, list[Touched]] = defaultdict(list)
    for number, booked in sorted(several.items(), key=lambda item: (item[1].row.start_at, item[0] or 0)):
        fate = by_number.get(number)
        becomes = Becomes.STAYS if fate is None else fate.becomes
        stands = becomes in {Becomes.STAYS, Becomes.BROUGHT_BACK}
        shot_id = booked.row.shot_id or 0
        said = judge.remarks(booked, standings[shot_id]) if stands else ()
        found[shot_id].append(Touched(booked, becomes, None if fate is None else fate.why, said))
    return dict(found)


def touched_by_recuts(
    session: Session,
    production: ProductionRow,
    recuts: Sequence[Recut],
    *,
    fates: Sequence[Fate] | None = None,
    now: datetime,
) -> list[dict[str, Any]]:
    """The bookings of the shots that a cut changes, as they fit its plan, shot by shot and as the cut keeps them.

    `fates` are what became of bookings where the cut is locked; of a draft it is foreseen.
    """
    differ = {each.shot: each for each in recuts if each.before is not None and each.before != each.after}
    ids = shots.ids_by_code(session, production.id or 0, differ)
    if fates is None:
        was = {code: each.before is not None and each.before.omitted for code, each in differ.items()}
        omitted = [ids[code] for code, each in differ.items() if each.after.omitted]
        there = [ids[code] for code, each in differ.items() if was[code] and not each.after.omitted]
        fates = foresee(session, omitted=omitted, there=there, now=now)
    concerned = {each.row.shot_id or 0 for each in store.of_shots(session, ids.values(), now=now)}
    concerned |= {fate.booked.row.shot_id or 0 for fate in fates}
    if not concerned:
        return []
    rows = shots.by_ids(session, concerned)
    minimum = studio.load(session).plate_minimum_frames
    now_standing = moves.standings(session, rows, plate_minimum_frames=minimum)
    then = {row.id or 0: replanned(now_standing[row.id or 0], differ[row.code].after) for row in rows}
    found = touched(session, production, then, fates=fates, now=now)
    by_code = sorted((row.code, row.id or 0) for row in rows if row.id in found)
    return [{"shot": code, "bookings": [plain(each) for each in found[id_]]} for code, id_ in by_code]


def plain(one: Touched) -> dict[str, Any]:
    """A touched booking as plain values; one that comes back is as firm as it then is."""
    row = one.booked.row
    back = one.becomes is Becomes.BROUGHT_BACK
    return {
        "booking": row.id,
        "path": f"/v1/bookings/{row.id}",
        "stage": one.booked.stage,
        "animator": row.animator,
        "part": row.part,
        "activity": row.activity,
        "firmness": Firmness.PENCILLED.value if back else row.firmness,
        "start": row.start_at.isoformat(),
        "end": row.end_at.isoformat(),
        "becomes": one.becomes.value,
        "why": one.why,
        "misfits": [{"misfit": each.misfit.value, "detail": each.detail} for each in one.remarks],
    }


@dataclass(frozen=True, slots=True)
class _Judge:
    ahead: Outlook | None
    alone: frozenset[int]
    codes: Mapping[int, str]

    def remarks(self, booked: Booked, standing: Standing) -> tuple[Remark, ...]:
        row = booked.row
        promise = Promise(
            activity=Activity(row.activity),
            span=Span(row.start_at, row.end_at),
            stage=booked.stage,
            part=row.part,
        )
        expected = self._expected(booked, standing)
        return remarks(
            promise,
            standing,
            stages={part.part: self.codes[part.stage_id] for part in standing.facts.plan.parts},
            expected=expected,
            spare=self._spare(booked, expected),
        )

    def _expected(self, booked: Booked, standing: Standing) -> Expected | None:
        row = booked.row
        if self.ahead is None or row.id not in self.alone:
            return None
        return self.ahead.expected(
            remaining(standing, row.part),
            animator=row.animator or standing.animator,
            stage_id=row.stage_id,
            start_at=row.start_at,
        )

    def _spare(self, booked: Booked, expected: Expected | None) -> Fraction:
        row = booked.row
        if self.ahead is None or expected is None or expected.late_at is None or expected.late_at >= row.end_at:
            return NONE
        hours = self.ahead.hours[row.stage_id]
        return stage_days(hours, Span(expected.late_at, row.end_at), time_zone=self.ahead.time_zone)


def _judge(
    session: Session,
    production: ProductionRow,
    standings: Mapping[int, Standing],
    several: Sequence[Booked],
    *,
    now: datetime,
) -> _Judge:
    shooting = [each for each in several if each.row.activity == Activity.SHOOTING.value]
    times = Counter((each.row.shot_id, each.row.part) for each in shooting)
    alone = [each for each in shooting if times[each.row.shot_id, each.row.part] == 1]
    animators = {each.row.animator or standings[each.row.shot_id or 0].animator for each in alone} - {None}
    stage_ids = {each.row.stage_id for each in alone if each.row.stage_id is not None}
    ahead = None
    if alone:
        named = [each for each in animators if each is not None]
        ahead = outlook(session, production, stage_ids=stage_ids, animators=named, now=now)
    planned = {part.stage_id for standing in standings.values() for part in standing.facts.plan.parts}
    return _Judge(ahead, frozenset(each.row.id or 0 for each in alone), stages.codes(session, planned))
