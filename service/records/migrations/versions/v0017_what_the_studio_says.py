"""What a studio says of a photo that the photo does not show: how child, sheet and instrument stand and lie."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("upload", sa.Column("against_wall", sa.Boolean(), nullable=True))
    op.add_column("upload", sa.Column("higher", sa.String(12), nullable=True))
    op.add_column("upload", sa.Column("height_mm", sa.Double(), nullable=True))


def downgrade() -> None:
    """Take it back."""
    for column in ("height_mm", "higher", "against_wall"):
        op.drop_column("upload", column)
