"""Notices: what people may want to hear of, occasion by occasion."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Any


class NoticeKind(StrEnum):
    """What people may hear of. Workers of others add kinds of their own, named `WORKER/KIND`."""

    SET_DRESSED = "set dressed"
    FRAMING_APPROVED = "framing approved"
    PLANNED_REACHED = "planned frames reached"
    TAKE_FINISHED = "take finished"
    TAKE_CIRCLED = "take circled"
    PLATE_DUE = "plate due"
    PLATE_IN = "plate in"
    COMP_DELIVERED = "comp delivered"
    DECISION_WAITED_FOR = "decision waited for"
    APPROVED = "approved"
    CHANGED_SINCE_APPROVAL = "changed since approval"
    CUT_CHANGED = "cut changed under the shooting"
    BEHIND_BY_FRAMES = "behind plan by frames"
    BEHIND_BY_DAYS = "behind plan by days"
    STAGE_FREES = "stage frees"
    STAGE_IDLE = "stage idle"
    TERMINAL_SILENT = "terminal silent"
    COUNTS_UNMATCHED = "counts unmatched"
    COUNTS_CAME_LATE = "counts came late"
    REPORT_REVISED = "report revised"
    CLASH = "clash"
    POWER_DOWN_UNCONFIRMED = "power-down not confirmed"
    EVENT_SET_ASIDE = "event set aside"
    REPORT_READY = "report ready"


class Unit(StrEnum):
    """What the threshold of a kind counts."""

    MINUTES = "minutes"
    HOURS = "hours"
    DAYS = "days"
    FRAMES = "frames"


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a kind of notice tells of.

    `unit` is of the threshold that a watch gives, up to `most`, None where it gives none; `lasts` where it has an end
    that can be told as well.
    """

    text: str
    unit: Unit | None = None
    most: int = 0
    lasts: bool = False


MEANINGS: Mapping[str, Meaning] = MappingProxyType(
    {
        NoticeKind.SET_DRESSED: Meaning("The set of a shot was signed off as dressed."),
        NoticeKind.FRAMING_APPROVED: Meaning("The framing of a shot was signed off, by each who has to."),
        NoticeKind.PLANNED_REACHED: Meaning(
            "Every planned frame of a shot is credited, after some was not: at first, or after a longer cut or a "
            "rejection.",
            lasts=True,
        ),
        NoticeKind.TAKE_FINISHED: Meaning("A take of a shot was offered as finished: somebody has to decide on it."),
        NoticeKind.TAKE_CIRCLED: Meaning("A take was circled."),
        NoticeKind.PLATE_DUE: Meaning(
            "All planned frames of a shot are shot and its plate is not: the set must stand until it is.", lasts=True
        ),
        NoticeKind.PLATE_IN: Meaning("The plate of a shot has all the frames it needs.", lasts=True),
        NoticeKind.COMP_DELIVERED: Meaning("The comp of a shot was delivered."),
        NoticeKind.DECISION_WAITED_FOR: Meaning(
            "A finished take has waited for a decision for longer than this.", Unit.HOURS, 24 * 60, lasts=True
        ),
        NoticeKind.APPROVED: Meaning("A shot was approved."),
        NoticeKind.CHANGED_SINCE_APPROVAL: Meaning(
            "An approved shot is not any more what was approved: frames, plan or decisions changed.", lasts=True
        ),
        NoticeKind.CUT_CHANGED: Meaning("A cut changed a shot that is being shot, or later."),
        NoticeKind.BEHIND_BY_FRAMES: Meaning(
            "A shot has at least so many credited frames fewer than the part of its booked shooting time that is over "
            "would have brought.",
            Unit.FRAMES,
            100_000,
            lasts=True,
        ),
        NoticeKind.BEHIND_BY_DAYS: Meaning(
            "A shot is behind its booked shooting by at least so many of the booked days.", Unit.DAYS, 400, lasts=True
        ),
        NoticeKind.STAGE_FREES: Meaning("What stands on a stage is booked to end within this.", Unit.HOURS, 24 * 60),
        NoticeKind.STAGE_IDLE: Meaning(
            "Nothing is booked on a stage from now on for at least this.", Unit.HOURS, 24 * 60, lasts=True
        ),
        NoticeKind.TERMINAL_SILENT: Meaning(
            "A terminal of a stage that was called and is not wrapped has said nothing for this long.",
            Unit.MINUTES,
            7 * 24 * 60,
            lasts=True,
        ),
        NoticeKind.COUNTS_UNMATCHED: Meaning("Counts came for a shot that is not in the plan; they are kept."),
        NoticeKind.COUNTS_CAME_LATE: Meaning(
            "Counts came hours after they were captured: what they brought, in one notice."
        ),
        NoticeKind.REPORT_REVISED: Meaning("A nightly report has a new revision, because facts of its day came late."),
        NoticeKind.CLASH: Meaning("Two bookings overlap on a stage or with an animator.", lasts=True),
        NoticeKind.POWER_DOWN_UNCONFIRMED: Meaning(
            "Nobody said that a stage's power is off, so long after its wrap.", Unit.MINUTES, 24 * 60, lasts=True
        ),
        NoticeKind.EVENT_SET_ASIDE: Meaning("A worker could not digest an event and does without it for now."),
        NoticeKind.REPORT_READY: Meaning("A day's nightly report was filed for the first time."),
    }
)
"""What each kind of our own tells of."""

LONGEST_SUBJECT = LONGEST_OCCASION = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One occasion: known for ever by `kind`, `threshold`, `subject`, `occasion`, and whether it is `over`.

    `subject` is what it is about, in a form the kind has for it, `occasion` tells this time from others; `since` when
    it came about (UTC). `production_id`, `shot_id` and `stage_ids` say what it concerns, `people` who of those named in
    the plan. `facts` are plain JSON values as they were: the words are made of them (`service.domain.wording`).
    """

    kind: str
    subject: str
    occasion: str
    since: datetime
    threshold: int = 0
    over: bool = False
    production_id: int | None = None
    shot_id: int | None = None
    stage_ids: tuple[int, ...] = ()
    people: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


def is_own(kind: str) -> bool:
    """Whether a kind is one of ours."""
    return kind in MEANINGS
