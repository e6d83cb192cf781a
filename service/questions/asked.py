"""What every question is made of: its fields with their limits and meanings, and what is said where one is wrong.

A question is a pydantic model.  The command line makes an option of each field (`service.cli.asking`), the HTTP
interface a form or a JSON body, and a page fills it from what was typed; so a limit or a sentence stands in one place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    GetPydanticSchema,
    StringConstraints,
    ValidationError,
    WithJsonSchema,
)
from pydantic_core import core_schema

from calibration.blank import Blank
from calibration.quantity import COVERAGE_FACTOR, Contribution, Length
from calibration.sheet import CHECK_BAR_MM, Paper, SheetLayout
from service.fit.chart import STRETCH_MM, Chart
from service.fit.chart_table import chart_from_entries, default_chart
from service.fit.errors import FitError
from service.fit.lengths import check_plausible, check_spread, parse_length
from service.fit.losses import LOSSES, Losses, read_losses
from service.fit.sentences import Sentence, say
from service.fit.signs import SIGN_QUESTIONS, PlayingSigns
from service.measuring.outcome import KNOWN_AGES_YEARS, KNOWN_STATURES_MM, ArmQuestion
from service.words.i18n import LANGUAGES, SOURCE_LANGUAGE
from service.words.lengths import captions
from vision.instrument.sheet_height import IN_ITS_CASE, SheetHeight

MOST_HEIGHT_MM = 300.0
"""How far a sheet and an instrument can lie above one another, mm; our choice, more than a pile of books."""
MOST_PHOTOS = 8
"""Photos in one question; our choice: more of one child add little, since what they share is not averaged away."""
LONGEST_TYPED = 40
"""Letters of a typed length; our choice, twice the longest that makes sense."""
LONGEST_LABEL = 16
"""Letters of a size as a label says it; what the records hold."""
Label = Annotated[str, StringConstraints(strip_whitespace=True, max_length=LONGEST_LABEL)]
"""A size as a label says it."""
LONGEST_NAME = 80
"""Letters of an instrument's or a chart's name; our choice."""

LONGEST_LOSSES = 400
"""Letters of typed losses; our choice, twice all six of them."""

LONGEST_MM = 10_000.0
"""Nothing of a child or an instrument is as long; far larger numbers would overflow in the arithmetic."""

Bounded = Annotated[float, Field(ge=-LONGEST_MM, le=LONGEST_MM)]
"""A number in mm that arithmetic can bear."""

MOST_YEARS = 150.0
Years = Annotated[float, Field(ge=-MOST_YEARS, le=MOST_YEARS)]
"""An age that arithmetic can bear; which ages are answered for, the trade's rules say."""

Asked = TypeVar("Asked", bound="Question")


@dataclass(frozen=True, slots=True)
class Spelled:
    """How the command line writes a field where that is not the field's own name.

    Attributes
    ----------
    option : str
        Such as ``--arm-mm``, or ``--yes/--no`` for a field that is true, false or not said.
    """

    option: str


def _known_language(code: str) -> str:
    if code not in LANGUAGES:
        raise ValueError(f"one of {', '.join(LANGUAGES)} is expected")
    return code


def told(words: str) -> Any:
    """What the interface's description says of a field that no command and no page asks for: in English alone."""
    return Field(json_schema_extra={"description": words})


Language = Annotated[str, AfterValidator(_known_language), WithJsonSchema({"type": "string", "enum": list(LANGUAGES)})]
"""A language that the catalogue has."""


