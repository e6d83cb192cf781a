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
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files
from itertools import pairwise
from math import isfinite
from typing import Any

import numpy as np

from calibration.arrays import Array
from service.fit.errors import ChartError, LengthError
from service.fit.lengths import MM_PER_UNIT, PLAUSIBLE_MM, written_mm
from service.fit.rows import numbered_rows, refuse_rows
from service.fit.sentences import Sentence, say

STRETCH_MM = 12.5
"""Arm an instrument may ask beyond the child's and still be a stretch, mm: what an arm grows in half a year.  Arms of
children of 3 to 13 grow 25 mm a year (regression on the individuals of Snyder 1977, UM-HSRI-77-17)."""

COMMON_PRACTICE = say("common practice")
"""Name of the default chart."""

ARM, ARM_COLUMNS = "arm", ("arm_from", "arm_to")
"""One column for the arm, in place of two."""
COLUMNS = ("size", "arm_from", "arm_to", "body_length", "total_length")
IN_UNITS = {"mm": say("in millimetres"), "cm": say("in centimetres"), "in": say("in inches")}
"""How numbers are said to be written, by the unit's code."""
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
        _validate(self.rows, range(1, len(self.rows) + 1))
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
        """Write the chart in the form `read_chart` reads, mm."""
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


def read_chart(
    text: str,
    name: str = "own chart",
    unit: str = "mm",
    stretch_mm: float = STRETCH_MM,
    heads: Mapping[str, str] | None = None,
) -> Chart:
    """Read a chart from CSV text.

    The first line names the columns: size, arm_from, arm_to, body_length, total_length.  They may be written as the
    pages write them (``Arm from``, ``Body``), and with a unit (``body_length_cm``, ``Body (cm)``); otherwise `unit`
    holds.  In place of the two for the arm there may be one, ``arm``, with ``430-470`` or ``600+``.  Other columns are
    left aside.  Separator: comma, semicolon or tab; with the latter two a decimal comma is understood.  Lines that
    begin with # are notes.  ``arm_to`` may be empty: then it is the next size's ``arm_from``, and open for the
    largest.  The order of the rows does not matter; where one is wrong it is
    named by its line, as an editor or a spreadsheet counts them.  `heads` are further names of columns, those of the
    reader's language.

    Raises
    ------
    ChartError
        With every row that cannot be read, or the first that does not go with the others, and the reason.
    """
    note = "\n".join(line.lstrip("# ").rstrip() for line in text.splitlines() if line.startswith("#"))
    rows = numbered_rows(text)
    if not rows:
        raise ChartError(say("The chart is empty."))
    names, units = _header(rows[0][1], unit, heads or {})
    lines = {number: _as_wide(line, len(names)) for number, line in rows[1:] if any(line)}
    refuse_rows(
        {
            number: [_row_fault(number, "", say("it has {n} entries instead of {m}", n=len(line), m=len(names)))]
            for number, line in lines.items()
            if len(line) != len(names)
        },
        ChartError,
    )
    entries = [_with_arms_apart(dict(zip(names, line, strict=True))) for line in lines.values()]
    return chart_from_entries(entries, name, units, stretch_mm, note, [*lines])


def chart_from_entries(
    entries: Sequence[Mapping[str, str | float | None]],
    name: str,
    unit: str | Mapping[str, str] = "mm",
    stretch_mm: float = STRETCH_MM,
    note: str = "",
    numbers: Sequence[int] | None = None,
) -> Chart:
    """Build a chart from rows as a form or JSON gives them: mappings with the keys of `COLUMNS`.

    Parameters
    ----------
    entries : sequence of mapping
        The rows; numbers may be text. A key may also end in ``_mm``.
    name : str
        Name of the chart.
    unit : str or mapping of str to str
        Unit of all numbers, or of each column.
    stretch_mm : float
        See `Chart`.
    note : str
        Where the numbers come from.
    numbers : sequence of int, optional
        What each row is called where it is wrong; by default its place, from 1.

    Raises
    ------
    ChartError
        With every row that cannot be read, or the first that does not go with the others, and the reason.
    """
    if not entries:
        raise ChartError(say("The chart is empty."))
    units = {column: unit if isinstance(unit, str) else unit.get(column, "mm") for column in COLUMNS[1:]}
    for each in units.values():
        if each not in MM_PER_UNIT:
            raise ChartError(say("“{unit}” is not a unit we know. Use mm, cm or in.", unit=each))
    rows = sorted(_read_rows(entries, units, numbers), key=lambda row: row["body_length"])
    built = _built(rows)
    _check_unit(built)
    _validate(built, [row["number"] for row in rows])
    return Chart(name, tuple(built), stretch_mm, note)


