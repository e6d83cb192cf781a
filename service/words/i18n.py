"""The message catalogue: English source strings in the code, one ``.po`` file for each further language.

``translator("de")`` gives a function from source string to German.  Catalogues are read from their ``.po`` files when a
language is first used, so nothing has to be compiled when the package is built.

Chores, run from the checkout:

    python -m service.words.i18n update    take new source strings into every catalogue, drop those no longer used
    python -m service.words.i18n check     say which translations are missing or lack a French space; status 1 if any is

Source strings are: texts given to ``say``, ``marked`` or ``_`` in the code, messages and advice of every ``Problem``,
the causes named in ``Contribution`` and ``Length.stated``, texts marked in the page templates, the notes at the head of
the charts that come with the program, the help of commands, options and questions, and what settings mean
(`service.words.extracting`).
"""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from babel.core import Locale, negotiate_locale
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from babel.support import Translations

from service.fit.sentences import Translate, unchanged

DOMAIN = "scrollreach"
SOURCE_LANGUAGE = "en"
LANGUAGES = ("en", "de", "fr", "es", "it", "nl", "pl", "ja", "zh", "ar")
LOCALE_DIR = Path(__file__).parent / "locale"

HEADER = "# Messages of Scrollreach; written by `python -m service.words.i18n update`, translated by hand."


PARTED = re.compile("[ \u00a0][;!?]| :|[^\u00a0]»|«[^\u00a0]")
"""Where a French line could break before a sign: a narrow no-break space belongs before ; ! ? and a wide one before :
and inside quotes (usage of French typesetters)."""


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
        return unchanged
    catalogue = translations(code)
    return lambda text: catalogue.gettext(text) if text else text


def reads_from_right(language: str) -> bool:
    """Whether a language is written from right to left (CLDR)."""
    return Locale.parse(language).text_direction == "rtl"


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


def missing(language: str, sources: Iterable[str]) -> list[str]:
    """Those of the source strings without a translation in `language`, or with one marked as uncertain."""
    catalogue = read_catalogue(language)

    def translated(text: str) -> bool:
        message = catalogue.get(text)
        return message is not None and bool(message.string) and not message.fuzzy

    return [text for text in sources if not translated(text)]


def parted() -> list[str]:
    """French translations in which a line could break between a sign and its word."""
    return [str(each.string) for each in read_catalogue("fr") if each.id and PARTED.search(str(each.string))]


def source_strings(sources: Catalog) -> list[str]:
    """Every source string of a checkout, sorted; `sources` as `service.words.extracting.template` gives them."""
    return sorted(str(message.id) for message in sources if message.id)


def update(language: str, sources: Catalog) -> None:
    """Write a language's ``.po`` file with exactly the source strings of `sources`, keeping translations.

    Babel's own command would guess a translation for a changed sentence and mark it as uncertain, and keep those no
    longer used behind the others; here a changed sentence is a new one, and history keeps what is gone.
    """
    catalogue = read_catalogue(language)
    catalogue.header_comment = HEADER
    catalogue.fuzzy = False
    catalogue.update(sources, no_fuzzy_matching=True)
    path = catalogue_path(language)
    path.parent.mkdir(parents=True, exist_ok=True)
    buffer = io.BytesIO()
    write_po(buffer, catalogue, width=110, no_location=True, sort_output=True, ignore_obsolete=True)
    # The header's dates and names would change with every run and say nothing that history does not.
    noise = (b'"POT-Creation', b'"PO-Revision', b'"Last-Transl', b'"Language-Team', b'"Report-Msgid', b'"Project-Id')
    lines = [line for line in buffer.getvalue().splitlines(keepends=True) if not line.startswith(noise)]
    path.write_bytes(b"".join(lines))


def main(arguments: list[str]) -> int:
    """Run a chore; the exit status."""
    if arguments not in (["update"], ["check"]):
        sys.stderr.write("usage: python -m service.words.i18n update|check\n")
        return 2
    from service.words.extracting import template

    sources, status = template(Path(__file__).resolve().parents[2]), 0
    for language in LANGUAGES:
        if language == SOURCE_LANGUAGE:
            continue
        if arguments == ["update"]:
            update(language, sources)
        for text in missing(language, source_strings(sources)):
            status = 1
            sys.stdout.write(f"{language}: no translation: {text}\n")
    for text in parted():
        status = 1
        sys.stdout.write(
            f"fr: no space that holds a sign to its word (U+202F before ; ! ? and U+00A0 elsewhere): {text}\n"
        )
    return status if arguments == ["check"] else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
