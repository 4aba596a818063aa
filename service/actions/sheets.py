"""A sheet: some locked shots while counts, decisions or plan changes are written into them.

Whoever changes what credited frames rest on does it on a sheet, so that the journals of credited and of planned frames
have an entry for every change. Callers hold the entrance's transaction; nothing here commits.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session

from service.domain.counts import Post
from service.domain.events import EventKind
from service.domain.phases import Phase
from service.domain.progress import Cause, Decision, Figures, ShotFacts, TakeKey, Verdict, whole_figures
from service.domain.shots import Plan
from service.domain.studio import Studio, production_day
from service.domain.takes import Heads, LedgerPost, Outcome, Purpose, SeriesState, rules_verdict
from service.store import corrections
from service.store import counts as ledger
from service.store import takes as store
from service.store.events import Happening
from service.store.tables import CountRow, DecisionRow, SeriesRow, ShotRow, TakeRow

SeriesKey = tuple[TakeKey, str, str]

CAUSES = {
    Verdict.ACCEPT: Cause.ACCEPTED,
    Verdict.CIRCLE: Cause.CIRCLED,
    Verdict.REJECT: Cause.REJECTED,
    Verdict.WITHDRAW: Cause.WITHDRAWN,
}


@dataclass(slots=True)
class Track:
    """One series of a sheet: its rows, the heads of its ledger, and the total it had before."""

    take: TakeRow
    row: SeriesRow
    before_frames: int
    heads: Heads | None = None
    touched: bool = False


Mark = tuple[int, str, int, str, str]
"""Terminal id, spool, the highest serial of it that was moved, camera, pass."""


@dataclass(frozen=True, slots=True)
class Moved:
    """How far counts were moved, and whether what was decided and noted of their take went with them."""

    marks: list[Mark]
    sayings: bool


class Sheet:
    """Locked shots with their facts.

    Figures follow every single change, so that each post gets the answer it would get alone.
    """

    def __init__(self, session: Session, shot_ids: Collection[int], studio: Studio) -> None:
        """Lock the shots, in the order of their ids, and load what their figures rest on."""
        self._session = session
        self._studio = studio
        self.shots: dict[int, ShotRow] = {row.id: row for row in store.locked_shots(session, shot_ids) if row.id}
        pairs = store.series_of(session, self.shots.keys())
        self._facts: dict[int, ShotFacts] = store.facts_from(
            session,
            store.plans(session, list(self.shots.values())),
            pairs,
            plate_minimum_frames=studio.plate_minimum_frames,
        )
        self._figures = {shot_id: whole_figures(facts) for shot_id, facts in self._facts.items()}
        self._credit: dict[tuple[int, Cause], int] = {}
        self._planned: dict[tuple[int, Cause], int] = {}
        self._takes: dict[int, dict[TakeKey, TakeRow]] = {shot_id: {} for shot_id in self.shots}
        self._tracks: dict[int, dict[SeriesKey, Track]] = {shot_id: {} for shot_id in self.shots}
        for take, row in pairs:
            key = store.take_key(take)
            self._takes[row.shot_id][key] = take
            self._tracks[row.shot_id][key, row.camera, row.pass_] = Track(take, row, before_frames=row.total_frames)

    def prepare(self, takes: Collection[tuple[int, int]]) -> None:
        """Read the heads of the series of these (shot id, take number), before counts are written into them."""
        tracks = {
            track.row.id: track
            for shot_id, number in takes
            for (key, _, _), track in self._tracks[shot_id].items()
            if key[2] == number and track.row.id is not None
        }
        heads = ledger.heads(self._session, tracks.keys()) if tracks else {}
        for series_id, track in tracks.items():
            track.heads = heads.get(series_id, Heads())

    def plan(self, shot_id: int) -> Plan:
        """The plan of one of the sheet's shots."""
        return self._facts[shot_id].plan

    def facts(self, shot_id: int) -> ShotFacts:
        """What the figures of one of the sheet's shots rest on as it now stands."""
        return self._facts[shot_id]

    def figures(self, shot_id: int) -> Figures:
        """The figures of one of the sheet's shots as it now stands."""
        return self._figures[shot_id]

    def after_approval(self, shot_id: int, purpose: Purpose) -> bool:
        """Whether frames of this purpose come to an approved shot: its lock puts both in the order of the log."""
        return purpose is Purpose.SHOOT and self.shots[shot_id].phase == Phase.APPROVED.value

    def take(self, shot_id: int, key: TakeKey) -> TakeRow | None:
        """The take of a shot with this part, purpose and number, if it has counts."""
        return self._takes[shot_id].get(key) if self.series(shot_id, key) else None

    def takes(self, shot_id: int) -> list[TakeKey]:
        """What tells the takes of a shot that have counts from each other."""
        return [key for key in self._takes[shot_id] if self.series(shot_id, key)]

    def every_take(self, shot_id: int) -> list[TakeKey]:
        """The same, and the takes whose counts were all moved elsewhere."""
        return list(self._takes[shot_id])

    def series(self, shot_id: int, key: TakeKey) -> dict[SeriesKey, Track]:
        """The series of a take that have counts."""
        tracks = self._tracks[shot_id].items()
        return {own: track for own, track in tracks if own[0] == key and track.row.moved_at is None}

    def cameras(self, shot_id: int, key: TakeKey) -> tuple[str, ...]:
        """The cameras a take may be decided on: those the plan requires, then any others it was counted on."""
        counted = {camera for take_key, camera, _ in self._tracks[shot_id] if take_key == key}
        planned = self.plan(shot_id).cameras
        return (*planned, *sorted(counted.difference(planned)))

    def count(self, shot_id: int, part: str, post: Post, *, kept: LedgerPost, now: datetime) -> SeriesRow:
        """Write one post into its series, beginning take and series where it is their first; return the series.

        The take must have been prepared.
        """
        plan = self.plan(shot_id)
        key: SeriesKey = (
            (part, post.purpose, post.take),
            post.camera or plan.cameras[0],
            post.pass_ or plan.passes[0],
        )
        track = self._tracks[shot_id].get(key) or self._begin(shot_id, key, kept, now=now)
        if track.heads is None:
            raise RuntimeError("prepare the take before counting into it")
        track.heads = track.heads.with_post(kept)
        track.touched = True
        _stand(track, track.heads)
        self._series_changed(shot_id, Cause.COUNTED)
        if rules_verdict(self._heads_of_take(shot_id, key[0]), kept):
            verdict = Verdict.CIRCLE if kept.outcome is Outcome.CIRCLED else Verdict.REJECT
            self.decide(track.take, Decision(verdict=verdict), by=kept.terminal, reason=None, now=now)
        return track.row

    def _heads_of_take(self, shot_id: int, key: TakeKey) -> Iterator[Heads]:
        for (of_take, _, _), track in self._tracks[shot_id].items():
            if of_take == key and track.heads is not None:
                yield track.heads

    def _begin_take(self, shot_id: int, key: TakeKey, *, now: datetime) -> TakeRow:
        take = self._takes[shot_id].get(key)
        if take is None:
            part, purpose, number = key
            take = TakeRow(shot_id=shot_id, part=part, purpose=purpose.value, number=number, added_at=now)
            self._takes[shot_id][key] = take
            self._session.add(take)
            self._session.flush()
        return take

    def _begin(self, shot_id: int, key: SeriesKey, kept: LedgerPost, *, now: datetime) -> Track:
        (part, _, _), camera, pass_ = key
        take = self._begin_take(shot_id, key[0], now=now)
        start = self.plan(shot_id).default_start(part)
        row = SeriesRow(
            take_id=take.id or 0,
            shot_id=shot_id,
            camera=camera,
            pass_=pass_,
            default_starts_at=start,
            starts_at=start,
            total_frames=0,
            outcome=SeriesState.OPEN.value,
            stage_id=kept.stage_id,
            ruled_at=kept.captured_at,
        )
        self._session.add(row)
        self._session.flush()
        track = self._tracks[shot_id][key] = Track(take, row, before_frames=0, heads=Heads())
        return track

    def _series_changed(self, shot_id: int, cause: Cause) -> None:
        tracks = [track for track in self._tracks[shot_id].values() if track.row.moved_at is None]
        series = [store.facts_of(track.take, track.row) for track in tracks]
        self._settle(shot_id, replace(self._facts[shot_id], series=series), cause)

    def restate(self, track: Track, frames: int) -> CountRow:
        """Let a series hold `frames` from the count on that rules it, which is returned; the take's revision rises.

        The take must have been prepared.
        """
        if track.heads is None:
            raise RuntimeError("prepare the take before restating it")
        count = corrections.count_of(self._session, track.row.id or 0, track.heads.ruling)
        count.restated_frames = frames
        track.heads = track.heads.restated(frames)
        track.take.rev += 1
        track.touched = True
        _stand(track, track.heads)
        self._series_changed(track.row.shot_id, Cause.CORRECTED)
        return count

    def move(
        self, shot_id: int, keys: Collection[SeriesKey], *, to_shot_id: int, to_take: TakeKey, now: datetime
    ) -> Moved:
        """Let all counts of these series of one take count for another take, which has none in series of the kind.

        What was decided and noted goes with them where the whole take goes and nothing was counted or said of the
        other. The take must have been prepared.
        """
        take = self._tracks[shot_id][next(iter(keys))].take
        key = store.take_key(take)
        whole = set(keys) == set(self.series(shot_id, key)) and not self.series(to_shot_id, to_take)
        other = self._begin_take(to_shot_id, to_take, now=now)
        fresh = whole and not corrections.is_spoken_of(self._session, other.id or 0)
        spoken_of = corrections.is_spoken_of(self._session, take.id or 0)
        marks = [mark for own in keys for mark in self._move_series(shot_id, own, to_shot_id, to_take, now=now)]
        if fresh and spoken_of:
            self._session.flush()
            corrections.move_sayings(self._session, take.id or 0, shot_id=to_shot_id, to_take_id=other.id or 0)
            said = dict(self._facts[shot_id].decisions)
            gone = said.pop(key, ())
            self._facts[shot_id] = replace(self._facts[shot_id], decisions=said)
            there = {**self._facts[to_shot_id].decisions, to_take: gone}
            self._facts[to_shot_id] = replace(self._facts[to_shot_id], decisions=there)
        for each in {take.id: take, other.id: other}.values():
            each.rev += 1
        for touched in sorted({shot_id, to_shot_id}):
            self._series_changed(touched, Cause.CORRECTED)
        return Moved(marks, sayings=fresh and spoken_of)

    def _move_series(
        self, shot_id: int, own: SeriesKey, to_shot_id: int, to_take: TakeKey, *, now: datetime
    ) -> list[Mark]:
        track = self._tracks[shot_id][own]
        if track.heads is None:
            raise RuntimeError("prepare the take before moving it")
        _, camera, pass_ = own
        key: SeriesKey = (to_take, camera, pass_)
        other = self._tracks[to_shot_id].get(key) or self._begin(to_shot_id, key, track.heads.ruling, now=now)
        reached = corrections.move_counts(
            self._session, track.row.id or 0, shot_id=to_shot_id, to_series_id=other.row.id or 0
        )
        other.heads, track.heads = track.heads, Heads()
        other.touched = track.touched = True
        _stand(other, other.heads)
        row = track.row
        row.total_frames, row.outcome, row.offered_at, row.moved_at = 0, SeriesState.OPEN.value, None, now
        row.starts_at = row.default_starts_at
        return [(terminal_id, spool, serial, camera, pass_) for terminal_id, spool, serial in reached]

    def decide(self, take: TakeRow, decision: Decision, *, by: str, reason: str | None, now: datetime) -> None:
        """Put a decision on a take of the sheet down; the take's revision rises."""
        row = DecisionRow(
            take_id=take.id or 0,
            shot_id=take.shot_id,
            verdict=decision.verdict.value,
            camera=decision.camera,
            first=decision.first,
            last=decision.last,
            cause=decision.cause,
            reason=reason,
            by=by,
            decided_at=now,
        )
        self._session.add(row)
        # Ids must follow the order of saying; rows added together might be written in another.
        self._session.flush()
        take.rev += 1
        facts = self._facts[take.shot_id]
        key = store.take_key(take)
        said = {**facts.decisions, key: [*facts.decisions.get(key, ()), decision]}
        self._settle(take.shot_id, replace(facts, decisions=said), CAUSES[decision.verdict])

    def replan(self, shot_id: int, plan: Plan, cause: Cause) -> None:
        """Let the figures follow a changed plan, whose rows the caller writes."""
        self._settle(shot_id, replace(self._facts[shot_id], plan=plan), cause)

    def _settle(self, shot_id: int, facts: ShotFacts, cause: Cause) -> None:
        before = self._figures[shot_id]
        self._facts[shot_id] = facts
        after = self._figures[shot_id] = whole_figures(facts)
        credited = after.credited_frames - before.credited_frames
        self._credit[shot_id, cause] = self._credit.get((shot_id, cause), 0) + credited
        planned = after.planned_frames - before.planned_frames
        self._planned[shot_id, cause] = self._planned.get((shot_id, cause), 0) + planned

    def save(self, *, now: datetime) -> None:
        """Enter the changes of credited and of planned frames in their journals, on the production day of `now`.

        And mark the shots touched.
        """
        today = production_day(now, self._studio)
        for (shot_id, cause), frames in self._credit.items():
            store.note_credit(self._session, shot_id, frames, cause=cause.value, changed_on=today, now=now)
        for (shot_id, cause), frames in self._planned.items():
            store.note_planned(self._session, shot_id, frames, cause=cause.value, changed_on=today, now=now)
        for shot_id in {shot_id for shot_id, _ in self._credit}:
            self.shots[shot_id].touched += 1
        self._session.flush()

    def happenings(self, kind: EventKind, *, actor: str, now: datetime) -> list[Happening]:
        """One event for each series that was written into, to be appended last."""
        return [
            Happening(
                kind=kind,
                at=now,
                actor=actor,
                production_id=self.shots[shot_id].production_id,
                shot_id=shot_id,
                data=_said(key, track) | {"after_approval": self.after_approval(shot_id, key[0][1])},
            )
            for shot_id, tracks in self._tracks.items()
            for key, track in tracks.items()
            if track.touched
        ]


def _stand(track: Track, heads: Heads) -> None:
    standing = heads.standing(track.row.default_starts_at)
    row = track.row
    if row.outcome != standing.state.value:
        track.take.rev += 1
    row.total_frames = standing.total_frames
    row.starts_at = standing.starts_at
    row.outcome = standing.state.value
    row.offered_at = standing.offered_at
    row.stage_id = standing.stage_id
    row.ruled_at = standing.ruled_at
    row.moved_at = None


def _said(key: SeriesKey, track: Track) -> dict[str, object]:
    (part, purpose, number), camera, pass_ = key
    return {
        "series": track.row.id,
        "part": part,
        "purpose": purpose.value,
        "take": number,
        "camera": camera,
        "pass": pass_,
        "before_frames": track.before_frames,
        "total_frames": track.row.total_frames,
        "state": track.row.outcome,
    }
