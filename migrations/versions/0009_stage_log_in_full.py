"""The stage's log in full: five kinds of line, with the identity a terminal gives them.

From 0008 to 0009.
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # SQLite makes the table anew from this description, because it knows no other way to change a constraint.
    with op.batch_alter_table(
        "stage_log", copy_from=_before(), table_kwargs={"sqlite_autoincrement": True}
    ) as stage_log:
        stage_log.drop_constraint(op.f("uq_stage_log_stage_id_at_kind"), type_="unique")
        stage_log.drop_constraint(op.f("ck_stage_log_kind"), type_="check")
        for column in (
            sa.Column("reason", sa.String(), nullable=True),
            sa.Column("time_basis", sa.String(), nullable=True),
            sa.Column("adjusted", sa.Boolean(), nullable=True),
            sa.Column("terminal_id", sa.Integer(), nullable=True),
            sa.Column("spool", sa.String(), nullable=True),
            sa.Column("serial", sa.BigInteger(), nullable=True),
            sa.Column("digest", sa.String(), nullable=True),
            sa.Column("redated_counts", sa.Integer(), nullable=True),
        ):
            stage_log.add_column(column)
        stage_log.create_foreign_key(op.f("fk_stage_log_terminal_id"), "terminal", ["terminal_id"], ["id"])
        stage_log.create_unique_constraint(
            op.f("uq_stage_log_terminal_id_spool_serial"), ["terminal_id", "spool", "serial"]
        )
        for name, rule in (
            ("kind", "kind IN ('call', 'wrap', 'waiting', 'resumed', 'power_off')"),
            ("waits_for", "kind <> 'waiting' OR reason IS NOT NULL"),
            ("identity_whole", "(spool IS NULL) = (serial IS NULL)"),
            ("identity_says", "(spool IS NULL) = (digest IS NULL)"),
            ("identity_whose", "spool IS NULL OR terminal_id IS NOT NULL"),
        ):
            stage_log.create_check_constraint(op.f(f"ck_stage_log_{name}"), rule)
    op.create_index("ix_stage_log_stage_at", "stage_log", ["stage_id", "at"])
    op.execute("UPDATE stage_log SET terminal_id = (SELECT terminal_id FROM api_key WHERE api_key.name = stage_log.by)")


def _before() -> sa.Table:
    return sa.Table(
        "stage_log",
        sa.MetaData(),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("noted_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stage_log")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_stage_log_stage_id")),
        sa.UniqueConstraint("stage_id", "at", "kind", name=op.f("uq_stage_log_stage_id_at_kind")),
        sa.CheckConstraint("kind IN ('call', 'wrap')", name=op.f("ck_stage_log_kind")),
        sqlite_autoincrement=True,
    )
