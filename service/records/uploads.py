"""A photo that arrives is kept once: its encrypted file, then its row; a form that was sent twice is one upload.

So is a photo that a family sends once more while the same one, asked the same, is still measured or under review.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Sent:
    """What a form sent.

    Attributes
    ----------
    contents : sequence of bytes
        The photo as it came, or several of the same child or the same instrument that were sent as one.
    studio_id : str
    kind : {'arm', 'instrument'}
    client_key : str
        Made with the form that sent the photo: the same key for the same request, or for the same studio where there is
        no request, is the same upload.
    request_id, child_id : str, optional
        What a family was asked, and for whom; none for the studio's own shelf.
    reference : {'a4', 'letter', 'card'}, optional
        Blank paper or a card instead of the printed sheet.
    label : str, optional
        The size on the instrument's label.
    """

    contents: Sequence[bytes]
    studio_id: str
    kind: str
    client_key: str
    request_id: str | None = None
    child_id: str | None = None
    reference: str | None = None
    label: str | None = None


def keep_upload(store: Store, photos: PhotoFolder, sent: Sent, now: datetime) -> str:
    """Keep a photo and its row; on return both are on the disk.

    Parameters
    ----------
    store, photos : Store, PhotoFolder
    sent : Sent
    now : datetime

    Returns
    -------
    str
        The upload's id; the earlier one's where the form, or with a family's link the same photo, was sent before.

    Raises
    ------
    NobodyAsks
        If what the photo was sent for is gone.
    """
    with store.for_studio(sent.studio_id) as records:
        known = records.scalars(_of_form(sent)).one_or_none()
        studio = records.get(Studio, sent.studio_id)
        alike = records.scalars(_alike(sent)).all() if sent.request_id else ()
    if known is None:
        known = next((each for each in alike if photos.originals(each) == list(sent.contents)), None)
    if known is not None:
        return known
    if studio is None:
        raise NobodyAsks
    upload = _row(sent, now, studio.photo_days)
    upload_id = upload.id
    photos.put_originals(upload_id, sent.contents)
    try:
        with store.for_studio(sent.studio_id) as records:
            records.add(upload)
    except IntegrityError:  # the same form arrived twice at the same moment, or what it was sent for was deleted
        photos.delete(upload_id)
        with store.for_studio(sent.studio_id) as records:
            known = records.scalars(_of_form(sent)).one_or_none()
        if known is None:
            raise NobodyAsks from None
        return known
    return upload_id


def _row(sent: Sent, now: datetime, photo_days: int) -> Upload:
    """The row of an upload that has just arrived."""
    return Upload(
        id=fresh_id(),
        studio_id=sent.studio_id,
        request_id=sent.request_id,
        child_id=sent.child_id,
        kind=sent.kind,
        client_key=sent.client_key,
        received_at=now,
        state=RECEIVED,
        reference=sent.reference,
        label=sent.label,
        views=len(sent.contents),
        delete_on=(now + timedelta(days=photo_days)).date(),
    )


def _of_form(sent: Sent) -> Select[str]:
    """The upload that a form sent; sessions of one studio see that studio's only."""
    return select(Upload.id).where(Upload.request_id == sent.request_id, Upload.client_key == sent.client_key)


def _alike(sent: Sent) -> Select[str]:
    """What was last sent through a link of which the same is asked, and whose photos are still kept."""
    return (
        select(Upload.id)
        .where(
            Upload.request_id == sent.request_id,
            Upload.kind == sent.kind,
            Upload.reference == sent.reference,
            Upload.label == sent.label,
            Upload.views == len(sent.contents),
            Upload.state.in_((*UNDER_WORK, MEASURED)),
        )
        .order_by(Upload.received_at.desc())
        .limit(COMPARED)
    )
