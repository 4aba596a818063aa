"""Telling people: watches, notices, deliveries with their attempts, and reminders that workers ask for.

From 0019 to 0020.
"""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _watches()
    _notices()
    _deliveries()
    op.create_table(
        "reminder",
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("worker", "name", name=op.f("pk_reminder")),
    )
    op.create_index("ix_reminder_due_at", "reminder", ["due_at"])
    op.add_column("worker_catalogue", sa.Column("notices", sa.JSON(), nullable=True))


def _refers(table: str, column: str, to: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{to}.id"], name=op.f(f"fk_{table}_{column}"))


def _watches() -> None:
    op.create_table(
        "watch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("bound_to", sa.Integer(), nullable=True),
        sa.Column("production_id", sa.Integer(), nullable=True),
        sa.Column("episode_id", sa.Integer(), nullable=True),
        sa.Column("stage_id", sa.Integer(), nullable=True),
        sa.Column("shot_id", sa.Integer(), nullable=True),
        sa.Column("person", sa.String(), nullable=True),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("target", sa.JSON(), nullable=False),
        sa.Column("time_zone", sa.String(), nullable=False),
        sa.Column("quiet_from_min", sa.Integer(), nullable=True),
        sa.Column("quiet_to_min", sa.Integer(), nullable=True),
        sa.Column("every_min", sa.Integer(), nullable=True),
        sa.Column("at_min", sa.JSON(), nullable=False),
        sa.Column("muted_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("disabled_reason", sa.String(), nullable=True),
        sa.Column("secret", sa.String(), nullable=False),
        sa.Column("former_secret", sa.String(), nullable=True),
        sa.Column("former_secret_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_watch")),
        sa.ForeignKeyConstraint(["bound_to"], ["production.id"], name=op.f("fk_watch_bound_to")),
        *(_refers("watch", f"{to}_id", to) for to in ("production", "episode", "stage", "shot")),
        sa.CheckConstraint("(quiet_from_min IS NULL) = (quiet_to_min IS NULL)", name=op.f("ck_watch_quiet_whole")),
        sa.CheckConstraint("every_min IS NULL OR every_min > 0", name=op.f("ck_watch_every_min")),
        sa.CheckConstraint("(disabled_at IS NULL) = (disabled_reason IS NULL)", name=op.f("ck_watch_disabled_for")),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "uq_watch_name",
        "watch",
        ["name"],
        unique=True,
        sqlite_where=sa.text("removed_at IS NULL"),
        postgresql_where=sa.text("removed_at IS NULL"),
    )
    op.create_table(
        "watch_kind",
        sa.Column("watch_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("threshold", sa.Integer(), nullable=False),
        sa.Column("ends", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("watch_id", "kind", "threshold", name=op.f("pk_watch_kind")),
        _refers("watch_kind", "watch_id", "watch"),
    )
    op.create_index("ix_watch_kind_kind_threshold", "watch_kind", ["kind", "threshold"])


def _notices() -> None:
    op.create_table(
        "notice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("threshold", sa.Integer(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("occasion", sa.String(), nullable=False),
        sa.Column("over", sa.Boolean(), nullable=False),
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("production_id", sa.Integer(), nullable=True),
        sa.Column("episode_id", sa.Integer(), nullable=True),
        sa.Column("shot_id", sa.Integer(), nullable=True),
        sa.Column("stage_ids", sa.JSON(), nullable=False),
        sa.Column("people", sa.JSON(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("raised_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
        sa.UniqueConstraint(
            "kind",
            "threshold",
            "subject",
            "occasion",
            "over",
            name=op.f("uq_notice_kind_threshold_subject_occasion_over"),
        ),
        *(_refers("notice", f"{to}_id", to) for to in ("production", "episode", "shot")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_notice_production_id_id", "notice", ["production_id", "id"])
    op.create_index(op.f("ix_notice_shot_id"), "notice", ["shot_id"])


def _deliveries() -> None:
    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("watch_id", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("test", sa.Boolean(), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("lease_owner", sa.String(), nullable=True),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
        sa.UniqueConstraint("message_id", name=op.f("uq_delivery_message_id")),
        sa.CheckConstraint("state IN ('waiting', 'delivered', 'dead', 'withdrawn')", name=op.f("ck_delivery_state")),
        _refers("delivery", "watch_id", "watch"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_delivery_watch_id_id", "delivery", ["watch_id", "id"])
    op.create_index("ix_delivery_state_due_at", "delivery", ["state", "due_at"])
    op.create_table(
        "delivery_notice",
        sa.Column("watch_id", sa.Integer(), nullable=False),
        sa.Column("notice_id", sa.Integer(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("watch_id", "notice_id", name=op.f("pk_delivery_notice")),
        *(_refers("delivery_notice", f"{to}_id", to) for to in ("watch", "notice", "delivery")),
    )
    op.create_index(op.f("ix_delivery_notice_delivery_id"), "delivery_notice", ["delivery_id"])
    op.create_table(
        "delivery_attempt",
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("detail", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("delivery_id", "number", name=op.f("pk_delivery_attempt")),
        _refers("delivery_attempt", "delivery_id", "delivery"),
    )
