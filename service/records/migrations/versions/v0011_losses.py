"""What a wrong choice costs, as a studio sees it."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("studio", sa.Column("losses", sa.JSON(), nullable=True))


def downgrade() -> None:
    """Take it back."""
    op.drop_column("studio", "losses")