class Question(BaseModel):
    """Base of every question; a field it does not know is an error, since it is most likely a slip of the pen."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    language: Annotated[Language, Field(description="Language of the words.")] = SOURCE_LANGUAGE


def asked(model: type[Asked], **values: Any) -> Asked:
    """Make a question from what was typed.

    Parameters
    ----------
    model : type of Question
    **values
        Its fields.

    Raises
    ------
    FitError
        With the first thing that is wrong, in words.
    """
    try:
        return model(**values)
    except ValidationError as error:
        raise FitError(fault(error.errors())) from None


def fault(errors: Sequence[Any]) -> Sentence:
    """The first of pydantic's errors as a sentence.

    Parameters
    ----------
    errors : sequence of mapping
        As ``ValidationError.errors()`` gives them.
    """
    first = errors[0]
    reason = first.get("ctx", {}).get("error")
    if isinstance(reason, FitError):
        return reason.sentence
    where = ".".join(str(part) for part in first["loc"])
    return say("{where}: {reason}", where=where, reason=reason_of(first))


def reason_of(error: Any) -> Sentence | str:
    """What people may get wrong in their own language; the rest, which programs get wrong, as pydantic says it."""
    limits = error.get("ctx", {})
    if isinstance(limits.get("error"), FitError):
        return limits["error"].sentence  # type: ignore[no-any-return]
    if error["type"] == "value_error":  # without pydantic's "Value error, " before it
        return str(limits["error"])
    if error["type"] == "string_too_long":
        return say("At most {most} letters go in here.", most=limits["max_length"])
    if error["type"] == "too_long":
        return say("at most {most} at once", most=limits["max_length"])
    if error["type"] in ("less_than_equal", "greater_than_equal"):
        least, most = limits.get("ge"), limits.get("le")
        return say("at least {least}", least=f"{least:g}") if most is None else say("at most {most}", most=f"{most:g}")
    if error["type"] in ("literal_error", "enum"):
        return say("only one of {choices}", choices=limits["expected"].replace(" or ", ", "))
    return FAULTS.get(error["type"]) or str(error["msg"])


NO_NUMBER, NO_WHOLE_NUMBER = say("not a number"), say("not a whole number")
NEITHER, NO_TEXT, NO_DAY = say("neither true nor false"), say("not a text"), say("not a day such as 2026-05-31")
FAULTS = {
    "missing": say("needed, and not given"),
    "extra_forbidden": say("no such field"),
    "string_type": NO_TEXT,
    **dict.fromkeys(("float_parsing", "float_type", "finite_number"), NO_NUMBER),
    **dict.fromkeys(("int_parsing", "int_type", "int_from_float", "int_parsing_size"), NO_WHOLE_NUMBER),
    **dict.fromkeys(("bool_parsing", "bool_type"), NEITHER),
    **dict.fromkeys(("date_parsing", "date_type", "date_from_datetime_parsing"), NO_DAY),
}
"""What is wrong with a field, by pydantic's name for it."""


class Part(BaseModel):
    """One cause's share of a length's uncertainty."""

    source: Annotated[str, told("The cause in words.")] = Field(max_length=200)
    contribution_mm: Annotated[Bounded, told("Standard uncertainty that it causes; signed where the key is shared.")]
    key: Annotated[str | None, told("Names a cause that other lengths share.")] = Field(default=None, max_length=200)


class MeasuredLength(BaseModel):
    """A length as a measuring route returns it, or a value with one standard uncertainty."""

    value_mm: Annotated[float, told("The length.")] = Field(gt=0, le=LONGEST_MM)
    standard_uncertainty_mm: Annotated[float, told("What U is in V±U, divided by 1.96.")] = Field(ge=0, le=LONGEST_MM)
    budget: Annotated[list[Part] | None, told("Its parts; where they are given, they count.")] = Field(
        default=None, max_length=100
    )

    model_config = ConfigDict(json_schema_extra={"examples": [{"value_mm": 462.0, "standard_uncertainty_mm": 4.0}]})


TypedLosses = Annotated[str, Field(max_length=LONGEST_LOSSES, examples=["exchange=10,strained=20"])]
"""Losses by name; those not named stay as they are."""

TypedLength = Annotated[str, Field(max_length=LONGEST_TYPED, examples=["462±10", "18 1/2 in"])]
"""``V±U`` with U the expanded (95%) uncertainty; mm unless another unit is written."""


PlainLength = Annotated[float, Field(gt=0, le=LONGEST_MM)]
"""The same as a JSON number, mm."""


def _length_of(kind: str) -> GetPydanticSchema:
    """How a field that holds a `Length` is read: typed, a number, as measured before, or the length itself."""

    def read(value: Any, handler: Callable[[Any], str]) -> Length:
        if isinstance(value, Length):
            check_plausible(value.value_mm, kind)
            return value
        if isinstance(value, dict | MeasuredLength):  # of what is no text its own faults alone are said
            return _measured(MeasuredLength.model_validate(value), kind)
        if isinstance(value, int | float) and not isinstance(value, bool):  # as typed without a unit
            value = str(value) if isinstance(value, int) else format(value, ".10g")  # 400 digits are no float
        return parse_length(handler(value), kind)

    return GetPydanticSchema(
        lambda _, handler: core_schema.no_info_wrap_validator_function(
            read,
            handler.generate_schema(TypedLength),
            json_schema_input_schema=handler.generate_schema(TypedLength | PlainLength | MeasuredLength),
        )
    )


