"""The language of a page: as asked for, as set for the link or the teacher, else as the browser prefers."""

from __future__ import annotations

from babel import Locale
from fastapi import Request

from service.words import i18n
from service.words.i18n import marked, negotiate_language, translator

__all__ = ["LANGUAGES", "marked", "page_language", "translator"]

LANGUAGES = {code: (Locale(code).get_display_name(code) or code).capitalize() for code in i18n.LANGUAGES}
"""Languages with their own names for themselves."""


def page_language(request: Request) -> str:
    """Language of the page that answers a request."""
    asked = request.query_params.get("language")
    if asked in LANGUAGES:
        return str(asked)
    settled = getattr(request.state, "language", None)
    if settled in LANGUAGES:
        return str(settled)
    return negotiate_language(request.headers.get("accept-language"))
