"""The size on the label of each instrument that a family photographs: it may send several."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("upload", sa.Column("label", sa.String(16), nullable=True))
    op.execute(
        "UPDATE upload SET label = (SELECT label FROM photo_request WHERE photo_request.id = upload.request_id) "
        "WHERE kind = 'instrument'"
    )


def downgrade() -> None:
    """Take it back."""
    op.drop_column("upload", "label")
