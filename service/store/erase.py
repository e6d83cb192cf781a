"""Deletion that really deletes: rows, photos, and the traces both leave."""

from __future__ import annotations

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.store.database import Store
from service.store.photos import PhotoFolder
from service.store.tables import Child, Instrument, PhotoRequest, Studio, Upload


def erase_child(store: Store, photos: PhotoFolder, studio_id: str, child_id: str) -> bool:
    """Delete a child and everything about it; False where the studio has no such child."""
    with store.for_studio(studio_id) as session:
        child = session.get(Child, child_id)
        if child is None:
            return False
        _delete_photos(session, photos, Upload.child_id == child_id)
        session.delete(child)
    store.forget_traces()
    return True


def erase_instrument(store: Store, photos: PhotoFolder, studio_id: str, instrument_id: str) -> bool:
    """Delete an instrument and what was noted about it; False where the studio has none such."""
    with store.for_studio(studio_id) as session:
        instrument = session.get(Instrument, instrument_id)
        if instrument is None:
            return False
        _delete_photos(session, photos, Upload.instrument_id == instrument_id)
        for child in session.scalars(select(Child).where(Child.instrument_id == instrument_id)):
            child.instrument_id = None
        session.delete(instrument)
    store.forget_traces()
    return True


def erase_request(store: Store, photos: PhotoFolder, studio_id: str, request_id: str) -> bool:
    """Delete what a family sent through one link, measured numbers included, and close the link for good."""
    with store.for_studio(studio_id) as session:
        request = session.get(PhotoRequest, request_id)
        if request is None:
            return False
        _delete_photos(session, photos, Upload.request_id == request_id)
        session.delete(request)
    store.forget_traces()
    return True


def erase_studio(store: Store, photos: PhotoFolder, studio_id: str) -> None:
    """Delete a studio with all its people, records and photos."""
    with store.for_studio(studio_id) as session:
        _delete_photos(session, photos, or_(Upload.studio_id == studio_id))
    with store.whole_house() as session:
        studio = session.get(Studio, studio_id)
        if studio is not None:
            session.delete(studio)
    store.forget_traces()


def _delete_photos(session: Session, photos: PhotoFolder, condition: object) -> None:
    for upload in session.scalars(select(Upload).where(condition)):  # type: ignore[arg-type]
        photos.delete(upload.id)
