"""A worker may have a cursor for each production.

From 0017 to 0018.
"""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column(
        "worker_catalogue", sa.Column("by_production", sa.Boolean(), nullable=False, server_default=sa.false())
    )
