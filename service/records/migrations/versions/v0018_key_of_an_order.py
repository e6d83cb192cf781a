"""Which key an open order was kept with."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("open_order", sa.Column("key_id", sa.String(32), nullable=True))


def downgrade() -> None:
    """Take it back."""
    op.drop_column("open_order", "key_id")
