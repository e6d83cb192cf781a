"""Keys for shops' programs."""

import sqlalchemy as sa
from alembic import op

from service.records.columns import Moment

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "api_key",
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("a_minute", sa.Integer(), nullable=False),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("used_on", sa.Date(), nullable=True),
        sa.Column("revoked_at", Moment(), nullable=True),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_digest"),
    )
    op.create_index("ix_api_key_studio_id", "api_key", ["studio_id"])


def downgrade() -> None:
    """Take it back."""
    op.drop_table("api_key")
