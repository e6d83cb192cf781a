"""Who is told by mail that photos have arrived, and until when that was done."""

import sqlalchemy as sa
from alembic import op

from service.records.columns import Moment

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("teacher", sa.Column("told_by_mail", sa.Boolean(), nullable=False, server_default=sa.true()))
    op.add_column("photo_request", sa.Column("told_at", Moment(), nullable=True))


def downgrade() -> None:
    """Take it back."""
    op.drop_column("teacher", "told_by_mail")
    op.drop_column("photo_request", "told_at")
