"""Late counts: what a terminal brings that was offline is told in one notice, once no more of it comes."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from service.domain.conditions import Concerns
from service.domain.notices import NoticeKind
from workers.contract import Change, Context, Event, EventKind, Keep, Notice, Remind

LATE = "late"
FOLDED = frozenset(
    {
        NoticeKind.TAKE_FINISHED,
        NoticeKind.TAKE_CIRCLED,
        NoticeKind.PLANNED_REACHED,
        NoticeKind.PLATE_DUE,
        NoticeKind.PLATE_IN,
    }
)
"""What counts bring about, and late counts in their summary."""

MOST_TOLD = 50


@dataclass(frozen=True, slots=True)
class Lateness:
    """The late counts of a batch by place, the place of each shot they were of, and what is kept of earlier ones.

    A place is a stage and a production on it, `STAGE/PRODUCTION` by their ids: what is told of one production goes to
    whoever hears of that one. `codes` are those of the stages, `rows` what is kept of these places and of others that
    may be done.
    """

    came: Mapping[str, Sequence[Event]]
    place_of: Mapping[int, str]
    rows: Mapping[str, Mapping[str, Any]]
    codes: Mapping[int, str]
    now: datetime

    @classmethod
    def of(cls, batch: Sequence[Event], context: Context, *, after: timedelta, settling: Sequence[str]) -> "Lateness":
        """Those counts of a batch that came later than `after` their capture; `settling` places may be done."""
        beside = {each.name: each.stage_id for each in context.terminals()}
        came: dict[str, list[Event]] = {}
        place_of: dict[int, str] = {}
        for event in batch:
            captured = event.data.get("captured_at") if event.kind == EventKind.FRAMES_COUNTED else None
            if captured is None or event.actor not in beside or event.shot_id is None:
                continue
            if event.at - datetime.fromisoformat(captured) > after:
                place = f"{beside[event.actor]}/{event.production_id}"
                came.setdefault(place, []).append(event)
                place_of[event.shot_id] = place
        places = sorted({*came, *settling})
        rows = context.kept(LATE, places) if places else {}
        codes = {each.stage_id: each.code for each in context.stages()} if places else {}
        return cls(came, place_of, rows, codes, context.now)

    def holds(self, notice: Notice) -> bool:
        """Whether a notice is one of what late counts brought, to be told in their summary."""
        return notice.kind in FOLDED and notice.shot_id in self.place_of

    def kept(
        self, brought: Sequence[Notice], shots: Mapping[int, Concerns], *, settles_after: timedelta
    ) -> Iterator[Change]:
        """What to remember of the late counts of this batch, and when to look whether more came."""
        for place, events in self.came.items():
            row = self._with(self.rows.get(place), events)
            codes = {of.facts["shot"] for each in events if (of := shots.get(each.shot_id or 0)) is not None}
            row["shots"] = sorted({*row["shots"], *codes})[:MOST_TOLD]
            told = [
                {"kind": each.kind, "over": each.over, **{name: each.facts.get(name) for name in ("shot", "take")}}
                for each in brought
                if self.place_of[each.shot_id or 0] == place
            ]
            row["brought"] = [*row["brought"], *told][:MOST_TOLD]
            yield Keep(table=LATE, key=place, row=row, production_id=events[0].production_id)
            yield Remind(f"late/{place}", self.now + settles_after)

    def settled(self, places: Sequence[str]) -> Iterator[Change]:
        """The notices about places of which no more late counts came."""
        for place in places:
            row = self.rows.get(place)
            # More came in this very batch: there will be another look.
            if row is None or place in self.came:
                continue
            stage_id, _, production_id = place.partition("/")
            yield Keep(table=LATE, key=place, row=None)
            yield Notice(
                kind=NoticeKind.COUNTS_CAME_LATE,
                subject=f"stage/{stage_id}",
                occasion=str(row["first_event"]),
                since=datetime.fromisoformat(row["came_at"]),
                production_id=int(production_id),
                stage_ids=(int(stage_id),),
                facts={
                    "stage": self.codes.get(int(stage_id)),
                    **{name: row[name] for name in ("counts", "captured_from", "captured_to", "shots", "brought")},
                },
            )

    def _with(self, before: Mapping[str, Any] | None, events: Sequence[Event]) -> dict[str, Any]:
        captured = sorted(str(event.data["captured_at"]) for event in events)
        row = dict(
            before
            or {
                "first_event": events[0].id,
                "came_at": events[0].at.isoformat(),
                "counts": 0,
                "captured_from": captured[0],
                "captured_to": captured[-1],
                "shots": [],
                "brought": [],
            }
        )
        row["counts"] += sum(event.data["counts"] for event in events)
        row["captured_from"] = min(row["captured_from"], captured[0])
        row["captured_to"] = max(row["captured_to"], captured[-1])
        return row
