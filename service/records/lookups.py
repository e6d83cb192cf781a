"""What the records say of a photo's child and sheet, looked up the same way wherever a photo is measured."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from calibration.blank import Blank
from calibration.sheet import CHECK_BAR_MM, Paper, SheetLayout
from service.measuring.outcome import ARM, INSTRUMENT, KNOWN_AGES_YEARS, ArmQuestion, InstrumentQuestion, Question
from service.records.tables import ArmRecord, Child, Instrument, PhotoRequest, Upload
from vision.instrument.sheet_height import IN_ITS_CASE, ON_A_BOOK, SheetHeight

BAR = "bar_mm"
"""Where a record of what was found in a photo says by which length of the sheet's bar, mm; None where none was told."""
SAME_SIZE = 0.005
"""Sizes of a print that differ by less are one: two readings of a bar with a ruler may; ours."""
MIDDLE_OF_A_YEAR = 7
"""Month of birth where only the year is known."""


@dataclass(frozen=True)
class Told:
    """What the studio says of a photo: the columns of `Upload` of these names."""

    reference: str | None = None
    against_wall: bool | None = None
    higher: str | None = None
    height_mm: float | None = None

    @classmethod
    def of(cls, upload: Upload) -> Told:
        """What its row says."""
        return cls(**{each.name: getattr(upload, each.name) for each in fields(cls)})

    def keep(self, upload: Upload) -> None:
        """Write it into its row."""
        for name, value in asdict(self).items():
            setattr(upload, name, value)

    @property
    def sheet_height(self) -> SheetHeight | None:
        """How high the sheet lies over what the instrument lies on; None where the photo is to tell."""
        if self.higher is None:
            return None
        if self.height_mm is None:
            return IN_ITS_CASE if self.higher == INSTRUMENT else ON_A_BOOK
        return SheetHeight(-self.height_mm if self.higher == INSTRUMENT else self.height_mm)


@dataclass(frozen=True)
class Stated:
    """What family and studio say of a photo.

    Attributes
    ----------
    bar_mm : float or None
        What the family read on its ruler along the sheet's bar, mm; None where it did not say.
    reference : Blank or None
        Blank paper or a card that lies there instead of the sheet.
    against_wall : bool or None
        Of a child: whether back and back of the hand touch the wall.
    sheet_height : SheetHeight or None
        Of an instrument: how high the sheet lies over what it lies on.
    """

    bar_mm: float | None = None
    reference: Blank | None = None
    against_wall: bool | None = None
    sheet_height: SheetHeight | None = None

    @classmethod
    def of(cls, question: Question) -> Stated:
        """What a question takes as said."""
        if isinstance(question, ArmQuestion):
            return cls(question.bar_mm, question.reference, question.against_wall)
        return cls(question.bar_mm, question.reference, sheet_height=question.sheet_height)


def stated(session: Session, upload: Upload, told: Told | None = None) -> Stated:
    """What family and studio say of a photo; `told` is said by the studio instead of what its row has."""
    told = told or Told.of(upload)
    asked = session.get(PhotoRequest, upload.request_id) if upload.request_id and told.reference is None else None
    return Stated(
        None if asked is None else asked.bar_mm,
        None if told.reference is None else Blank(told.reference),
        told.against_wall if upload.kind == ARM else None,
        told.sheet_height if upload.kind != ARM else None,
    )


def question_of(
    session: Session, upload: Upload, today: date, told: Told | None = None, refused_too: bool = True
) -> Question:
    """What to measure in a photo, with all that is said of it.

    Parameters
    ----------
    session : Session
    upload : Upload
    today : date
        Of which the child's age is.
    told : Told, optional
        What the studio says instead of what its row has.
    refused_too : bool
        As of an `ArmQuestion`.
    """
    known = stated(session, upload, told)
    if upload.kind != ARM:
        return InstrumentQuestion(known.bar_mm, known.sheet_height, known.reference, refused_too=refused_too)
    child = session.get(Child, upload.child_id) if upload.child_id else None
    return ArmQuestion(
        age_years=age_years(child, today),
        against_wall=known.against_wall,
        bar_mm=known.bar_mm,
        reference=known.reference,
        refused_too=refused_too,
    )


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
