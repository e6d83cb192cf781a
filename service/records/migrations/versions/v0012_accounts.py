"""Roles, second factors, recovery codes, idle browsers, and who did what."""

import sqlalchemy as sa
from alembic import op

from service.records.columns import Moment

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

LONG_AGO = "1970-01-01 00:00:00"


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("teacher", sa.Column("role", sa.String(length=8), nullable=False, server_default="owner"))
    op.add_column("teacher", sa.Column("factor_key", sa.String(length=160), nullable=True))
    op.add_column("teacher", sa.Column("factor_since", Moment(), nullable=True))
    op.add_column("teacher", sa.Column("factor_step", sa.Integer(), nullable=True))
    op.add_column("invitation", sa.Column("role", sa.String(length=8), nullable=False, server_default="teacher"))
    op.execute("UPDATE invitation SET role = 'owner' WHERE studio_id IS NULL")
    op.add_column("sign_in", sa.Column("seen_at", Moment(), nullable=False, server_default=LONG_AGO))
    op.execute("UPDATE sign_in SET seen_at = created_at")
    op.create_table(
        "recovery_code",
        sa.Column("teacher_id", sa.String(length=32), nullable=False),
        sa.Column("code_digest", sa.String(length=64), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["teacher_id"], ["teacher.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("code_digest"),
    )
    op.create_index("ix_recovery_code_studio_id", "recovery_code", ["studio_id"])
    op.create_index("ix_recovery_code_teacher_id", "recovery_code", ["teacher_id"])
    op.create_table(
        "audit_entry",
        sa.Column("at", Moment(), nullable=False),
        sa.Column("teacher_id", sa.String(length=32), nullable=True),
        sa.Column("action", sa.String(length=32), nullable=False),
        sa.Column("about_id", sa.String(length=32), nullable=True),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_audit_entry_studio_id", "audit_entry", ["studio_id"])
    op.create_index("ix_audit_entry_at", "audit_entry", ["at"])


def downgrade() -> None:
    """Take it back."""
    op.drop_table("audit_entry")
    op.drop_table("recovery_code")
    op.drop_column("sign_in", "seen_at")
    op.drop_column("invitation", "role")
    for name in ("factor_step", "factor_since", "factor_key", "role"):
        op.drop_column("teacher", name)
