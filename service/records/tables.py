"""The tables: a studio, its people, what was asked, what was measured and what was decided.

Lengths are kept as the JSON of `calibration.quantity.length_json`, with their budgets, so that what a verdict was
made from can be read years later.  A child is a nickname and, if the teacher likes, a month and year of birth.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, UniqueConstraint, text, true
from sqlalchemy.orm import Mapped, mapped_column

from service.records.columns import Base, Row, StudioRow

SECRET = "secret"
OWNER, TEACHER = "owner", "teacher"
"""Roles: an owner also sees to the studio itself, its people, its keys, its history."""


class Mark(Base):
    """Something about the whole house, by name."""

    __tablename__ = "mark"

    name: Mapped[str] = mapped_column(String(20), primary_key=True)
    value: Mapped[str] = mapped_column(String(200))


class Tries(Base):
    """How often somebody tried something in a window of time; who, as a digest."""

    __tablename__ = "tries"

    who: Mapped[str] = mapped_column(String(64), primary_key=True)
    count: Mapped[int]
    ends: Mapped[float]


class Studio(Row):
    """A teacher's practice or a school; everything else belongs to one."""

    __tablename__ = "studio"

    name: Mapped[str] = mapped_column(String(80))
    created_at: Mapped[datetime]
    photo_days: Mapped[int]
    losses: Mapped[dict[str, Any] | None]
    """What a wrong choice costs where the studio weighs otherwise than usual: days by the loss's name."""


LONGEST_EMAIL = 254
"""Letters of an e-mail address (RFC 5321, section 4.5.3.1.3, without the brackets)."""


class Teacher(StudioRow):
    """Somebody who signs in."""

    __tablename__ = "teacher"

    email: Mapped[str] = mapped_column(String(LONGEST_EMAIL), unique=True)
    name: Mapped[str] = mapped_column(String(80))
    password_hash: Mapped[str]
    role: Mapped[str] = mapped_column(String(8), default=TEACHER, server_default=OWNER)
    """Teachers of a time without roles could do everything, and still can."""
    language: Mapped[str] = mapped_column(String(8))
    told_by_mail: Mapped[bool] = mapped_column(default=True, server_default=true())
    """Whether a mail says that photos have arrived, where a mail server is set."""
    created_at: Mapped[datetime]
    factor_key: Mapped[str | None] = mapped_column(String(160))
    """Key of the second factor, sealed; there from the moment it is offered."""
    factor_since: Mapped[datetime | None]
    """When the second factor was proven and switched on."""
    factor_step: Mapped[int | None]
    """Time step of the last code that was used: none works twice."""


class RecoveryCode(StudioRow):
    """Lets a teacher choose a new password, or stands in for the second factor, once; only a digest is kept."""

    __tablename__ = "recovery_code"

    teacher_id: Mapped[str] = mapped_column(ForeignKey("teacher.id", ondelete="CASCADE"), index=True)
    code_digest: Mapped[str] = mapped_column(String(64), unique=True)


class SignIn(StudioRow):
    """A browser in which a teacher is signed in; only a digest of its cookie is kept."""

    __tablename__ = "sign_in"

    teacher_id: Mapped[str] = mapped_column(ForeignKey("teacher.id", ondelete="CASCADE"), index=True)
    token_digest: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    """End however busy the browser is."""
    seen_at: Mapped[datetime]
    """Last use, to some minutes: an idle browser is signed out."""
    revoked_at: Mapped[datetime | None]


class PushSubscription(StudioRow):
    """A browser that wants to be told when photos arrive; it goes with the sign-in that it belongs to."""

    __tablename__ = "push_subscription"

    teacher_id: Mapped[str] = mapped_column(ForeignKey("teacher.id", ondelete="CASCADE"), index=True)
    sign_in_id: Mapped[str] = mapped_column(ForeignKey("sign_in.id", ondelete="CASCADE"), index=True)
    endpoint: Mapped[str] = mapped_column(String(1000))
    """Address at the browser's push service, which knows the browser by it."""
    endpoint_digest: Mapped[str] = mapped_column(String(64), unique=True)
    point: Mapped[str] = mapped_column(String(100))
    auth: Mapped[str] = mapped_column(String(30))
    """The browser's public key and secret, base64url: of use only to whoever signs as this service does."""
    signed_with: Mapped[str] = mapped_column(String(100))
    """Public key of this service that the browser subscribed with."""
    created_at: Mapped[datetime]


