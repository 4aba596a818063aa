"""One table for the rows of any worker, the tables a worker keeps, and what it says of its health.

From 0011 to 0012.
"""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "kept_row",
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("kept_in", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=True),
        sa.Column("production_id", sa.Integer(), nullable=True),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_kept_row_shot_id")),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name=op.f("fk_kept_row_production_id")),
        sa.PrimaryKeyConstraint("worker", "version", "kept_in", "key", name=op.f("pk_kept_row")),
    )
    op.create_index(op.f("ix_kept_row_shot_id"), "kept_row", ["shot_id"])
    op.create_index(op.f("ix_kept_row_production_id"), "kept_row", ["production_id"])
    op.add_column("worker_catalogue", sa.Column("tables", sa.JSON(), nullable=True))
    op.add_column("worker_cursor", sa.Column("health", sa.JSON(), nullable=True))
