"""Charts as people write them: in a spreadsheet, in a form, in JSON."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import inf, isfinite

from service.fit.chart import COLUMNS, STRETCH_MM, Chart, ChartRow, not_longer, row_fault, validate
from service.fit.errors import ChartError, LengthError
from service.fit.lengths import MM_PER_UNIT, PLAUSIBLE_MM, as_read, written_mm
from service.fit.rows import numbered_rows, refuse_rows
from service.fit.sentences import Sentence, say

COMMON_PRACTICE = say("common practice")
"""Name of the default chart."""

ARM, ARM_COLUMNS = "arm", ("arm_from", "arm_to")
"""One column for the arm, in place of two."""
IN_UNITS = {"mm": say("in millimetres"), "cm": say("in centimetres"), "in": say("in inches")}
"""How numbers are said to be written, by the unit's code."""

HEADS = {"arm_length": "arm", "body": "body_length", "total": "total_length", "overall_length": "total_length"}
"""Further names of columns, as people and our own pages write them."""
_HEAD = re.compile(r"^(?P<stem>.*?)[\s_,]*[(\[_\s](?P<unit>mm|cm|in)[)\]]?$")
_BAND = re.compile(r"^(?P<arm_from>\S.*?)(?:\s*[-\u2010-\u2015]|\s[^\W\d]+\s)\s*(?P<arm_to>\d.*)$")
"""``430-470``, ``17 to 18 1/2 in``, ``43 bis 47``."""
_OPEN = re.compile(r"^(?P<arm_from>\d.*?)\s*\+$")


@cache
def default_chart() -> Chart:
    """Common practice among teachers and shops, no source."""
    text = files("service.fit").joinpath("charts/common_practice.csv").read_text(encoding="utf-8")
    return read_chart(text, COMMON_PRACTICE.template)


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
            number: [row_fault(number, "", say("it has {n} entries instead of {m}", n=len(line), m=len(names)))]
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
    rows = sorted(_read_rows(entries, units, numbers), key=lambda row: row.mm["body_length"])
    built = _built(rows)
    _check_unit(built)
    validate(built, [row.number for row in rows])
    return Chart(name, tuple(built), stretch_mm, note)


@dataclass(frozen=True, slots=True)
class _Row:
    """A row as it was read.

    Attributes
    ----------
    number : int
        What it is called where it is wrong.
    size : str
        Name of its size.
    mm : dict of str to float
        Lengths by the keys of `COLUMNS`, mm; ``arm_to`` is not there where nobody wrote one.
    """

    number: int
    size: str
    mm: dict[str, float]


def _read_rows(
    entries: Sequence[Mapping[str, str | float | None]], units: Mapping[str, str], numbers: Sequence[int] | None
) -> list[_Row]:
    """The rows with lengths in mm.

    Raises
    ------
    ChartError
        With every row that cannot be read.
    """
    rows = []
    wrong: dict[int, list[Sentence]] = {}
    for number, given in zip(numbers or range(1, len(entries) + 1), entries, strict=True):
        entry = {key.removesuffix("_mm"): value for key, value in given.items()}
        size = str(entry.get("size") or "").strip()
        faults = wrong.setdefault(number, [] if size else [row_fault(number, "", say("it names no size"))])
        row = _Row(number, size, {})
        for column in COLUMNS[1:]:
            try:
                length_mm = _cell(entry.get(column), column, units[column])
            except ChartError as error:
                fault = row_fault(number, size, error.sentence)
                if fault not in faults:
                    faults.append(fault)
            else:
                if length_mm is not None:
                    row.mm[column] = length_mm
        rows.append(row)
    refuse_rows(wrong, ChartError)
    return rows


def _built(rows: Sequence[_Row]) -> list[ChartRow]:
    """Rows in order of their bodies; one without a longest arm ends where the following begins, the last nowhere.

    Raises
    ------
    ChartError
        If it would end before it begins.
    """
    built = []
    for row, following in zip(rows, [*rows[1:], None], strict=True):
        arm_from, arm_to = row.mm["arm_from"], row.mm.get("arm_to")
        if arm_to is None:
            arm_to = following.mm["arm_from"] if following is not None else inf
            if following is not None and arm_to <= arm_from:  # nobody wrote a longest arm that could be wrong
                raise not_longer(following.number, following.size, say("shortest arm"), row.size)
        built.append(ChartRow(row.size, arm_from, arm_to, row.mm["body_length"], row.mm["total_length"]))
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
                    mm=as_read(longest),
                    in_unit=IN_UNITS[code],
                    code=code,
                )
            )
    wrong = [row for row in rows if not low <= row.body_length_mm <= high]
    raise ChartError(
        say(
            "No violin has such a body: {rows}. Between {low} and {high} mm is possible.",
            rows=", ".join(f"{row.size} ({row.body_length_mm:.0f} mm)" for row in wrong),
            low=as_read(low),
            high=as_read(high),
        )
    )


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
