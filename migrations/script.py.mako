"""${message}.

From ${down_revision | comma,n} to ${up_revision}.
"""

import sqlalchemy as sa
from alembic import op

revision = "${up_revision}"
down_revision = "${down_revision}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # A table is altered inside `with op.batch_alter_table(NAME, table_kwargs={"sqlite_autoincrement": True})`, which
    # SQLite needs; there is no way down, so no downgrade.
    op.add_column("TABLE", sa.Column("COLUMN", sa.String(), nullable=True))
