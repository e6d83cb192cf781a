"""What each page's form holds, as typed values with their limits.

What a page of ours could not have sent (a language that is not offered, a month 13) counts as not said: whoever writes
such a form by hand needs no advice.  What people do mistype is checked where it can be said in words.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    Json,
    ValidationError,
    WrapValidator,
)
from starlette.datastructures import FormData

from service.fit.errors import LengthError
from service.fit.lengths import MM_PER_UNIT, written_mm
from service.jobs.targets import LONGEST_ENDPOINT
from service.questions.asked import LONGEST_LABEL, LONGEST_TYPED, MOST_HEIGHT_MM, Bar, Language, Reference
from service.records.shelf import LONGEST_REMARK, LONGEST_SHELF_NAME
from service.settings import MOST_LINK_DAYS, MOST_PHOTO_DAYS
from service.web.forms.reading import LONGEST_FIELD, text_field

LONGEST_NAME = 80
"""Letters of a person's or a studio's name; the records' column."""
LONGEST_NICKNAME = 40
"""Letters of a child's nickname; the records' column."""
LONGEST_NOTE = 600
"""Letters of the teacher's word in a report; what one page holds."""
LONGEST_KEY = 64
"""Letters of what makes a form sent twice one upload; ours has half as many."""
MOST_A_MINUTE = 10_000
"""Requests a minute of one key; our choice, far beyond what is measured in a minute."""
LONGEST_LINK = 400
"""Letters of a pasted link; our choice, several times one of ours."""
LONGEST_CHART_CELL = 16
"""Letters in one cell of a chart; our choice."""
MOST_POINTS = 40
"""Points that can be moved in the photos of one upload; our choice, more than are drawn in five of them."""
FARTHEST_PX = 100_000.0
"""Farthest from the corner a point can be moved; our choice, beyond every photo that is accepted."""


def _cut(most: int) -> BeforeValidator:
    return BeforeValidator(lambda text: text[:most])


def _or_not_said(value: Any, handler: Callable[[Any], Any]) -> Any:
    try:
        return handler(value)
    except ValidationError:
        return None


OR_NOT_SAID = WrapValidator(_or_not_said)
Chosen = Annotated[str, _cut(32)]
"""The identity of a row; empty where none was chosen."""
Role = Literal["owner", "teacher"]
ChosenLanguage = Annotated[Language | None, OR_NOT_SAID]
ChosenReference = Annotated[Reference, OR_NOT_SAID]
Ticked = Annotated[bool, BeforeValidator(bool)]
Yes = Annotated[bool, BeforeValidator(lambda text: text == "yes")]


LinkDays = Annotated[int, Field(ge=1), AfterValidator(lambda days: min(days, MOST_LINK_DAYS))]


class PageForm(BaseModel):
    """Base of every form."""

    model_config = ConfigDict(frozen=True)

    @classmethod
    def read(cls, form: FormData) -> Self:
        """The values of a form; an empty field is one that was not sent.

        Raises
        ------
        ValidationError
            If a field that people mistype is wrong.
        """
        typed = {name: text_field(form, name, LONGEST_FIELD) for name in cls.model_fields}
        return cls(**{name: text for name, text in typed.items() if text})


def answers(form: FormData, questions: Iterable[str]) -> dict[str, bool | None]:
    """The answers to questions of yes and no; None where one was not looked at."""
    return {code: {"yes": True, "no": False}.get(text_field(form, code)) for code in questions}


class ChildForm(PageForm):
    """What is known of a child."""

    nickname: Annotated[str, _cut(LONGEST_NICKNAME)] = ""
    birth_year: Annotated[int | None, OR_NOT_SAID] = None
    birth_month: Annotated[Annotated[int, Field(ge=1, le=12)] | None, OR_NOT_SAID] = None
    sex: Annotated[Literal["girl", "boy"] | None, OR_NOT_SAID] = None


class InstrumentChoice(PageForm):
    """An instrument that something is said about."""

    instrument_id: Chosen = ""


