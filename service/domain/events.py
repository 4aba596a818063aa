"""What happens, by kind: each in the past tense."""

from collections.abc import Mapping
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
    STAGE_WAITED = "stage.waited"
    STAGE_RESUMED = "stage.resumed"
    STAGE_POWERED_OFF = "stage.powered_off"
    CALENDAR_SET = "calendar.set"
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
    NEEDS_ENTERED = "needs.entered"
    SHOT_MERGED = "shot.merged"
    SHOT_MOVED = "shot.moved"
    SHOT_SUSPENDED = "shot.suspended"
    SHOT_RESUMED = "shot.resumed"
    SIGNOFF_GIVEN = "signoff.given"
    SIGNOFF_WITHDRAWN = "signoff.withdrawn"
    FRAMES_COUNTED = "frames.counted"
    FRAMES_UNMATCHED = "frames.unmatched"
    FRAMES_MATCHED = "frames.matched"
    FRAMES_REDATED = "frames.redated"
    FRAMES_CORRECTED = "frames.corrected"
    TAKE_DECIDED = "take.decided"
    TAKE_NOTED = "take.noted"
    NOTE_STRUCK = "note.struck"
    BOOKING_MADE = "booking.made"
    BOOKING_CHANGED = "booking.changed"
    BOOKING_CANCELLED = "booking.cancelled"
    BOOKING_RESTORED = "booking.restored"
    BOOKING_LOST = "booking.lost"
    TOTALS_RECOUNTED = "totals.recounted"
    REPORT_FILED = "report.filed"
    REBUILD_ASKED = "rebuild.asked"
    REBUILD_GIVEN_UP = "rebuild.given_up"
    QUARANTINE_RETRIED = "quarantine.retried"
    QUARANTINE_SKIPPED = "quarantine.skipped"
    WATCH_ADDED = "watch.added"
    WATCH_CHANGED = "watch.changed"
    WATCH_REMOVED = "watch.removed"
    WATCH_DISABLED = "watch.disabled"
    WATCH_ROTATED = "watch.rotated"
    WATCH_TESTED = "watch.tested"
    DELIVERY_RENEWED = "delivery.renewed"
    NOTICE_RAISED = "notice.raised"
    REMINDER_CAME = "reminder.came"
    WORKER_DISABLED = "worker.disabled"
    WORKER_ENABLED = "worker.enabled"


