"""A form for the shelf that is sent twice is one upload."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

NAME = "uq_upload_of_shelf"
OF_THE_SHELF = sa.text("request_id IS NULL")


def upgrade() -> None:
    """Bring the tables forward.

    Photos that were kept twice stay, since a teacher may have reviewed either; the later one gets a key of its own.
    """
    op.execute(
        """
        UPDATE upload SET client_key = id
        WHERE request_id IS NULL AND EXISTS (
            SELECT 1 FROM upload AS other
            WHERE other.request_id IS NULL AND other.studio_id = upload.studio_id
            AND other.client_key = upload.client_key AND other.id < upload.id
        )
        """
    )
    op.create_index(
        NAME,
        "upload",
        ["studio_id", "client_key"],
        unique=True,
        sqlite_where=OF_THE_SHELF,
        postgresql_where=OF_THE_SHELF,
    )


def downgrade() -> None:
    """Take it back."""
    op.drop_index(NAME, table_name="upload")
