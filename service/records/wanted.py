"""What is still wanted of a family: the one answer that the teacher's pages and the family's both read.

A photo counts as arrived once it is measured, accepted or kept for the teacher to look at.  One that the teacher asked
for once more is wanted until a newer one arrives, whatever else of its kind was accepted meanwhile.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, load_only

from service.measuring.outcome import ARM, INSTRUMENT
from service.records.tables import (
    ACCEPTED,
    AGAIN,
    ANEW,
    FAILED,
    MEASURED,
    RECEIVED,
    UNDER_WORK,
    PhotoRequest,
    Upload,
    VerdictRecord,
)

GOOD = (MEASURED, ACCEPTED)
ARRIVED = (*GOOD, ANEW, FAILED)
"""States in which it is not for the family to go on; where measuring failed, it is for the teacher."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A photo that a family is still to send.

    Attributes
    ----------
    kind : {'arm', 'instrument'}
    again : bool
        Whether one was sent and the teacher asked for another.
    reason : str or None
        Code of why it is asked for once more.
    """

    kind: str
    again: bool
    reason: str | None


def arrived(records: Session, asked: PhotoRequest) -> set[str]:
    """Kinds of which a good photo arrived; one sent before the teacher asked for another does not count."""
    return _arrived(_sent(records, asked), GOOD)


def _arrived(uploads: Sequence[_Sent], states: Collection[str]) -> set[str]:
    since = {kind: moment for kind, (moment, _) in _asked_again(uploads).items()}
    good = (each for each in uploads if each.state in states)
    return {each.kind for each in good if each.kind not in since or each.received_at >= since[each.kind]}


def still_wanted(records: Session, asked: PhotoRequest) -> tuple[Wanted, ...]:
    """What the family is still to send, in the order of its steps."""
    return _still_wanted(_sent(records, asked), asked)


def _still_wanted(uploads: Sequence[_Sent], asked: PhotoRequest) -> tuple[Wanted, ...]:
    here, again = _arrived(uploads, ARRIVED), _asked_again(uploads)
    kinds = [kind for kind, wants in ((ARM, asked.asks_arm), (INSTRUMENT, asked.asks_instrument)) if wants]
    kinds += [kind for kind in again if kind not in kinds]
    return tuple(
        Wanted(kind, kind in again or asked.reason is not None, again[kind][1] if kind in again else asked.reason)
        for kind in kinds
        if kind not in here
    )


def photo_states(records: Session, asked: PhotoRequest) -> dict[str, str]:
    """How far the photo of each kind is, by kind, in the order of the family's steps.

    Returns
    -------
    dict of str to str
        ``"missing"`` where none was sent or none was good, ``"again"`` where the teacher asks for another, else the
        state of the latest that counts: received, also where it is being measured anew, measured, failed or accepted.
    """
    uploads = _sent(records, asked)
    wanted = {each.kind: "again" if each.again else "missing" for each in _still_wanted(uploads, asked)}
    latest = {each.kind: each.state for each in uploads if each.state in (*ARRIVED, RECEIVED)}
    kinds = [kind for kind, wants in ((ARM, asked.asks_arm), (INSTRUMENT, asked.asks_instrument)) if wants]
    found = {}
    for kind in [*kinds, *(each for each in wanted if each not in kinds)]:
        arriving = latest.get(kind) in UNDER_WORK
        found[kind] = RECEIVED if arriving else wanted.get(kind) or latest.get(kind, "missing")
    return found


def is_open(asked: PhotoRequest, now: datetime) -> bool:
    """Whether a family's link opens."""
    return asked.revoked_at is None and asked.expires_at > now


def report_is_open(verdict: VerdictRecord, now: datetime) -> bool:
    """Whether the family's link to a verdict's report opens."""
    return verdict.report_revoked_at is None and (verdict.report_expires_at or now) > now


def sent_report(records: Session, child_id: str, now: datetime, since: datetime | None = None) -> VerdictRecord | None:
    """The report that a family may read now: the one sent last, not closed, not expired; not older than `since`."""
    found = records.scalars(
        select(VerdictRecord)
        .options(load_only(VerdictRecord.made_at))  # what it says is not read here
        .where(
            VerdictRecord.child_id == child_id,
            VerdictRecord.report_revoked_at.is_(None),
            VerdictRecord.report_expires_at > now,
        )
        .order_by(VerdictRecord.made_at.desc())
        .limit(1)
    ).first()
    return found if found is not None and (since is None or found.made_at >= since) else None


@dataclass(frozen=True, slots=True)
class _Sent:
    """What counts here of an upload: not what was measured in it, which takes longer to read than all the rest."""

    kind: str
    state: str
    received_at: datetime
    photos_deleted_at: datetime | None
    again_reason: str | None


def _sent(records: Session, asked: PhotoRequest) -> list[_Sent]:
    """What was sent, in the order in which it came."""
    columns = Upload.kind, Upload.state, Upload.received_at, Upload.photos_deleted_at, Upload.again_reason
    found = records.execute(select(*columns).where(Upload.request_id == asked.id).order_by(Upload.received_at))
    return [_Sent(*row) for row in found]


def _asked_again(uploads: Sequence[_Sent]) -> dict[str, tuple[datetime, str | None]]:
    """When another photo of a kind was last asked for, and why: the photo was deleted at that moment."""
    found: dict[str, tuple[datetime, str | None]] = {}
    for each in uploads:
        moment = each.photos_deleted_at
        if each.state == AGAIN and moment is not None and (each.kind not in found or moment > found[each.kind][0]):
            found[each.kind] = (moment, each.again_reason)
    return found
