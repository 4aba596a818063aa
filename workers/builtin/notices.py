"""The worker *notices*: finds what people may want to hear of, and says it once for each occasion.

Conditions are judged from facts and compared with what was remembered of them, so that an event seen twice or late
tells nothing twice; what only time brings about is looked at when a reminder comes.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import chain
from types import MappingProxyType
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from service.domain.conditions import STALE, Concerns, seen
from service.domain.notices import NoticeKind
from service.domain.phases import Phase
from service.domain.signoffs import Matter
from service.domain.studio import production_day
from workers.builtin import revisions
from workers.builtin.findings import (
    PARTNERS,
    Finding,
    Findings,
    bookings_ahead,
    concerns_of,
    of_bookings,
    of_shots,
    of_stages,
)
from workers.builtin.lateness import LATE, Lateness
from workers.builtin.revisions import REVISED
from workers.contract import Booking, Change, Context, Event, EventKind, Keep, Notice, Rebuilt, Remind, Shot, Worker

CONDITIONS = "conditions"
WATCHES = frozenset({EventKind.WATCH_ADDED, EventKind.WATCH_CHANGED, EventKind.WATCH_REMOVED, EventKind.WATCH_DISABLED})
BOOKINGS = frozenset(
    {
        EventKind.BOOKING_MADE,
        EventKind.BOOKING_CHANGED,
        EventKind.BOOKING_CANCELLED,
        EventKind.BOOKING_RESTORED,
        EventKind.BOOKING_LOST,
    }
)
STAGE_LOG = frozenset(
    {
        EventKind.STAGE_CALLED,
        EventKind.STAGE_WRAPPED,
        EventKind.STAGE_WAITED,
        EventKind.STAGE_RESUMED,
        EventKind.STAGE_POWERED_OFF,
    }
)
ALL_STAGES = frozenset({EventKind.CALENDAR_SET, EventKind.TERMINAL_MOVED, *WATCHES})
CUT = frozenset({EventKind.SHOT_CHANGED, EventKind.SHOT_OMITTED, EventKind.SHOT_RESTORED})
CUT_FIELDS = frozenset({"uses", "cut_frames", "dissolves", "handle_in", "handle_out", "omitted"})
SHOTS = frozenset(
    {
        EventKind.NEEDS_ENTERED,
        EventKind.SHOT_MERGED,
        EventKind.SHOT_MOVED,
        EventKind.SIGNOFF_GIVEN,
        EventKind.SIGNOFF_WITHDRAWN,
        EventKind.FRAMES_COUNTED,
        EventKind.FRAMES_MATCHED,
        EventKind.FRAMES_CORRECTED,
        EventKind.TAKE_DECIDED,
        *CUT,
        *BOOKINGS,
    }
)
UNDER_WAY = frozenset(Phase) - {Phase.PLANNING, Phase.SET_DRESSING}
"""The phases in which a cut that changes a shot changes what was or is being shot."""


class NoticesSettings(BaseModel):
    """When counts are late, and when what they brought is told."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    late_after_min: int = Field(
        default=60, ge=1, description="Minutes after their capture from which on counts that come are late."
    )
    late_settles_min: int = Field(
        default=5, ge=1, description="Minutes without further late counts of a stage after which they are summed up."
    )


