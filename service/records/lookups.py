"""What the records say of a photo's child and sheet, looked up the same way wherever a photo is measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from calibration.blank import Blank
from calibration.sheet import CHECK_BAR_MM, Paper, SheetLayout
from service.measuring.work import KNOWN_AGES_YEARS
from service.records.tables import ArmRecord, Child, Instrument, PhotoRequest, Upload

BAR = "bar_mm"
"""Where a record of what was found in a photo says by which length of the sheet's bar, mm; None where none was told."""
SAME_SIZE = 0.005
"""Sizes of a print that differ by less are one: two readings of a bar with a ruler may; ours."""
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


@dataclass(frozen=True)
class BarSince:
    """A ruler's word on a sheet that came after what was measured by it had been accepted.

    Attributes
    ----------
    bar_mm : float or None
        What the family says now; None where it took its word back.
    share : float
        By which share of themselves accepted lengths are off, if that is right.
    """

    bar_mm: float | None
    share: float


def bar_since(records: Session, kept: ArmRecord | Instrument | None) -> BarSince | None:
    """What a family says of a sheet's bar since lengths were accepted by another; None where it says the same."""
    if kept is None or BAR not in (kept.automatic or {}):
        return None
    if isinstance(kept, Instrument) and kept.measured_by == "typed":
        return None
    of_it = Upload.id == kept.upload_id if isinstance(kept, ArmRecord) else Upload.instrument_id == kept.id
    upload = records.scalars(select(Upload).where(of_it).order_by(Upload.received_at.desc())).first()
    if upload is None or upload.reference is not None:
        return None
    now_mm = stated(records, upload).bar_mm
    share = abs(_print_size(now_mm) / _print_size((kept.automatic or {})[BAR]) - 1)
    return BarSince(now_mm, share) if share > SAME_SIZE else None


def _print_size(bar_mm: float | None) -> float:
    """Size of a print over its true one, by its bar or the whole of it; true where nothing was told."""
    if bar_mm is None:
        return 1.0
    true_mm = (CHECK_BAR_MM, *(SheetLayout(paper, 1).print_height_mm for paper in Paper))
    return min((bar_mm / each for each in true_mm), key=lambda size: abs(size - 1))


def age_years(child: Child | None, today: date) -> float | None:
    """Age on a day from month and year of birth, to the middle of the month; None where the year is not known."""
    if child is None or child.birth_year is None:
        return None
    month = child.birth_month or MIDDLE_OF_A_YEAR
    age = today.year - child.birth_year + (today.month - month) / 12
    return age if KNOWN_AGES_YEARS[0] <= age <= KNOWN_AGES_YEARS[1] else None
