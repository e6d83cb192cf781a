"""What teachers did, to be taken back."""

import sqlalchemy as sa
from alembic import op

from service.records.columns import Moment

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "deed",
        sa.Column("teacher_id", sa.String(length=32), nullable=True),
        sa.Column("child_id", sa.String(length=32), nullable=True),
        sa.Column("what", sa.String(length=24), nullable=False),
        sa.Column("done_at", Moment(), nullable=False),
        sa.Column("undone_at", Moment(), nullable=True),
        sa.Column("changes", sa.JSON(), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["teacher_id"], ["teacher.id"], ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    for column in ("studio_id", "child_id", "done_at"):
        op.create_index(f"ix_deed_{column}", "deed", [column])


def downgrade() -> None:
    """Take it back."""
    op.drop_table("deed")