class Invitation(Row):
    """A link that lets somebody in once: the first teacher, a further one, or one who lost the password."""

    __tablename__ = "invitation"

    token_digest: Mapped[str] = mapped_column(String(64), unique=True)
    studio_id: Mapped[str | None] = mapped_column(ForeignKey("studio.id", ondelete="CASCADE"))
    teacher_id: Mapped[str | None] = mapped_column(ForeignKey("teacher.id", ondelete="CASCADE"))
    role: Mapped[str] = mapped_column(String(8), server_default=TEACHER)
    expires_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class AuditEntry(StudioRow):
    """Who did what, and when: identities only, so that it tells nothing once what they name is deleted."""

    __tablename__ = "audit_entry"

    at: Mapped[datetime] = mapped_column(index=True)
    teacher_id: Mapped[str | None] = mapped_column(String(32))
    """No foreign key: the entry outlives the teacher."""
    action: Mapped[str] = mapped_column(String(32))
    about_id: Mapped[str | None] = mapped_column(String(32))


class ApiKey(StudioRow):
    """Lets a shop's program use the HTTP interface; only a digest of it is kept."""

    __tablename__ = "api_key"

    name: Mapped[str] = mapped_column(String(80))
    token_digest: Mapped[str] = mapped_column(String(64), unique=True)
    a_minute: Mapped[int]
    """How many requests a minute it may make."""
    scopes: Mapped[str] = mapped_column(String(200), default="measure decide", server_default="measure decide")
    """What it allows, with spaces between (`service.api.callers.Scope`)."""
    created_at: Mapped[datetime]
    used_on: Mapped[date | None]
    revoked_at: Mapped[datetime | None]


class StudioChart(StudioRow):
    """A named chart of sizes."""

    __tablename__ = "chart"

    name: Mapped[str] = mapped_column(String(60))
    csv: Mapped[str]
    in_use: Mapped[bool]
    changed_at: Mapped[datetime]


class Child(StudioRow):
    """A child, by nickname or initials."""

    __tablename__ = "child"

    nickname: Mapped[str] = mapped_column(String(40))
    birth_year: Mapped[int | None]
    birth_month: Mapped[int | None]
    sex: Mapped[str | None] = mapped_column(String(8))
    instrument_id: Mapped[str | None] = mapped_column(String(32))
    """The instrument in use; no foreign key, since an instrument already points at its child."""
    created_at: Mapped[datetime]


class Instrument(StudioRow):
    """A measured instrument, on the studio's shelf or in a family's hands (then `child_id` says whose)."""

    __tablename__ = "instrument"

    name: Mapped[str] = mapped_column(String(60))
    label: Mapped[str | None] = mapped_column(String(16))
    child_id: Mapped[str | None] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    lengths: Mapped[dict[str, Any]]
    automatic: Mapped[dict[str, Any] | None]
    measured_on: Mapped[date]
    measured_by: Mapped[str] = mapped_column(String(12))
    notes: Mapped[dict[str, Any]]
    program_version: Mapped[str] = mapped_column(String(20))


class PhotoRequest(StudioRow):
    """What a family is asked for; its link is derived from its id and stays valid until it expires or is revoked."""

    __tablename__ = "photo_request"

    child_id: Mapped[str] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    asks_arm: Mapped[bool]
    asks_instrument: Mapped[bool]
    language: Mapped[str] = mapped_column(String(8))
    reason: Mapped[str | None] = mapped_column(String(40))
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]
    consent_at: Mapped[datetime | None]
    finished_at: Mapped[datetime | None]
    told_at: Mapped[datetime | None]
    """When the latest photo arrived of which the teachers were told, by mail or push."""
    bar_mm: Mapped[float | None]
    reference: Mapped[str | None] = mapped_column(String(8))
    """What of known size the family lays into its photos instead of the printed sheet (`calibration.blank`)."""
    label: Mapped[str | None] = mapped_column(String(16))


class Upload(StudioRow):
    """A photo that arrived, until it is measured, reviewed and deleted."""

    __tablename__ = "upload"
    __table_args__ = (
        UniqueConstraint("request_id", "client_key"),
        # To a unique key no two NULLs are equal (ISO/IEC 9075-2): photos without a request need a rule of their own.
        Index(
            "uq_upload_of_shelf",
            "studio_id",
            "client_key",
            unique=True,
            sqlite_where=text("request_id IS NULL"),
            postgresql_where=text("request_id IS NULL"),
        ),
    )

    request_id: Mapped[str | None] = mapped_column(ForeignKey("photo_request.id", ondelete="CASCADE"), index=True)
    child_id: Mapped[str | None] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    instrument_id: Mapped[str | None] = mapped_column(ForeignKey("instrument.id", ondelete="CASCADE"))
    kind: Mapped[str] = mapped_column(String(12))
    client_key: Mapped[str] = mapped_column(String(64))
    received_at: Mapped[datetime]
    state: Mapped[str] = mapped_column(String(12), index=True)
    tries: Mapped[int] = mapped_column(default=0, server_default="0")
    """How often measuring was begun; a photo that fails time and again is shown to the teacher, and kept."""
    delete_on: Mapped[date] = mapped_column(index=True)
    photos_deleted_at: Mapped[datetime | None]
    reference: Mapped[str | None] = mapped_column(String(8))
    """What of known size lies in it instead of the printed sheet."""
    against_wall: Mapped[bool | None]
    """Whether back and back of the hand touch the wall, as the studio says."""
    higher: Mapped[str | None] = mapped_column(String(12))
    """What lies higher than the other, "sheet" on a book or "instrument" in its case, as the studio says."""
    height_mm: Mapped[float | None]
    """By how much, as the studio says."""
    label: Mapped[str | None] = mapped_column(String(16))
    """The size on the instrument's label, as the family says."""
    views: Mapped[int] = mapped_column(default=1, server_default="1")
    """How many photos were sent as one, all of the same child or the same instrument."""
    width_px: Mapped[int | None]
    height_px: Mapped[int | None]
    result: Mapped[dict[str, Any] | None]
    corrected: Mapped[dict[str, Any] | None]
    again_reason: Mapped[str | None] = mapped_column(String(40))
    """Why the family was asked for another one."""

    @property
    def film_s(self) -> float | None:
        """Where the picture shows a frame of a film: how long after the film's first, s."""
        return (self.result or {}).get("film_s")


