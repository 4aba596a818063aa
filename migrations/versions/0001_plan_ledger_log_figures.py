"""The first schema: plan, ledger, log and figures.

From nothing to 0001.
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    _plan()
    _ledger()
    _log()
    _figures()


def _plan() -> None:
    """What is to be shot, where, and who may say so."""
    op.create_table(
        "studio",
        sa.Column("id", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("time_zone", sa.String(), nullable=False),
        sa.Column("day_starts_at_min", sa.Integer(), nullable=False),
        sa.Column("plate_minimum_frames", sa.Integer(), nullable=False),
        sa.Column("terminals_may_decide", sa.Boolean(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_studio")),
        sa.CheckConstraint("day_starts_at_min BETWEEN 0 AND 1439", name=op.f("ck_studio_day_start")),
        sa.CheckConstraint("id = 1", name=op.f("ck_studio_only_one")),
        sa.CheckConstraint("plate_minimum_frames >= 1", name=op.f("ck_studio_plate_minimum")),
    )
    op.create_table(
        "production",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("rate_num", sa.Integer(), nullable=False),
        sa.Column("rate_den", sa.Integer(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_production")),
        sa.UniqueConstraint("code", name=op.f("uq_production_code")),
        sa.CheckConstraint("rate_num > 0 AND rate_den > 0", name=op.f("ck_production_rate")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "episode",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("production_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_episode")),
        sa.UniqueConstraint("production_id", "code", name=op.f("uq_episode_production_id_code")),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name=op.f("fk_episode_production_id")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "stage",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stage")),
        sa.UniqueConstraint("code", name=op.f("uq_stage_code")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "terminal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("last_seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_terminal")),
        sa.UniqueConstraint("name", name=op.f("uq_terminal_name")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_terminal_stage_id")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_terminal_stage_id", "terminal", ["stage_id"], unique=False)
    op.create_table(
        "api_key",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("prefix", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=True),
        sa.Column("terminal_id", sa.Integer(), nullable=True),
        sa.Column("production_id", sa.Integer(), nullable=True),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_key")),
        sa.UniqueConstraint("name", name=op.f("uq_api_key_name")),
        sa.UniqueConstraint("prefix", name=op.f("uq_api_key_prefix")),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name=op.f("fk_api_key_production_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_api_key_stage_id")),
        sa.ForeignKeyConstraint(["terminal_id"], ["terminal.id"], name=op.f("fk_api_key_terminal_id")),
        sa.CheckConstraint(
            "(scope = 'count') = (terminal_id IS NOT NULL AND stage_id IS NOT NULL)",
            name=op.f("ck_api_key_count_is_bound"),
        ),
        sa.CheckConstraint("scope IN ('count', 'read', 'coordinate', 'admin')", name=op.f("ck_api_key_scope")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_api_key_production_id", "api_key", ["production_id"], unique=False)
    op.create_index("ix_api_key_stage_id", "api_key", ["stage_id"], unique=False)
    op.create_index("ix_api_key_terminal_id", "api_key", ["terminal_id"], unique=False)
    op.create_table(
        "shot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("production_id", sa.Integer(), nullable=False),
        sa.Column("episode_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("scene", sa.String(), nullable=True),
        sa.Column("cut_frames", sa.Integer(), nullable=False),
        sa.Column("handle_in", sa.Integer(), nullable=False),
        sa.Column("handle_out", sa.Integer(), nullable=False),
        sa.Column("cameras", sa.JSON(), nullable=False),
        sa.Column("passes", sa.JSON(), nullable=False),
        sa.Column("moving_camera", sa.Boolean(), nullable=False),
        sa.Column("omitted", sa.Boolean(), nullable=False),
        sa.Column("plan_rev", sa.Integer(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("touched", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shot")),
        sa.UniqueConstraint("production_id", "code", name=op.f("uq_shot_production_id_code")),
        sa.ForeignKeyConstraint(["episode_id"], ["episode.id"], name=op.f("fk_shot_episode_id")),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name=op.f("fk_shot_production_id")),
        sa.CheckConstraint("cut_frames >= 1", name=op.f("ck_shot_cut_frames")),
        sa.CheckConstraint("handle_in >= 0 AND handle_out >= 0", name=op.f("ck_shot_handles")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_shot_episode_id", "shot", ["episode_id"], unique=False)
    op.create_table(
        "shot_part",
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("first", sa.Integer(), nullable=True),
        sa.Column("last", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("shot_id", "part", name=op.f("pk_shot_part")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_shot_part_shot_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_shot_part_stage_id")),
        sa.CheckConstraint("first IS NULL OR last IS NULL OR first <= last", name=op.f("ck_shot_part_range")),
    )
    op.create_index("ix_shot_part_stage_id", "shot_part", ["stage_id"], unique=False)


def _ledger() -> None:
    """What was shot and what was said of it."""
    op.create_table(
        "take",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_take")),
        sa.UniqueConstraint("shot_id", "part", "purpose", "number", name=op.f("uq_take_shot_id_part_purpose_number")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_take_shot_id")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_take_number")),
        sa.CheckConstraint(
            "purpose IN ('shoot', 'plate', 'rehearsal', 'test', 'reference')", name=op.f("ck_take_purpose")
        ),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "series",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("camera", sa.String(), nullable=False),
        sa.Column("pass", sa.String(), nullable=False),
        sa.Column("default_starts_at", sa.Integer(), nullable=False),
        sa.Column("starts_at", sa.Integer(), nullable=False),
        sa.Column("total_frames", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("offered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("ruled_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_series")),
        sa.UniqueConstraint("take_id", "camera", "pass", name=op.f("uq_series_take_id_camera_pass")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_series_shot_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_series_stage_id")),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name=op.f("fk_series_take_id")),
        sa.CheckConstraint("outcome IN ('open', 'finished', 'abandoned')", name=op.f("ck_series_outcome")),
        sa.CheckConstraint("total_frames >= 0", name=op.f("ck_series_total")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_series_shot_id", "series", ["shot_id"], unique=False)
    op.create_index("ix_series_stage_id", "series", ["stage_id"], unique=False)
    op.create_table(
        "frame_count",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("terminal_id", sa.Integer(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("spool", sa.String(), nullable=False),
        sa.Column("serial", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("production_code", sa.String(), nullable=False),
        sa.Column("shot_code", sa.String(), nullable=False),
        sa.Column("take", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=True),
        sa.Column("camera", sa.String(), nullable=True),
        sa.Column("pass", sa.String(), nullable=True),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("captures_total", sa.Integer(), nullable=True),
        sa.Column("frames_total", sa.Integer(), nullable=True),
        sa.Column("frames_per_capture", sa.Integer(), nullable=False),
        sa.Column("total_frames", sa.Integer(), nullable=False),
        sa.Column("starts_at", sa.Integer(), nullable=True),
        sa.Column("animator", sa.String(), nullable=True),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("posted_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("captured_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("time_basis", sa.String(), nullable=False),
        sa.Column("adjusted", sa.Boolean(), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("day_on", sa.Date(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=True),
        sa.Column("series_id", sa.Integer(), nullable=True),
        sa.Column("plan_rev", sa.Integer(), nullable=True),
        sa.Column("unmatched_reason", sa.String(), nullable=True),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_frame_count")),
        sa.UniqueConstraint("terminal_id", "spool", "serial", name=op.f("uq_frame_count_terminal_id_spool_serial")),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_frame_count_series_id")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_frame_count_shot_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_frame_count_stage_id")),
        sa.ForeignKeyConstraint(["terminal_id"], ["terminal.id"], name=op.f("fk_frame_count_terminal_id")),
        sa.CheckConstraint(
            "(series_id IS NULL) = (unmatched_reason IS NOT NULL)", name=op.f("ck_frame_count_matched_or_why")
        ),
        sa.CheckConstraint("take >= 1", name=op.f("ck_frame_count_take")),
        sa.CheckConstraint("total_frames >= 0", name=op.f("ck_frame_count_total")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_frame_count_stage_captured", "frame_count", ["stage_id", "captured_at"], unique=False)
    op.create_index("ix_frame_count_posted_codes", "frame_count", ["production_code", "shot_code"], unique=False)
    op.create_index(
        "ix_frame_count_series_order", "frame_count", ["series_id", "terminal_id", "spool", "serial"], unique=False
    )
    op.create_index("ix_frame_count_shot_terminal", "frame_count", ["shot_id", "terminal_id", "plan_rev"], unique=False)
    op.create_table(
        "decision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("camera", sa.String(), nullable=True),
        sa.Column("first", sa.Integer(), nullable=True),
        sa.Column("last", sa.Integer(), nullable=True),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decision")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_decision_shot_id")),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name=op.f("fk_decision_take_id")),
        sa.CheckConstraint("first IS NULL OR first <= last", name=op.f("ck_decision_range_order")),
        sa.CheckConstraint("(first IS NULL) = (last IS NULL)", name=op.f("ck_decision_range_whole")),
        sa.CheckConstraint("verdict IN ('accept', 'reject', 'circle', 'withdraw')", name=op.f("ck_decision_verdict")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_decision_shot_id", "decision", ["shot_id"], unique=False)
    op.create_index("ix_decision_take_id", "decision", ["take_id"], unique=False)
    op.create_table(
        "credited_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("changed_on", sa.Date(), nullable=False),
        sa.Column("cause", sa.String(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_credited_change")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_credited_change_shot_id")),
        sa.CheckConstraint("frames <> 0", name=op.f("ck_credited_change_moves")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_credited_change_shot_id", "credited_change", ["shot_id"], unique=False)


def _log() -> None:
    """What happened, and who has read it."""
    op.create_table(
        "stage_log",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("noted_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stage_log")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_stage_log_stage_id")),
        sa.UniqueConstraint("stage_id", "at", "kind", name=op.f("uq_stage_log_stage_id_at_kind")),
        sa.CheckConstraint("kind IN ('call', 'wrap')", name=op.f("ck_stage_log_kind")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("production_id", sa.Integer(), nullable=True),
        sa.Column("shot_id", sa.Integer(), nullable=True),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_event_production_id_id", "event", ["production_id", "id"], unique=False)
    op.create_index("ix_event_shot_id_id", "event", ["shot_id", "id"], unique=False)
    op.create_table(
        "idempotency",
        sa.Column("api_key_id", sa.Integer(), nullable=False),
        sa.Column("idempotency_key", sa.String(), nullable=False),
        sa.Column("method", sa.String(), nullable=False),
        sa.Column("path", sa.String(), nullable=False),
        sa.Column("body_digest", sa.String(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.JSON(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("api_key_id", "idempotency_key", name=op.f("pk_idempotency")),
        sa.ForeignKeyConstraint(["api_key_id"], ["api_key.id"], name=op.f("fk_idempotency_api_key_id")),
    )
    op.create_index("ix_idempotency_answered_at", "idempotency", ["answered_at"], unique=False)
    op.create_table(
        "worker_cursor",
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("partition", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("batch_limit", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("lease_owner", sa.String(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("last_error_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("moved_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("worker", "version", "partition", name=op.f("pk_worker_cursor")),
        sa.CheckConstraint("batch_limit >= 1", name=op.f("ck_worker_cursor_batch_limit")),
    )
    op.create_table(
        "quarantine",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("partition", sa.String(), nullable=False),
        sa.Column("event_id", sa.Integer(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("quarantined_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("released_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantine")),
        sa.UniqueConstraint(
            "worker", "version", "partition", "event_id", name=op.f("uq_quarantine_worker_version_partition_event_id")
        ),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "worker_catalogue",
        sa.Column("host", sa.String(), nullable=False),
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("distribution", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("error", sa.Text(), nullable=True),
        sa.Column("events", sa.JSON(), nullable=False),
        sa.Column("settings_schema", sa.JSON(), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("host", "worker", "version", name=op.f("pk_worker_catalogue")),
    )
    op.create_table(
        "heartbeat",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_heartbeat")),
    )
    op.create_table(
        "due_job",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("day_on", sa.Date(), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("lease_owner", sa.String(), nullable=True),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("result", sa.JSON(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_due_job")),
        sa.UniqueConstraint("worker", "name", "day_on", name=op.f("uq_due_job_worker_name_day_on")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_due_job_open", "due_job", ["done_at", "due_at"], unique=False)


def _figures() -> None:
    """What the workers made of it."""
    op.create_table(
        "day_credit",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("day_on", sa.Date(), nullable=False),
        sa.Column("cause", sa.String(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("version", "shot_id", "day_on", "cause", name=op.f("pk_day_credit")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_day_credit_shot_id")),
    )
    op.create_index("ix_day_credit_shot_id", "day_credit", ["shot_id"], unique=False)
    op.create_table(
        "part_progress",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=True),
        sa.Column("planned_frames", sa.Integer(), nullable=False),
        sa.Column("shot_frames", sa.Integer(), nullable=False),
        sa.Column("credited_frames", sa.Integer(), nullable=False),
        sa.Column("credited_cut_frames", sa.Integer(), nullable=False),
        sa.Column("remaining_frames", sa.Integer(), nullable=False),
        sa.Column("overshoot_frames", sa.Integer(), nullable=False),
        sa.Column("provisional", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("version", "shot_id", "part", name=op.f("pk_part_progress")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_part_progress_shot_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_part_progress_stage_id")),
    )
    op.create_index("ix_part_progress_shot_id", "part_progress", ["shot_id"], unique=False)
    op.create_index("ix_part_progress_stage_id", "part_progress", ["stage_id"], unique=False)
    op.create_table(
        "shot_progress",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("planned_frames", sa.Integer(), nullable=False),
        sa.Column("shot_frames", sa.Integer(), nullable=False),
        sa.Column("credited_frames", sa.Integer(), nullable=False),
        sa.Column("credited_cut_frames", sa.Integer(), nullable=False),
        sa.Column("remaining_frames", sa.Integer(), nullable=False),
        sa.Column("overshoot_frames", sa.Integer(), nullable=False),
        sa.Column("provisional", sa.Boolean(), nullable=False),
        sa.Column("plate_planned_frames", sa.Integer(), nullable=False),
        sa.Column("plate_shot_frames", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("version", "shot_id", name=op.f("pk_shot_progress")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_shot_progress_shot_id")),
    )
    op.create_index("ix_shot_progress_shot_id", "shot_progress", ["shot_id"], unique=False)
    op.create_table(
        "day_frames",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("series_id", sa.Integer(), nullable=False),
        sa.Column("day_on", sa.Date(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("animator", sa.String(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("net_frames", sa.Integer(), nullable=False),
        sa.Column("gross_frames", sa.Integer(), nullable=False),
        sa.Column("deleted_frames", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("version", "series_id", "day_on", "stage_id", "animator", name=op.f("pk_day_frames")),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_day_frames_series_id")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_day_frames_shot_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_day_frames_stage_id")),
    )
    op.create_index("ix_day_frames_series_id", "day_frames", ["series_id"], unique=False)
    op.create_index("ix_day_frames_shot_id", "day_frames", ["shot_id"], unique=False)
    op.create_index("ix_day_frames_stage_id", "day_frames", ["stage_id"], unique=False)
