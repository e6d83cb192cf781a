"""Rows of a table that people keep in a spreadsheet and hand over as CSV text."""

from __future__ import annotations

import csv

from service.fit.errors import FitError
from service.fit.sentences import say


def read_rows(text: str) -> list[list[str]]:
    """Split CSV text into rows of cells without the space around them.

    Empty lines and lines that begin with # are left out.  The separator is the semicolon or the tab where the first
    line holds one, otherwise the comma.

    Raises
    ------
    FitError
        If a cell is absurdly long.
    """
    lines = [line for line in text.lstrip("\ufeff").splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        return []
    separator = next((each for each in (";", "\t") if each in lines[0]), ",")
    try:
        return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=separator)]
    except csv.Error:
        raise FitError(say("This is not a table of rows separated by commas, semicolons or tabs.")) from None
