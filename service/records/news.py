"""Whether anything arrived or changed in a studio: a mark that pages compare."""

from __future__ import annotations

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.tables import PhotoRequest, Upload
from service.security import digest


def mark_of(records: Session, studio_id: str) -> str:
    """A text that changes whenever a photo arrives, is measured or dealt with, or a family goes a step on."""
    photos = records.execute(
        select(Upload.state, func.count(), func.max(Upload.received_at))
        .where(Upload.studio_id == studio_id)
        .group_by(Upload.state)
        .order_by(Upload.state)
    ).all()
    steps = records.execute(
        select(func.count(PhotoRequest.consent_at), func.max(PhotoRequest.finished_at)).where(
            PhotoRequest.studio_id == studio_id
        )
    ).one()
    return digest(str([tuple(each) for each in (*photos, steps)]))[:16]
