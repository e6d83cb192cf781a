"""How often measuring a photo was tried."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("upload", sa.Column("tries", sa.Integer(), nullable=False, server_default="0"))


def downgrade() -> None:
    """Take it back."""
    op.drop_column("upload", "tries")
