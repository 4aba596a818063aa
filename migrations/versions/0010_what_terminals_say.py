"""What a terminal's last body of counts said of itself, and its counts by day.

From 0009 to 0010.
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("terminal", sa.Column("spool", sa.String(), nullable=True))
    op.add_column("terminal", sa.Column("queued", sa.Integer(), nullable=True))
    op.add_column("terminal", sa.Column("clock_ahead_ms", sa.BigInteger(), nullable=True))
    op.create_index("ix_frame_count_terminal_day", "frame_count", ["terminal_id", "day_on", "id"])