def _measured(given: MeasuredLength, kind: str) -> Length:
    check_plausible(given.value_mm, kind)
    if given.budget is None:
        length = Length.stated(given.value_mm, given.standard_uncertainty_mm)
    else:
        parts = tuple(Contribution(part.source, part.contribution_mm, part.key) for part in given.budget)
        length = Length(given.value_mm, parts)
    check_spread(length.value_mm, COVERAGE_FACTOR * length.standard_uncertainty_mm)
    return length


ArmLength = Annotated[Length, _length_of("arm")]
BodyLength = Annotated[Length, _length_of("body")]
TotalLength = Annotated[Length, _length_of("total")]
StringLength = Annotated[Length, _length_of("string")]
TapeLength = Annotated[Length, _length_of("tape")]


class ChartRowIn(BaseModel):
    """One size of a chart."""

    size: Annotated[str, told("As labels say it, e.g. 1/8.")] = Field(max_length=LONGEST_LABEL)
    arm_from_mm: Annotated[Bounded, told("The shortest arm for it.")]
    arm_to_mm: Annotated[Bounded | None, told("The longest arm; null: up to the shortest of the next size.")] = None
    body_length_mm: Annotated[Bounded, told("Of an instrument that is true to this size.")]
    total_length_mm: Annotated[Bounded, told("Of an instrument that is true to this size.")]


class ChartIn(BaseModel):
    """A teacher's own chart."""

    name: Annotated[str, told("What the chart is called.")] = Field(default="own chart", max_length=LONGEST_NAME)
    rows: Annotated[list[ChartRowIn], told("The sizes, in any order.")] = Field(max_length=40)
    stretch_mm: Annotated[Bounded, told("What an instrument may ask for beyond the child's arm and be a stretch.")] = (
        STRETCH_MM
    )
    note: Annotated[str, told("Where the chart comes from.")] = Field(default="", max_length=2000)

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "name": "own chart",
                    "rows": [
                        {"size": "1/8", "arm_from_mm": 430, "body_length_mm": 255, "total_length_mm": 421},
                        {"size": "1/4", "arm_from_mm": 470, "body_length_mm": 280, "total_length_mm": 463},
                    ],
                }
            ]
        }
    )

    def chart(self) -> Chart:
        """The chart, checked and complete.

        Raises
        ------
        ChartError
            With the row and the reason.
        """
        return chart_from_entries([row.model_dump() for row in self.rows], self.name, "mm", self.stretch_mm, self.note)


def _read_chart(value: Any, handler: Callable[[Any], ChartIn]) -> Chart:
    return value if isinstance(value, Chart) else handler(value).chart()


OwnChart = Annotated[
    Chart,
    GetPydanticSchema(
        lambda _, handler: core_schema.no_info_wrap_validator_function(_read_chart, handler.generate_schema(ChartIn))
    ),
]
"""A chart, or one as JSON."""


class WithChart(Question):
    """A question that a chart of sizes answers."""

    chart: Annotated[
        OwnChart | None,
        Field(description="Your own chart of sizes (CSV)."),
        told("Your own chart of sizes; null: common practice, as /api/v1/charts/default has it."),
        Spelled("--chart"),
    ] = None

    @property
    def sizes(self) -> Chart:
        """The chart to judge by: the teacher's own, or common practice."""
        return self.chart or default_chart()


def _read_losses(value: Any, handler: Callable[[Any], str]) -> Losses:
    return value if isinstance(value, Losses) else read_losses(handler(value))


OwnLosses = Annotated[
    Losses,
    GetPydanticSchema(
        lambda _, handler: core_schema.no_info_wrap_validator_function(
            _read_losses, handler.generate_schema(TypedLosses)
        )
    ),
]
"""Costs of wrong choices, or as typed."""


class WithLosses(Question):
    """A question whose answer weighs what a wrong choice costs."""

    losses: Annotated[
        OwnLosses | None,
        Field(description="Costs of wrong choices in days, e.g. exchange=10,strained=20; the README lists them."),
        Spelled("--losses"),
    ] = None

    @property
    def costs(self) -> Losses:
        """The costs to weigh: the teacher's own, or the usual ones."""
        return self.losses or LOSSES


PRINT_HEIGHTS_MM = {paper: SheetLayout(paper, 1).print_height_mm for paper in Paper}
"""Length of a sheet's whole print."""
_SHRUNK, _GROWN = 0.85, 1.1
BAR_PLAUSIBLE_MM = (round(_SHRUNK * CHECK_BAR_MM, 1), round(_GROWN * max(PRINT_HEIGHTS_MM.values()), 1))
BETWEEN_BARS_MM = (_GROWN * CHECK_BAR_MM, _SHRUNK * min(PRINT_HEIGHTS_MM.values()))
"""Outside of the former, or within the latter, mm, the ruler was read wrongly: it lies along the bar or along the whole
print, and "fit to page" changes a page by 3 to 6 %."""


