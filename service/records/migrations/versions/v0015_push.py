"""Browsers that are told when photos arrive."""

import sqlalchemy as sa
from alembic import op

from service.records.columns import Moment

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "push_subscription",
        sa.Column("teacher_id", sa.String(length=32), nullable=False),
        sa.Column("sign_in_id", sa.String(length=32), nullable=False),
        sa.Column("endpoint", sa.String(length=1000), nullable=False),
        sa.Column("endpoint_digest", sa.String(length=64), nullable=False),
        sa.Column("point", sa.String(length=100), nullable=False),
        sa.Column("auth", sa.String(length=30), nullable=False),
        sa.Column("signed_with", sa.String(length=100), nullable=False),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["teacher_id"], ["teacher.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["sign_in_id"], ["sign_in.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("endpoint_digest"),
    )
    for column in ("studio_id", "teacher_id", "sign_in_id"):
        op.create_index(f"ix_push_subscription_{column}", "push_subscription", [column])


def downgrade() -> None:
    """Take it back."""
    op.drop_table("push_subscription")
