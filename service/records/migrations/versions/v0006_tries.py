"""Counts of tries that several processes share."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "tries",
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("ends", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("who"),
    )


def downgrade() -> None:
    """Take it back."""
    op.drop_table("tries")
