"""Plots as SVG made on the server: they need no script, take the page's colours, and each stands beside its table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite

from markupsafe import Markup, escape

from calibration.quantity import Length
from service.fit.chart import Chart
from service.words.writing import written_month, written_number

WIDTH, HEIGHT = 560, 400
"""Size of a drawing in its own units; on a phone it is shown at 0.6 of it, so that letters of 21 are 12 px high."""
LEFT, RIGHT, TOP, BOTTOM = 84, 64, 34, 76
"""Room for axes, their titles and names about the drawing."""
STEP_MM = 20
"""Between two lines of the grid, mm."""
MOST_MONTHS = 4
"""Names on the time axis that do not touch in the large letters of a phone."""
MONTH_STEPS = (1, 2, 3, 6, 12, 24)
"""Months between two names on the time axis: the first of these that leaves at most `MOST_MONTHS` names."""


@dataclass(frozen=True, slots=True)
class PlotWords:
    """What stands in a plot, in the reader's language.

    Attributes
    ----------
    title : str
        What a screen reader says; the numbers stand in the table beside.
    lengths : str
        Name and unit of the axis of lengths.
    beside : str
        What stands at the right edge.
    time : str
        Name of the axis of time.
    """

    title: str
    lengths: str
    beside: str
    time: str = ""


@dataclass(frozen=True, slots=True)
class Forecast:
    """The arm on a coming day: the middle child, and the 10th and 90th of a hundred."""

    day: date
    middle_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True)
class Scale:
    """From days and mm to places on the drawing."""

    first: date
    last: date
    low_mm: float
    high_mm: float

    def x(self, day: date) -> float:
        """Place of a day."""
        share = (day - self.first).days / max((self.last - self.first).days, 1)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)

    def y(self, mm: float) -> float:
        """Place of a length."""
        share = (mm - self.low_mm) / (self.high_mm - self.low_mm)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)


def arm_plot(
    measured: Sequence[tuple[date, Length]],
    forecast: Sequence[Forecast],
    chart: Chart,
    words: PlotWords,
    language: str,
    used: tuple[float, float] | None = None,
) -> Markup:
    """The arm over time: readings with intervals, the growth band, the chart's sizes, the instrument in use.

    Parameters
    ----------
    measured : sequence of (date, Length)
        At least one reading.
    forecast : sequence of Forecast
        The coming months; empty where the age is not known.
    chart : Chart
        Its arm bands are drawn behind.
    words : PlotWords
    language : str
        For the names of months, and for numbers.
    used : (float, float), optional
        Shortest and longest arm for the instrument in use, mm.
    """
    scale = _scale(measured, forecast)
    parts = [f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(words.title)}">']
    middle = (TOP + HEIGHT - BOTTOM) / 2
    parts.append(
        f'<text class="p-strong" transform="translate(22 {middle}) rotate(-90)">{escape(words.lengths)}</text>'
    )
    parts.append(_text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 12, words.time, "p-strong"))
    parts.append(_beside(words))
    if used is not None:
        parts.append(_stripe(scale, used[0], used[1], "p-used"))
    parts += _axes(scale, language)
    parts += _sizes(chart, scale)
    parts += _growth_band(forecast, scale)
    for day, length in measured:
        x = scale.x(day)
        parts.append(f'<path class="p-bar" d="M{x} {scale.y(length.low_mm)}V{scale.y(length.high_mm)}"/>')
        parts.append(f'<circle class="p-dot" cx="{x}" cy="{scale.y(length.value_mm)}" r="6"/>')
    return Markup("".join([*parts, "</svg>"]))


ROW, NAMES, LENGTHS = 38, 62, 150
"""Height of a row of the chart, room for its size, and for its lengths."""


def chart_plot(chart: Chart, words: PlotWords, language: str) -> Markup:
    """The chart's arm bands, one row a size, with body and total length beside, numbers as `language` writes them."""
    rows = chart.rows
    height = TOP + ROW * len(rows) + BOTTOM
    ends = [row.arm_to_mm for row in rows if isfinite(row.arm_to_mm)]
    low = min(row.arm_from_mm for row in rows) - 15
    high = max([*ends, rows[-1].arm_from_mm + 40]) + 15

    def x(mm: float) -> float:
        return round(NAMES + (mm - low) / (high - low) * (WIDTH - NAMES - LENGTHS), 1)

    parts = [f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(words.title)}">']
    parts.append(_beside(words))
    parts.append(_text((NAMES + WIDTH - LENGTHS) / 2, height - 12, words.lengths, "p-strong"))
    for mm in range(int(low // 100 + 1) * 100, int(high) + 1, 100):
        parts.append(f'<path class="p-grid" d="M{x(mm)} {TOP}V{height - BOTTOM}"/>')
        parts.append(_text(x(mm), height - BOTTOM + 26, written_number(mm, language)))
    for number, row in enumerate(rows):
        y = TOP + ROW * number
        end = row.arm_to_mm if isfinite(row.arm_to_mm) else high
        stretch = x(row.arm_from_mm - chart.stretch_mm)
        parts.append(f'<text class="p-strong" x="4" y="{y + 26}">{escape(row.size)}</text>')
        parts.append(
            f'<rect class="p-stretch" x="{stretch}" y="{y + 9}" '
            f'width="{x(row.arm_from_mm) - stretch:.1f}" height="{ROW - 16}"/>'
        )
        parts.append(
            f'<rect class="p-fits" x="{x(row.arm_from_mm)}" y="{y + 9}" '
            f'width="{x(end) - x(row.arm_from_mm):.1f}" height="{ROW - 16}" rx="3"/>'
        )
        lengths = f"{written_number(row.body_length_mm, language)} / {written_number(row.total_length_mm, language)}"
        parts.append(f'<text class="p-text" x="{WIDTH - 4}" y="{y + 26}" text-anchor="end">{lengths}</text>')
    return Markup("".join([*parts, "</svg>"]))


def _beside(words: PlotWords) -> str:
    """What stands at the right, against the edge: it is longer in some languages than what it stands over."""
    return f'<text class="p-strong" x="{WIDTH - 4}" y="22" text-anchor="end">{escape(words.beside)}</text>'


def _text(x: float, y: float, words: str, css: str = "p-text") -> str:
    return f'<text class="{css}" x="{x:g}" y="{y:g}" text-anchor="middle">{escape(words)}</text>'


def _scale(measured: Sequence[tuple[date, Length]], forecast: Sequence[Forecast]) -> Scale:
    days = [day for day, _ in measured] + [each.day for each in forecast]
    lows = [length.low_mm for _, length in measured] + [each.low_mm for each in forecast]
    highs = [length.high_mm for _, length in measured] + [each.high_mm for each in forecast]
    first, last = min(days), max(days)
    if (last - first).days < 60:
        first, last = _months_on(first, -1), _months_on(last, 2)
    return Scale(
        first, last, min(lows) // STEP_MM * STEP_MM - STEP_MM / 2, max(highs) // STEP_MM * STEP_MM + 1.5 * STEP_MM
    )


def _sizes(chart: Chart, scale: Scale) -> list[str]:
    """Where one size of the chart ends and the next begins, and the sizes' names between."""
    parts = []
    for row in chart.rows:
        low, high = max(row.arm_from_mm, scale.low_mm), min(row.arm_to_mm, scale.high_mm)
        if low >= high:
            continue
        if row.arm_from_mm > scale.low_mm:
            parts.append(f'<path class="p-edge" d="M{LEFT} {scale.y(low)}H{WIDTH - 8}"/>')
        if scale.y(low) - scale.y(high) >= LEAST_FOR_NAME:
            parts.append(_text(WIDTH - RIGHT + 32, (scale.y(low) + scale.y(high)) / 2 + 7, row.size, "p-strong"))
    return parts


LEAST_FOR_NAME = 24
"""Height that a size's name needs."""


def _stripe(scale: Scale, low_mm: float, high_mm: float, css: str) -> str:
    top, bottom = scale.y(min(high_mm, scale.high_mm)), scale.y(max(low_mm, scale.low_mm))
    return (
        f'<rect class="{css}" x="{LEFT}" y="{top}" width="{WIDTH - LEFT - RIGHT}" height="{max(bottom - top, 0):.1f}"/>'
    )


def _axes(scale: Scale, language: str) -> list[str]:
    parts = []
    for mm in range(int(scale.low_mm // STEP_MM + 1) * STEP_MM, int(scale.high_mm) + 1, STEP_MM):
        y = scale.y(mm)
        parts.append(f'<path class="p-grid" d="M{LEFT} {y}H{WIDTH - RIGHT}"/>')
        parts.append(
            f'<text class="p-text" x="{LEFT - 8}" y="{y + 7}" text-anchor="end">{written_number(mm, language)}</text>'
        )
    months = max((scale.last - scale.first).days / 30.4, 1)
    step = next((each for each in MONTH_STEPS if months / each <= MOST_MONTHS), MONTH_STEPS[-1])
    day = _months_on(scale.first.replace(day=1), 1)
    while day <= scale.last:
        parts.append(_text(scale.x(day), HEIGHT - BOTTOM + 26, written_month(day, language)))
        day = _months_on(day, step)
    parts.append(f'<path class="p-axis" d="M{LEFT} {TOP}V{HEIGHT - BOTTOM}H{WIDTH - RIGHT}"/>')
    return parts


def _growth_band(forecast: Sequence[Forecast], scale: Scale) -> list[str]:
    if not forecast:
        return []
    above = [f"{scale.x(each.day)} {scale.y(each.high_mm)}" for each in forecast]
    below = [f"{scale.x(each.day)} {scale.y(each.low_mm)}" for each in reversed(forecast)]
    middle = [f"{scale.x(each.day)} {scale.y(each.middle_mm)}" for each in forecast]
    return [
        f'<path class="p-band" d="M{"L".join([*above, *below])}Z"/>',
        f'<path class="p-line" d="M{"L".join(middle)}"/>',
    ]


def _months_on(day: date, months: int) -> date:
    """The first of the month that many months later (or earlier)."""
    number = day.year * 12 + day.month - 1 + months
    return date(number // 12, number % 12 + 1, 1)
