"""Deletion that really deletes: rows, photos, and the traces both leave."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service.records.audit import Action, note
from service.records.database import Store
from service.records.deeds import forget_deeds_of, nicknames_of, studio_tables
from service.records.photos import PhotoFolder
from service.records.shelf import forget_borrower
from service.records.tables import Child, Instrument, PhotoRequest, Studio, Upload


def erase_child(store: Store, photos: PhotoFolder, studio_id: str, child_id: str) -> bool:
    """Delete a child and everything about it; False where the studio has no such child."""
    with store.for_studio(studio_id) as session:
        child = session.get(Child, child_id)
        if child is None:
            return False
        _delete_photos(session, photos, Upload.child_id == child_id)
        forget_deeds_of(session, child.id, nicknames_of(session, child))
        forget_borrower(session, child)
        session.delete(child)
    store.forget_traces()
    return True


def erase_instrument(store: Store, photos: PhotoFolder, studio_id: str, instrument_id: str) -> bool:
    """Delete an instrument and what was noted about it; False where the studio has none such."""
    with store.for_studio(studio_id) as session:
        instrument = session.get(Instrument, instrument_id)
        if instrument is None:
            return False
        remove_instrument(session, photos, instrument)
    store.forget_traces()
    return True


def remove_instrument(records: Session, photos: PhotoFolder, instrument: Instrument) -> None:
    """Delete an instrument and what hangs on it row by row, so that the rows can be put back; photos cannot."""
    _delete_photos(records, photos, Upload.instrument_id == instrument.id)
    for child in records.scalars(select(Child).where(Child.instrument_id == instrument.id)):
        child.instrument_id = None
    for kind in studio_tables().values():
        for column in kind.__table__.columns:
            for key in column.foreign_keys:
                if key.column.table.name == Instrument.__tablename__:
                    for row in records.scalars(select(kind).where(column == instrument.id)):
                        if key.ondelete == "CASCADE":
                            records.delete(row)
                        else:
                            setattr(row, column.key, None)
    records.flush()
    records.delete(instrument)
    records.flush()


def erase_request(store: Store, photos: PhotoFolder, studio_id: str, request_id: str, now: datetime) -> bool:
    """Delete what a family sent through one link, measured numbers included, and close the link for good.

    That it did so is noted: what was accepted before is the teacher's to delete.
    """
    with store.for_studio(studio_id) as session:
        asked = session.get(PhotoRequest, request_id)
        if asked is None:
            return False
        _delete_photos(session, photos, Upload.request_id == request_id)
        forget_deeds_of(session, asked.child_id)
        note(session, studio_id, Action.SENT_DELETED, now, about=asked.child_id)
        session.delete(asked)
    store.forget_traces()
    return True


def erase_studio(store: Store, photos: PhotoFolder, studio_id: str) -> None:
    """Delete a studio with all its people, records and photos."""
    with store.for_studio(studio_id) as session:
        _delete_photos(session, photos, Upload.studio_id == studio_id)
    with store.whole_house() as session:
        studio = session.get(Studio, studio_id)
        if studio is not None:
            session.delete(studio)
    store.forget_traces()


def _delete_photos(session: Session, photos: PhotoFolder, condition: ColumnElement[bool]) -> None:
    for upload_id in session.scalars(select(Upload.id).where(condition)):
        photos.delete(upload_id)
