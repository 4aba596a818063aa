"""Cuts, the journal of planned frames, nightly reports.

From 0001 to 0002.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _cuts()
    _planned_frames()
    _reports()


def _cuts() -> None:
    """An episode's cut by revisions, and what it makes of a shot's plan."""
    op.create_table(
        "cut",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("episode_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("format", sa.String(), nullable=False),
        sa.Column("asked", sa.JSON(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("title", sa.String(), nullable=True),
        sa.Column("drop_frame", sa.Boolean(), nullable=False),
        sa.Column("uses", sa.JSON(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("differences", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("follows", sa.Integer(), nullable=True),
        sa.Column("drafted_by", sa.String(), nullable=False),
        sa.Column("drafted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("locked_by", sa.String(), nullable=True),
        sa.Column("locked_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cut")),
        sa.ForeignKeyConstraint(["episode_id"], ["episode.id"], name=op.f("fk_cut_episode_id")),
        sa.UniqueConstraint("episode_id", "revision", name=op.f("uq_cut_episode_id_revision")),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_cut_revision")),
        sa.CheckConstraint("format IN ('edl', 'csv', 'json')", name=op.f("ck_cut_format")),
        sa.CheckConstraint("(locked_at IS NULL) = (locked_by IS NULL)", name=op.f("ck_cut_locked_whole")),
        sa.CheckConstraint("(locked_at IS NULL) = (differences IS NULL)", name=op.f("ck_cut_locked_said")),
        sqlite_autoincrement=True,
    )
    op.add_column("episode", sa.Column("cut_revision", sa.Integer(), nullable=True))
    for column in (
        sa.Column("uses", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("dissolves", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("source", sa.String(), nullable=True),
        sa.Column("source_zero", sa.Integer(), nullable=True),
        sa.Column("cut_revision", sa.Integer(), nullable=True),
    ):
        op.add_column("shot", column)


def _planned_frames() -> None:
    """The journal of planned frames, begun with what stands."""
    journal = op.create_table(
        "planned_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("changed_on", sa.Date(), nullable=False),
        sa.Column("cause", sa.String(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planned_change")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_planned_change_shot_id")),
        sa.CheckConstraint("frames <> 0", name=op.f("ck_planned_change_moves")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_planned_change_shot_id"), "planned_change", ["shot_id"])
    shot = sa.table(
        "shot",
        sa.column("id", sa.Integer()),
        sa.column("cut_frames", sa.Integer()),
        sa.column("handle_in", sa.Integer()),
        sa.column("handle_out", sa.Integer()),
        sa.column("omitted", sa.Boolean()),
        sa.column("added_at", sa.DateTime(timezone=True)),
    )
    standing = op.get_bind().execute(sa.select(shot).where(~shot.c.omitted).order_by(shot.c.id))
    entries = [
        {
            "shot_id": row.id,
            "changed_on": row.added_at.date(),
            "cause": "added",
            "frames": row.cut_frames + row.handle_in + row.handle_out,
            "changed_at": row.added_at,
        }
        for row in standing
    ]
    op.bulk_insert(journal, entries)


def _reports() -> None:
    """What the worker *nightly* filed."""
    op.create_table(
        "nightly_report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("production_id", sa.Integer(), nullable=False),
        sa.Column("day_on", sa.Date(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("unmatched_counts", sa.Integer(), nullable=False),
        sa.Column("inputs", sa.JSON(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
        sa.Column("difference", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("filed_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_nightly_report")),
        sa.ForeignKeyConstraint(["production_id"], ["production.id"], name=op.f("fk_nightly_report_production_id")),
        sa.UniqueConstraint(
            "production_id", "day_on", "revision", name=op.f("uq_nightly_report_production_id_day_on_revision")
        ),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_nightly_report_revision")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "reported_frames",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("series_id", sa.Integer(), nullable=False),
        sa.Column("day_on", sa.Date(), nullable=False),
        sa.Column("stage_id", sa.Integer(), nullable=False),
        sa.Column("animator", sa.String(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("counts", sa.Integer(), nullable=False),
        sa.Column("gross_frames", sa.Integer(), nullable=False),
        sa.Column("deleted_frames", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint(
            "version", "series_id", "day_on", "stage_id", "animator", name=op.f("pk_reported_frames")
        ),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_reported_frames_series_id")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_reported_frames_shot_id")),
        sa.ForeignKeyConstraint(["stage_id"], ["stage.id"], name=op.f("fk_reported_frames_stage_id")),
    )
    for column in ("series_id", "shot_id", "stage_id"):
        op.create_index(op.f(f"ix_reported_frames_{column}"), "reported_frames", [column])
