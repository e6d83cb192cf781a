"""What each key of a shop's program allows."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward: earlier keys go on allowing what they did."""
    op.add_column("api_key", sa.Column("scopes", sa.String(200), nullable=False, server_default="measure decide"))


def downgrade() -> None:
    """Take it back."""
    op.drop_column("api_key", "scopes")
