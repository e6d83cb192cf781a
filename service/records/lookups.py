"""What the records say of a photo's child and sheet, looked up the same way wherever a photo is measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlalchemy.orm import Session

from calibration.blank import Blank
from service.measuring.work import KNOWN_AGES_YEARS
from service.records.tables import Child, PhotoRequest, Upload

MIDDLE_OF_A_YEAR = 7
"""Month of birth where only the year is known."""


@dataclass(frozen=True)
class Stated:
    """What is said of the thing of known size in a photo.

    Attributes
    ----------
    bar_mm : float or None
        What the family read on its ruler along the sheet's bar, mm; None where it did not say.
    reference : Blank or None
        Blank paper or a card that lies there instead of the sheet.
    """

    bar_mm: float | None = None
    reference: Blank | None = None


def stated(session: Session, upload: Upload) -> Stated:
    """What the family, or the studio, says of the thing of known size in a photo."""
    return stated_by(session, upload, upload.reference)


def stated_by(session: Session, upload: Upload, reference: str | None) -> Stated:
    """The same, if this lies in the photo; None is the printed sheet."""
    if reference is not None:
        return Stated(reference=Blank(reference))
    asked = session.get(PhotoRequest, upload.request_id) if upload.request_id else None
    return Stated(asked.bar_mm if asked is not None else None)


def age_years(child: Child | None, today: date) -> float | None:
    """Age on a day from month and year of birth, to the middle of the month; None where the year is not known."""
    if child is None or child.birth_year is None:
        return None
    month = child.birth_month or MIDDLE_OF_A_YEAR
    age = today.year - child.birth_year + (today.month - month) / 12
    return age if KNOWN_AGES_YEARS[0] <= age <= KNOWN_AGES_YEARS[1] else None
