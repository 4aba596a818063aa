"""What shots need, and who is to animate them.

From 0004 to 0005.
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("shot", sa.Column("animator", sa.String(), nullable=True))
    op.create_table(
        "shot_needs",
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("set_code", sa.String(), nullable=True),
        sa.Column("set_up", sa.String(), nullable=True),
        sa.Column("rig", sa.Boolean(), nullable=False),
        sa.Column("plate", sa.Boolean(), nullable=False),
        sa.Column("comp", sa.Boolean(), nullable=False),
        sa.Column("dialogue", sa.Boolean(), nullable=False),
        sa.Column("insert_of_id", sa.Integer(), nullable=True),
        sa.Column("difficulty", sa.Integer(), nullable=True),
        sa.Column("characters", sa.JSON(), nullable=False),
        sa.Column("props", sa.JSON(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.Column("rev", sa.Integer(), nullable=False),
        sa.Column("entered_by", sa.String(), nullable=False),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("shot_id", name=op.f("pk_shot_needs")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_shot_needs_shot_id")),
        sa.ForeignKeyConstraint(["insert_of_id"], ["shot.id"], name=op.f("fk_shot_needs_insert_of_id")),
        sa.CheckConstraint("difficulty BETWEEN 1 AND 5", name=op.f("ck_shot_needs_difficulty")),
    )
    op.create_index(op.f("ix_shot_needs_insert_of_id"), "shot_needs", ["insert_of_id"])