class TapeForm(PageForm):
    """A tape reading, as typed."""

    reading: Annotated[str, _cut(LONGEST_TYPED)] = ""


class RequestForm(PageForm):
    """What a family is asked for."""

    arm: Ticked = False
    instrument: Ticked = False
    days: Annotated[LinkDays | None, OR_NOT_SAID] = None
    language: ChosenLanguage = None


class InstrumentForm(PageForm):
    """An instrument, its lengths as typed."""

    name: Annotated[str, _cut(LONGEST_SHELF_NAME)] = ""
    label: Annotated[str, _cut(LONGEST_LABEL)] = ""
    body_length: Annotated[str, _cut(LONGEST_TYPED)] = ""
    total_length: Annotated[str, _cut(LONGEST_TYPED)] = ""
    words: Annotated[str, _cut(LONGEST_REMARK)] = ""


class ChartForm(PageForm):
    """A chart but its rows."""

    name: Annotated[str, _cut(LONGEST_SHELF_NAME)] = ""
    unit: Annotated[Literal["mm", "cm", "in"] | None, OR_NOT_SAID] = None
    stretch: Annotated[str, _cut(LONGEST_CHART_CELL)] = ""
    csv: str = ""
    show: Ticked = False
    use: Ticked = False


class ChartChoice(PageForm):
    """The chart to use; none for common practice."""

    chart_id: Chosen = ""


Pixels = Annotated[float, Field(ge=-FARTHEST_PX, le=FARTHEST_PX)]
Points = Annotated[dict[Annotated[str, Field(max_length=40)], tuple[Pixels, Pixels]], Field(max_length=MOST_POINTS)]


class PointsForm(PageForm):
    """Points that were moved, px in the upright photo, by their names; ``@2`` behind it is the second of several."""

    points: Json[Points]


class AcceptForm(PageForm):
    """Which measurement was seen, by its digest, and what an instrument of a photo is called."""

    seen: Annotated[str, _cut(16)] = ""

    name: Annotated[str, _cut(LONGEST_SHELF_NAME)] = ""
    label: Annotated[str, _cut(LONGEST_LABEL)] = ""


class AgainForm(PageForm):
    """Why a photo is asked for once more."""

    reason: Annotated[str, _cut(40)] = ""


class DeedForm(PageForm):
    """Where to go on after something was undone."""

    back: Annotated[str, _cut(200)] = ""


class ShareForm(PageForm):
    """How a report is shared."""

    language: ChosenLanguage = None
    note: Annotated[str, _cut(LONGEST_NOTE)] = ""


class StudioForm(PageForm):
    """The studio's settings."""

    name: Annotated[str, _cut(LONGEST_NAME)] = ""
    photo_days: Annotated[Annotated[int, Field(ge=1, le=MOST_PHOTO_DAYS)] | None, OR_NOT_SAID] = None


class AccountForm(PageForm):
    """A teacher's own settings."""

    language: ChosenLanguage = None
    told_by_mail: Yes = False


class InviteForm(PageForm):
    """The teacher who lost a password; none for a further one, who gets a role."""

    teacher_id: Chosen = ""
    role: Annotated[Role | None, OR_NOT_SAID] = None


class RoleForm(PageForm):
    """What a teacher becomes."""

    role: Annotated[Role | None, OR_NOT_SAID] = None


class RevokeForm(PageForm):
    """The browser to sign out; none for all but the one in use."""

    sign_in_id: Chosen = ""


class BrowserForm(PageForm):
    """A browser, by its address at its push service."""

    endpoint: Annotated[str, _cut(LONGEST_ENDPOINT + 1)] = ""


class SubscriptionForm(BrowserForm):
    """A browser that wants to be told, with what encrypts for it alone."""

    point: Annotated[str, _cut(100)] = ""
    auth: Annotated[str, _cut(30)] = ""


