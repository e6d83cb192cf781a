"""The shelf as a table that people keep in a spreadsheet: CSV out, and in again after a look at what would change.

The columns are `COLUMNS`; only ``name`` is needed.  A row is about the instrument whose ``id`` it gives, or else the
one of the same name, or else a new one.  What is not in the table stays on the shelf.  A column that is left out stays
as it is; an empty cell empties.  Whether an instrument is ``lent`` is handed out only: loans are noted one by one.
Lengths are written as in `service.fit.lengths.parse_length`; one that reads as it was handed out keeps its budget.
Either every row is taken over or none.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any

from sqlalchemy.orm import Session

from calibration.quantity import length_json
from service.fit.assessment import InstrumentLengths, check_label
from service.fit.errors import FitError
from service.fit.lengths import parse_length
from service.fit.sentences import Sentence, say
from service.fit.shelf import ANSWERS, LENT, YES_OR_NO
from service.fit.size_names import MADE_A_DATE, is_a_date
from service.measuring.results import kept_length
from service.records.export import tame, untamed
from service.records.shelf import (
    CONDITIONS,
    KINDS,
    LONGEST_REMARK,
    LONGEST_SHELF_NAME,
    REMARKS,
    as_typed,
    on_shelf,
    with_somebody,
)
from service.records.tables import Instrument

COLUMNS = ("id", "name", "label", *KINDS, *CONDITIONS, "remarks")
HANDED_OUT = (*COLUMNS, LENT)
LONGEST = {"name": LONGEST_SHELF_NAME, "label": 16, "remarks": LONGEST_REMARK, **dict.fromkeys(KINDS, 40)}
"""Letters that a cell may have: the records' columns, and the form's own limits."""
NOT_UTF8 = say("The table is not in UTF-8; save it as “CSV UTF-8”.")
MOST_ROWS = 5000
"""Rows of one table; our choice, a large shop's shelf."""
MOST_FAULTS = 200
"""Faults that are named in one answer; whoever has more has chosen the wrong file."""


@dataclass(frozen=True)
class Fault:
    """What is wrong in one cell; the row as a spreadsheet counts it, the first line being row 1."""

    row: int
    column: str
    sentence: Sentence


class Kind(StrEnum):
    """What becomes of an instrument."""

    ADDED = "added"
    CHANGED = "changed"
    UNCHANGED = "unchanged"


@dataclass(frozen=True)
class Cell:
    """One cell that changes, before and after."""

    column: str
    before: str
    after: str


@dataclass(frozen=True)
class Change:
    """What a row does."""

    row: int
    kind: Kind
    name: str
    instrument_id: str | None
    cells: tuple[Cell, ...]
    lengths: Mapping[str, Any] = field(repr=False)
    texts: Mapping[str, str] = field(repr=False)


@dataclass(frozen=True)
class Plan:
    """What a table would do to the shelf; nothing, where there are faults."""

    changes: tuple[Change, ...]
    faults: tuple[Fault, ...]

    def count(self, kind: Kind) -> int:
        """How many instruments would be added, changed or left."""
        return sum(each.kind is kind for each in self.changes)


