"""The program's own catalogue, for tests of what it holds and of what is shown by it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from service.words import extracting, i18n

ROOT = Path(__file__).resolve().parents[2]
OTHERS = [language for language in i18n.LANGUAGES if language != i18n.SOURCE_LANGUAGE]


@cache
def source_strings() -> list[str]:
    """Every source string: reading them takes a second."""
    return i18n.source_strings(extracting.template(ROOT))