class ArmRecord(StudioRow):
    """An arm as the teacher accepted it; what the program found and what the teacher corrected are both kept."""

    __tablename__ = "arm_record"

    child_id: Mapped[str] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    upload_id: Mapped[str | None] = mapped_column(ForeignKey("upload.id", ondelete="SET NULL"))
    measured_on: Mapped[date]
    lengths: Mapped[dict[str, Any]]
    automatic: Mapped[dict[str, Any]]
    corrected: Mapped[bool]
    accepted_at: Mapped[datetime]
    teacher_id: Mapped[str | None] = mapped_column(ForeignKey("teacher.id", ondelete="SET NULL"))
    program_version: Mapped[str] = mapped_column(String(20))


class TapeRecord(StudioRow):
    """A tape reading of a child's arm."""

    __tablename__ = "tape_record"

    child_id: Mapped[str] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    taken_on: Mapped[date]
    value_mm: Mapped[float]
    uncertainty_mm: Mapped[float]
    told_by: Mapped[str] = mapped_column(String(12))


class SignsRecord(StudioRow):
    """What the teacher saw of the child playing an instrument."""

    __tablename__ = "signs_record"

    child_id: Mapped[str] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    instrument_id: Mapped[str | None] = mapped_column(ForeignKey("instrument.id", ondelete="CASCADE"))
    noted_on: Mapped[date]
    answers: Mapped[dict[str, Any]]


class VerdictRecord(StudioRow):
    """A decision with the exact inputs and the program that made it; sharing it makes it a family's report."""

    __tablename__ = "verdict_record"

    child_id: Mapped[str] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    instrument_id: Mapped[str | None] = mapped_column(ForeignKey("instrument.id", ondelete="SET NULL"))
    arm_record_id: Mapped[str | None] = mapped_column(ForeignKey("arm_record.id", ondelete="SET NULL"))
    teacher_id: Mapped[str | None] = mapped_column(ForeignKey("teacher.id", ondelete="SET NULL"))
    made_at: Mapped[datetime]
    program_version: Mapped[str] = mapped_column(String(20))
    inputs: Mapped[dict[str, Any]]
    outcome: Mapped[dict[str, Any]]
    report_language: Mapped[str] = mapped_column(String(8))
    report_note: Mapped[str] = mapped_column(String(600))
    report_expires_at: Mapped[datetime | None]
    report_revoked_at: Mapped[datetime | None]

    def said_in(self, language: str) -> dict[str, Any]:
        """What was decided, in a language's words; in English's if the program did not speak that one then."""
        said: dict[str, Any] = self.outcome.get(language) or self.outcome["en"]
        return said


class Deed(StudioRow):
    """Something a teacher did, with what `service.records.deeds` needs to take it back."""

    __tablename__ = "deed"

    teacher_id: Mapped[str | None] = mapped_column(ForeignKey("teacher.id", ondelete="SET NULL"))
    child_id: Mapped[str | None] = mapped_column(ForeignKey("child.id", ondelete="CASCADE"), index=True)
    what: Mapped[str] = mapped_column(String(24))
    done_at: Mapped[datetime] = mapped_column(index=True)
    undone_at: Mapped[datetime | None]
    changes: Mapped[dict[str, Any]]


RECEIVED, MEASURED, REFUSED, ACCEPTED, AGAIN = "received", "measured", "refused", "accepted", "again"
ANEW = "anew"
"""It was measured, and is being measured once more: the family has said how long its sheet's bar is."""
UNDER_WORK = (RECEIVED, ANEW)
FAILED = "failed"
"""Measuring failed, not for what the photo shows: the photo is kept until its day, and the teacher is told."""
