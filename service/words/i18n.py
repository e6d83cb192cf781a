"""The message catalogue: English source strings in the code, one ``.po`` file for each further language.

``translator("de")`` gives a function from source string to German.  Catalogues are read from their ``.po`` files when a
language is first used, so nothing has to be compiled when the package is built.

Chores, run from the checkout:

    python -m service.words.i18n update    take new source strings into every catalogue, drop those no longer used
    python -m service.words.i18n check     say which translations are missing; status 1 if any is

Source strings are: texts given to ``say``, ``marked`` or ``_`` in the code, messages and advice of every ``Problem``,
the causes named in ``Contribution`` and ``Length.stated``, texts marked in the page templates, and the notes at the
head of the charts that come with the program.
"""

from __future__ import annotations

import ast
import io
import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

from babel.core import negotiate_locale
from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from babel.support import Translations

DOMAIN = "scrollreach"
SOURCE_LANGUAGE = "en"
LANGUAGES = ("en", "de")
LOCALE_DIR = Path(__file__).parent / "locale"
ROOMS = ("calibration", "vision", "service")

Translate = Callable[[str], str]

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


HEADER = "# Messages of Scrollreach; written by `python -m service.words.i18n update`, translated by hand."


def marked(text: str) -> str:
    """Leave a source string as it is: the call only marks it for the catalogue, to be translated where it is shown."""
    return text


def translator(language: str) -> Translate:
    """Give the function that translates source strings into `language`; unknown languages stay English.

    Parameters
    ----------
    language : str
        Language code, e.g. ``"de"`` or ``"de-AT"``.

    Returns
    -------
    callable
    """
    code = negotiate_language(language)
    if code == SOURCE_LANGUAGE:
        return lambda text: text
    catalogue = translations(code)
    return lambda text: catalogue.gettext(text) if text else text


def negotiate_language(wanted: str | None) -> str:
    """Choose a language from an ``Accept-Language`` header or a code; English if none of them is there."""
    offers = [part.partition(";")[0].strip().replace("-", "_") for part in (wanted or "").split(",")]
    return negotiate_locale([offer for offer in offers if offer], LANGUAGES) or SOURCE_LANGUAGE


@cache
def translations(language: str) -> Translations:
    """Load a language's catalogue, as templates and gettext want it."""
    if language == SOURCE_LANGUAGE:
        return Translations()
    compiled = io.BytesIO()
    write_mo(compiled, read_catalogue(language))
    compiled.seek(0)
    return Translations(compiled, DOMAIN)


def read_catalogue(language: str) -> Catalog:
    """Read a language's ``.po`` file; an empty catalogue if there is none yet."""
    path = catalogue_path(language)
    if not path.is_file():
        return Catalog(locale=language, domain=DOMAIN)
    with path.open("rb") as file:
        return read_po(file, locale=language, domain=DOMAIN)


def catalogue_path(language: str) -> Path:
    """Path of a language's ``.po`` file."""
    return LOCALE_DIR / language / "LC_MESSAGES" / f"{DOMAIN}.po"


def source_strings(root: Path) -> dict[str, set[str]]:
    """Every source string of the checkout, with the files that hold it.

    Parameters
    ----------
    root : Path
        The checkout.

    Returns
    -------
    dict of str to set of str
    """
    found: dict[str, set[str]] = {}
    for room in ROOMS:
        for path in sorted((root / room).rglob("*")):
            reader = {".py": _python_strings, ".html": _template_strings, ".csv": _chart_note}.get(path.suffix)
            if reader is None or not path.is_file():
                continue
            for text in reader(path):
                found.setdefault(text, set()).add(path.relative_to(root).as_posix())
    return found


def missing(language: str, root: Path) -> list[str]:
    """Source strings without a translation in `language`, or with one marked as uncertain."""
    catalogue = read_catalogue(language)

    def translated(text: str) -> bool:
        message = catalogue.get(text)
        return message is not None and bool(message.string) and not message.fuzzy

    return [text for text in sorted(source_strings(root)) if not translated(text)]


def update(language: str, root: Path) -> None:
    """Write a language's ``.po`` file with exactly the present source strings, keeping translations."""
    old = read_catalogue(language)
    new = Catalog(locale=language, domain=DOMAIN, fuzzy=False, header_comment=HEADER)
    for text in sorted(source_strings(root)):
        message = old.get(text)
        translated = message.string if message is not None and not message.fuzzy else ""
        new.add(text, translated)
    path = catalogue_path(language)
    path.parent.mkdir(parents=True, exist_ok=True)
    buffer = io.BytesIO()
    write_po(buffer, new, width=110)
    # The header's dates and names would change with every run and say nothing that history does not.
    noise = (b'"POT-Creation', b'"PO-Revision', b'"Last-Transl', b'"Language-Team', b'"Report-Msgid', b'"Project-Id')
    lines = [line for line in buffer.getvalue().splitlines(keepends=True) if not line.startswith(noise)]
    path.write_bytes(b"".join(lines))


def _python_strings(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name not in MARKED:
            continue
        marked = [node.args[place] for place in MARKED[name] if place < len(node.args)]
        marked += [keyword.value for keyword in node.keywords if keyword.arg in MARKED_BY_NAME]
        yield from (each.value for each in marked if isinstance(each, ast.Constant) and isinstance(each.value, str))


def _template_strings(path: Path) -> Iterator[str]:
    with path.open("rb") as file:
        for _, messages, _, _ in extract("jinja2", file, keywords={"_": None, "gettext": None}):
            yield from ([messages] if isinstance(messages, str) else [each for each in messages if each])


def _chart_note(path: Path) -> Iterator[str]:
    from service.fit.chart import read_chart  # brings arithmetic along, which translating does not need

    note = read_chart(path.read_text(encoding="utf-8"), path.stem).note
    yield from [note] if note else []


def main(arguments: list[str]) -> int:
    """Run a chore; the exit status."""
    root = Path(__file__).resolve().parents[2]
    if arguments not in (["update"], ["check"]):
        sys.stderr.write("usage: python -m service.words.i18n update|check\n")
        return 2
    status = 0
    for language in LANGUAGES:
        if language == SOURCE_LANGUAGE:
            continue
        if arguments == ["update"]:
            update(language, root)
        for text in missing(language, root):
            status = 1
            sys.stdout.write(f"{language}: no translation: {text}\n")
    return status if arguments == ["check"] else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
