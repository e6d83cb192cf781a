"""From a template and what it shows to an answer, in the reader's language."""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Any

from babel.dates import format_date, format_time
from babel.numbers import format_decimal
from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from service.fit.sentences import Percent
from service.web.house import PROGRAM_VERSION
from service.web.language import LANGUAGES, marked, page_language, translator

UNIT_AFTER_NUMBER = re.compile(r"(?<=\d) (?=(?:mm|cm|%)(?!\w))")


def keep_units(value: Any) -> Any:
    """A text in which no line breaks between a number and its unit; anything else unchanged."""
    return UNIT_AFTER_NUMBER.sub("\u00a0", value) if type(value) is str else value


ENVIRONMENT = Environment(
    loader=PackageLoader("service.web", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    finalize=keep_units,
    trim_blocks=True,
    lstrip_blocks=True,
)

ENVIRONMENT.filters["largest_first"] = lambda budget: sorted(budget, key=lambda part: -abs(part["contribution_mm"]))

LENGTH_NAMES = {
    "arm_length": marked("Arm: neck to middle of the palm"),
    "neck_to_wrist": marked("Neck to wrist"),
    "neck_to_fingertip": marked("Neck to fingertip"),
    "shoulder_to_palm": marked("Shoulder to middle of the palm"),
    "hand_length": marked("Length of the hand"),
    "hand_breadth": marked("Breadth of the hand"),
    "body_length": marked("Body length"),
    "total_length": marked("Total length"),
    "upper_bout_width": marked("Upper width"),
    "middle_bout_width": marked("Waist"),
    "lower_bout_width": marked("Lower width"),
    "string_length": marked("String length"),
}

TOKEN_FIELD = Markup('<input type="hidden" name="form_token" value="{}">')


def page(request: Request, template: str, status: int = 200, **shown: Any) -> HTMLResponse:
    """Render a template for whoever asks."""
    return HTMLResponse(fragment(request, template, **shown), status)


def fragment(request: Request, template: str, **shown: Any) -> str:
    """Render a template to text."""
    language = page_language(request)
    return ENVIRONMENT.get_template(template).render(
        **reading_aids(language),
        path=request.url.path,
        teacher=getattr(request.state, "teacher", None),
        token_field=lambda: TOKEN_FIELD.format(getattr(request.state, "form_token", "")),
        **shown,
    )


def reading_aids(language: str) -> dict[str, Any]:
    """What templates need to write words, numbers and days in a language."""
    translate = translator(language)

    def words(text: str, /, **values: Any) -> str:
        said = translate(text)
        return said % values if values else said

    def mm(value: float, decimals: int = 0) -> str:
        return format_decimal(value, format="0." + "0" * decimals if decimals else "0", locale=language) + "\u00a0mm"

    def day(value: date | datetime) -> str:
        return format_date(value, format="medium", locale=language)

    def moment(value: datetime) -> str:
        return f"{day(value)}, {format_time(value, format='short', locale=language)}"

    def number(value: float, decimals: int = 0) -> str:
        return format_decimal(round(value, decimals), locale=language)

    def percent(share: float) -> str:
        return Percent(share).text(language)

    def sentence(value: Any) -> str:
        return str(value.text(translate, language))

    return {
        "_": words,
        "language": language,
        "languages": LANGUAGES,
        "mm": mm,
        "day": day,
        "moment": moment,
        "number": number,
        "percent": percent,
        "sentence": sentence,
        "length_names": {name: translate(text) for name, text in LENGTH_NAMES.items()},
        "program_version": PROGRAM_VERSION,
    }


def go_to(path: str) -> RedirectResponse:
    """Send the browser to another page after a form was dealt with."""
    return RedirectResponse(path, 303)
