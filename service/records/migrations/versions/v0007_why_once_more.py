"""Why a photo was asked for once more stands with the photo: each kind has a reason of its own."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.add_column("upload", sa.Column("again_reason", sa.String(length=40), nullable=True))
    reason = "(SELECT reason FROM photo_request WHERE photo_request.id = upload.request_id)"
    op.execute(f"UPDATE upload SET again_reason = {reason} WHERE state = 'again'")
    its_request = "(SELECT request_id FROM upload WHERE state = 'again')"
    op.execute(f"UPDATE photo_request SET reason = NULL WHERE id IN {its_request}")


def downgrade() -> None:
    """Take it back."""
    op.drop_column("upload", "again_reason")
