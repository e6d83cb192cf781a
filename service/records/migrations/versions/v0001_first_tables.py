"""The first tables."""

import sqlalchemy as sa
from alembic import op

import service.records.columns

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables forward."""
    op.create_table(
        "studio",
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("created_at", service.records.columns.Moment(), nullable=False),
        sa.Column("photo_days", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "chart",
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("csv", sa.String(), nullable=False),
        sa.Column("in_use", sa.Boolean(), nullable=False),
        sa.Column("changed_at", service.records.columns.Moment(), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("chart", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_chart_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "child",
        sa.Column("nickname", sa.String(length=40), nullable=False),
        sa.Column("birth_year", sa.Integer(), nullable=True),
        sa.Column("birth_month", sa.Integer(), nullable=True),
        sa.Column("sex", sa.String(length=8), nullable=True),
        sa.Column("instrument_id", sa.String(length=32), nullable=True),
        sa.Column("created_at", service.records.columns.Moment(), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("child", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_child_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "teacher",
        sa.Column("email", sa.String(length=254), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=False),
        sa.Column("language", sa.String(length=8), nullable=False),
        sa.Column("created_at", service.records.columns.Moment(), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("email"),
    )
    with op.batch_alter_table("teacher", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_teacher_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "instrument",
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("label", sa.String(length=16), nullable=True),
        sa.Column("child_id", sa.String(length=32), nullable=True),
        sa.Column("lengths", sa.JSON(), nullable=False),
        sa.Column("automatic", sa.JSON(), nullable=True),
        sa.Column("measured_on", sa.Date(), nullable=False),
        sa.Column("measured_by", sa.String(length=12), nullable=False),
        sa.Column("notes", sa.JSON(), nullable=False),
        sa.Column("program_version", sa.String(length=20), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("instrument", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_instrument_child_id"), ["child_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_instrument_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "invitation",
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=True),
        sa.Column("teacher_id", sa.String(length=32), nullable=True),
        sa.Column("expires_at", service.records.columns.Moment(), nullable=False),
        sa.Column("used_at", service.records.columns.Moment(), nullable=True),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["teacher_id"], ["teacher.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_digest"),
    )
    op.create_table(
        "photo_request",
        sa.Column("child_id", sa.String(length=32), nullable=False),
        sa.Column("asks_arm", sa.Boolean(), nullable=False),
        sa.Column("asks_instrument", sa.Boolean(), nullable=False),
        sa.Column("language", sa.String(length=8), nullable=False),
        sa.Column("reason", sa.String(length=40), nullable=True),
        sa.Column("created_at", service.records.columns.Moment(), nullable=False),
        sa.Column("expires_at", service.records.columns.Moment(), nullable=False),
        sa.Column("revoked_at", service.records.columns.Moment(), nullable=True),
        sa.Column("consent_at", service.records.columns.Moment(), nullable=True),
        sa.Column("finished_at", service.records.columns.Moment(), nullable=True),
        sa.Column("bar_mm", sa.Double(), nullable=True),
        sa.Column("label", sa.String(length=16), nullable=True),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("photo_request", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_photo_request_child_id"), ["child_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_photo_request_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "sign_in",
        sa.Column("teacher_id", sa.String(length=32), nullable=False),
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("created_at", service.records.columns.Moment(), nullable=False),
        sa.Column("expires_at", service.records.columns.Moment(), nullable=False),
        sa.Column("revoked_at", service.records.columns.Moment(), nullable=True),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["teacher_id"], ["teacher.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_digest"),
    )
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_in_studio_id"), ["studio_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_sign_in_teacher_id"), ["teacher_id"], unique=False)

    op.create_table(
        "tape_record",
        sa.Column("child_id", sa.String(length=32), nullable=False),
        sa.Column("taken_on", sa.Date(), nullable=False),
        sa.Column("value_mm", sa.Double(), nullable=False),
        sa.Column("uncertainty_mm", sa.Double(), nullable=False),
        sa.Column("told_by", sa.String(length=12), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("tape_record", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tape_record_child_id"), ["child_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_tape_record_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "signs_record",
        sa.Column("child_id", sa.String(length=32), nullable=False),
        sa.Column("instrument_id", sa.String(length=32), nullable=True),
        sa.Column("noted_on", sa.Date(), nullable=False),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["instrument_id"], ["instrument.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("signs_record", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_signs_record_child_id"), ["child_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_signs_record_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "upload",
        sa.Column("request_id", sa.String(length=32), nullable=True),
        sa.Column("child_id", sa.String(length=32), nullable=True),
        sa.Column("instrument_id", sa.String(length=32), nullable=True),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("client_key", sa.String(length=64), nullable=False),
        sa.Column("received_at", service.records.columns.Moment(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("delete_on", sa.Date(), nullable=False),
        sa.Column("photos_deleted_at", service.records.columns.Moment(), nullable=True),
        sa.Column("width_px", sa.Integer(), nullable=True),
        sa.Column("height_px", sa.Integer(), nullable=True),
        sa.Column("result", sa.JSON(), nullable=True),
        sa.Column("corrected", sa.JSON(), nullable=True),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["instrument_id"], ["instrument.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["request_id"], ["photo_request.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("request_id", "client_key"),
    )
    with op.batch_alter_table("upload", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_upload_child_id"), ["child_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_upload_delete_on"), ["delete_on"], unique=False)
        batch_op.create_index(batch_op.f("ix_upload_request_id"), ["request_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_upload_state"), ["state"], unique=False)
        batch_op.create_index(batch_op.f("ix_upload_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "arm_record",
        sa.Column("child_id", sa.String(length=32), nullable=False),
        sa.Column("upload_id", sa.String(length=32), nullable=True),
        sa.Column("measured_on", sa.Date(), nullable=False),
        sa.Column("lengths", sa.JSON(), nullable=False),
        sa.Column("automatic", sa.JSON(), nullable=False),
        sa.Column("corrected", sa.Boolean(), nullable=False),
        sa.Column("accepted_at", service.records.columns.Moment(), nullable=False),
        sa.Column("teacher_id", sa.String(length=32), nullable=True),
        sa.Column("program_version", sa.String(length=20), nullable=False),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["teacher_id"], ["teacher.id"], ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["upload_id"], ["upload.id"], ondelete="SET NULL"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("arm_record", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_arm_record_child_id"), ["child_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_arm_record_studio_id"), ["studio_id"], unique=False)

    op.create_table(
        "verdict_record",
        sa.Column("child_id", sa.String(length=32), nullable=False),
        sa.Column("instrument_id", sa.String(length=32), nullable=True),
        sa.Column("arm_record_id", sa.String(length=32), nullable=True),
        sa.Column("teacher_id", sa.String(length=32), nullable=True),
        sa.Column("made_at", service.records.columns.Moment(), nullable=False),
        sa.Column("program_version", sa.String(length=20), nullable=False),
        sa.Column("inputs", sa.JSON(), nullable=False),
        sa.Column("outcome", sa.JSON(), nullable=False),
        sa.Column("report_language", sa.String(length=8), nullable=False),
        sa.Column("report_note", sa.String(length=600), nullable=False),
        sa.Column("report_expires_at", service.records.columns.Moment(), nullable=True),
        sa.Column("report_revoked_at", service.records.columns.Moment(), nullable=True),
        sa.Column("studio_id", sa.String(length=32), nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.ForeignKeyConstraint(["arm_record_id"], ["arm_record.id"], ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["child_id"], ["child.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["instrument_id"], ["instrument.id"], ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["studio_id"], ["studio.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["teacher_id"], ["teacher.id"], ondelete="SET NULL"),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("verdict_record", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_verdict_record_child_id"), ["child_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_verdict_record_studio_id"), ["studio_id"], unique=False)


def downgrade() -> None:
    """Take the step back."""
    with op.batch_alter_table("verdict_record", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_verdict_record_studio_id"))
        batch_op.drop_index(batch_op.f("ix_verdict_record_child_id"))

    op.drop_table("verdict_record")
    with op.batch_alter_table("arm_record", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_arm_record_studio_id"))
        batch_op.drop_index(batch_op.f("ix_arm_record_child_id"))

    op.drop_table("arm_record")
    with op.batch_alter_table("upload", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_upload_studio_id"))
        batch_op.drop_index(batch_op.f("ix_upload_state"))
        batch_op.drop_index(batch_op.f("ix_upload_request_id"))
        batch_op.drop_index(batch_op.f("ix_upload_delete_on"))
        batch_op.drop_index(batch_op.f("ix_upload_child_id"))

    op.drop_table("upload")
    with op.batch_alter_table("signs_record", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_signs_record_studio_id"))
        batch_op.drop_index(batch_op.f("ix_signs_record_child_id"))

    op.drop_table("signs_record")
    with op.batch_alter_table("tape_record", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_tape_record_studio_id"))
        batch_op.drop_index(batch_op.f("ix_tape_record_child_id"))

    op.drop_table("tape_record")
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_teacher_id"))
        batch_op.drop_index(batch_op.f("ix_sign_in_studio_id"))

    op.drop_table("sign_in")
    with op.batch_alter_table("photo_request", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_photo_request_studio_id"))
        batch_op.drop_index(batch_op.f("ix_photo_request_child_id"))

    op.drop_table("photo_request")
    op.drop_table("invitation")
    with op.batch_alter_table("instrument", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_instrument_studio_id"))
        batch_op.drop_index(batch_op.f("ix_instrument_child_id"))

    op.drop_table("instrument")
    with op.batch_alter_table("teacher", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_teacher_studio_id"))

    op.drop_table("teacher")
    with op.batch_alter_table("child", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_child_studio_id"))

    op.drop_table("child")
    with op.batch_alter_table("chart", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_chart_studio_id"))

    op.drop_table("chart")
    op.drop_table("studio")
