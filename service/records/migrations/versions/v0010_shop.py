"""A shop's loans, open orders, jobs, webhooks and kept answers."""

import sqlalchemy as sa
from alembic import op

from service.records.columns import Moment

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def _studio_table(name: str, *columns: sa.schema.SchemaItem) -> None:
    op.create_table(
        name,
        *columns,
        sa.Column("studio_id", sa.String(32), nullable=False),
        sa.Column("id", sa.String(32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(f"ix_{name}_studio_id", name, ["studio_id"])


def upgrade() -> None:
    """Bring the tables forward."""
    _studio_table(
        "loan",
        sa.Column("instrument_id", sa.String(32), nullable=False),
        sa.Column("borrower", sa.String(60), nullable=False),
        sa.Column("lent_on", sa.Date(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("returned_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["instrument_id"], ["instrument.id"], ondelete="CASCADE"),
    )
    op.create_index("ix_loan_instrument_id", "loan", ["instrument_id"])
    _studio_table(
        "open_order",
        sa.Column("reference", sa.String(60), nullable=False),
        sa.Column("arm", sa.JSON(), nullable=False),
        sa.Column("growth_mm", sa.Double(), nullable=False),
        sa.Column("suiting", sa.JSON(), nullable=False),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("checked_at", Moment(), nullable=True),
        sa.Column("closed_at", Moment(), nullable=True),
    )
    _studio_table(
        "shop_job",
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("state", sa.String(12), nullable=False),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("found", sa.Integer(), nullable=False),
        sa.Column("after", sa.String(32), nullable=True),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("touched_at", Moment(), nullable=False),
        sa.Column("finished_at", Moment(), nullable=True),
    )
    op.create_index("ix_shop_job_state", "shop_job", ["state"])
    _studio_table(
        "webhook",
        sa.Column("url", sa.String(500), nullable=False),
        sa.Column("events", sa.String(200), nullable=False),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("failing_since", Moment(), nullable=True),
        sa.Column("disabled_at", Moment(), nullable=True),
    )
    _studio_table(
        "delivery",
        sa.Column("webhook_id", sa.String(32), nullable=False),
        sa.Column("event", sa.String(40), nullable=False),
        sa.Column("about", sa.JSON(), nullable=False),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("state", sa.String(12), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_try_at", Moment(), nullable=True),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("fault", sa.String(40), nullable=True),
        sa.ForeignKeyConstraint(["webhook_id"], ["webhook.id"], ondelete="CASCADE"),
    )
    for column in ("webhook_id", "state", "next_try_at"):
        op.create_index(f"ix_delivery_{column}", "delivery", [column])
    _studio_table(
        "kept_answer",
        sa.Column("key_digest", sa.String(64), nullable=False),
        sa.Column("question_digest", sa.String(64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("location", sa.String(200), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("expires_at", Moment(), nullable=False),
        sa.UniqueConstraint("studio_id", "key_digest"),
    )
    op.create_index("ix_kept_answer_expires_at", "kept_answer", ["expires_at"])


def downgrade() -> None:
    """Take it back."""
    for table in ("kept_answer", "delivery", "webhook", "shop_job", "open_order", "loan"):
        op.drop_table(table)
