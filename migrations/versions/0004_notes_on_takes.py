"""What a director notes of a take.

From 0003 to 0004.
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "take_note",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("camera", sa.String(), nullable=True),
        sa.Column("first", sa.Integer(), nullable=True),
        sa.Column("last", sa.Integer(), nullable=True),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("noted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("struck_by", sa.String(), nullable=True),
        sa.Column("struck_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("struck_reason", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_take_note")),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name=op.f("fk_take_note_take_id")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_take_note_shot_id")),
        sa.UniqueConstraint("take_id", "number", name=op.f("uq_take_note_take_id_number")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_take_note_number")),
        sa.CheckConstraint("(first IS NULL) = (last IS NULL)", name=op.f("ck_take_note_range_whole")),
        sa.CheckConstraint("first IS NULL OR first <= last", name=op.f("ck_take_note_range_order")),
        sa.CheckConstraint("(struck_at IS NULL) = (struck_by IS NULL)", name=op.f("ck_take_note_struck_by")),
        sa.CheckConstraint("(struck_at IS NULL) = (struck_reason IS NULL)", name=op.f("ck_take_note_struck_why")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_take_note_shot_id"), "take_note", ["shot_id"])
