"""Numbers, lengths and days as a reader's language writes them (CLDR, through Babel)."""

from __future__ import annotations

import re
from datetime import date, datetime

from babel.core import Locale
from babel.dates import format_date, format_skeleton, format_time
from babel.numbers import format_decimal
from babel.units import format_unit

from service.fit.sentences import Millimetres
from service.words.i18n import reads_from_right

REGIONS = {"en": "en_GB"}
"""Languages whose plain code stands for the habits of a region that ours is not: our English is British."""

HELD_TOGETHER = re.compile(r"(?<=\d) (?=(?:mm|cm|%|مم|سم)(?!\w))|(?<=[<>]) (?=\d)|(?<=\d) (?=\d+/\d)")
"""Spaces at which no line may break: before a unit, after the sign of a probability said as less or more than, and
within 8 1/2, whose parts would otherwise change places where lines run from right to left (UAX #9, W4)."""


def written_mm(value_mm: float, language: str, decimals: int = 0) -> str:
    """A length such as ``512 mm``, which no line breaks."""
    return unbroken(Millimetres(value_mm, decimals).text(language))


def written_m(value_m: float, language: str) -> str:
    """A distance such as ``1 m``."""
    return unbroken(str(format_unit(value_m, "length-meter", length="short", locale=language)))


def written_number(value: float, language: str, decimals: int = 0, *, all_of_them: bool = False) -> str:
    """A number with at most so many decimals, or with `all_of_them`, as beside others of a table or a range."""
    pattern = "#,##0." + "0" * decimals if all_of_them else None
    return str(format_decimal(round(value, decimals), format=pattern, locale=language))


def day_of(moment: datetime) -> date:
    """The day on which a moment falls where the service stands (its machine's time zone, as TZ names it)."""
    return moment.astimezone().date()


def written_day(day: date | datetime, language: str, form: str = "medium") -> str:
    """A day such as ``1 May 2031``; `form` is one of CLDR's short, medium, long and full."""
    own = day_of(day) if isinstance(day, datetime) else day
    return _in_one_piece(format_date(own, format=form, locale=_habits(language)), language)


def written_month(day: date, language: str) -> str:
    """A month where there is little room, such as ``May 2031``."""
    return str(format_skeleton("yMMM", day, locale=_habits(language)))


def written_moment(moment: datetime, language: str) -> str:
    """A day and the time of it, where the service stands."""
    own = moment.astimezone()
    time = _in_one_piece(format_time(own, format="short", tzinfo=own.tzinfo, locale=_habits(language)), language)
    joined = str(Locale.parse(_habits(language)).datetime_formats["medium"])
    return joined.format(time, written_day(moment, language))


def unbroken(text: str) -> str:
    """A text in which no line breaks between a number and its unit, or a sign and its number."""
    return HELD_TOGETHER.sub("\u00a0", text)


def _in_one_piece(text: str, language: str) -> str:
    """Keep a day together beside a name in other letters, where lines run from right to left.

    A day's first number would otherwise be read on from such a name (isolates of Unicode Standard Annex 9).
    """
    return f"\u2067{text}\u2069" if reads_from_right(language) else text


def _habits(language: str) -> str:
    return REGIONS.get(language, language)