class Notices(Worker):
    """Tells what came about, from facts."""

    name: ClassVar[str] = "notices"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset(
        {
            *SHOTS,
            *STAGE_LOG,
            *ALL_STAGES,
            EventKind.FRAMES_UNMATCHED,
            EventKind.REPORT_FILED,
            EventKind.REMINDER_CAME,
        }
    )
    tables: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            CONDITIONS: "What holds of a shot, take, stage, terminal or two bookings, and since when.",
            PARTNERS: "The bookings that a booking clashes with.",
            LATE: "What late counts of a stage brought, until it is told.",
            REVISED: "The last revision of a day's report, until it is told.",
        }
    )
    Settings: ClassVar[type[BaseModel]] = NoticesSettings

    def __init__(self, settings: NoticesSettings) -> None:
        self._late_after = timedelta(minutes=settings.late_after_min)
        self._settles_after = timedelta(minutes=settings.late_settles_min)

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        """What the events, or the time, brought about."""
        codes = {each.stage_id: each.code for each in context.stages()}
        touched = _touched(batch, context, codes)
        standing = bookings_ahead(context) if touched.bookings else {}
        touched.take_in(standing)
        shots = context.shots(sorted(touched.shots))
        concerns = {shot_id: concerns_of(shot_id, shot, codes) for shot_id, shot in shots.items()}
        findings = (
            of_shots(touched.shots, shots, concerns, context),
            of_stages(touched.stages, codes, context),
            of_bookings(touched.bookings, standing, context),
        )
        told, remembered = _compared(list(chain.from_iterable(each.found for each in findings)), context)
        late = Lateness.of(batch, context, after=self._late_after, settling=touched.settling)
        folded = [each for each in told if late.holds(each)]
        return [
            *(each for each in told if not late.holds(each)),
            *_happened(batch, shots, concerns, context),
            *remembered,
            *_looks(findings),
            *late.kept(folded, concerns, settles_after=self._settles_after),
            *late.settled(touched.settling),
            *revisions.kept(batch, context, settles_after=self._settles_after),
            *revisions.settled(touched.revised, batch, context),
        ]

    def rebuild(self, mark: Any, limit: int, context: Context) -> Rebuilt:  # noqa: ANN401 - the last shot's id, or None
        """What holds of the next shots; with the last of them of stages and bookings. Nothing is told."""
        codes = {each.stage_id: each.code for each in context.stages()}
        shot_ids = context.shot_ids(after=mark or 0, limit=limit)
        last = len(shot_ids) < limit
        shots = context.shots(shot_ids)
        concerns = {shot_id: concerns_of(shot_id, shot, codes) for shot_id, shot in shots.items()}
        findings = [of_shots(dict.fromkeys(shots, context.position), shots, concerns, context)]
        if last:
            standing = bookings_ahead(context)
            findings += [
                of_stages(dict.fromkeys(codes, context.position), codes, context),
                of_bookings(dict.fromkeys(standing, context.position), standing, context),
            ]
        _, remembered = _compared(list(chain.from_iterable(each.found for each in findings)), context)
        keeps = [*remembered, *(keep for each in findings for keep in each.keeps)]
        return Rebuilt(changes=keeps, mark=None if last else shot_ids[-1])

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        """It has no job by the day."""
        raise ValueError(f"notices has no job {name!r}, as of {day} and {context.position}")


@dataclass(frozen=True, slots=True)
class _Touched:
    """What a batch makes worth a look, by id, each with the last event that did.

    `settling` are places of late counts, `revised` days of reports of which it is to be seen whether more came.
    """

    shots: dict[int, int] = field(default_factory=dict)
    stages: dict[int, int] = field(default_factory=dict)
    bookings: dict[int, int] = field(default_factory=dict)
    settling: list[str] = field(default_factory=list)
    revised: list[str] = field(default_factory=list)

    def take_in(self, standing: Mapping[int, Booking]) -> None:
        """Take in the stages of the bookings: one that was moved in time does not say which stage it is on."""
        for number, event_id in self.bookings.items():
            if (booking := standing.get(number)) is not None and booking.stage_id is not None:
                self.stages[booking.stage_id] = event_id

    def remind(self, name: str, event_id: int) -> None:
        """Take in a reminder by the name it was asked for under."""
        what, _, id_ = name.partition("/")
        if what == LATE:
            self.settling.append(id_)
        elif what == REVISED:
            self.revised.append(id_)
        else:
            (self.shots if what == "shot" else self.stages)[int(id_)] = event_id


def _touched(batch: Sequence[Event], context: Context, codes: Mapping[int, str]) -> _Touched:
    found = _Touched()
    ids = {code: stage_id for stage_id, code in codes.items()}
    beside = {each.name: each.stage_id for each in context.terminals()}
    for event in batch:
        if event.kind in SHOTS and event.shot_id is not None:
            found.shots[event.shot_id] = event.id
        if event.kind in ALL_STAGES:
            found.stages.update(dict.fromkeys(codes, event.id))
        if event.kind in STAGE_LOG or event.kind in BOOKINGS:
            found.stages.update({ids[code]: event.id for code in _stage_codes(event.data) if code in ids})
        if event.kind in BOOKINGS:
            found.bookings[event.data["booking"]] = event.id
        if event.kind == EventKind.FRAMES_COUNTED and event.actor in beside:
            found.stages[beside[event.actor]] = event.id
        if event.kind == EventKind.REMINDER_CAME and event.data["worker"] == Notices.name:
            found.remind(event.data["name"], event.id)
    if watched := [event.id for event in batch if event.kind in WATCHES]:
        # Somebody wants to hear of other things: what may hold already is looked at once.
        found.shots.update({id_: found.shots.get(id_, watched[-1]) for id_ in context.shots_in_hand()})
    return found


