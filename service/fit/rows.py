"""Rows of a table that people keep in a spreadsheet and hand over as CSV text."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence

from service.fit.errors import FitError
from service.fit.sentences import Sentence, say

MOST_NAMED = 10
"""Wrong rows that are named at once; our choice: whoever has more looks at the whole table."""


def numbered_rows(text: str, notes_on_top: bool = False) -> list[tuple[int, list[str]]]:
    """Split CSV text into rows of cells without the space around them, each with its line's number, from 1.

    Empty lines and notes, which are lines that begin with #, are left out.  The separator is the semicolon or the tab
    where the first line holds one, otherwise the comma.

    Parameters
    ----------
    text : str
    notes_on_top : bool
        Whether notes stand only above the first line: below it, #12 may be an instrument's name.

    Raises
    ------
    FitError
        If a cell is absurdly long.
    """
    lines: dict[int, str] = {}
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        note = line.startswith("#") and not (lines and notes_on_top)
        if line.strip() and not note:
            lines[number] = line
    if not lines:
        return []
    numbers, kept = list(lines), list(lines.values())
    separator = next((each for each in (";", "\t") if each in kept[0]), ",")
    reader = csv.reader(kept, delimiter=separator)
    try:
        return [(numbers[reader.line_num - 1], [cell.strip() for cell in row]) for row in reader]
    except csv.Error:
        raise FitError(say("This is not a table of rows separated by commas, semicolons or tabs.")) from None


def refuse_rows(wrong: Mapping[int, Sequence[Sentence]], error: type[FitError] = FitError) -> None:
    """Refuse a table of which rows are wrong; nothing happens where none is.

    Parameters
    ----------
    wrong : mapping of int to sequence of Sentence
        What is wrong in each row, by its number.
    error : type of FitError

    Raises
    ------
    FitError
        Or `error`, with all that is wrong in the first `MOST_NAMED` rows.
    """
    rows = [number for number in wrong if wrong[number]][:MOST_NAMED]
    told = [each for number in rows for each in wrong[number]]
    named = {f"row{place}": sentence for place, sentence in enumerate(told)}
    if named:
        raise error(Sentence(" ".join(f"{{{each}}}" for each in named), named))
