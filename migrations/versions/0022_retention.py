"""What was taken out of the log, and how far its cleaning has come.

From 0021 to 0022.
"""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "cleaned",
        sa.Column("production_id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("happened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("events", sa.Integer(), nullable=False),
        sa.Column("cleaned_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("production_id", "shot_id", "kind", name=op.f("pk_cleaned")),
    )
    op.create_index(op.f("ix_cleaned_position"), "cleaned", ["position"])
    op.create_index("ix_cleaned_production_id_position", "cleaned", ["production_id", "position"])
    op.create_table(
        "cleaning",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("looked_to", sa.Integer(), nullable=False),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cleaning")),
        sa.CheckConstraint("id = 1", name=op.f("ck_cleaning_only_one")),
    )
