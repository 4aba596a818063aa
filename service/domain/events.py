"""What happens, by kind: each in the past tense."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any


class EventKind(StrEnum):
    """The kinds of event in the log."""

    STUDIO_SET = "studio.set"
    PRODUCTION_ADDED = "production.added"
    PRODUCTION_CHANGED = "production.changed"
    EPISODE_ADDED = "episode.added"
    EPISODE_CHANGED = "episode.changed"
    STAGE_ADDED = "stage.added"
    STAGE_CHANGED = "stage.changed"
    STAGE_CALLED = "stage.called"
    STAGE_WRAPPED = "stage.wrapped"
    TERMINAL_ADDED = "terminal.added"
    TERMINAL_MOVED = "terminal.moved"
    KEY_MADE = "key.made"
    KEY_CHANGED = "key.changed"
    KEY_ROTATED = "key.rotated"
    KEY_REVOKED = "key.revoked"
    CUT_DRAFTED = "cut.drafted"
    CUT_LOCKED = "cut.locked"
    SHOT_ADDED = "shot.added"
    SHOT_CHANGED = "shot.changed"
    SHOT_OMITTED = "shot.omitted"
    SHOT_RESTORED = "shot.restored"
    FRAMES_COUNTED = "frames.counted"
    FRAMES_UNMATCHED = "frames.unmatched"
    FRAMES_MATCHED = "frames.matched"
    FRAMES_REDATED = "frames.redated"
    TAKE_DECIDED = "take.decided"
    TOTALS_RECOUNTED = "totals.recounted"
    REPORT_FILED = "report.filed"


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of the log.

    `id` is its position: ids follow the order of commit, with gaps and without overtaking. `data` holds codes and
    values as they were.
    """

    id: int
    at: datetime
    kind: str
    actor: str
    production_id: int | None
    shot_id: int | None
    data: dict[str, Any]
