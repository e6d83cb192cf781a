"""${message}."""

import sqlalchemy as sa
from alembic import op

import service.records.columns

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    """Take the step back."""
    ${downgrades if downgrades else "pass"}