def _stage_codes(data: Mapping[str, Any]) -> Iterator[str]:
    if isinstance(code := data.get("stage"), str):
        yield code
    moved = (data.get("changed") or {}).get("stage") or {}
    yield from (code for code in moved.values() if isinstance(code, str))


def _compared(found: Sequence[Finding], context: Context) -> tuple[list[Notice], list[Keep]]:
    """What is to be told of conditions, and what to be remembered of them."""
    before = context.kept(CONDITIONS, [each.condition.key for each in found])
    told: list[Notice] = []
    remembered: list[Keep] = []
    for each in found:
        key = each.condition.key
        now = seen(each.condition, before.get(key), each.concerns, now=context.now, event_id=each.event_id)
        told += now.notices
        if now.row != before.get(key):
            remembered.append(Keep(table=CONDITIONS, key=key, row=now.row, production_id=each.concerns.production_id))
    return told, remembered


def _looks(findings: Iterable[Findings]) -> Iterator[Change]:
    for each in findings:
        yield from each.keeps
        yield from (Remind(name, at) for name, at in each.look_at.items())


def _happened(
    batch: Sequence[Event], shots: Mapping[int, Shot], concerns: Mapping[int, Concerns], context: Context
) -> Iterator[Notice]:
    """What an event alone tells of, each event an occasion of its own."""
    for event in batch:
        if context.now - event.at > STALE:
            continue
        if (
            event.shot_id is not None
            and event.shot_id in shots
            and (kind := _of_a_shot(event, shots[event.shot_id])) is not None
        ):
            of = concerns[event.shot_id]
            yield Notice(
                kind=kind,
                subject=f"shot/{event.shot_id}",
                occasion=str(event.id),
                since=event.at,
                production_id=event.production_id,
                shot_id=event.shot_id,
                stage_ids=of.stage_ids,
                people=of.people,
                facts={**of.facts, **_said(event)},
            )
        elif event.kind == EventKind.FRAMES_UNMATCHED:
            day = production_day(event.at, context.studio)
            yield Notice(
                kind=NoticeKind.COUNTS_UNMATCHED,
                subject=f"{event.data['production']}/{event.data['shot']}",
                occasion=day.isoformat(),
                since=event.at,
                production_id=event.production_id,
                facts={**event.data, "terminal": event.actor, "day": day.isoformat()},
            )
        elif event.kind == EventKind.REPORT_FILED and event.data["revision"] == 1:
            yield Notice(
                kind=NoticeKind.REPORT_READY,
                subject=f"report/{event.data['production']}/{event.data['day']}",
                occasion="1",
                since=event.at,
                production_id=event.production_id,
                facts=event.data,
            )


def _of_a_shot(event: Event, shot: Shot) -> NoticeKind | None:
    """The kind of notice that an event of a shot is by itself."""
    if event.kind == EventKind.SHOT_MOVED and event.data["to"] == Phase.APPROVED:
        return NoticeKind.APPROVED
    if event.kind == EventKind.SIGNOFF_GIVEN and event.data["matter"] == Matter.COMP_DELIVERED:
        return NoticeKind.COMP_DELIVERED
    if event.kind in CUT and CUT_FIELDS & event.data["changed"].keys() and shot.standing.phase in UNDER_WAY:
        return NoticeKind.CUT_CHANGED
    return None


def _said(event: Event) -> dict[str, Any]:
    """What of an event its notice tells."""
    names = ("changed", "reason", "signer", "note", "cause")
    said = {name: event.data[name] for name in names if event.data.get(name) is not None}
    return {**said, "by": event.data.get("signer") or event.actor}