def written(records: Session) -> str:
    """The shelf as CSV."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(HANDED_OUT)
    kept = on_shelf(records)
    away = with_somebody(records, kept)
    for each in kept:
        cells = _cells(each) | {LENT: "yes" if each.id in away else ""}
        writer.writerow([tame(cells[column]) for column in HANDED_OUT])
    return out.getvalue()


def _cells(instrument: Instrument) -> dict[str, str]:
    """What a table says of an instrument."""
    notes = instrument.notes or {}
    words = {answer: word for word, answer in ANSWERS.items()}
    return {
        "id": instrument.id,
        "name": instrument.name,
        "label": instrument.label or "",
        **{column: as_typed(instrument.lengths, column) for column in KINDS},
        **{column: words.get(notes.get(column), "") for column in CONDITIONS},
        "remarks": notes.get(REMARKS) or "",
    }


def decoded(table: bytes) -> str:
    """The text of a table's file.

    Raises
    ------
    FitError
        If it is not in UTF-8.
    """
    try:
        return table.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FitError(NOT_UTF8) from None


def plan(records: Session, text: str) -> Plan:
    """Say what a table would change.

    Parameters
    ----------
    records : Session
        Of one studio.
    text : str
        The table, its cells separated by commas, semicolons or tabs.

    Returns
    -------
    Plan
        With every fault of every row.
    """
    try:
        rows = _rows(text)
    except FitError as error:
        return Plan((), (Fault(1, "", error.sentence),))
    heads = ["_".join(re.split(r"[\s_-]+", cell.lower())) for cell in rows[0][1]] if rows else []
    faults = _faults_of_heads(heads, len(rows))
    if faults:
        return Plan((), faults)
    return _Reading(on_shelf(records), heads).plan(rows[1:])


def _rows(text: str) -> list[tuple[int, list[str]]]:
    """Rows that are not empty, each with its number as a spreadsheet counts it, without empty cells at its end.

    Raises
    ------
    FitError
        If it is no table.
    """
    text = text.lstrip("\ufeff").replace("\0", "")
    first = text.partition("\n")[0]
    separator = next((each for each in (";", "\t") if each in first), ",")
    try:
        found = enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=separator), start=1)
        rows = [(number, _up_to_the_last(row)) for number, row in found]
    except csv.Error:
        raise FitError(say("This is not a table of rows separated by commas, semicolons or tabs.")) from None
    return [(number, cells) for number, cells in rows if cells]


def _up_to_the_last(row: Sequence[str]) -> list[str]:
    """The cells of a row up to the last one that is filled: spreadsheets write out whatever was once touched."""
    cells = [cell.strip() for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _faults_of_heads(heads: Sequence[str], rows: int) -> tuple[Fault, ...]:
    if rows < 2:
        return (Fault(1, "", say("The list is empty.")),)
    if rows > MOST_ROWS + 1:
        return (Fault(MOST_ROWS + 2, "", say("A table may have at most {most} rows.", most=MOST_ROWS)),)
    if "name" not in heads:  # then it is no line of headings, and nothing is to be said of each of its cells
        return (Fault(1, "name", say("The first line must name this column.")),)
    known = ", ".join(COLUMNS)
    strange = [
        Fault(1, head, say("There is no such column; these are known: {columns}.", columns=known))
        for head in heads
        if head not in HANDED_OUT
    ]
    twice = [Fault(1, head, say("This column is there twice.")) for head, count in Counter(heads).items() if count > 1]
    return tuple(strange + twice)


class _Reading:
    """Reads the rows of one table against the shelf as it is."""

    def __init__(self, shelf: Sequence[Instrument], heads: Sequence[str]) -> None:
        self._heads = heads
        self._by_id = {each.id: each for each in shelf}
        self._by_name: dict[str, list[Instrument]] = {}
        for each in shelf:
            self._by_name.setdefault(each.name, []).append(each)
        self._faults: list[Fault] = []
        self._named: dict[str, int] = {}

    def plan(self, rows: Sequence[tuple[int, list[str]]]) -> Plan:
        changes = [change for number, cells in rows if (change := self._change(number, cells)) is not None]
        faults = tuple(self._faults[:MOST_FAULTS])
        return Plan(() if faults else tuple(changes), faults)

    def _fault(self, row: int, column: str, sentence: Sentence) -> None:
        self._faults.append(Fault(row, column, sentence))

    def _change(self, row: int, cells: list[str]) -> Change | None:
        before_all = len(self._faults)
        if len(cells) > len(self._heads):
            self._fault(row, "", say("This row has more cells than the first line has columns."))
        said = dict(zip(self._heads, [*map(untamed, cells), *[""] * len(self._heads)], strict=False))
        own = self._instrument(row, said)
        for column, most in LONGEST.items():
            if len(said.get(column, "")) > most:
                self._fault(row, column, say("At most {most} letters go in here.", most=most))
        for column in CONDITIONS:
            if said.get(column, "").lower() not in ANSWERS:
                self._fault(row, column, YES_OR_NO)
        if is_a_date(said.get("label", "")):
            self._fault(row, "label", MADE_A_DATE)
        lengths = self._lengths(row, said, own)
        try:
            check_label(said.get("label"))
        except FitError as error:
            self._fault(row, "label", error.sentence)
        if len(self._faults) > before_all:
            return None
        before = _cells(own) if own is not None else dict.fromkeys(COLUMNS, "")
        after = before | {column: text.lower() if column in CONDITIONS else text for column, text in said.items()}
        after |= {column: as_typed(lengths, column) for column in KINDS}
        cells_that_change = tuple(
            Cell(column, before[column], after[column])
            for column in COLUMNS
            if column != "id" and before[column] != after[column]
        )
        kind = Kind.ADDED if own is None else Kind.CHANGED if cells_that_change else Kind.UNCHANGED
        return Change(row, kind, after["name"], own.id if own else None, cells_that_change, lengths, after)

    def _instrument(self, row: int, said: Mapping[str, str]) -> Instrument | None:
        """The instrument that a row is about; None for a new one, or where that is at fault."""
        name, identity = said["name"], said.get("id", "")
        if not name:
            self._fault(row, "name", say("Please give the instrument a name or a shelf number."))
            return None
        found = [self._by_id[identity]] if identity in self._by_id else self._by_name.get(name, [])
        if identity and identity not in self._by_id:
            self._fault(row, "id", say("No instrument on the shelf has this id; leave it empty for a new one."))
        elif len(found) > 1:
            self._fault(row, "name", say("Several instruments have this name; say by its id which one is meant."))
        own = found[0] if found else None
        first = self._named.setdefault(own.id if own is not None else f"new:{name}", row)
        if first != row:
            self._fault(row, "id" if identity else "name", say("Row {row} is about the same instrument.", row=first))
        return own

    def _lengths(self, row: int, said: Mapping[str, str], own: Instrument | None) -> dict[str, Any]:
        """The lengths after the change, as kept."""
        kept = dict(own.lengths or {}) if own is not None else {}
        sound = True
        for column, kind in KINDS.items():
            text = said.get(column)
            if text is None or text == as_typed(kept, column) or len(text) > LONGEST[column]:
                continue
            try:
                kept[column] = length_json(parse_length(text, kind)) if text else None
            except FitError as error:
                sound = False
                self._fault(row, column, error.sentence)
        if sound:
            try:
                InstrumentLengths(kept_length(kept, "body_length"), kept_length(kept, "total_length"))
            except FitError as error:
                self._fault(row, "body_length", error.sentence)
        return kept


def apply(records: Session, studio_id: str, wanted: Plan, today: date, program_version: str) -> list[Instrument]:
    """Take a plan over.

    Parameters
    ----------
    records : Session
        The one that the plan was made in.
    studio_id : str
    wanted : Plan
    today : date
    program_version : str

    Returns
    -------
    list of Instrument
        Those that were added or changed.

    Raises
    ------
    ValueError
        If the plan has faults.
    """
    if wanted.faults:
        raise ValueError("a table with faults is not taken over")
    touched = []
    for change in wanted.changes:
        if change.kind is Kind.UNCHANGED:
            continue
        if change.instrument_id is None:
            own = Instrument(studio_id=studio_id, measured_on=today, measured_by="typed", automatic=None, notes={})
            records.add(own)
        else:
            own = records.get_one(Instrument, change.instrument_id)
        take_over(own, change.texts, change.lengths, program_version)
        touched.append(own)
    records.flush()
    return touched


def take_over(own: Instrument, texts: Mapping[str, str], lengths: Mapping[str, Any], program_version: str) -> None:
    """Write what a row says into an instrument."""
    if any(lengths.get(column) != (own.lengths or {}).get(column) for column in KINDS):
        own.measured_by = "typed"
    own.name, own.label = texts["name"], texts["label"] or None
    own.lengths = dict(lengths)
    own.notes = (
        dict(own.notes or {}) | {column: ANSWERS[texts[column]] for column in CONDITIONS} | {REMARKS: texts["remarks"]}
    )
    own.program_version = program_version