def _read_rows(
    entries: Sequence[Mapping[str, str | float | None]], units: Mapping[str, str], numbers: Sequence[int] | None
) -> list[dict[str, Any]]:
    """The rows with lengths in mm by the keys of `COLUMNS`, and what each is called as ``number``.

    Raises
    ------
    ChartError
        With every row that cannot be read.
    """
    rows: list[dict[str, Any]] = []
    wrong: dict[int, list[Sentence]] = {}
    for number, given in zip(numbers or range(1, len(entries) + 1), entries, strict=True):
        entry = {key.removesuffix("_mm"): value for key, value in given.items()}
        size = str(entry.get("size") or "").strip()
        faults = wrong.setdefault(number, [] if size else [_row_fault(number, "", say("it names no size"))])
        row: dict[str, Any] = {"size": size, "number": number}
        for column in COLUMNS[1:]:
            try:
                row[column] = _cell(entry.get(column), column, units[column])
            except ChartError as error:
                fault = _row_fault(number, size, error.sentence)
                if fault not in faults:
                    faults.append(fault)
        rows.append(row)
    refuse_rows(wrong, ChartError)
    return rows


def _built(rows: Sequence[dict[str, Any]]) -> list[ChartRow]:
    """Rows in order of their bodies; one without a longest arm ends where the following begins, the last nowhere.

    Raises
    ------
    ChartError
        If it would end before it begins.
    """
    built = []
    for row, following in zip(rows, [*rows[1:], None], strict=True):
        arm_to = row["arm_to"]
        if arm_to is None:
            arm_to = following["arm_from"] if following is not None else float("inf")
            if following is not None and arm_to <= row["arm_from"]:  # nobody wrote a longest arm that could be wrong
                raise _not_longer(following["number"], following["size"], say("shortest arm"), row["size"])
        built.append(ChartRow(row["size"], row["arm_from"], arm_to, row["body_length"], row["total_length"]))
    return built


def _check_unit(rows: Sequence[ChartRow]) -> None:
    """Ask back where the lengths are no violins' in the unit they were taken in, and name the one they look like.

    Raises
    ------
    ChartError
        With the unit that the lengths reveal.
    """
    low, high = PLAUSIBLE_MM["body"]
    bodies = [row.body_length_mm for row in rows]
    if all(low <= each <= high for each in bodies):
        return
    longest = max(bodies)
    for code, factor in (("cm", 10.0), ("in", 25.4), ("mm", 0.1), ("mm", 1 / 25.4)):
        if all(low <= each * factor <= high for each in bodies):
            raise ChartError(
                say(
                    "The chart's longest body would be {mm} mm. Are its numbers {in_unit}? Then name the unit in the "
                    "first line, as body_length_{code}, or choose it beside the chart.",
                    mm=f"{longest:g}",
                    in_unit=IN_UNITS[code],
                    code=code,
                )
            )
    wrong = [row for row in rows if not low <= row.body_length_mm <= high]
    raise ChartError(
        say(
            "No violin has such a body: {rows}. Between {low} and {high} mm is possible.",
            rows=", ".join(f"{row.size} ({row.body_length_mm:g} mm)" for row in wrong),
            low=f"{low:g}",
            high=f"{high:g}",
        )
    )


