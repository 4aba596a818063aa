"""Tables of what shots need, as drafts.

From 0005 to 0006.
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "needs_draft",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("production_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("rows", sa.JSON(), nullable=False),
        sa.Column("drafted_by", sa.String(), nullable=False),
        sa.Column("drafted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("applied_by", sa.String(), nullable=True),
        sa.Column("applied_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_needs_draft")),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name=op.f("fk_needs_draft_production_id")),
        sa.UniqueConstraint("production_id", "number", name=op.f("uq_needs_draft_production_id_number")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_needs_draft_number")),
        sa.CheckConstraint("(applied_at IS NULL) = (applied_by IS NULL)", name=op.f("ck_needs_draft_applied_whole")),
        sqlite_autoincrement=True,
    )
