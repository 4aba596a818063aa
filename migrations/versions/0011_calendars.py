"""The hours of stages.

From 0010 to 0011.
"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "studio_calendar",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("hours", sa.JSON(), nullable=False),
        sa.Column("days_out", sa.JSON(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_studio_calendar")),
        sa.CheckConstraint("id = 1", name=op.f("ck_studio_calendar_only_one")),
    )
    op.create_table(
        "stage_calendar",
        sa.Column("stage_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("hours", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("days_out", sa.JSON(), nullable=False),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("stage_id", name=op.f("pk_stage_calendar")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_stage_calendar_stage_id")),
    )