@cache
def default_chart() -> Chart:
    """Common practice among teachers and shops, no source."""
    text = files("service.fit").joinpath("charts/common_practice.csv").read_text(encoding="utf-8")
    return read_chart(text, COMMON_PRACTICE.template)


def plain_size(size: str) -> str:
    """A size's name in one spelling: ``⅛``, ``1 / 8``, ``1/8 violin`` become ``1/8``; ``full`` becomes ``4/4``.

    Examples
    --------
    >>> plain_size("⅛ violin"), plain_size("full"), plain_size("１／１６")
    ('1/8', '4/4', '1/16')
    """
    signs = unicodedata.normalize("NFKC", size).strip().lower().replace("full", "4/4")
    text = "".join(str(unicodedata.decimal(sign, sign)) for sign in signs)  # other scripts have digits of their own
    text = text.replace("\N{FRACTION SLASH}", "/").replace(" / ", "/")
    return text.split()[0] if text else ""


def _proportional(x: Array, knots: Array, values: Array) -> Array:
    """Linear between knots, proportional to `x` beyond them."""
    inside = np.interp(x, knots, values)
    inside = np.where(x < knots[0], values[0] * x / knots[0], inside)
    return np.asarray(np.where(x > knots[-1], values[-1] * x / knots[-1], inside))


HEADS = {"arm_length": "arm", "body": "body_length", "total": "total_length", "overall_length": "total_length"}
"""Further names of columns, as people and our own pages write them."""
_HEAD = re.compile(r"^(?P<stem>.*?)[\s_,]*[(\[_\s](?P<unit>mm|cm|in)[)\]]?$")
_BAND = re.compile(r"^(?P<arm_from>\S.*?)(?:\s*[-\u2010-\u2015]|\s[^\W\d]+\s)\s*(?P<arm_to>\d.*)$")
"""``430-470``, ``17 to 18 1/2 in``, ``43 bis 47``."""
_OPEN = re.compile(r"^(?P<arm_from>\d.*?)\s*\+$")


_DATE = re.compile(
    r"^(\d{1,2}[-.\s]+[^\W\d]{3,}\.?|[^\W\d]{3}[-.\s]+\d{2}|\d{1,4}([-./])\d{1,2}\2\d{2,4}|\d{1,2}月\d{1,2}日)$"
)
MADE_A_DATE = say("a spreadsheet made a date of this size; write it like 1/8, as text")


def is_a_date(size: str) -> bool:
    """Whether a size is what becomes of 1/8 in a spreadsheet.

    Examples
    --------
    >>> [is_a_date(each) for each in ("01. Aug", "8-Jan", "Jan-08", "2026-01-08", "1月8日", "1/8", "1/8 violin")]
    [True, True, True, True, True, False, False]
    """
    return _DATE.match(size) is not None


def _header(heads: Sequence[str], unit: str, others: Mapping[str, str]) -> tuple[list[str], dict[str, str]]:
    """Names of the columns, and the unit of each; `others` are further names."""
    known = HEADS | {_stem(head): column for head, column in others.items()}
    units: dict[str, str] = {}
    plain = []
    for head in heads:
        text = head.strip().lower()
        found = _HEAD.match(text)
        stem = _stem(found["stem"] if found else text)
        column = known.get(stem, stem)
        units[column] = found["unit"] if found else unit
        plain.append(column)
    if ARM in plain:
        units |= dict.fromkeys(ARM_COLUMNS, units[ARM])
    there = {*plain, *(ARM_COLUMNS if ARM in plain else ())}
    missing = [column for column in COLUMNS if column not in there]
    if missing:
        raise ChartError(
            say(
                "The chart's first line must name the columns {columns}; {missing} is missing.",
                columns=", ".join(COLUMNS),
                missing=", ".join(missing),
            )
        )
    return plain, units


def _stem(head: str) -> str:
    return re.sub(r"[\s-]+", "_", head.strip().lower()).strip("_")


def _as_wide(line: list[str], cells: int) -> list[str]:
    """A line without the empty cells that a spreadsheet appends beyond the columns."""
    return line if any(line[cells:]) else line[:cells]


