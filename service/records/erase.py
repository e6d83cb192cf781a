"""Deletion that really deletes: rows, photos, and the traces both leave."""

from __future__ import annotations

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.records.database import Store
from service.records.photos import PhotoFolder
from service.records.tables import Child, Instrument, PhotoRequest, Studio, Upload


def erase_child(store: Store, photos: PhotoFolder, studio_id: str, child_id: str) -> bool:
    """Delete a child and everything about it; False where the studio has no such child."""
    return _erase(store, photos, studio_id, Child, child_id, Upload.child_id == child_id)


def erase_instrument(store: Store, photos: PhotoFolder, studio_id: str, instrument_id: str) -> bool:
    """Delete an instrument and what was noted about it; False where the studio has none such."""
    return _erase(store, photos, studio_id, Instrument, instrument_id, Upload.instrument_id == instrument_id)


def erase_request(store: Store, photos: PhotoFolder, studio_id: str, request_id: str) -> bool:
    """Delete what a family sent through one link, measured numbers included, and close the link for good."""
    return _erase(store, photos, studio_id, PhotoRequest, request_id, Upload.request_id == request_id)


def _erase(
    store: Store,
    photos: PhotoFolder,
    studio_id: str,
    kind: type[Child | Instrument | PhotoRequest],
    row_id: str,
    its_photos: object,
) -> bool:
    """Delete one row of a studio and the photos that meet a condition; False where there is no such row."""
    with store.for_studio(studio_id) as session:
        row = session.get(kind, row_id)
        if row is None:
            return False
        _delete_photos(session, photos, its_photos)
        if isinstance(row, Instrument):
            for child in session.scalars(select(Child).where(Child.instrument_id == row_id)):
                child.instrument_id = None
        session.delete(row)
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
