"""Growth told by the calendar: until which month the present instrument fits, and from when the next size does.

`service.fit.growth` counts months from the last measurement; whoever reads a page or a report some weeks later would
count them from the day of reading.
"""

from __future__ import annotations

from datetime import date
from math import floor

from service.fit.decision import PLAYED, Action, Decision
from service.fit.growth import FITS_ALREADY, Crossing, Growth, span
from service.fit.sentences import Month, Sentence, say
from service.fit.verdict import Verdict

DAYS_A_MONTH = 30.44
"""On the mean of the calendar (365.25 / 12)."""

TOO_SMALL = say("This instrument is already too small.")


def outlook(growth: Growth, measured_on: date, verdict: Verdict | None = None) -> list[Sentence]:
    """When an instrument is outgrown, the present one or another, and when the next size begins to fit.

    Parameters
    ----------
    growth : Growth
    measured_on : date
        Day of the last measurement, from which `growth` counts.
    verdict : Verdict, optional
        Of that instrument: how long it will do is said only where it is to be played, and no date is given that
        would stand against what there is to do now.
    """
    if growth.suspects:
        return [say("A measurement contradicts growth; how long the instrument will do is said when that is settled.")]
    if verdict is not None and verdict.action is Action.LARGER:
        return [TOO_SMALL] if growth.known is Decision.TOO_SMALL else []
    if verdict is not None and verdict.action not in PLAYED:
        return _until_it_fits(growth, measured_on) if verdict.action in (Action.SMALLER, Action.WAIT) else []
    return [*_until_it_is_outgrown(growth, measured_on), *_until_the_next_fits(growth, measured_on, verdict)]


def _until_it_is_outgrown(growth: Growth, measured_on: date) -> list[Sentence]:
    """Until when an instrument that is played will do."""
    if growth.outgrown is None:
        return []
    if growth.known is Decision.TOO_SMALL:
        return [TOO_SMALL]
    return [
        _told(
            growth.outgrown,
            measured_on,
            say("This instrument becomes too small around {likely} ({span})."),
            say("This instrument will not become too small within the next two years."),
            say("This instrument becomes too small about now."),
        )
    ]


def _until_the_next_fits(growth: Growth, measured_on: date, verdict: Verdict | None) -> list[Sentence]:
    """From when the next size will fit; before it, where the present one is called by another size than it measures."""
    if growth.next_fits is None or growth.next_size is None:
        return []
    lines = []
    if verdict is not None and verdict.mislabelled:
        lines.append(
            say(
                "Sold as {label}, this instrument measures like a {size}; the measures count here.",
                label=verdict.instrument.label or "",
                size=verdict.size,
            )
        )
    if growth.next_known in FITS_ALREADY:
        fits = say("The next larger size, {size} with a body of about {body}, fits already.", **growth.next_in_words)
        return [*lines, fits]
    coming = say(
        "The next larger size, {size} with a body of about {body}, begins to fit around {likely} ({span}).",
        **growth.next_in_words,
    )
    never = say(
        "The next larger size, {size} with a body of about {body}, will not fit within the next two years.",
        **growth.next_in_words,
    )
    now = say(
        "The next larger size, {size} with a body of about {body}, begins to fit about now.", **growth.next_in_words
    )
    return [*lines, _told(growth.next_fits, measured_on, coming, never, now)]


def _until_it_fits(growth: Growth, measured_on: date) -> list[Sentence]:
    """From when an instrument that is not played for its size will fit."""
    if growth.fits is None:
        return []
    coming = say("This instrument begins to fit around {likely} ({span}).")
    return [_told(growth.fits, measured_on, coming, say("This instrument will not fit within the next two years."))]


def _told(crossing: Crossing, since: date, coming: Sentence, never: Sentence, now: Sentence | None = None) -> Sentence:
    if crossing.likely is None:
        return never
    if crossing.likely == 0 and now is not None:
        return now
    late = None if crossing.late is None else month_after(since, crossing.late)
    shown = span(month_after(since, crossing.early or 0), late)
    return Sentence(coming.template, {**coming.values, "likely": month_after(since, crossing.likely), "span": shown})


def month_after(day: date, months: float) -> Month:
    """The month that lies so many months after a day."""
    number = day.year * 12 + day.month - 1 + floor(months + (day.day - 1) / DAYS_A_MONTH)
    return Month(number // 12, number % 12 + 1)
