"""Which passwords are taken: long enough, and not among those that are tried first.

The estimate is that of zxcvbn (Wheeler, USENIX Security 2016): its packaged lists hold the passwords seen most often in
breaches, names and words, and it knows keyboard rows, dates, repetitions and common replacements of letters.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.web.language import marked

SHORTEST, LONGEST = 10, 200
"""Letters: two more than NIST SP 800-63B, 5.1.1.2, asks for; and far more than anybody types."""
READ = 72
"""Letters that the estimate looks at, its own limit: a longer password is judged by its beginning."""
GOOD_SCORE = 3
"""The estimate's own class of a hundred million tries and more: years, at the tries we let through."""

SHORT = marked("Please choose a password of at least ten characters.")
LONG = marked("Please choose a password of at most 200 characters.")
NOT_TWICE = marked("The two passwords differ.")
TRIED_FIRST = marked(
    "This password is among those that are tried first. Please choose another one, such as a short sentence."
)


def password_fault(password: str, twice: str, about: Iterable[str]) -> str | None:
    """What is wrong with a new password; None where nothing is.

    Parameters
    ----------
    password, twice : str
        As typed, both times.
    about : iterable of str
        What others know of its owner: name, address, studio.
    """
    if len(password) < SHORTEST:
        return SHORT
    if len(password) > LONGEST:
        return LONG
    if password != twice:
        return NOT_TWICE
    return TRIED_FIRST if _is_tried_first(password, about) else None


def _is_tried_first(password: str, about: Iterable[str]) -> bool:
    from zxcvbn import zxcvbn  # its lists take memory and are seldom needed

    known = [part for text in about for part in (text, *text.replace("@", " ").replace(".", " ").split()) if part]
    return bool(zxcvbn(password[:READ], user_inputs=["scrollreach", *known])["score"] < GOOD_SCORE)
