"""The chart: which arm each size asks for, and what body and total length that size has.

A row says: this size suits arms from ``arm_from`` to ``arm_to`` and has this body and total length.  Between rows
everything is interpolated, so that an instrument is judged by what it measures and not by its label: the shortest arm
for a body of 245 mm lies between the shortest arms of the sizes on both sides.

* Shortest arm: piecewise linear in the body length and, separately, in the total length; beyond the ends of the chart
  in proportion to the length.  With both lengths known the mean of the two counts.
* Width of the band (longest minus shortest arm): linear between sizes, in proportion beyond them.  The largest size
  may have no longest arm.  Towards it the reciprocal of the width is taken as linear and reaches zero there: the band
  opens smoothly instead of jumping.
* Stretch: an instrument is a *stretch* for an arm up to `Chart.stretch_mm` shorter than its band, beyond it too large.

Limits of a chart are conventions, so they carry no uncertainty (tolerance limits in the sense of JCGM 106:2012, 3.3.4).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import isfinite
from typing import Any

import numpy as np

from calibration.arrays import Array
from service.fit.errors import ChartError
from service.fit.sentences import Number, Sentence, say
from service.fit.size_names import MADE_A_DATE, is_a_date, plain_size

STRETCH_MM = 12.5
"""Arm an instrument may ask beyond the child's and still be a stretch, mm: what an arm grows in half a year.  Arms of
children of 3 to 13 grow 25 mm a year (regression on the individuals of Snyder 1977, UM-HSRI-77-17)."""

COLUMNS = ("size", "arm_from", "arm_to", "body_length", "total_length")
QUARTER = "1/4"
SMALL_BODY_MM = 267.5
"""Where a chart has no quarter size, smaller bodies than this count as below it, mm (midway 1/8 to 1/4)."""


@dataclass(frozen=True, slots=True)
class ChartRow:
    """One size.

    Attributes
    ----------
    size : str
        Name of the size, e.g. ``"1/8"``.
    arm_from_mm, arm_to_mm : float
        Shortest and longest arm it suits, mm; the longest is infinite where no size follows.
    body_length_mm, total_length_mm : float
        Lengths of an instrument of exactly this size, mm.
    """

    size: str
    arm_from_mm: float
    arm_to_mm: float
    body_length_mm: float
    total_length_mm: float


@dataclass(frozen=True)
class Chart:
    """Sizes from small to large.

    Attributes
    ----------
    name : str
        How people call this chart.
    rows : tuple of ChartRow
        At least two, strictly increasing.
    stretch_mm : float
        How much shorter than its band an arm may be for an instrument to be a stretch rather than too large, mm.
    note : str
        Where the numbers come from.

    Raises
    ------
    ChartError
        If some verdict would be undefined; the text says which row and why.
    """

    name: str
    rows: tuple[ChartRow, ...]
    stretch_mm: float = STRETCH_MM
    note: str = ""

    def __post_init__(self) -> None:
        validate(self.rows, range(1, len(self.rows) + 1))
        if not (isfinite(self.stretch_mm) and 0 <= self.stretch_mm <= 100):
            raise ChartError(say("The stretch must be between 0 and 100 mm."))

    @cached_property
    def bodies_mm(self) -> Array:
        """(R,) body lengths, mm."""
        return np.array([row.body_length_mm for row in self.rows])

    @cached_property
    def totals_mm(self) -> Array:
        """(R,) total lengths, mm."""
        return np.array([row.total_length_mm for row in self.rows])

    @cached_property
    def arms_from_mm(self) -> Array:
        """(R,) shortest arms, mm."""
        return np.array([row.arm_from_mm for row in self.rows])

    @cached_property
    def widths_mm(self) -> Array:
        """(R,) widths of the arm bands, mm; the last may be infinite."""
        return np.array([row.arm_to_mm - row.arm_from_mm for row in self.rows])

    @cached_property
    def sizes(self) -> tuple[str, ...]:
        """Names of the sizes, small to large."""
        return tuple(row.size for row in self.rows)

    @cached_property
    def small_below_body_mm(self) -> float:
        """Body length, mm, below which an instrument counts as smaller than a quarter size."""
        if QUARTER in self.sizes:
            place = self.sizes.index(QUARTER)
            quarter = self.rows[place].body_length_mm
            below = self.rows[place - 1].body_length_mm if place else 2 * SMALL_BODY_MM - quarter
            return (quarter + below) / 2
        return SMALL_BODY_MM

    def knots_mm(self, kind: str) -> Array:
        """(R,) lengths of the sizes, mm: `kind` is ``"body"`` or ``"total"``."""
        return self.bodies_mm if kind == "body" else self.totals_mm

    def shortest_arm_mm(self, length_mm: Array | float, kind: str) -> Array:
        """(N,) shortest arm, mm, for instruments of the given body or total lengths (N,), mm."""
        return _proportional(np.asarray(length_mm, dtype=float), self.knots_mm(kind), self.arms_from_mm)

    def reciprocal_width(self, length_mm: Array | float, kind: str) -> Array:
        """(N,) one over the width of the arm band, 1/mm, zero where the band is open; lengths (N,) in mm."""
        length = np.asarray(length_mm, dtype=float)
        knots, widths = self.knots_mm(kind), self.widths_mm
        if isfinite(widths[-1]):
            return np.asarray(1 / _proportional(length, knots, widths))
        if len(knots) == 2:
            closed = np.full_like(length, 1 / widths[0]) * knots[0] / np.minimum(length, knots[0])
        else:
            closed = 1 / _proportional(np.minimum(length, knots[-2]), knots[:-1], widths[:-1])
        part = np.clip((length - knots[-2]) / (knots[-1] - knots[-2]), 0, 1)
        return np.asarray(closed * (1 - part))

    def longest_arm_mm(self, length_mm: Array | float, kind: str) -> Array:
        """(N,) longest arm, mm, infinite where the band is open; lengths (N,) in mm."""
        with np.errstate(divide="ignore"):
            return self.shortest_arm_mm(length_mm, kind) + 1 / self.reciprocal_width(length_mm, kind)

    def position(self, length_mm: Array | float, kind: str) -> Array:
        """(N,) place among the sizes: 0 is the smallest, 1.5 is midway between the second and the third."""
        length = np.asarray(length_mm, dtype=float)
        knots = self.knots_mm(kind)
        place = np.interp(length, knots, np.arange(len(knots), dtype=float))
        first, last = knots[1] - knots[0], knots[-1] - knots[-2]
        beyond = np.maximum(length - knots[-1], 0) / last - np.maximum(knots[0] - length, 0) / first
        return np.asarray(place + beyond)

    def row(self, size: str) -> ChartRow | None:
        """Find the row of that size, or None; ``⅛``, ``1/8`` and ``1/8 violin`` mean the same."""
        wanted = plain_size(size)
        return next((row for row in self.rows if plain_size(row.size) == wanted), None)

    def as_json(self) -> dict[str, Any]:
        """All of the chart as JSON; an open band has ``arm_to_mm`` null."""
        return {
            "name": self.name,
            "note": self.note,
            "stretch_mm": self.stretch_mm,
            "rows": [
                {
                    "size": row.size,
                    "arm_from_mm": row.arm_from_mm,
                    "arm_to_mm": row.arm_to_mm if isfinite(row.arm_to_mm) else None,
                    "body_length_mm": row.body_length_mm,
                    "total_length_mm": row.total_length_mm,
                }
                for row in self.rows
            ],
        }

    def as_csv(self) -> str:
        """Write the chart in the form `service.fit.chart_table.read_chart` reads, mm."""
        out = io.StringIO()
        out.writelines(f"# {line}\n" for line in self.note.splitlines())
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in self.rows:
            arm_to = f"{row.arm_to_mm:g}" if isfinite(row.arm_to_mm) else ""
            writer.writerow(
                [row.size, f"{row.arm_from_mm:g}", arm_to, f"{row.body_length_mm:g}", f"{row.total_length_mm:g}"]
            )
        return out.getvalue()


def _proportional(x: Array, knots: Array, values: Array) -> Array:
    """Linear between knots, proportional to `x` beyond them."""
    inside = np.interp(x, knots, values)
    inside = np.where(x < knots[0], values[0] * x / knots[0], inside)
    return np.asarray(np.where(x > knots[-1], values[-1] * x / knots[-1], inside))


def validate(rows: Sequence[ChartRow], numbers: Sequence[int]) -> None:
    """Refuse rows by which some verdict would be undefined.

    Parameters
    ----------
    rows : sequence of ChartRow
        From small to large.
    numbers : sequence of int
        Their places as people wrote them.

    Raises
    ------
    ChartError
        Naming the first row that does not go with the others, and why.
    """
    if len(rows) < 2:
        raise ChartError(say("A chart needs at least two sizes; this one has {n}.", n=len(rows)))
    seen: set[str] = set()
    for number, row in zip(numbers, rows, strict=True):
        if row.size.isdigit():
            raise row_error(number, row.size, say("a number alone is no size; write it like 1/8 or 4/4"))
        if is_a_date(row.size):
            raise row_error(number, row.size, MADE_A_DATE)
        if plain_size(row.size) in seen:
            raise row_error(number, row.size, say("this size is there twice"))
        seen.add(plain_size(row.size))
        if row.arm_to_mm <= row.arm_from_mm:
            raise row_error(number, row.size, say("its longest arm is not longer than its shortest"))
        if not isfinite(row.arm_to_mm) and row is not rows[-1]:
            raise row_error(number, row.size, say("only the largest size may have no longest arm"))
        if row.total_length_mm <= row.body_length_mm:
            raise row_error(number, row.size, say("its total length is not longer than its body length"))
    for number, (small, large) in zip(numbers[1:], pairwise(rows), strict=True):
        for attribute, words in (
            ("arm_from_mm", say("shortest arm")),
            ("arm_to_mm", say("longest arm")),
            ("body_length_mm", say("body length")),
            ("total_length_mm", say("total length")),
        ):
            if not getattr(small, attribute) < getattr(large, attribute):
                raise not_longer(number, large.size, words, small.size)
        if small.arm_to_mm < large.arm_from_mm:
            raise row_error(
                number,
                large.size,
                say(
                    "arms between {low} and {high} mm belong to no size; let {smaller} reach up to {high}",
                    low=Number(small.arm_to_mm, 2),
                    high=Number(large.arm_from_mm, 2),
                    smaller=small.size,
                ),
            )


def not_longer(number: int, size: str, what: Sentence, smaller: str) -> ChartError:
    """What is wrong with a row one of whose lengths is not longer than the next smaller size's."""
    return row_error(number, size, say("its {what} is not longer than that of {smaller}", what=what, smaller=smaller))


def row_error(number: int, size: str, reason: Sentence) -> ChartError:
    """As `row_fault`, to be raised."""
    return ChartError(row_fault(number, size, reason))


def row_fault(number: int, size: str, reason: Sentence) -> Sentence:
    """Name a row by its number and size, and say why it cannot stay so."""
    if size:
        return say("Chart row {number} ({size}): {reason}.", number=number, size=size, reason=reason)
    return say("Chart row {number}: {reason}.", number=number, reason=reason)
