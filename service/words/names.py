"""What an instrument is called until somebody names it."""

from __future__ import annotations

from service.fit.sentences import Translate
from service.words.i18n import LANGUAGES, marked, translator


def instrument_of(nickname: str, translate: Translate) -> str:
    """The name of a child's instrument that nobody named."""
    return translate(marked("Instrument of %(nickname)s")) % {"nickname": nickname}


def instrument_name(name: str, nickname: str, translate: Translate) -> str:
    """An instrument's name for whoever reads another language than the teacher, in which it was called after its child.

    A name that a person gave stays as it is.
    """
    unnamed = {instrument_of(nickname, translator(code)) for code in LANGUAGES}
    return instrument_of(nickname, translate) if name in unnamed else name
