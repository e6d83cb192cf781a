"""Lists that teachers and shops keep: a shelf of instruments, a class of children, both as CSV.

A shelf has the columns ``name``, ``label``, ``body_length``, ``total_length`` (label and one of the lengths may be
empty), and may have ``string_length`` and, answered by yes or no, what is asked of an instrument's state (`signs`) and
whether it is ``lent``, so that nobody else gets it; a class has ``name`` and ``arm``.  Further columns are left aside.
Lengths are written as in `service.fit.lengths.parse_length`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.errors import FitError, LengthError
from service.fit.lengths import parse_length
from service.fit.rows import numbered_rows, refuse_rows
from service.fit.sentences import Sentence, say
from service.fit.signs import CONDITION_QUESTIONS, InstrumentCondition
from service.fit.size_names import MADE_A_DATE, is_a_date

ANSWERS = {"yes": True, "no": False, "": None}
"""What a cell says of an instrument's state."""
YES_OR_NO = say("Write yes or no, or leave it empty.")
LENT = "lent"
"""Column that says whether somebody has the instrument."""


def read_shelf(text: str) -> tuple[tuple[InstrumentLengths, InstrumentCondition], ...]:
    """Read the instruments that stand on a shelf, each with its state, from CSV text; what is lent is left aside.

    Raises
    ------
    FitError
        With every wrong row and its reason.
    """
    found: list[tuple[InstrumentLengths, InstrumentCondition]] = []
    wrong: dict[int, list[Sentence]] = {}
    for number, row in _rows(text, ("name", "body_length", "total_length")):
        try:
            body = parse_length(row["body_length"], "body") if row["body_length"] else None
            total = parse_length(row["total_length"], "total") if row["total_length"] else None
            string = parse_length(row["string_length"], "string") if row.get("string_length") else None
            name = row["name"] or str(len(found) + 1)
            own = InstrumentLengths(body, total, row.get("label") or None, name, string), _condition(row)
            if not _answer(row, LENT):
                found.append(own)
        except FitError as error:
            wrong[number] = [say("List row {number}: {reason}", number=number, reason=error.sentence)]
        if is_a_date(row.get("label", "")):
            wrong[number] = [say("List row {number}: {reason}", number=number, reason=MADE_A_DATE)]
    refuse_rows(wrong)
    return tuple(found)


def _condition(row: Mapping[str, str]) -> InstrumentCondition:
    return InstrumentCondition(**{name: _answer(row, name) for name in CONDITION_QUESTIONS})


def _answer(row: Mapping[str, str], column: str) -> bool | None:
    text = row.get(column, "").lower()
    if text not in ANSWERS:
        raise FitError(say("{where}: {reason}", where=column, reason=YES_OR_NO))
    return ANSWERS[text]


def lent_out(text: str) -> tuple[str, ...]:
    """Names of what `read_shelf` leaves aside."""
    return tuple(row["name"] for _, row in _rows(text, ("name",)) if row.get(LENT, "").lower() == "yes")


def read_class(text: str) -> dict[str, Length]:
    """Read the arms of a class from CSV text, by name.

    Raises
    ------
    FitError
        With every wrong row and its reason.
    """
    arms: dict[str, Length] = {}
    wrong: dict[int, list[Sentence]] = {}
    for number, row in _rows(text, ("name", "arm")):
        name, faults = row["name"] or str(len(wrong) + 1), wrong.setdefault(number, [])
        if name in arms:
            faults.append(say("List row {number}: the name {name} is there twice.", number=number, name=name))
        try:
            arms[name] = parse_length(row["arm"], "arm")
        except LengthError as error:
            faults.append(say("List row {number}: {reason}", number=number, reason=error.sentence))
    refuse_rows(wrong)
    return arms


def _rows(text: str, needed: Sequence[str]) -> list[tuple[int, Mapping[str, str]]]:
    """Cells by column, each row with the number that a spreadsheet shows beside it."""
    rows = numbered_rows(text, notes_on_top=True)
    if len(rows) < 2:
        raise FitError(say("The list is empty."))
    names = [name.lower() for name in rows[0][1]]
    missing = [name for name in needed if name not in names]
    if missing:
        raise FitError(
            say(
                "The list's first line must name the columns {columns}; {missing} is missing.",
                columns=", ".join(needed),
                missing=", ".join(missing),
            )
        )
    wide = say("This row has more cells than the first line has columns.")
    refuse_rows(
        {
            number: [say("List row {number}: {reason}", number=number, reason=wide)]
            for number, cells in rows[1:]
            if any(cells[len(names) :])
        }
    )
    empty = dict.fromkeys(names, "")
    return [(number, empty | dict(zip(names, cells, strict=False))) for number, cells in rows[1:]]