def _with_arms_apart(entry: dict[str, str]) -> dict[str, str]:
    """An entry with the arm's two columns, where it has one for both: ``430-470``, or ``600+`` for the largest."""
    if ARM not in entry:
        return entry
    found = _BAND.match(entry[ARM]) or _OPEN.match(entry[ARM])
    apart = found.groupdict("") if found else {"arm_from": entry[ARM], "arm_to": ""}
    return {"arm_to": ""} | entry | apart


def _cell(value: str | float | None, column: str, unit: str) -> float | None:
    """A cell's length, mm.

    Raises
    ------
    ChartError
        With the reason alone.
    """
    if value is None or value == "":
        if column == "arm_to":
            return None
        raise ChartError(say("{column} is empty", column=column))
    try:
        mm = float(value) * MM_PER_UNIT[unit] if isinstance(value, float | int) else _typed_mm(value, unit)
    except (ValueError, LengthError):
        raise ChartError(say("“{value}” is not a number", value=str(value))) from None
    if not isfinite(mm) or mm <= 0:
        raise ChartError(say("{column} must be more than zero", column=column))
    return round(mm, 3)


def _typed_mm(text: str, unit: str) -> float:
    """A number as people write it, mm: also ``nan`` and ``-1``, which are refused as what they are."""
    found = written_mm(text, unit)
    return float(text.replace(",", ".")) * MM_PER_UNIT[unit] if found is None else found


def _validate(rows: Sequence[ChartRow], numbers: Sequence[int]) -> None:
    """Raise ChartError where a verdict would be undefined; `numbers` are the rows' places as people wrote them."""
    if len(rows) < 2:
        raise ChartError(say("A chart needs at least two sizes; this one has {n}.", n=len(rows)))
    seen: set[str] = set()
    for number, row in zip(numbers, rows, strict=True):
        if row.size.isdigit():
            raise _row_error(number, row.size, say("a number alone is no size; write it like 1/8 or 4/4"))
        if is_a_date(row.size):
            raise _row_error(number, row.size, MADE_A_DATE)
        if plain_size(row.size) in seen:
            raise _row_error(number, row.size, say("this size is there twice"))
        seen.add(plain_size(row.size))
        if row.arm_to_mm <= row.arm_from_mm:
            raise _row_error(number, row.size, say("its longest arm is not longer than its shortest"))
        if not isfinite(row.arm_to_mm) and row is not rows[-1]:
            raise _row_error(number, row.size, say("only the largest size may have no longest arm"))
        if row.total_length_mm <= row.body_length_mm:
            raise _row_error(number, row.size, say("its total length is not longer than its body length"))
    for number, (small, large) in zip(numbers[1:], pairwise(rows), strict=True):
        for attribute, words in (
            ("arm_from_mm", say("shortest arm")),
            ("arm_to_mm", say("longest arm")),
            ("body_length_mm", say("body length")),
            ("total_length_mm", say("total length")),
        ):
            if not getattr(small, attribute) < getattr(large, attribute):
                raise _not_longer(number, large.size, words, small.size)
        if small.arm_to_mm < large.arm_from_mm:
            raise _row_error(
                number,
                large.size,
                say(
                    "arms between {low} and {high} mm belong to no size; let {smaller} reach up to {high}",
                    low=f"{small.arm_to_mm:g}",
                    high=f"{large.arm_from_mm:g}",
                    smaller=small.size,
                ),
            )


def _not_longer(number: int, size: str, what: Sentence, smaller: str) -> ChartError:
    return _row_error(number, size, say("its {what} is not longer than that of {smaller}", what=what, smaller=smaller))


def _row_error(number: int, size: str, reason: Sentence) -> ChartError:
    return ChartError(_row_fault(number, size, reason))


def _row_fault(number: int, size: str, reason: Sentence) -> Sentence:
    if size:
        return say("Chart row {number} ({size}): {reason}.", number=number, size=size, reason=reason)
    return say("Chart row {number}: {reason}.", number=number, reason=reason)
