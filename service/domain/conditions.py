"""Conditions: what may be so, and of which people hear once each time it comes about."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from service.domain.notices import MEANINGS, Notice, NoticeKind

STALE = timedelta(days=7)
"""What came about longer ago is nobody's news: a log that is read from its beginning tells nobody of last year."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Something of a `kind` about a `subject` that `holds` now, or does not.

    `since` is when it came about, `occasion` what tells this time from others; where the facts say neither (None), they
    are the moment it was first seen. `times` are all instants at which it came about, rising, of a condition that keeps
    a record of them; `people` whom it concerns beside those whom all about its subject does. Whom it concerned is
    `remembered` of what may be gone when it ends.
    """

    kind: NoticeKind
    subject: str
    holds: bool
    since: datetime | None = None
    threshold: int = 0
    occasion: str | None = None
    times: Sequence[datetime] | None = None
    people: tuple[str, ...] = ()
    remembered: bool = False
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """Its name among all conditions."""
        return f"{self.kind}/{self.threshold}/{self.subject}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerns:
    """What the notices about something have in common."""

    production_id: int | None = None
    shot_id: int | None = None
    stage_ids: tuple[int, ...] = ()
    people: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Seen:
    """What is to be remembered of a condition, None of one that does not hold, and what is to be told."""

    row: Mapping[str, Any] | None
    notices: tuple[Notice, ...]


def seen(
    condition: Condition, before: Mapping[str, Any] | None, concerns: Concerns, *, now: datetime, event_id: int
) -> Seen:
    """Compare a condition with what was remembered of it.

    It is told when it comes to hold, anew where its occasion is another, and when it ends, of a kind that lasts.
    """
    held = before is not None and bool(before["holds"])
    occasion, since = (
        (condition.occasion or str(event_id), condition.since or now)
        if condition.holds
        else ((before or {}).get("occasion") or str(event_id), now)
    )
    if held and before is not None and condition.holds and condition.occasion is None:
        occasion, since = before["occasion"], datetime.fromisoformat(before["since"])
    told: list[Notice] = []
    if condition.times is not None:
        told += _came(condition, before, concerns, now=now)
        if condition.times:
            occasion, since = _named(condition.times[-1]), condition.times[-1]
    elif condition.holds and (not held or (before or {}).get("occasion") != occasion) and now - since <= STALE:
        told.append(_notice(condition, concerns, occasion=occasion, since=since))
    if held and not condition.holds and MEANINGS[condition.kind].lasts:
        whom = _remembered(before) if condition.remembered and before is not None else concerns
        told.append(_notice(condition, whom, occasion=str((before or {})["occasion"]), since=now, over=True))
    keeps = condition.holds or bool(condition.times)
    row: dict[str, Any] | None = None
    if keeps:
        row = {"holds": condition.holds, "occasion": occasion, "since": since.isoformat()}
    if row is not None and condition.remembered:
        said = {"production_id": concerns.production_id, "stage_ids": list(concerns.stage_ids)}
        row |= {**said, "people": list(concerns.people)}
    return Seen(row, tuple(told))


def _remembered(row: Mapping[str, Any]) -> Concerns:
    return Concerns(
        production_id=row.get("production_id"),
        stage_ids=tuple(row.get("stage_ids", ())),
        people=tuple(row.get("people", ())),
    )


def _came(
    condition: Condition, before: Mapping[str, Any] | None, concerns: Concerns, *, now: datetime
) -> Iterator[Notice]:
    last = None if before is None else datetime.fromisoformat(before["occasion"])
    for at in condition.times or ():
        if (last is None or at > last) and now - at <= STALE:
            yield _notice(condition, concerns, occasion=_named(at), since=at)


def _named(at: datetime) -> str:
    return at.isoformat()


def _notice(condition: Condition, concerns: Concerns, *, occasion: str, since: datetime, over: bool = False) -> Notice:
    return Notice(
        kind=condition.kind,
        threshold=condition.threshold,
        subject=condition.subject,
        occasion=occasion,
        over=over,
        since=since,
        production_id=concerns.production_id,
        shot_id=concerns.shot_id,
        stage_ids=concerns.stage_ids,
        people=tuple(dict.fromkeys((*concerns.people, *condition.people))),
        facts={**concerns.facts, **condition.facts},
    )
