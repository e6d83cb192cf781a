"""How far a child is: photos to review first, then what is to be decided or waited for, then what was decided."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.deciding import dated_arms, is_doubted, is_old, latest_arm
from service.records.tables import FAILED, MEASURED, Child, PhotoRequest, Upload, VerdictRecord
from service.records.verdicts import made_of_now
from service.records.wanted import is_open, still_wanted
from service.words.writing import day_of

Kind = Literal["review", "decide", "anew", "asked", "decided", "nothing"]

ORDER: dict[Kind, int] = {"review": 0, "decide": 1, "anew": 1, "asked": 2, "decided": 3, "nothing": 4}
"""What a teacher is to see to first."""


@dataclass(frozen=True, slots=True)
class HowFar:
    """How far a child is.

    Attributes
    ----------
    kind : str
        Photos to review, an arm to decide by, one too old or too doubtful for that, a family that is asked, a verdict,
        or nothing measured yet.
    again : bool
        Whether a photo was asked for once more.
    to_review : int
        How many photos are to be reviewed.
    open_until : datetime or None
        Until when the family's link opens, where it is asked.
    verdict : VerdictRecord or None
        What was decided, where nothing else is to be done.
    """

    kind: Kind
    again: bool
    to_review: int = 0
    open_until: datetime | None = None
    verdict: VerdictRecord | None = None

    @property
    def order(self) -> int:
        """Place of its kind among the others."""
        return ORDER[self.kind]


def how_far_is(records: Session, child: Child, now: datetime) -> HowFar:
    """How far a child is now.

    Nothing is to be decided by an arm that is old or contradicts others, as the child's page says.
    """
    requests = records.scalars(select(PhotoRequest).where(PhotoRequest.child_id == child.id))
    wanted = [(asked, still_wanted(records, asked)) for asked in requests if is_open(asked, now)]
    again = any(each.again for _, kinds in wanted for each in kinds)
    to_review = _to_review(records, child)
    if to_review:
        return HowFar("review", again, to_review)
    verdict = _last_verdict(records, child)
    waited_for = [asked.expires_at for asked, kinds in wanted if kinds]
    to_do = _to_do(records, child, verdict, day_of(now), waited_for)
    if to_do is not None:
        return HowFar(to_do, again)
    if waited_for:
        return HowFar("asked", again, open_until=max(waited_for))
    return HowFar("nothing" if verdict is None else "decided", again, verdict=verdict)


def _to_review(records: Session, child: Child) -> int:
    reviewed = select(func.count(Upload.id)).where(Upload.child_id == child.id, Upload.state.in_((MEASURED, FAILED)))
    return records.scalars(reviewed).one()


def _last_verdict(records: Session, child: Child) -> VerdictRecord | None:
    """As on the child's page: another instrument that was decided on, too, says nothing of the one in use."""
    kept = select(VerdictRecord).where(VerdictRecord.child_id == child.id)
    if child.instrument_id:
        kept = kept.where(VerdictRecord.instrument_id == child.instrument_id)
    return records.scalars(kept.order_by(VerdictRecord.made_at.desc())).first()


def _to_do(
    records: Session, child: Child, verdict: VerdictRecord | None, today: date, waited_for: Sequence[datetime]
) -> Kind | None:
    """Whether to decide by the last arm, or to measure it anew where no family is waited for; None where neither."""
    arm = latest_arm(records, child.id)
    if arm is None or (verdict is not None and made_of_now(records, verdict)):
        return None
    if not (is_old(arm, today) or is_doubted(child, dated_arms(records, child.id))):
        return "decide"
    return None if waited_for else "anew"
