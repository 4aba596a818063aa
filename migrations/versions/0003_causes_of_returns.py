"""Why work goes back.

From 0002 to 0003.
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

CAUSES = "'performance', 'light', 'camera', 'puppet', 'rig seen', 'story', 're-cut', 'other'"


def upgrade() -> None:
    with op.batch_alter_table("decision", table_kwargs={"sqlite_autoincrement": True}) as decision:
        decision.add_column(sa.Column("cause", sa.String(), nullable=True))
        decision.create_check_constraint(op.f("ck_decision_cause"), f"cause IN ({CAUSES})")
        decision.create_check_constraint(op.f("ck_decision_cause_of_rejection"), "cause IS NULL OR verdict = 'reject'")
