"""Where source strings stand: extraction methods in Babel's form, and which files each one reads.

Templates are read by Jinja's own method.  Python is read by ours, because Babel's takes a call's second string for the
plural of its first and knows no arguments by name, while a `Problem` holds two sentences, by place or by name, and a
`Contribution` one among numbers.
"""

from __future__ import annotations

import ast
import io
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir

ROOMS = ("calibration", "vision", "service")
METHODS = [
    ("**.py", "service.words.extracting:python"),
    ("**.html", "jinja2"),
    ("**/charts/**.csv", "service.words.extracting:chart_note"),
]
"""What reads which files, first fit first, as in a mapping file of Babel's."""

MARKED: dict[str, tuple[int, ...]] = {
    "say": (0,),
    "_": (0,),
    "gettext": (0,),
    "marked": (0,),
    "Problem": (1, 2),
    "Contribution": (0,),
    "stated": (2,),
}
"""Functions whose arguments (by place) are source strings."""

MARKED_BY_NAME = ("message", "advice", "source")
"""Arguments by name that are source strings in those calls."""

Found = Iterator[tuple[int, None, str, list[str]]]


def template(root: Path) -> Catalog:
    """The catalogue of all source strings of a checkout, none translated, each with the files that hold it."""
    catalogue = Catalog(fuzzy=False)
    for room in ROOMS:
        found = extract_from_dir(root / room, METHODS, keywords={"_": None, "gettext": None})
        for file, line, message, _, _ in sorted(found, key=lambda each: each[:2]):
            catalogue.add(message, locations=[(f"{room}/{file}", line)])
    return catalogue


def python(file: IO[bytes], keywords: Any, comment_tags: Any, options: Any) -> Found:
    """Babel's extraction method for Python: strings in calls of `MARKED`."""
    for node in ast.walk(ast.parse(file.read())):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name not in MARKED:
            continue
        marked = [node.args[place] for place in MARKED[name] if place < len(node.args)]
        marked += [keyword.value for keyword in node.keywords if keyword.arg in MARKED_BY_NAME]
        for each in marked:
            if isinstance(each, ast.Constant) and isinstance(each.value, str):
                yield each.lineno, None, each.value, []


def chart_note(file: IO[bytes], keywords: Any, comment_tags: Any, options: Any) -> Found:
    """Babel's extraction method for a chart: the note at its head."""
    from service.fit.chart import read_chart  # brings arithmetic along, which translating does not need

    note = read_chart(io.TextIOWrapper(file, "utf-8").read()).note
    if note:
        yield 1, None, note, []
