"""From a template and what it shows to an answer, in the reader's language."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from unicodedata import east_asian_width

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from service.fit.sentences import Percent
from service.records.deeds import WORDS as DEED_WORDS
from service.settings import PROGRAM_VERSION
from service.web.language import LANGUAGES, marked, page_language, translator
from service.words.i18n import reads_from_right
from service.words.lengths import LENGTHS
from service.words.writing import unbroken, written_day, written_m, written_mm, written_moment, written_number


def keep_units(value: Any) -> Any:
    """A text in which no line breaks between a number and its unit; anything else unchanged."""
    return unbroken(value) if type(value) is str else value


ENVIRONMENT = Environment(
    loader=PackageLoader("service.web", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    finalize=keep_units,
    trim_blocks=True,
    lstrip_blocks=True,
)


def text_room(lines: Iterable[str]) -> int:
    """Room that texts take, in letters of the Latin alphabet: wide letters (UAX #11) take that of two."""
    return sum(1 + (east_asian_width(letter) in "WF") for line in lines for letter in line)


ENVIRONMENT.globals["text_room"] = text_room
ENVIRONMENT.filters["largest_first"] = lambda budget: sorted(budget, key=lambda part: -abs(part["contribution_mm"]))

TOLD = {
    "saved": marked("Saved."),
    "password": marked("The password is set. Every other browser is signed out."),
    "sign-in": marked("The password is set. Sign in with it now."),
    "factor-off": marked("The second factor is switched off."),
    "without-phone": marked(
        "That recovery code is used up. Is the phone lost? Then switch the second factor off here and set it up on the "
        "new one."
    ),
    "signed-out": marked("Signed out there."),
    "key": marked("The key is revoked."),
    "factor-needed": marked(
        "This service asks every teacher for a second factor. Set it up here; then all other pages open again."
    ),
}
"""What a page says at its head after a form was dealt with, by the word for it in the address."""
WITH_CARE = ("factor-needed", "without-phone")
"""Of these, what is still to be done."""
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
        deed=getattr(request.state, "deed", None),
        deed_words=DEED_WORDS,
        mark=getattr(request.state, "mark", ""),
        told=TOLD.get(request.query_params.get("told", "")),
        told_with_care=request.query_params.get("told") in WITH_CARE,
        pushes=bool(request.app.state.settings.push_contact),
        largest_film_bytes=request.app.state.largest.film_bytes,
        token_field=lambda: TOKEN_FIELD.format(getattr(request.state, "form_token", "")),
        **shown,
    )


def reading_aids(language: str) -> dict[str, Any]:
    """What templates need to write words, numbers and days in a language."""
    translate = translator(language)

    def words(text: str, /, **values: Any) -> str:
        said = translate(text)
        return said % values if values else said

    def percent(share: float) -> str:
        return Percent(share).text(language)

    def sentence(value: Any) -> str:
        return str(value.text(translate, language))

    return {
        "_": words,
        "language": language,
        "from_right": reads_from_right(language),
        "languages": LANGUAGES,
        "metres": lambda value: written_m(value, language),
        "mm": lambda value, decimals=0: written_mm(value, language, decimals),
        "day": lambda day: written_day(day, language),
        "moment": lambda moment: written_moment(moment, language),
        "number": lambda value, decimals=0, **form: written_number(value, language, decimals, **form),
        "percent": percent,
        "sentence": sentence,
        "length_names": {code: each.name.text(translate) for code, each in LENGTHS.items()},
        "program_version": PROGRAM_VERSION,
    }


def go_to(path: str, told: str = "") -> RedirectResponse:
    """Send the browser to another page after a form was dealt with, which says so where it would not be seen there.

    Parameters
    ----------
    path : str
    told : str
        One of `TOLD`.
    """
    return RedirectResponse(f"{path}?told={told}" if told else path, 303)
