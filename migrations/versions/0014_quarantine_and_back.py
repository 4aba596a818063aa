"""What becomes of an event set aside: asked to be tried again, digested after all, or skipped.

From 0013 to 0014.
"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("quarantine", sa.Column("retry_at", sa.DateTime(timezone=True), nullable=True))
    op.add_column("quarantine", sa.Column("release", sa.String(), nullable=True))
    op.add_column("quarantine", sa.Column("released_by", sa.String(), nullable=True))
