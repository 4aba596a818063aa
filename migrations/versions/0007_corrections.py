"""Corrections: totals restated, counts moved to other takes, shots merged.

From 0006 to 0007.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("shot", sa.Column("detours", sa.Integer(), server_default="0", nullable=False))
    op.add_column("series", sa.Column("moved_at", sa.DateTime(timezone=True), nullable=True))
    op.add_column("frame_count", sa.Column("restated_frames", sa.Integer(), nullable=True))
    for table in ("day_frames", "reported_frames"):
        op.add_column(table, sa.Column("corrected_frames", sa.Integer(), server_default="0", nullable=False))
    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=True),
        sa.Column("purpose", sa.String(), nullable=True),
        sa.Column("take", sa.Integer(), nullable=True),
        sa.Column("camera", sa.String(), nullable=True),
        sa.Column("pass", sa.String(), nullable=True),
        sa.Column("count_id", sa.Integer(), nullable=True),
        sa.Column("to_shot_id", sa.Integer(), nullable=True),
        sa.Column("to_part", sa.String(), nullable=True),
        sa.Column("to_take", sa.Integer(), nullable=True),
        sa.Column("take_offset", sa.Integer(), nullable=False),
        sa.Column("marks", sa.JSON(), nullable=False),
        sa.Column("before_frames", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("captures_total", sa.Integer(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("corrected_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_correction_shot_id")),
        sa.ForeignKeyConstraint(["count_id"], ["frame_count.id"], name=op.f("fk_correction_count_id")),
        sa.ForeignKeyConstraint(["to_shot_id"], ["shot.id"], name=op.f("fk_correction_to_shot_id")),
        sa.CheckConstraint("kind IN ('total', 'move', 'merge')", name=op.f("ck_correction_kind")),
        sa.CheckConstraint("(kind = 'merge') = (take IS NULL)", name=op.f("ck_correction_of_a_take")),
        sa.CheckConstraint("(kind = 'total') = (to_shot_id IS NULL)", name=op.f("ck_correction_goes_elsewhere")),
        sa.CheckConstraint("(kind = 'total') = (count_id IS NOT NULL)", name=op.f("ck_correction_restates")),
        sa.CheckConstraint("before_frames >= 0 AND frames >= 0", name=op.f("ck_correction_frames")),
        sqlite_autoincrement=True,
    )
    for column in ("shot_id", "count_id", "to_shot_id"):
        op.create_index(op.f(f"ix_correction_{column}"), "correction", [column])