class KeyForm(PageForm):
    """A key for a shop's program."""

    name: Annotated[str, _cut(LONGEST_NAME)] = ""
    a_minute: Annotated[int | None, Field(ge=1, le=MOST_A_MINUTE), OR_NOT_SAID] = None


class RevokeKeyForm(PageForm):
    """Which key to revoke."""

    key_id: Chosen = ""


class WithdrawForm(PageForm):
    """Which invitation is taken back."""

    invitation_id: Chosen = ""


class DeleteWebhookForm(PageForm):
    """Which address is told no more."""

    webhook_id: Chosen = ""


class ArmAtCounter(PageForm):
    """An arm to hold against the shelf: typed, a child's, or that of a family's link."""

    arm: Annotated[str, _cut(LONGEST_TYPED)] = ""
    child_id: Chosen = ""
    link: Annotated[str, _cut(LONGEST_LINK)] = ""


class LoanForm(PageForm):
    """Which instrument goes to whom, and until when; the page to go back to, where it is not the counter.

    Where many stand on one page, `pair` has the identities of an instrument and a child, a space between.
    """

    instrument_id: Chosen = ""
    pair: Annotated[str, _cut(65)] = ""
    borrower: Annotated[str, _cut(LONGEST_SHELF_NAME)] = ""
    due_on: Annotated[date | None, OR_NOT_SAID] = None
    back: str = ""


class ReturnForm(PageForm):
    """Which instrument came back."""

    instrument_id: Chosen = ""


class ConsentForm(PageForm):
    """Whether an adult agrees."""

    adult: Yes = False


class FamilyLanguageForm(PageForm):
    """The family's language, and the page it was chosen on."""

    language: ChosenLanguage = None
    here: Annotated[str, _cut(40)] = ""


def _typed_mm(text: str, among: Collection[str] = tuple(MM_PER_UNIT)) -> float | str:
    """What is typed, in mm unless it has another one of these units; the text itself where it is no such length."""
    try:
        found = written_mm(text, "mm", among)
    except LengthError:  # a unit that nobody knows
        found = None
    return text if found is None else found


def _ruler_mm(text: str) -> float | str:
    """What a ruler says in mm; in whole centimetres or inches it is read too coarsely to correct a print by."""
    return _typed_mm(text, among=("mm",))


class SheetForm(PageForm):
    """What the ruler said about the sheet's bar, mm."""

    bar_mm: Annotated[Bar, BeforeValidator(_ruler_mm)] = None


class PaperForm(PageForm):
    """What lies in the photo where there is no printer; nothing where the sheet was printed after all."""

    reference: ChosenReference = None


class ToldForm(PageForm):
    """What a teacher says of a photo: what lies in it, whether the child touches the wall, which lies higher.

    By how much, in mm, may be left open.
    """

    reference: ChosenReference = None
    touches: Annotated[bool | None, BeforeValidator(lambda text: {"yes": True, "no": False}.get(text))] = None
    higher: Annotated[Literal["sheet", "instrument"] | None, OR_NOT_SAID] = None
    height_mm: Annotated[
        Annotated[float, Field(gt=0, le=MOST_HEIGHT_MM, allow_inf_nan=False)] | None, BeforeValidator(_typed_mm)
    ] = None


class PhotoForm(PageForm):
    """What comes with a photo."""

    client_key: Annotated[str, _cut(LONGEST_KEY)] = ""
    label: Annotated[str, _cut(LONGEST_LABEL)] = ""
    reference: ChosenReference = None


class QuickForm(PageForm):
    """What is typed instead of photographed; the names are `service.questions.fitting.FitQuestion`'s."""

    arm_length: Annotated[str, _cut(LONGEST_TYPED)] = ""
    body_length: Annotated[str, _cut(LONGEST_TYPED)] = ""
    total_length: Annotated[str, _cut(LONGEST_TYPED)] = ""
    label: Annotated[str, _cut(LONGEST_LABEL)] = ""
    reference: ChosenReference = None
