"""Words of the pages in the language a test walks them in, from the catalogue that the pages themselves are made of."""

from __future__ import annotations

from collections.abc import Callable

from service.words.i18n import LANGUAGES, SOURCE_LANGUAGE, read_catalogue, translator

Said = Callable[[str], str]


def spoken(language: str) -> Said:
    """A function from an English sentence, or from its unmistakable beginning, to the whole sentence in `language`."""
    source = next(code for code in LANGUAGES if code != SOURCE_LANGUAGE)
    known = [str(message.id) for message in read_catalogue(source) if message.id]
    say = translator(language)

    def said(beginning: str) -> str:
        found = [text for text in known if text == beginning] or [text for text in known if text.startswith(beginning)]
        assert len(found) == 1, f"{beginning!r} begins {len(found)} sentences of the catalogue"
        return say(found[0])

    return said
