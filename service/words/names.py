"""What an instrument is called until somebody names it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Protocol, TypeVar
from unicodedata import combining, normalize

from service.fit.sentences import Translate
from service.words.i18n import LANGUAGES, marked, translator

_NUMBER = re.compile(r"( \d+)?")
"""What tells a child's second instrument from its first."""


_UNMARKED = str.maketrans({"ł": "l", "ø": "o", "đ": "d", "ı": "i"})
"""Letters that are not a plain one with a mark to the standard, and are to whoever looks for a name."""


def plain(name: str) -> str:
    """A name as it is sorted and searched for: small letters without marks (UAX #15, NFKD).

    Examples
    --------
    >>> plain("Łukasz"), plain("İpek"), plain("Çağla Groß")
    ('lukasz', 'ipek', 'cagla gross')
    """
    letters = normalize("NFKD", name.casefold().translate(_UNMARKED))
    return "".join(each for each in letters if not combining(each))


def in_order(name: str) -> list[tuple[int, str]]:
    """A name for sorting, numbers in it by their value.

    Examples
    --------
    >>> sorted(["Shelf 12", "Shelf 3", "shelf 4"], key=in_order)
    ['Shelf 3', 'shelf 4', 'Shelf 12']
    """
    parts = re.findall(r"\d+|\D+", plain(name))
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]


class Named(Protocol):
    """What has a name that somebody typed."""

    @property
    def name(self) -> str:
        """The name as it was typed."""
        ...


N = TypeVar("N", bound=Named)


def by_name(named: Iterable[N]) -> list[N]:
    """What has names, sorted by them; numbers in them by their value."""
    return sorted(named, key=lambda each: in_order(each.name))


def instrument_of(nickname: str, translate: Translate, taken: frozenset[str] = frozenset()) -> str:
    """The name of a child's instrument that nobody named; the first not taken, numbered from the second on.

    Examples
    --------
    >>> instrument_of("Juno", translator("en"), frozenset({"Instrument of Juno"}))
    'Instrument of Juno 2'
    """
    first = translate(marked("Instrument of %(nickname)s")) % {"nickname": nickname}
    names = (first, *(f"{first} {number}" for number in range(2, len(taken) + 2)))
    return next(name for name in names if name not in taken)


def instrument_name(name: str, nickname: str, translate: Translate) -> str:
    """An instrument's name for whoever reads another language than the teacher, in which it was called after its child.

    A name that a person gave stays as it is.
    """
    known = _called_after(name, nickname)
    return name if known is None else instrument_of(nickname, translate) + known[1]


def is_unnamed(name: str, nickname: str) -> bool:
    """Whether nobody named an instrument, so that it is called an instrument by its name already.

    Examples
    --------
    >>> is_unnamed("Instrument of Juno 2", "Juno"), is_unnamed("Shelf 3", "Juno")
    (True, False)
    """
    return _called_after(name, nickname) is not None


def renamed(name: str, before: str, after: str) -> str:
    """An instrument's name when its child gets another nickname; one that a person gave stays as it is.

    Examples
    --------
    >>> renamed("Instrument of Juno 2", "Juno", "J."), renamed("Shelf 3", "Juno", "J.")
    ('Instrument of J. 2', 'Shelf 3')
    """
    known = _called_after(name, before)
    return name if known is None else instrument_of(after, translator(known[0])) + known[1]


def _called_after(name: str, nickname: str) -> tuple[str, str] | None:
    """Language and number of a name that nobody gave; None where somebody did."""
    for code in LANGUAGES:
        first = instrument_of(nickname, translator(code))
        if name.startswith(first) and _NUMBER.fullmatch(name, len(first)):
            return code, name[len(first) :]
    return None
