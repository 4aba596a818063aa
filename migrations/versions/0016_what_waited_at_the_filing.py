"""A nightly report keeps what waited for whom when it was filed.

From 0015 to 0016.
"""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("nightly_report", sa.Column("blocked", sa.JSON(), nullable=True))
