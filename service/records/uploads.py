"""A photo that arrives is kept once: its encrypted file, then its row; a form that was sent twice is one upload.

So is a photo that a family sends once more while the same one, asked the same, is still measured or under review.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import Select, select
from sqlalchemy.exc import IntegrityError

from service.records.columns import fresh_id
from service.records.database import Store
from service.records.photos import PhotoFolder
from service.records.tables import MEASURED, RECEIVED, UNDER_WORK, Studio, Upload

COMPARED = 3
"""Earlier photos of a link that a new one is compared with, the latest first: our choice, each is read and unsealed."""


class NobodyAsks(LookupError):
    """Raised where what a photo was sent for is gone: its request, its child or its studio was deleted meanwhile."""


def keep_upload(
    store: Store,
    photos: PhotoFolder,
    contents: Sequence[bytes],
    *,
    studio_id: str,
    kind: str,
    client_key: str,
    now: datetime,
    request_id: str | None = None,
    child_id: str | None = None,
    reference: str | None = None,
    label: str | None = None,
) -> str:
    """Keep a photo and its row; on return both are on the disk.

    Parameters
    ----------
    store, photos : Store, PhotoFolder
    contents : sequence of bytes
        The photo as it came, or several of the same child or the same instrument that were sent as one.
    studio_id : str
    kind : {'arm', 'instrument'}
    client_key : str
        Made with the form that sent the photo: the same key for the same request, or for the same studio where there is
        no request, is the same upload.
    now : datetime
    request_id, child_id : str, optional
        What a family was asked, and for whom; none for the studio's own shelf.
    reference : {'a4', 'letter', 'card'}, optional
        Blank paper or a card instead of the printed sheet.
    label : str, optional
        The size on the instrument's label.

    Returns
    -------
    str
        The upload's id; the earlier one's where the form, or with a family's link the same photo, was sent before.

    Raises
    ------
    NobodyAsks
        If what the photo was sent for is gone.
    """
    with store.for_studio(studio_id) as records:
        known = records.scalars(_of_form(request_id, client_key)).one_or_none()
        studio = records.get(Studio, studio_id)
        alike = records.scalars(_alike(request_id, kind, reference, label, len(contents))).all() if request_id else ()
    if known is None:
        known = next((each for each in alike if photos.originals(each) == list(contents)), None)
    if known is not None:
        return known
    if studio is None:
        raise NobodyAsks
    upload_id = fresh_id()
    photos.put_originals(upload_id, contents)
    try:
        with store.for_studio(studio_id) as records:
            records.add(
                Upload(
                    id=upload_id,
                    studio_id=studio_id,
                    request_id=request_id,
                    child_id=child_id,
                    kind=kind,
                    client_key=client_key,
                    received_at=now,
                    state=RECEIVED,
                    reference=reference,
                    label=label,
                    views=len(contents),
                    delete_on=(now + timedelta(days=studio.photo_days)).date(),
                )
            )
    except IntegrityError:  # the same form arrived twice at the same moment, or what it was sent for was deleted
        photos.delete(upload_id)
        with store.for_studio(studio_id) as records:
            known = records.scalars(_of_form(request_id, client_key)).one_or_none()
        if known is None:
            raise NobodyAsks from None
        return known
    return upload_id


def _of_form(request_id: str | None, client_key: str) -> Select[str]:
    """The upload that a form sent; sessions of one studio see that studio's only."""
    return select(Upload.id).where(Upload.request_id == request_id, Upload.client_key == client_key)


def _alike(request_id: str, kind: str, reference: str | None, label: str | None, views: int) -> Select[str]:
    """What was last sent through a link of which the same is asked, and whose photos are still kept."""
    return (
        select(Upload.id)
        .where(
            Upload.request_id == request_id,
            Upload.kind == kind,
            Upload.reference == reference,
            Upload.label == label,
            Upload.views == views,
            Upload.state.in_((*UNDER_WORK, MEASURED)),
        )
        .order_by(Upload.received_at.desc())
        .limit(COMPARED)
    )