MEANINGS: Mapping[EventKind, str] = {
    EventKind.STUDIO_SET: "The studio was set: `name`, `time_zone`, `day_starts_at_min` (minutes after midnight), "
    "`plate_minimum_frames`, `terminals_may_decide`.",
    EventKind.PRODUCTION_ADDED: "A production was begun: `production`, `title`, `frame_rate`.",
    EventKind.PRODUCTION_CHANGED: "A production was changed: `production`, and the new `title` or `frame_rate`.",
    EventKind.EPISODE_ADDED: "An episode was added: `production`, `episode`, `title`.",
    EventKind.EPISODE_CHANGED: "An episode was given another title: `production`, `episode`, `title`.",
    EventKind.STAGE_ADDED: "A stage was added: `stage`, `name`.",
    EventKind.STAGE_CHANGED: "A stage was given another name: `stage`, `name`.",
    EventKind.STAGE_CALLED: "Work on a stage began: `stage`, `at`, `reason`.",
    EventKind.STAGE_WRAPPED: "Work on a stage ended: `stage`, `at`, `reason`.",
    EventKind.STAGE_WAITED: "A stage began to wait: `stage`, `at`, `reason`.",
    EventKind.STAGE_RESUMED: "A stage waited no more: `stage`, `at`, `reason`.",
    EventKind.STAGE_POWERED_OFF: "Somebody said that a stage's power is off, which is no proof of it: `stage`, `at`, "
    "`reason`.",
    EventKind.CALENDAR_SET: "The hours of a stage, or of all, were set: `stage` (null: all without own hours), "
    "`hours` (by weekday, pairs of minutes after midnight; null of a stage that keeps the studio's), `days_out`.",
    EventKind.TERMINAL_ADDED: "A terminal was added: `terminal`, `stage`.",
    EventKind.TERMINAL_MOVED: "A terminal was put beside another stage: `terminal`, `stage`, `came_from`.",
    EventKind.KEY_MADE: "An API key was made: `key`, `scope`, `roles` (in which it signs).",
    EventKind.KEY_CHANGED: "A key's expiry or its roles were changed: `key`, `expires_at`, `roles`.",
    EventKind.KEY_ROTATED: "A key was given a new secret: `key`.",
    EventKind.KEY_REVOKED: "A key was revoked: `key`.",
    EventKind.CUT_DRAFTED: "A cut list was kept as a draft: `production`, `episode`, `revision`.",
    EventKind.CUT_LOCKED: "A cut was locked: `production`, `episode`, `revision`, `follows` (the one it replaced), "
    "`changed` (how many shots each change befell), `cut_frames_before`, `cut_frames_after`, `planned_frames_before`, "
    "`planned_frames_after`.",
    EventKind.SHOT_ADDED: "A shot was added: `production`, `shot`, `episode`, `scene`, `cut_frames`, `uses`, "
    "`dissolves`, `handle_in`, `handle_out`, `cameras`, `passes`, `moving_camera`, `parts`, `animator`.",
    EventKind.SHOT_CHANGED: "A shot's plan or its animator was changed: `production`, `shot`, `changed` (each field "
    "before and after), `reason`.",
    EventKind.SHOT_OMITTED: "A shot was removed from the cut: `production`, `shot`, `changed`, `reason`.",
    EventKind.SHOT_RESTORED: "An omitted shot was brought back: `production`, `shot`, `changed`, `reason`.",
    EventKind.NEEDS_ENTERED: "What a shot needs was entered: `production`, `shot`, `changed` (each field before and "
    "after), `draft` (the number of the draft it came with, null without one).",
    EventKind.SHOT_MERGED: "A shot that was entered twice became one with another: `production`, `shot`, `into`, "
    "`correction`, `take_offset` (what its takes' numbers rose by), `reason`.",
    EventKind.SHOT_MOVED: "A shot went from one phase to another: `production`, `shot`, `origin`, `to`, `cause` (of a "
    "move back), `reason`, `lacked` (the facts an override set aside; null where none was needed).",
    EventKind.SHOT_SUSPENDED: "Work on a shot was stopped for a reason: `production`, `shot`, `reason`.",
    EventKind.SHOT_RESUMED: "A suspended shot was taken up again: `production`, `shot`, `suspended_at`, "
    "`suspended_for`, `reason`.",
    EventKind.SIGNOFF_GIVEN: "Somebody signed something of a shot off: `production`, `shot`, `signoff`, `matter`, "
    "`role`, `signer` (who said it, where another than the key), `note`.",
    EventKind.SIGNOFF_WITHDRAWN: "A sign-off was withdrawn: `production`, `shot`, `signoff`, `matter`, `role`, "
    "`signer`, `reason`.",
    EventKind.FRAMES_COUNTED: "Counts moved a series of a shot: `series`, `part`, `purpose`, `take`, `camera`, `pass`, "
    "`before_frames`, `total_frames`, `state`, `after_approval` (of purpose shoot, for a shot that was approved), "
    "`counts` (how many), `captured_at` (of the newest).",
    EventKind.FRAMES_UNMATCHED: "Counts were kept without a shot: `production` and `shot` as posted, `reason`.",
    EventKind.FRAMES_MATCHED: "Kept counts found their shot, series by series: `series`, `part`, `purpose`, `take`, "
    "`camera`, `pass`, `before_frames`, `total_frames`, `state`, `after_approval`.",
    EventKind.FRAMES_REDATED: "A call or wrap moved frames of a shot to another production day: `stage`.",
    EventKind.FRAMES_CORRECTED: "A coordinator put frames right, series by series of every shot touched: `shot`, "
    "`correction`, `what` (total, move or merge), `reason`, `origin` and `goal` (where counts were moved from and to, "
    "null of a total), `left` (whether the counts left this series), `series`, `part`, `purpose`, `take`, `camera`, "
    "`pass`, `before_frames`, `total_frames`, `state`, `after_approval`.",
    EventKind.TAKE_DECIDED: "Somebody decided on a take: `part`, `purpose`, `take`, `verdict`, `camera`, `first`, "
    "`last`, `cause` (of a rejection, where said), `reason`.",
    EventKind.TAKE_NOTED: "Somebody noted something of a take: `part`, `purpose`, `take`, `note` (its number), "
    "`camera`, `first`, `last`, `text`.",
    EventKind.NOTE_STRUCK: "A note on a take was struck: `part`, `purpose`, `take`, `note`, `reason`.",
    EventKind.BOOKING_MADE: "A stage, an animator or both were booked: `booking` (its number), `stage`, `animator`, "
    "`activity`, `firmness`, `start`, `end`, `note`, `part` (of a split shot), `asked_by` (who wanted it).",
    EventKind.BOOKING_CHANGED: "A booking was changed: `booking`, and `changed` (each field before and after).",
    EventKind.BOOKING_CANCELLED: "A booking was cancelled: `booking`, `stage`, `animator`, `activity`, `start`, `end`, "
    "`reason`.",
    EventKind.BOOKING_RESTORED: "A booking that an omission had released came back with its shot, pencilled: "
    "`booking`, `stage`, `animator`, `activity`, `start`, `end`, `reason`.",
    EventKind.BOOKING_LOST: "A booking that an omission had released did not come back with its shot: `booking`, "
    "`stage`, `animator`, `activity`, `start`, `end`, `reason`.",
    EventKind.TOTALS_RECOUNTED: "The night's recount compared figures with the ledger: `day`, `series` and `shots` "
    "looked at, `behind` (shots the figures are not up to date with), `drifted` and `drift` (what differed).",
    EventKind.REPORT_FILED: "A revision of a day's nightly report was filed: `production`, `day`, `revision`.",
    EventKind.REBUILD_ASKED: "All rows of a worker are to be made anew: `worker`, `version`, `edition` (the number of "
    "these rows).",
    EventKind.REBUILD_GIVEN_UP: "Rows of a worker that were being made anew were given up: `worker`, `version`, "
    "`edition`.",
    EventKind.QUARANTINE_RETRIED: "A worker is to try an event again that it set aside: `worker`, `version`, "
    "`event` (its id).",
    EventKind.QUARANTINE_SKIPPED: "A worker is to do without an event that it set aside: `worker`, `version`, "
    "`event` (its id).",
    EventKind.WATCH_ADDED: "Somebody is to hear of things: `watch` (its name), `hears` (kinds, with their thresholds), "
    "`channel`.",
    EventKind.WATCH_CHANGED: "A watch was changed: `watch`, `changed` (the fields that were).",
    EventKind.WATCH_REMOVED: "A watch was removed: `watch`.",
    EventKind.WATCH_DISABLED: "A watch was disabled, because whoever it goes to wants no more: `watch`, `reason`.",
    EventKind.WATCH_ROTATED: "A watch was given a new secret to sign with: `watch`.",
    EventKind.WATCH_TESTED: "A message was asked for to try a watch: `watch`, `delivery` (the message's name).",
    EventKind.DELIVERY_RENEWED: "A message is to be sent again, its tries counted anew: `watch`, `delivery` (its "
    "name), `state` (as it was).",
    EventKind.NOTICE_RAISED: "Something came about that people may want to hear of, once for each occasion: `kind`, "
    "`threshold` (0 for a kind without one), `subject`, `occasion`, `over` (whether it ended).",
    EventKind.REMINDER_CAME: "The instant came that a worker wanted to be reminded at: `worker`, `name`.",
    EventKind.WORKER_DISABLED: "A worker was disabled: `worker`, `reason`.",
    EventKind.WORKER_ENABLED: "A worker that was disabled was enabled again: `worker`, `reason`.",
}
"""What each kind tells of, and in backticks what its `data` holds."""


MAY_GO = frozenset({EventKind.FRAMES_COUNTED, EventKind.FRAMES_UNMATCHED})
"""The kinds of which events may be taken out of the log: the ledger keeps what they tell of. All others are history."""


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of the log.

    `id` is its position: ids follow the order of commit, with gaps and without overtaking. `at` is the server's clock,
    UTC; `kind` one of EventKind; `actor` the name of the key, terminal or part of the service it came from.
    `production_id` and `shot_id` are None where it concerns none. `data` holds codes and values as they were.
    """

    id: int
    at: datetime
    kind: str
    actor: str
    production_id: int | None
    shot_id: int | None
    data: dict[str, Any]
