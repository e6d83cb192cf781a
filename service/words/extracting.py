"""Where source strings stand: extraction methods in Babel's form, and which files each one reads.

Templates are read by Jinja's own method.  Python is read by ours, because Babel's takes a call's second string for the
plural of its first and knows no arguments by name, while a `Problem` holds two sentences, by place or by name, and a
`Contribution` one among numbers.
"""

from __future__ import annotations

import ast
import io
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir

from service.words.paragraphs import paragraphs

ROOMS = ("calibration", "vision", "service")
METHODS = [
    ("cli/**.py", "service.words.extracting:commands"),
    ("questions/**.py", "service.words.extracting:questions"),
    ("settings.py", "service.words.extracting:questions"),
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

IN_COMMANDS: dict[str, tuple[int, ...]] = {"option": (), "picture_option": (0,), "Later": (1,)}
IN_QUESTIONS: dict[str, tuple[int, ...]] = {"Field": ()}
HELP_BY_NAME = ("help", "description")
"""The same for the help of options, and for the fields of questions, of which options are made."""

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
    yield from _in_calls(ast.parse(file.read()), MARKED)


def questions(file: IO[bytes], keywords: Any, comment_tags: Any, options: Any) -> Found:
    """Babel's extraction method for questions and settings: what their fields mean, too."""
    yield from _in_calls(ast.parse(file.read()), MARKED | IN_QUESTIONS)


def commands(file: IO[bytes], keywords: Any, comment_tags: Any, options: Any) -> Found:
    """Babel's extraction method for commands: the help of options, and that of commands, paragraph by paragraph."""
    tree = ast.parse(file.read())
    yield from _in_calls(tree, MARKED | IN_COMMANDS)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and any(
            isinstance(each, ast.Call) and _name(each) in ("command", "group") for each in node.decorator_list
        ):
            for text in paragraphs(ast.get_docstring(node) or ""):
                yield node.lineno, None, text, []


def _in_calls(tree: ast.Module, functions: Mapping[str, tuple[int, ...]]) -> Found:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or _name(node) not in functions:
            continue
        by_name = MARKED_BY_NAME if _name(node) in MARKED else HELP_BY_NAME
        marked = [node.args[place] for place in functions[_name(node)] if place < len(node.args)]
        marked += [keyword.value for keyword in node.keywords if keyword.arg in by_name]
        for each in marked:
            if isinstance(each, ast.Constant) and isinstance(each.value, str):
                yield each.lineno, None, each.value, []


def _name(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def chart_note(file: IO[bytes], keywords: Any, comment_tags: Any, options: Any) -> Found:
    """Babel's extraction method for a chart: the note at its head."""
    from service.fit.chart_table import read_chart  # brings arithmetic along, which translating does not need

    note = read_chart(io.TextIOWrapper(file, "utf-8").read()).note
    if note:
        yield 1, None, note, []
