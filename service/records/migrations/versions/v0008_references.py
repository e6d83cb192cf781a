"""What of known size lies in a family's photos, and how many photos were sent as one."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("photo_request", sa.Column("reference", sa.String(8), nullable=True))
    op.add_column("upload", sa.Column("reference", sa.String(8), nullable=True))
    op.add_column("upload", sa.Column("views", sa.Integer(), nullable=False, server_default="1"))


def downgrade() -> None:
    """Take it back."""
    op.drop_column("upload", "views")
    op.drop_column("upload", "reference")
    op.drop_column("photo_request", "reference")
