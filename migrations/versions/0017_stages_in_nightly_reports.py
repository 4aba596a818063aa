"""A nightly report keeps what stages were known to be used for when it was filed.

From 0016 to 0017.
"""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("nightly_report", sa.Column("occupancy", sa.JSON(), nullable=True))
