"""Rows: the shape of the database and nothing else.

Rows are private to the store and the actions; they do not validate (CHECK constraints do). No ORM relationships: joins
are written out. Instants are UTC by the library's own column type, which refuses naive values; a production day is a
stored local date. Codes are what people type, integer ids stay inside.
"""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, CheckConstraint, Constraint, Index, Text, UniqueConstraint, false, text
from sqlalchemy.dialects.postgresql import ExcludeConstraint
from sqlmodel import Field, SQLModel

SQLModel.metadata.naming_convention = {
    "pk": "pk_%(table_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
}

PHASES = "'planning', 'set dressing', 'shooting', 'background plate', 'compositing', 'approval', 'approved'"

ACTIVITIES = "'dressing', 'lighting', 'shooting', 'plate', 'holding', 'strike', 'upkeep'"

# Without AUTOINCREMENT, SQLite hands a deleted last id out again; a cursor or a link that remembers the old row would
# then point at a new one.
NEVER_REUSE: dict[str, Any] = {"sqlite_autoincrement": True}
# For rows that stood before the column did.
ZERO_BEFORE: dict[str, Any] = {"server_default": "0"}


class StudioRow(SQLModel, table=True):
    """The one studio of this database; zone and day start decide every production day."""

    __tablename__ = "studio"
    __table_args__ = (
        CheckConstraint("id = 1", name="only_one"),
        CheckConstraint("day_starts_at_min BETWEEN 0 AND 1439", name="day_start"),
        CheckConstraint("plate_minimum_frames >= 1", name="plate_minimum"),
    )
    id: int = Field(default=1, primary_key=True)
    name: str
    time_zone: str
    day_starts_at_min: int
    plate_minimum_frames: int
    terminals_may_decide: bool
    rev: int = 1


