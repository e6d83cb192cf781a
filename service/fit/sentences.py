"""Sentences that can be translated later than they are made.

A verdict is worked out once and read by a parent in German and by a teacher in English.  So its reasons are kept as a
template (the English source string of the message catalogue) and the values to put in; the language is chosen when the
sentence is shown.  Lengths are put in as `Millimetres`, probabilities as `Percent`: each language writes its numbers
its own way (512.4 or 512,4).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TypeAlias

from babel.core import Locale
from babel.dates import format_skeleton
from babel.numbers import format_decimal, format_percent
from babel.units import format_unit

from calibration.quantity import COVERAGE

Translate = Callable[[str], str]


def unchanged(text: str) -> str:
    """Leave a source string in English."""
    return text


@dataclass(frozen=True, slots=True)
class Millimetres:
    """A length to be read by people: mm with the stated number of decimals."""

    value_mm: float
    decimals: int = 0

    def text(self, language: str) -> str:
        """Write it in `language`, e.g. ``512 mm``."""
        pattern = "#,##0" + ("." + "0" * self.decimals if self.decimals else "")
        return format_unit(self.value_mm, "length-millimeter", length="short", format=pattern, locale=language)


@dataclass(frozen=True, slots=True)
class Number:
    """A plain number with at most the stated number of decimals."""

    value: float
    decimals: int = 0

    def text(self, language: str) -> str:
        """Write it in `language`."""
        return format_decimal(round(self.value, self.decimals), locale=language)


@dataclass(frozen=True, slots=True)
class Percent:
    """A probability to be read by people; never written as 0 % or 100 %, which would claim too much.

    The one way in which percentages are written: as the language's own rules have it.

    Examples
    --------
    >>> Percent(0.973).text("en"), Percent(0.999).text("en"), Percent(0.025, 1).text("en")
    ('97%', '> 99%', '2.5%')
    """

    probability: float
    decimals: int = 0

    def text(self, language: str) -> str:
        """Write it in `language`, e.g. ``97%`` or ``97 %``."""
        if self.probability < 0.01:
            return _in_one_piece("< " + format_percent(0.01, locale=language), language)
        if self.probability > 0.99:
            return _in_one_piece("> " + format_percent(0.99, locale=language), language)
        shown = round(self.probability, 2 + self.decimals)
        return format_percent(shown, locale=language, decimal_quantization=False)


def _in_one_piece(text: str, language: str) -> str:
    """Keep a sign before its number where lines run from right to left (isolates of Unicode Standard Annex 9)."""
    return f"\u2066{text}\u2069" if Locale.parse(language).text_direction == "rtl" else text


SURE = Percent(COVERAGE)
"""How sure a stated interval is."""


@dataclass(frozen=True, slots=True)
class Month:
    """A month of a year, from the first of it."""

    year: int
    month: int

    def text(self, language: str) -> str:
        """Write it in `language`, e.g. ``May 2031``."""
        return str(format_skeleton("yMMMM", date(self.year, self.month, 1), locale=language))


Value: TypeAlias = "str | int | Millimetres | Number | Percent | Month | Sentence"


@dataclass(frozen=True)
class Sentence:
    """A template of the message catalogue and its values.

    Attributes
    ----------
    template : str
        English source string with ``{name}`` places.
    values : mapping of str to Value
        What goes into the places.
    """

    template: str
    values: Mapping[str, Value] = field(default_factory=dict)

    def text(self, translate: Translate = unchanged, language: str = "en") -> str:
        """Write the sentence: translated by `translate`, numbers as `language` writes them."""
        # Without values the text is not a template: a chart's name or a cause may hold braces.
        if not self.values:
            return translate(self.template)
        written = {name: _written(value, translate, language) for name, value in self.values.items()}
        return translate(self.template).format(**written)


def say(template: str, /, **values: Value) -> Sentence:
    """Make a sentence; the extraction of the message catalogue looks for calls of this name."""
    return Sentence(template, values)


def _written(value: Value, translate: Translate, language: str) -> str:
    if isinstance(value, Sentence):
        return value.text(translate, language)
    if isinstance(value, str | int):
        return str(value)
    return value.text(language)
