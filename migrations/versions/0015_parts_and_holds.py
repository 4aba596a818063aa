"""Bookings of one part of a split shot, who asked for a booking, and which ones an omission released.

From 0014 to 0015.
"""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("booking", sa.Column("part", sa.String(), nullable=True))
    op.add_column("booking", sa.Column("asked_by", sa.String(), nullable=True))
    op.add_column("booking", sa.Column("released", sa.Boolean(), nullable=False, server_default=sa.false()))