class ProductionRow(SQLModel, table=True):
    """A production: its frame rate is a rational, num/den."""

    __tablename__ = "production"
    __table_args__ = (
        UniqueConstraint("code"),
        CheckConstraint("rate_num > 0 AND rate_den > 0", name="rate"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    code: str
    title: str
    rate_num: int
    rate_den: int
    rev: int = 1
    added_at: datetime


class EpisodeRow(SQLModel, table=True):
    """An episode of a production."""

    __tablename__ = "episode"
    __table_args__ = (UniqueConstraint("production_id", "code"), NEVER_REUSE)
    id: int | None = Field(default=None, primary_key=True)
    production_id: int = Field(foreign_key="production.id")
    code: str
    title: str
    cut_revision: int | None = None
    rev: int = 1
    added_at: datetime


class CutRow(SQLModel, table=True):
    """A revision of an episode's cut: a draft until it is locked, then for good as it was locked.

    `uses` are the uses the list names, of a locked cut those of the whole episode; `differences` are written when it is
    locked.
    """

    __tablename__ = "cut"
    __table_args__ = (
        UniqueConstraint("episode_id", "revision"),
        CheckConstraint("revision >= 1", name="revision"),
        CheckConstraint("format IN ('edl', 'csv', 'json')", name="format"),
        CheckConstraint("(locked_at IS NULL) = (locked_by IS NULL)", name="locked_whole"),
        CheckConstraint("(locked_at IS NULL) = (differences IS NULL)", name="locked_said"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    episode_id: int = Field(foreign_key="episode.id")
    revision: int
    format: str
    asked: dict[str, Any] = Field(sa_type=JSON)
    text: str = Field(sa_type=Text)
    title: str | None = None
    drop_frame: bool
    uses: list[dict[str, Any]] = Field(sa_type=JSON)
    findings: list[dict[str, Any]] = Field(sa_type=JSON)
    differences: dict[str, Any] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    follows: int | None = None
    drafted_by: str
    drafted_at: datetime
    locked_by: str | None = None
    locked_at: datetime | None = None


class StageRow(SQLModel, table=True):
    """A stage of the studio, shared by its productions."""

    __tablename__ = "stage"
    __table_args__ = (UniqueConstraint("code"), NEVER_REUSE)
    id: int | None = Field(default=None, primary_key=True)
    code: str
    name: str
    rev: int = 1
    added_at: datetime


class StudioCalendarRow(SQLModel, table=True):
    """The hours all stages keep that have none of their own, and the days that are other.

    `hours` has, by weekday, pairs of minutes after midnight; `days_out`, by day, such `hours` and a `reason`.
    """

    __tablename__ = "studio_calendar"
    __table_args__ = (CheckConstraint("id = 1", name="only_one"),)
    id: int = Field(default=1, primary_key=True)
    hours: dict[str, Any] = Field(sa_type=JSON)
    days_out: dict[str, Any] = Field(sa_type=JSON)
    rev: int = 1


class StageCalendarRow(SQLModel, table=True):
    """What a stage keeps otherwise than the studio; `hours` is null where it keeps the studio's."""

    __tablename__ = "stage_calendar"
    stage_id: int = Field(primary_key=True, foreign_key="stage.id", sa_column_kwargs={"autoincrement": False})
    hours: dict[str, Any] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    days_out: dict[str, Any] = Field(sa_type=JSON)
    rev: int = 1


def _never_twice(column: str) -> Constraint:
    return ExcludeConstraint(
        (column, "="),
        (text("tstzrange(start_at, end_at)"), "&&"),
        where=text("firmness = 'confirmed' AND cancelled_at IS NULL"),
        using="gist",
        name=f"ex_booking_{column}",
    ).ddl_if(dialect="postgresql")


class BookingRow(SQLModel, table=True):
    """A booking `[start_at, end_at)` of a stage, an animator or both. Cancelled ones stay.

    PostgreSQL itself keeps two confirmed ones of a stage, or of an animator, from overlapping; SQLite has one writer.
    `part` is that of a split shot; `released` is cancelled because its shot was omitted, and comes back with it.
    """

    __tablename__ = "booking"
    __table_args__ = (
        CheckConstraint(f"activity IN ({ACTIVITIES})", name="activity"),
        CheckConstraint("firmness IN ('pencilled', 'confirmed')", name="firmness"),
        CheckConstraint("end_at > start_at", name="lasts"),
        CheckConstraint("stage_id IS NOT NULL OR animator IS NOT NULL", name="takes"),
        CheckConstraint("activity <> 'holding' OR note IS NOT NULL", name="holds_for"),
        CheckConstraint("(cancelled_at IS NULL) = (cancel_reason IS NULL)", name="cancelled_for"),
        _never_twice("stage_id"),
        _never_twice("animator"),
        Index("ix_booking_stage_start", "stage_id", "start_at"),
        Index("ix_booking_animator_start", "animator", "start_at"),
        Index("ix_booking_start", "start_at", "id"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    production_id: int = Field(foreign_key="production.id", index=True)
    shot_id: int | None = Field(default=None, foreign_key="shot.id", index=True)
    part: str | None = None
    stage_id: int | None = Field(default=None, foreign_key="stage.id")
    animator: str | None = None
    activity: str
    firmness: str
    start_at: datetime
    end_at: datetime
    note: str | None = None
    asked_by: str | None = None
    by: str
    booked_at: datetime
    cancelled_at: datetime | None = None
    cancel_reason: str | None = None
    released: bool = Field(default=False, sa_column_kwargs={"server_default": false()})
    rev: int = 1


class TerminalRow(SQLModel, table=True):
    """A capture computer beside a stage; it outlives its keys, because its serials do.

    What its last body of counts said: the spool, how many entries waited behind it, and by how many milliseconds its
    clock was ahead of the server's (behind, where negative).
    """

    __tablename__ = "terminal"
    __table_args__ = (UniqueConstraint("name"), NEVER_REUSE)
    id: int | None = Field(default=None, primary_key=True)
    name: str
    stage_id: int = Field(foreign_key="stage.id", index=True)
    last_seen_at: datetime | None = None
    spool: str | None = None
    queued: int | None = None
    clock_ahead_ms: int | None = Field(default=None, sa_type=BigInteger)
    rev: int = 1
    added_at: datetime


class KeyRow(SQLModel, table=True):
    """An API key: the secret's SHA-256 alone is kept, the prefix finds the row."""

    __tablename__ = "api_key"
    __table_args__ = (
        UniqueConstraint("name"),
        UniqueConstraint("prefix"),
        CheckConstraint("scope IN ('count', 'read', 'coordinate', 'admin')", name="scope"),
        CheckConstraint(
            "(scope = 'count') = (terminal_id IS NOT NULL AND stage_id IS NOT NULL)", name="count_is_bound"
        ),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str
    prefix: str
    digest: str
    scope: str
    stage_id: int | None = Field(default=None, foreign_key="stage.id", index=True)
    terminal_id: int | None = Field(default=None, foreign_key="terminal.id", index=True)
    production_id: int | None = Field(default=None, foreign_key="production.id", index=True)
    roles: list[str] = Field(default_factory=list, sa_type=JSON)
    expires_at: datetime | None = None
    revoked_at: datetime | None = None
    rev: int = 1
    made_at: datetime


class ShotRow(SQLModel, table=True):
    """A shot and its plan.

    `rev` rises with plan and decisions, `touched` with every event of the shot, `plan_rev` with the plan alone. `uses`
    and `dissolves` are inclusive ranges of frame identities, null for the one use 1…`cut_frames` and no dissolve.
    `source_zero` is the frame number that identity 1 has on the reel `source`, `cut_revision` the locked cut it is in,
    `animator` who is to animate it. `detours` is how many corrections lead counts of its code elsewhere, so that the
    door need not look where there is none.
    """

    __tablename__ = "shot"
    __table_args__ = (
        UniqueConstraint("production_id", "code"),
        CheckConstraint("cut_frames >= 1", name="cut_frames"),
        CheckConstraint("handle_in >= 0 AND handle_out >= 0", name="handles"),
        CheckConstraint(f"phase IN ({PHASES})", name="phase"),
        Index("ix_shot_episode_id", "episode_id"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    production_id: int = Field(foreign_key="production.id")
    episode_id: int = Field(foreign_key="episode.id")
    code: str
    scene: str | None = None
    cut_frames: int
    uses: list[tuple[int, int]] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    dissolves: list[tuple[int, int]] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    source: str | None = None
    source_zero: int | None = None
    cut_revision: int | None = None
    handle_in: int = 0
    handle_out: int = 0
    cameras: list[str] = Field(sa_type=JSON)
    passes: list[str] = Field(sa_type=JSON)
    moving_camera: bool = False
    omitted: bool = False
    animator: str | None = None
    phase: str = "planning"
    phase_since: datetime
    plan_rev: int = 1
    rev: int = 1
    touched: int = 1
    detours: int = Field(default=0, sa_column_kwargs=ZERO_BEFORE)
    added_at: datetime


class PartRow(SQLModel, table=True):
    """Where a shot, or a part of a split shot, is planned to be shot. `first`/`last` are frame identities.

    Null means the planned end.
    """

    __tablename__ = "shot_part"
    __table_args__ = (CheckConstraint("first IS NULL OR last IS NULL OR first <= last", name="range"),)
    shot_id: int = Field(foreign_key="shot.id", primary_key=True)
    part: str = Field(primary_key=True)
    stage_id: int = Field(foreign_key="stage.id", index=True)
    first: int | None = None
    last: int | None = None


class NeedsRow(SQLModel, table=True):
    """What a shot needs beside its plan, where anybody has entered it.

    `rev` rises with it and with what the plan requires of cameras and passes, which is read and entered together.
    """

    __tablename__ = "shot_needs"
    __table_args__ = (CheckConstraint("difficulty BETWEEN 1 AND 5", name="difficulty"),)
    shot_id: int = Field(foreign_key="shot.id", primary_key=True)
    set_code: str | None = None
    set_up: str | None = None
    rig: bool = False
    plate: bool = False
    comp: bool = False
    dialogue: bool = False
    insert_of_id: int | None = Field(default=None, foreign_key="shot.id", index=True)
    difficulty: int | None = None
    characters: list[dict[str, Any]] = Field(sa_type=JSON)
    props: list[str] = Field(sa_type=JSON)
    notes: str | None = Field(default=None, sa_type=Text)
    rev: int = 1
    entered_by: str
    entered_at: datetime


class NeedsDraftRow(SQLModel, table=True):
    """A table of what shots need: a draft until it is applied.

    `rows` are its rows as they were read, each with what stood then in its columns and the `rev` of the shot's needs.
    """

    __tablename__ = "needs_draft"
    __table_args__ = (
        UniqueConstraint("production_id", "number"),
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("(applied_at IS NULL) = (applied_by IS NULL)", name="applied_whole"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    production_id: int = Field(foreign_key="production.id")
    number: int
    text: str = Field(sa_type=Text)
    findings: list[dict[str, Any]] = Field(sa_type=JSON)
    rows: list[dict[str, Any]] = Field(sa_type=JSON)
    drafted_by: str
    drafted_at: datetime
    applied_by: str | None = None
    applied_at: datetime | None = None


class TakeRow(SQLModel, table=True):
    """One attempt at a shot or a part of it, for one purpose.

    `rev` rises with decisions and outcomes, not with totals.
    """

    __tablename__ = "take"
    __table_args__ = (
        UniqueConstraint("shot_id", "part", "purpose", "number"),
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("purpose IN ('shoot', 'plate', 'rehearsal', 'test', 'reference')", name="purpose"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    shot_id: int = Field(foreign_key="shot.id")
    part: str
    purpose: str
    number: int
    rev: int = 1
    added_at: datetime


class SeriesRow(SQLModel, table=True):
    """The standing total of one series, kept beside the ledger so that the door answers without reading all of it.

    The nightly recount compares the two. `moved_at` is when a correction moved all its counts elsewhere; null while it
    has any.
    """

    __tablename__ = "series"
    __table_args__ = (
        UniqueConstraint("take_id", "camera", "pass"),
        CheckConstraint("total_frames >= 0", name="total"),
        CheckConstraint("outcome IN ('open', 'finished', 'abandoned')", name="outcome"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    take_id: int = Field(foreign_key="take.id")
    shot_id: int = Field(foreign_key="shot.id", index=True)
    camera: str
    pass_: str = Field(sa_column_kwargs={"name": "pass"})
    default_starts_at: int
    starts_at: int
    total_frames: int
    outcome: str
    offered_at: datetime | None = None
    stage_id: int = Field(foreign_key="stage.id", index=True)
    ruled_at: datetime
    moved_at: datetime | None = None


class CountRow(SQLModel, table=True):
    """The ledger: every accepted post as it came, for ever.

    Rows are added, matched and corrected, never changed otherwise, never deleted: what was posted stays. A correction
    says under `restated_frames` what the series held instead of `total_frames`, or moves the count to another series.
    """

    __tablename__ = "frame_count"
    __table_args__ = (
        UniqueConstraint("terminal_id", "spool", "serial"),
        CheckConstraint("(series_id IS NULL) = (unmatched_reason IS NOT NULL)", name="matched_or_why"),
        CheckConstraint("total_frames >= 0", name="total"),
        CheckConstraint("take >= 1", name="take"),
        Index("ix_frame_count_series_order", "series_id", "terminal_id", "spool", "serial"),
        Index("ix_frame_count_shot_terminal", "shot_id", "terminal_id", "plan_rev"),
        Index("ix_frame_count_posted_codes", "production_code", "shot_code"),
        Index("ix_frame_count_stage_captured", "stage_id", "captured_at"),
        Index("ix_frame_count_terminal_day", "terminal_id", "day_on", "id"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    terminal_id: int = Field(foreign_key="terminal.id")
    stage_id: int = Field(foreign_key="stage.id")
    spool: str
    serial: int = Field(sa_type=BigInteger)
    digest: str
    production_code: str
    shot_code: str
    take: int
    part: str | None = None
    camera: str | None = None
    pass_: str | None = Field(default=None, sa_column_kwargs={"name": "pass"})
    purpose: str
    captures_total: int | None = None
    frames_total: int | None = None
    frames_per_capture: int
    total_frames: int
    starts_at: int | None = None
    animator: str | None = None
    outcome: str | None = None
    posted_at: datetime | None = None
    captured_at: datetime
    time_basis: str
    adjusted: bool
    received_at: datetime
    day_on: date
    shot_id: int | None = Field(default=None, foreign_key="shot.id")
    series_id: int | None = Field(default=None, foreign_key="series.id")
    plan_rev: int | None = None
    unmatched_reason: str | None = None
    answer: dict[str, Any] = Field(sa_type=JSON)
    restated_frames: int | None = None


class CorrectionRow(SQLModel, table=True):
    """What a coordinator put right of counts, and why. Appended, never changed.

    A `total` says what the series held; a `move` takes the counts of a take, as far as `marks` (of each spool the
    highest serial there was, by camera and pass), to another; a `merge` those of a whole shot, whose takes' numbers
    rise by `take_offset`. `frames` are what is corrected: the new total, or all that was moved.
    """

    __tablename__ = "correction"
    __table_args__ = (
        CheckConstraint("kind IN ('total', 'move', 'merge')", name="kind"),
        CheckConstraint("(kind = 'merge') = (take IS NULL)", name="of_a_take"),
        CheckConstraint("(kind = 'total') = (to_shot_id IS NULL)", name="goes_elsewhere"),
        CheckConstraint("(kind = 'total') = (count_id IS NOT NULL)", name="restates"),
        CheckConstraint("before_frames >= 0 AND frames >= 0", name="frames"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    kind: str
    shot_id: int = Field(foreign_key="shot.id", index=True)
    part: str | None = None
    purpose: str | None = None
    take: int | None = None
    camera: str | None = None
    pass_: str | None = Field(default=None, sa_column_kwargs={"name": "pass"})
    count_id: int | None = Field(default=None, foreign_key="frame_count.id", index=True)
    to_shot_id: int | None = Field(default=None, foreign_key="shot.id", index=True)
    to_part: str | None = None
    to_take: int | None = None
    take_offset: int = 0
    marks: list[tuple[int, str, int, str, str]] = Field(sa_type=JSON)
    before_frames: int
    frames: int
    captures_total: int | None = None
    reason: str
    by: str
    corrected_at: datetime


class DecisionRow(SQLModel, table=True):
    """What somebody said of a take or of a range of it. Appended, never changed.

    The id order within a shot is the order of saying, because the shot is locked.
    """

    __tablename__ = "decision"
    __table_args__ = (
        CheckConstraint("verdict IN ('accept', 'reject', 'circle', 'withdraw')", name="verdict"),
        CheckConstraint("(first IS NULL) = (last IS NULL)", name="range_whole"),
        CheckConstraint("first IS NULL OR first <= last", name="range_order"),
        CheckConstraint(
            "cause IN ('performance', 'light', 'camera', 'puppet', 'rig seen', 'story', 're-cut', 'other')",
            name="cause",
        ),
        CheckConstraint("cause IS NULL OR verdict = 'reject'", name="cause_of_rejection"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    take_id: int = Field(foreign_key="take.id", index=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    verdict: str
    camera: str | None = None
    first: int | None = None
    last: int | None = None
    cause: str | None = None
    reason: str | None = None
    by: str
    decided_at: datetime


class TakeNoteRow(SQLModel, table=True):
    """What somebody noted of a take or of a range of its frames, numbered within the take.

    What was noted is never changed; a note may be struck once, and stays.
    """

    __tablename__ = "take_note"
    __table_args__ = (
        UniqueConstraint("take_id", "number"),
        CheckConstraint("number >= 1", name="number"),
        CheckConstraint("(first IS NULL) = (last IS NULL)", name="range_whole"),
        CheckConstraint("first IS NULL OR first <= last", name="range_order"),
        CheckConstraint("(struck_at IS NULL) = (struck_by IS NULL)", name="struck_by"),
        CheckConstraint("(struck_at IS NULL) = (struck_reason IS NULL)", name="struck_why"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    take_id: int = Field(foreign_key="take.id")
    shot_id: int = Field(foreign_key="shot.id", index=True)
    number: int
    camera: str | None = None
    first: int | None = None
    last: int | None = None
    text: str
    by: str
    noted_at: datetime
    struck_by: str | None = None
    struck_at: datetime | None = None
    struck_reason: str | None = None


class MoveRow(SQLModel, table=True):
    """A shot's move from one phase to another. Appended, never changed.

    `lacked` are the facts an override set aside, null where none was needed.
    """

    __tablename__ = "shot_move"
    __table_args__ = (
        CheckConstraint(f"origin IN ({PHASES}) AND to_phase IN ({PHASES})", name="phases"),
        CheckConstraint("lacked IS NULL OR reason IS NOT NULL", name="override_reason"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    origin: str
    to_phase: str
    cause: str | None = None
    reason: str | None = None
    lacked: list[str] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    by: str
    moved_at: datetime


class SuspensionRow(SQLModel, table=True):
    """A time a shot was suspended, open until it is resumed; at most one of a shot is open."""

    __tablename__ = "suspension"
    __table_args__ = (
        CheckConstraint("(resumed_at IS NULL) = (resumed_by IS NULL)", name="resumed_whole"),
        Index(
            "uq_suspension_open",
            "shot_id",
            unique=True,
            sqlite_where=text("resumed_at IS NULL"),
            postgresql_where=text("resumed_at IS NULL"),
        ),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    reason: str
    by: str
    suspended_at: datetime
    resumed_by: str | None = None
    resumed_at: datetime | None = None


class SignOffRow(SQLModel, table=True):
    """A sign-off that was given, and when it was withdrawn. Rows are added and withdrawn, never changed otherwise.

    The id order within a shot is the order of signing, because the shot is locked. `basis` is what it speaks of.
    """

    __tablename__ = "sign_off"
    __table_args__ = (
        CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_by IS NULL) AND (withdrawn_at IS NULL) = (withdrawn_reason IS NULL)",
            name="withdrawn_whole",
        ),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    matter: str
    role: str
    by: str
    signer: str | None = None
    note: str | None = None
    digest: str | None = None
    basis: dict[str, Any] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    signed_at: datetime
    withdrawn_at: datetime | None = None
    withdrawn_by: str | None = None
    withdrawn_reason: str | None = None


class CreditedChangeRow(SQLModel, table=True):
    """One entry of the journal of credited frames: how much, why, and on which production day it changed.

    Its sum per shot is E.
    """

    __tablename__ = "credited_change"
    __table_args__ = (CheckConstraint("frames <> 0", name="moves"), NEVER_REUSE)
    id: int | None = Field(default=None, primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    changed_on: date
    cause: str
    frames: int
    changed_at: datetime


class PlannedChangeRow(SQLModel, table=True):
    """One entry of the journal of planned frames: how much, why, and on which production day it changed.

    Its sum per shot is T, and up to a day what T was at that day's end.
    """

    __tablename__ = "planned_change"
    __table_args__ = (CheckConstraint("frames <> 0", name="moves"), NEVER_REUSE)
    id: int | None = Field(default=None, primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    changed_on: date
    cause: str
    frames: int
    changed_at: datetime


class StageLogRow(SQLModel, table=True):
    """A line of a stage's log. Appended, never changed.

    Call and wrap together decide the production day of what is captured between them. `terminal_id` is the terminal
    whose key entered it; `spool` and `serial` name it for ever with that, where it came with them, and `digest` is then
    of what it said. `redated_counts` is what its first answer said.
    """

    __tablename__ = "stage_log"
    __table_args__ = (
        UniqueConstraint("terminal_id", "spool", "serial"),
        CheckConstraint("kind IN ('call', 'wrap', 'waiting', 'resumed', 'power_off')", name="kind"),
        CheckConstraint("kind <> 'waiting' OR reason IS NOT NULL", name="waits_for"),
        CheckConstraint("(spool IS NULL) = (serial IS NULL)", name="identity_whole"),
        CheckConstraint("(spool IS NULL) = (digest IS NULL)", name="identity_says"),
        CheckConstraint("spool IS NULL OR terminal_id IS NOT NULL", name="identity_whose"),
        Index("ix_stage_log_stage_at", "stage_id", "at"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    stage_id: int = Field(foreign_key="stage.id")
    kind: str
    at: datetime
    reason: str | None = None
    time_basis: str | None = None
    adjusted: bool | None = None
    terminal_id: int | None = Field(default=None, foreign_key="terminal.id")
    spool: str | None = None
    serial: int | None = Field(default=None, sa_type=BigInteger)
    digest: str | None = None
    redated_counts: int | None = None
    by: str
    noted_at: datetime


class EventRow(SQLModel, table=True):
    """The append-only log. No foreign keys.

    Checking one touches another row while the append lock is held, and deadlocks.
    """

    __tablename__ = "event"
    __table_args__ = (
        Index("ix_event_production_id_id", "production_id", "id"),
        Index("ix_event_shot_id_id", "shot_id", "id"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    at: datetime
    kind: str
    actor: str
    production_id: int | None = None
    shot_id: int | None = None
    data: dict[str, Any] = Field(sa_type=JSON)


class CleanedRow(SQLModel, table=True):
    """What was taken out of the log, by kind, of a shot, of a production alone, or of neither, which are then 0.

    `events` of them are gone, the last at `position`, which happened at `happened_at`.
    """

    __tablename__ = "cleaned"
    __table_args__ = (Index("ix_cleaned_production_id_position", "production_id", "position"),)
    production_id: int = Field(primary_key=True)
    shot_id: int = Field(primary_key=True)
    kind: str = Field(primary_key=True)
    position: int = Field(index=True)
    happened_at: datetime
    events: int
    cleaned_at: datetime


class CleaningRow(SQLModel, table=True):
    """The one cleaning of the log: up to where the pass that began at `begun_at` has looked, and when it was over."""

    __tablename__ = "cleaning"
    __table_args__ = (CheckConstraint("id = 1", name="only_one"),)
    id: int = Field(default=1, primary_key=True)
    looked_to: int
    begun_at: datetime
    ended_at: datetime | None = None


class IdempotencyRow(SQLModel, table=True):
    """The answer to a write that named its Idempotency-Key, kept in the transaction of its effect."""

    __tablename__ = "idempotency"
    api_key_id: int = Field(foreign_key="api_key.id", primary_key=True)
    idempotency_key: str = Field(primary_key=True)
    method: str
    path: str
    body_digest: str
    status: int
    headers: dict[str, str] = Field(sa_type=JSON)
    body: str = Field(sa_type=Text)
    answered_at: datetime = Field(index=True)


class EditionRow(SQLModel, table=True):
    """A set of all rows of a worker, made by one `version`: one is shown, others are being filled or were shown before.

    `by_facts` says that it is filled by the worker's `rebuild`, of which `mark` is the place and `steps` the number of
    the next; its cursors begin at `reads_from`. `lacks_to` is the last event that was cleaned away when it began to
    read the log, where it wants such events; `swept` that its rows were taken away.
    """

    __tablename__ = "worker_edition"
    __table_args__ = (
        CheckConstraint("state IN ('filling', 'ruling', 'former', 'given up')", name="state"),
        Index(
            "uq_worker_edition_ruling",
            "worker",
            unique=True,
            sqlite_where=text("state = 'ruling'"),
            postgresql_where=text("state = 'ruling'"),
        ),
        Index(
            "uq_worker_edition_filling",
            "worker",
            "version",
            unique=True,
            sqlite_where=text("state = 'filling'"),
            postgresql_where=text("state = 'filling'"),
        ),
    )
    worker: str = Field(primary_key=True)
    edition: int = Field(primary_key=True)
    version: int
    state: str
    by_facts: bool
    mark: Any = Field(default=None, sa_type=JSON(none_as_null=True), nullable=True)
    steps: int = 0
    reads_from: int | None = None
    lacks_to: int = 0
    swept: bool = False
    begun_at: datetime
    asked_by: str | None = None
    filled_at: datetime | None = None
    ruled_at: datetime | None = None
    ended_at: datetime | None = None


class CursorRow(SQLModel, table=True):
    """How far a worker has read the log for an edition of its rows, and how its next step stands."""

    __tablename__ = "worker_cursor"
    __table_args__ = (CheckConstraint("batch_limit >= 1", name="batch_limit"),)
    worker: str = Field(primary_key=True)
    edition: int = Field(primary_key=True)
    partition: str = Field(primary_key=True)
    position: int = 0
    attempts: int = 0
    batch_limit: int
    next_try_at: datetime | None = None
    leased_until: datetime | None = None
    lease_owner: str | None = None
    last_error: str | None = Field(default=None, sa_type=Text)
    last_error_at: datetime | None = None
    moved_at: datetime | None = None
    health: list[str] | None = Field(default=None, sa_type=JSON)


class QuarantineRow(SQLModel, table=True):
    """An event that a worker could not digest after all its tries."""

    __tablename__ = "quarantine"
    __table_args__ = (UniqueConstraint("worker", "edition", "partition", "event_id"), NEVER_REUSE)
    id: int | None = Field(default=None, primary_key=True)
    worker: str
    edition: int
    partition: str
    event_id: int
    attempts: int
    error: str = Field(sa_type=Text)
    quarantined_at: datetime
    retry_at: datetime | None = None
    released_at: datetime | None = None
    release: str | None = None
    released_by: str | None = None


class CatalogueRow(SQLModel, table=True):
    """What an engine process found behind the entry points; one row per host, worker and version."""

    __tablename__ = "worker_catalogue"
    host: str = Field(primary_key=True)
    worker: str = Field(primary_key=True)
    version: int = Field(primary_key=True)
    distribution: str
    state: str
    error: str | None = Field(default=None, sa_type=Text)
    events: list[str] = Field(sa_type=JSON)
    tables: dict[str, str] | None = Field(default=None, sa_type=JSON)
    notices: dict[str, str] | None = Field(default=None, sa_type=JSON)
    rebuilds: bool = Field(default=False, sa_column_kwargs={"server_default": false()})
    by_production: bool = Field(default=False, sa_column_kwargs={"server_default": false()})
    settings_schema: dict[str, Any] = Field(sa_type=JSON)
    seen_at: datetime


class SwitchRow(SQLModel, table=True):
    """A worker that an operator disabled; while there is none, a worker is enabled."""

    __tablename__ = "worker_switch"
    worker: str = Field(primary_key=True)
    by: str
    at: datetime
    reason: str


class HeartbeatRow(SQLModel, table=True):
    """An engine's sign of life."""

    __tablename__ = "heartbeat"
    name: str = Field(primary_key=True)
    at: datetime


class DueJobRow(SQLModel, table=True):
    """A job due once a studio-local day, whatever restarts."""

    __tablename__ = "due_job"
    __table_args__ = (
        UniqueConstraint("worker", "name", "day_on"),
        Index("ix_due_job_open", "done_at", "due_at"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    worker: str
    name: str
    day_on: date
    due_at: datetime
    attempts: int = 0
    next_try_at: datetime | None = None
    leased_until: datetime | None = None
    lease_owner: str | None = None
    done_at: datetime | None = None
    result: dict[str, Any] | None = Field(default=None, sa_type=JSON)
    last_error: str | None = Field(default=None, sa_type=Text)


class ShotProgressRow(SQLModel, table=True):
    """Figures of a shot by the worker *progress*; `position` is the event they rest on."""

    __tablename__ = "shot_progress"
    edition: int = Field(primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", primary_key=True, index=True)
    planned_frames: int
    shot_frames: int
    credited_frames: int
    credited_cut_frames: int
    remaining_frames: int
    overshoot_frames: int
    provisional: bool
    plate_planned_frames: int
    plate_shot_frames: int
    position: int


class PartProgressRow(SQLModel, table=True):
    """Figures of the part of a shot that one stage shoots; a shot that is not split has one."""

    __tablename__ = "part_progress"
    edition: int = Field(primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", primary_key=True, index=True)
    part: str = Field(primary_key=True)
    stage_id: int | None = Field(default=None, foreign_key="stage.id", index=True)
    planned_frames: int
    shot_frames: int
    credited_frames: int
    credited_cut_frames: int
    remaining_frames: int
    overshoot_frames: int
    provisional: bool


class DayFramesRow(SQLModel, table=True):
    """Frames shot in a series on one production day, by stage and animator of the capture.

    `animator` is empty where none was named.
    """

    __tablename__ = "day_frames"
    edition: int = Field(primary_key=True)
    series_id: int = Field(foreign_key="series.id", primary_key=True, index=True)
    day_on: date = Field(primary_key=True)
    stage_id: int = Field(foreign_key="stage.id", primary_key=True, index=True)
    animator: str = Field(primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    net_frames: int
    gross_frames: int
    deleted_frames: int
    corrected_frames: int = Field(default=0, sa_column_kwargs=ZERO_BEFORE)


class DayCreditRow(SQLModel, table=True):
    """Credited change of a shot on one production day by cause."""

    __tablename__ = "day_credit"
    edition: int = Field(primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", primary_key=True, index=True)
    day_on: date = Field(primary_key=True)
    cause: str = Field(primary_key=True)
    frames: int


class KeptRow(SQLModel, table=True):
    """A row that a worker keeps in a table of its own: `data` under a key; `position` is the event it rests on.

    `production_id` says whose it is, None where it is of the studio as a whole.
    """

    __tablename__ = "kept_row"
    worker: str = Field(primary_key=True)
    edition: int = Field(primary_key=True)
    kept_in: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    shot_id: int | None = Field(default=None, foreign_key="shot.id", index=True)
    production_id: int | None = Field(default=None, foreign_key="production.id", index=True)
    position: int
    data: dict[str, Any] = Field(sa_type=JSON)


class NightlyReportRow(SQLModel, table=True):
    """A revision of a production's report of one production day, kept for good; `version` is the worker's that made it.

    `inputs` are the facts it was computed from, `figures` what was computed, `difference` what changed since the
    revision before. `unmatched_counts` is one of the figures, beside them so that all days can be looked through.
    `blocked` is what waited for whom when it was filed, `occupancy` what stages were then known to be used for on the
    day; None of a report from before these were kept.
    """

    __tablename__ = "nightly_report"
    __table_args__ = (
        UniqueConstraint("production_id", "day_on", "revision"),
        CheckConstraint("revision >= 1", name="revision"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    version: int
    production_id: int = Field(foreign_key="production.id")
    day_on: date
    revision: int
    position: int
    unmatched_counts: int
    inputs: dict[str, Any] = Field(sa_type=JSON)
    figures: dict[str, Any] = Field(sa_type=JSON)
    difference: list[dict[str, Any]] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    blocked: dict[str, Any] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    occupancy: dict[str, Any] | None = Field(default=None, sa_type=JSON(none_as_null=True))
    filed_at: datetime


class ReportedFramesRow(SQLModel, table=True):
    """What the filed reports say was shot in a series on a day, so that a late count is seen to change one."""

    __tablename__ = "reported_frames"
    edition: int = Field(primary_key=True)
    series_id: int = Field(foreign_key="series.id", primary_key=True, index=True)
    day_on: date = Field(primary_key=True)
    stage_id: int = Field(foreign_key="stage.id", primary_key=True, index=True)
    animator: str = Field(primary_key=True)
    shot_id: int = Field(foreign_key="shot.id", index=True)
    counts: int
    gross_frames: int
    deleted_frames: int
    corrected_frames: int = Field(default=0, sa_column_kwargs=ZERO_BEFORE)


class WatchRow(SQLModel, table=True):
    """Who hears of what, where and how; removed ones stay, because deliveries name them.

    `production_id`, `episode_id`, `stage_id`, `shot_id` and `person` narrow what is heard of; `bound_to` is the
    production of the key that made it, which narrows it for good. `secret` signs webhooks, `former_secret` as well
    until its time is up. Minutes are after midnight on the clock of `time_zone`.
    """

    __tablename__ = "watch"
    __table_args__ = (
        CheckConstraint("(quiet_from_min IS NULL) = (quiet_to_min IS NULL)", name="quiet_whole"),
        CheckConstraint("every_min IS NULL OR every_min > 0", name="every_min"),
        CheckConstraint("(disabled_at IS NULL) = (disabled_reason IS NULL)", name="disabled_for"),
        Index(
            "uq_watch_name",
            "name",
            unique=True,
            sqlite_where=text("removed_at IS NULL"),
            postgresql_where=text("removed_at IS NULL"),
        ),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str
    bound_to: int | None = Field(default=None, foreign_key="production.id")
    production_id: int | None = Field(default=None, foreign_key="production.id")
    episode_id: int | None = Field(default=None, foreign_key="episode.id")
    stage_id: int | None = Field(default=None, foreign_key="stage.id")
    shot_id: int | None = Field(default=None, foreign_key="shot.id")
    person: str | None = None
    channel: str
    target: dict[str, Any] = Field(sa_type=JSON)
    time_zone: str
    quiet_from_min: int | None = None
    quiet_to_min: int | None = None
    every_min: int | None = None
    at_min: list[int] = Field(default_factory=list, sa_type=JSON)
    muted_until: datetime | None = None
    disabled_at: datetime | None = None
    disabled_reason: str | None = None
    secret: str
    former_secret: str | None = None
    former_secret_until: datetime | None = None
    removed_at: datetime | None = None
    rev: int = 1
    by: str
    added_at: datetime


class WatchKindRow(SQLModel, table=True):
    """A kind of notice that a watch hears of, its end as well where `ends`; `threshold` is 0 for kinds without one."""

    __tablename__ = "watch_kind"
    __table_args__ = (Index("ix_watch_kind_kind_threshold", "kind", "threshold"),)
    watch_id: int = Field(foreign_key="watch.id", primary_key=True)
    kind: str = Field(primary_key=True)
    threshold: int = Field(primary_key=True)
    ends: bool


class NoticeRow(SQLModel, table=True):
    """One occasion of something that people may want to hear of; `over` where it tells of its end.

    `facts` are codes and values as they were, of which the words are made.
    """

    __tablename__ = "notice"
    __table_args__ = (
        UniqueConstraint("kind", "threshold", "subject", "occasion", "over"),
        Index("ix_notice_production_id_id", "production_id", "id"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    kind: str
    threshold: int
    subject: str
    occasion: str
    over: bool
    worker: str
    production_id: int | None = Field(default=None, foreign_key="production.id")
    episode_id: int | None = Field(default=None, foreign_key="episode.id")
    shot_id: int | None = Field(default=None, foreign_key="shot.id", index=True)
    stage_ids: list[int] = Field(sa_type=JSON)
    people: list[str] = Field(sa_type=JSON)
    since: datetime
    facts: dict[str, Any] = Field(sa_type=JSON)
    raised_at: datetime


class DeliveryRow(SQLModel, table=True):
    """A message to a watch: one notice, or those that were gathered until it was due.

    `message_id` is the same over all attempts. While `waiting` and never tried, notices may join.
    """

    __tablename__ = "delivery"
    __table_args__ = (
        CheckConstraint("state IN ('waiting', 'delivered', 'dead', 'withdrawn')", name="state"),
        UniqueConstraint("message_id"),
        Index("ix_delivery_watch_id_id", "watch_id", "id"),
        Index("ix_delivery_state_due_at", "state", "due_at"),
        NEVER_REUSE,
    )
    id: int | None = Field(default=None, primary_key=True)
    watch_id: int = Field(foreign_key="watch.id")
    message_id: str
    state: str
    test: bool = False
    due_at: datetime
    made_at: datetime
    attempts: int = 0
    next_try_at: datetime | None = None
    leased_until: datetime | None = None
    lease_owner: str | None = None
    settled_at: datetime | None = None
    last_error: str | None = Field(default=None, sa_type=Text)


class DeliveryNoticeRow(SQLModel, table=True):
    """A notice in a message to a watch: once in all messages to it."""

    __tablename__ = "delivery_notice"
    watch_id: int = Field(foreign_key="watch.id", primary_key=True)
    notice_id: int = Field(foreign_key="notice.id", primary_key=True)
    delivery_id: int = Field(foreign_key="delivery.id", index=True)


class DeliveryAttemptRow(SQLModel, table=True):
    """A try to deliver a message, written before it is sent; without `ended_at` it is under way, or died there."""

    __tablename__ = "delivery_attempt"
    delivery_id: int = Field(foreign_key="delivery.id", primary_key=True)
    number: int = Field(primary_key=True)
    begun_at: datetime
    ended_at: datetime | None = None
    outcome: str | None = None
    status: int | None = None
    detail: str | None = Field(default=None, sa_type=Text)


class ReminderRow(SQLModel, table=True):
    """An instant at which a worker asked to be reminded of something, by a name of its own."""

    __tablename__ = "reminder"
    __table_args__ = (Index("ix_reminder_due_at", "due_at"),)
    worker: str = Field(primary_key=True)
    name: str = Field(primary_key=True)
    due_at: datetime
