"""Editions of a worker's rows: which one rules is kept as a fact; rows, cursors and what was set aside belong to one.

From 0018 to 0019. Each version's rows become an edition of the same number; the one that had read furthest rules.
"""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

FIGURES = ("shot_progress", "part_progress", "day_frames", "day_credit", "reported_frames")
THERE = """
INSERT INTO worker_edition (worker, edition, version, state, by_facts, steps, reads_from, lacks_to, swept, begun_at,
    ruled_at)
SELECT worker, version, version, CASE WHEN place = 1 THEN 'ruling' ELSE 'former' END, {no}, 0, 0, 0, {no},
    CURRENT_TIMESTAMP, CASE WHEN place = 1 THEN CURRENT_TIMESTAMP END
FROM (
    SELECT worker, version,
        row_number() OVER (PARTITION BY worker ORDER BY min(position) DESC, version DESC) AS place
    FROM worker_cursor GROUP BY worker, version
) AS read_so_far
"""


def upgrade() -> None:
    op.create_table(
        "worker_edition",
        sa.Column("worker", sa.String(), nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("by_facts", sa.Boolean(), nullable=False),
        sa.Column("mark", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("steps", sa.Integer(), nullable=False),
        sa.Column("reads_from", sa.Integer(), nullable=True),
        sa.Column("lacks_to", sa.Integer(), nullable=False),
        sa.Column("swept", sa.Boolean(), nullable=False),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("asked_by", sa.String(), nullable=True),
        sa.Column("filled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ruled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("worker", "edition", name=op.f("pk_worker_edition")),
        sa.CheckConstraint(
            "state IN ('filling', 'ruling', 'former', 'given up')", name=op.f("ck_worker_edition_state")
        ),
    )
    op.create_index(
        "uq_worker_edition_ruling",
        "worker_edition",
        ["worker"],
        unique=True,
        sqlite_where=sa.text("state = 'ruling'"),
        postgresql_where=sa.text("state = 'ruling'"),
    )
    op.create_index(
        "uq_worker_edition_filling",
        "worker_edition",
        ["worker", "version"],
        unique=True,
        sqlite_where=sa.text("state = 'filling'"),
        postgresql_where=sa.text("state = 'filling'"),
    )
    no = "false" if op.get_bind().dialect.name == "postgresql" else "0"
    op.execute(THERE.format(no=no))
    for table in (*FIGURES, "kept_row", "worker_cursor"):
        op.execute(f"ALTER TABLE {table} RENAME COLUMN version TO edition")
    with op.batch_alter_table("quarantine", table_kwargs={"sqlite_autoincrement": True}) as quarantine:
        quarantine.drop_constraint("uq_quarantine_worker_version_partition_event_id", type_="unique")
        quarantine.alter_column("version", new_column_name="edition")
    with op.batch_alter_table("quarantine", table_kwargs={"sqlite_autoincrement": True}) as quarantine:
        quarantine.create_unique_constraint(
            op.f("uq_quarantine_worker_edition_partition_event_id"), ["worker", "edition", "partition", "event_id"]
        )
    op.add_column("worker_catalogue", sa.Column("rebuilds", sa.Boolean(), nullable=False, server_default=sa.false()))
