"""Phases: where a shot is, its moves, suspensions and sign-offs, and the roles of keys.

From 0007 to 0008.
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

PHASES = "'planning', 'set dressing', 'shooting', 'background plate', 'compositing', 'approval', 'approved'"


def upgrade() -> None:
    _where_shots_are()
    _roles()
    _moves()
    _suspensions()
    _sign_offs()


def _where_shots_are() -> None:
    op.add_column("shot", sa.Column("phase", sa.String(), nullable=True))
    op.add_column("shot", sa.Column("phase_since", sa.DateTime(timezone=True), nullable=True))
    op.execute("UPDATE shot SET phase = 'planning', phase_since = added_at")
    with op.batch_alter_table("shot", table_kwargs={"sqlite_autoincrement": True}) as shot:
        shot.alter_column("phase", existing_type=sa.String(), nullable=False)
        shot.alter_column("phase_since", existing_type=sa.DateTime(timezone=True), nullable=False)
        shot.create_check_constraint(op.f("ck_shot_phase"), f"phase IN ({PHASES})")


def _roles() -> None:
    op.add_column("api_key", sa.Column("roles", sa.JSON(), nullable=True))
    op.execute("UPDATE api_key SET roles = '[]'")
    with op.batch_alter_table("api_key", table_kwargs={"sqlite_autoincrement": True}) as key:
        key.alter_column("roles", existing_type=sa.JSON(), nullable=False)


def _moves() -> None:
    op.create_table(
        "shot_move",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("origin", sa.String(), nullable=False),
        sa.Column("to_phase", sa.String(), nullable=False),
        sa.Column("cause", sa.String(), nullable=True),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("lacked", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("moved_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shot_move")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_shot_move_shot_id")),
        sa.CheckConstraint(f"origin IN ({PHASES}) AND to_phase IN ({PHASES})", name=op.f("ck_shot_move_phases")),
        sa.CheckConstraint("lacked IS NULL OR reason IS NOT NULL", name=op.f("ck_shot_move_override_reason")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_shot_move_shot_id"), "shot_move", ["shot_id"])


def _suspensions() -> None:
    op.create_table(
        "suspension",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("suspended_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("resumed_by", sa.String(), nullable=True),
        sa.Column("resumed_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_suspension")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_suspension_shot_id")),
        sa.CheckConstraint("(resumed_at IS NULL) = (resumed_by IS NULL)", name=op.f("ck_suspension_resumed_whole")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_suspension_shot_id"), "suspension", ["shot_id"])
    op.create_index(
        "uq_suspension_open",
        "suspension",
        ["shot_id"],
        unique=True,
        sqlite_where=sa.text("resumed_at IS NULL"),
        postgresql_where=sa.text("resumed_at IS NULL"),
    )


def _sign_offs() -> None:
    op.create_table(
        "sign_off",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shot_id", sa.Integer(), nullable=False),
        sa.Column("matter", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("signer", sa.String(), nullable=True),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("digest", sa.String(), nullable=True),
        sa.Column("basis", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.String(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_off")),
        sa.ForeignKeyConstraint(["shot_id"], ["shot.id"], name=op.f("fk_sign_off_shot_id")),
        sa.CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_by IS NULL) AND (withdrawn_at IS NULL) = (withdrawn_reason IS NULL)",
            name=op.f("ck_sign_off_withdrawn_whole"),
        ),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_sign_off_shot_id"), "sign_off", ["shot_id"])