def _bar_or_whole(measured_mm: float | None) -> float | None:
    if measured_mm is not None and BETWEEN_BARS_MM[0] < measured_mm < BETWEEN_BARS_MM[1]:
        raise FitError(
            say(
                "Neither the bar nor the whole print is {mm} mm long: the bar has about {bar} mm, the whole print {a4}"
                " mm on A4 and {letter} mm on Letter. Please measure again.",
                mm=f"{measured_mm:g}",
                bar=f"{CHECK_BAR_MM:g}",
                a4=f"{PRINT_HEIGHTS_MM[Paper.A4]:g}",
                letter=f"{PRINT_HEIGHTS_MM[Paper.LETTER]:g}",
            )
        )
    return measured_mm


Bar = Annotated[
    float | None,
    Field(
        ge=BAR_PLAUSIBLE_MM[0],
        le=BAR_PLAUSIBLE_MM[1],
        allow_inf_nan=False,
        description="Length of the sheet's 150 mm check bar as you measured it with a ruler; or, surer, of the whole "
        "print, from the squares' upper edge to the lower edge of the card's frame: 279 mm on A4, 263.4 on Letter.",
    ),
    AfterValidator(_bar_or_whole),
]

Reference = Annotated[
    Literal["a4", "letter", "card"] | None,
    Field(
        description="What of known size lies in the photo instead of the printed sheet: blank A4 or Letter paper, or a "
        "plastic card.",
    ),
]


class OfTheChild(Question):
    """What can be said about a child in a photo."""

    side: Annotated[Literal["left", "right", "auto"], Field(description="Which arm, the child's own.")] = "auto"
    against_wall: Annotated[
        bool | None,
        Field(
            description="Back and back of the hand touch the wall, or not; the photo tells if neither is said.",
        ),
        Spelled("--against-wall/--off-wall"),
    ] = None
    age_years: Annotated[
        float | None,
        Field(
            ge=KNOWN_AGES_YEARS[0],
            le=KNOWN_AGES_YEARS[1],
            allow_inf_nan=False,
            description="Age of the child in years, if known.",
        ),
        Spelled("--age"),
    ] = None
    stature_mm: Annotated[
        float | None,
        Field(
            ge=KNOWN_STATURES_MM[0],
            le=KNOWN_STATURES_MM[1],
            allow_inf_nan=False,
            description="Standing height in mm, if known.",
        ),
        Spelled("--stature"),
    ] = None
    bar_mm: Bar = None
    reference: Reference = None

    def known(self) -> ArmQuestion:
        """The same for the measuring room."""
        return ArmQuestion(
            self.side,
            self.age_years,
            self.stature_mm,
            self.against_wall,
            bar_mm=self.bar_mm,
            reference=None if self.reference is None else Blank(self.reference),
            captions=captions(self.language),
        )


class OfTheInstrument(Question):
    """What can be said about how an instrument lies in a photo."""

    sheet_height_mm: Annotated[
        float | None,
        Field(
            ge=-MOST_HEIGHT_MM,
            le=MOST_HEIGHT_MM,
            allow_inf_nan=False,
            description="How far the sheet lies above what the instrument lies on, mm: the thickness of a book under "
            "it; negative where the instrument lies higher.",
        ),
    ] = None
    in_case: Annotated[
        bool,
        Field(description="The instrument lies in its case, or on a cushion, and the sheet beside it lower down."),
    ] = False

    @property
    def sheet_height(self) -> SheetHeight | None:
        """The same for the measuring room; a number says more than a case."""
        if self.sheet_height_mm is not None:
            return SheetHeight(self.sheet_height_mm)
        return IN_ITS_CASE if self.in_case else None


def _sign(name: str) -> Any:
    return Field(default=None, description=SIGN_QUESTIONS[name].text())


class SignAnswers(BaseModel):
    """What an eye on the playing child tells; yes is the good answer, none is not looked at."""

    wrist_free: bool | None = _sign("wrist_free")
    fingers_easy: bool | None = _sign("fingers_easy")
    bow_clear: bool | None = _sign("bow_clear")
    elbow_bent: bool | None = _sign("elbow_bent")
    painless: bool | None = _sign("painless")

    def signs(self) -> PlayingSigns:
        """The answers for the trade's rules."""
        return PlayingSigns(**{name: getattr(self, name) for name in SIGN_QUESTIONS})


class Signs(SignAnswers, Question):
    """A question to which such answers belong."""
