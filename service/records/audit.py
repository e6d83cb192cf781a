"""Who did what, and when: kept by identities alone, shown to a studio's owners, deleted after a year.

Nothing here says a name, an address, a number that was measured or what somebody typed; when a teacher or a child is
deleted, what is left of them is an identity that belongs to nobody.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.records.tables import AuditEntry

KEPT_DAYS = 365
"""How long an entry is kept: our choice, a school year and what comes up after it."""


class Action(StrEnum):
    """What is noted."""

    SIGNED_IN = "signed_in"
    SIGN_IN_REFUSED = "sign_in_refused"
    OWNERS_PART_REFUSED = "owners_part_refused"
    SIGNED_OUT = "signed_out"
    PASSWORD_CHANGED = "password_changed"
    RECOVERED = "recovered"
    RECOVERY_CODES_MADE = "recovery_codes_made"
    FACTOR_ON = "factor_on"
    FACTOR_OFF = "factor_off"
    BROWSER_SIGNED_OUT = "browser_signed_out"
    TEACHER_INVITED = "teacher_invited"
    INVITATION_WITHDRAWN = "invitation_withdrawn"
    TEACHER_JOINED = "teacher_joined"
    TEACHER_REMOVED = "teacher_removed"
    ROLE_CHANGED = "role_changed"
    SETTINGS_CHANGED = "settings_changed"
    KEY_MADE = "key_made"
    KEY_REVOKED = "key_revoked"
    WEBHOOK_DELETED = "webhook_deleted"
    EXPORTED = "exported"
    LINK_MADE = "link_made"
    MEASUREMENT_ACCEPTED = "measurement_accepted"
    REPORT_SHARED = "report_shared"
    CHILD_EXPORTED = "child_exported"
    CHILD_DELETED = "child_deleted"
    SENT_DELETED = "sent_deleted"


def note(
    session: Session, studio_id: str, action: Action, at: datetime, who: str | None = None, about: str | None = None
) -> None:
    """Note what somebody did.

    Parameters
    ----------
    session : Session
        It is kept together with what was done, or not at all.
    studio_id : str
    action : Action
    at : datetime
    who : str, optional
        Identity of a teacher; none where a family did it.
    about : str, optional
        Identity of what it was done to.
    """
    session.add(AuditEntry(studio_id=studio_id, at=at, teacher_id=who, action=action.value, about_id=about))


def last_noted(session: Session, action: Action, about: str) -> datetime | None:
    """When something was done last to what has this identity; None where it is not noted."""
    wanted = select(AuditEntry.at).where(AuditEntry.action == action.value, AuditEntry.about_id == about)
    return session.scalars(wanted.order_by(AuditEntry.at.desc())).first()


def forget_old(session: Session, now: datetime) -> None:
    """Delete entries that are older than `KEPT_DAYS`."""
    session.execute(delete(AuditEntry).where(AuditEntry.at < now - timedelta(days=KEPT_DAYS)))
