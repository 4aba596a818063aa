"""Bookings of stages and animators.

From 0012 to 0013.
"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

ACTIVITIES = "'dressing', 'lighting', 'shooting', 'plate', 'holding', 'strike', 'upkeep'"


def upgrade() -> None:
    op.create_table(
        "booking",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("production_id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=True),
        sa.Column("stage_id", sa.Integer(), nullable=True),
        sa.Column("animator", sa.String(), nullable=True),
        sa.Column("activity", sa.String(), nullable=False),
        sa.Column("firmness", sa.String(), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("booked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cancelled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("cancel_reason", sa.String(), nullable=True),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_booking")),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name=op.f("fk_booking_production_id")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_booking_shot_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_booking_stage_id")),
        sa.CheckConstraint(f"activity IN ({ACTIVITIES})", name=op.f("ck_booking_activity")),
        sa.CheckConstraint("firmness IN ('pencilled', 'confirmed')", name=op.f("ck_booking_firmness")),
        sa.CheckConstraint("end_at > start_at", name=op.f("ck_booking_lasts")),
        sa.CheckConstraint("stage_id IS NOT NULL OR animator IS NOT NULL", name=op.f("ck_booking_takes")),
        sa.CheckConstraint("activity <> 'holding' OR note IS NOT NULL", name=op.f("ck_booking_holds_for")),
        sa.CheckConstraint("(cancelled_at IS NULL) = (cancel_reason IS NULL)", name=op.f("ck_booking_cancelled_for")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_booking_production_id"), "booking", ["production_id"])
    op.create_index(op.f("ix_booking_shot_id"), "booking", ["shot_id"])
    op.create_index("ix_booking_stage_start", "booking", ["stage_id", "start_at"])
    op.create_index("ix_booking_animator_start", "booking", ["animator", "start_at"])
    op.create_index("ix_booking_start", "booking", ["start_at", "id"])
    if op.get_bind().dialect.name == "postgresql":
        _never_twice()


def _never_twice() -> None:
    # Comes with PostgreSQL, and whoever may create in the database may add it.
    op.execute("CREATE EXTENSION IF NOT EXISTS btree_gist")
    for column in ("stage_id", "animator"):
        op.execute(
            f"ALTER TABLE booking ADD CONSTRAINT ex_booking_{column} EXCLUDE USING gist "
            f"({column} WITH =, tstzrange(start_at, end_at) WITH &&) "
            "WHERE (firmness = 'confirmed' AND cancelled_at IS NULL)"
        )
