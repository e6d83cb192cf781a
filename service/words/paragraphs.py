"""Help texts, as commands show them and the catalogue holds them: paragraph by paragraph."""

from __future__ import annotations

import inspect


def paragraphs(text: str) -> list[str]:
    r"""The paragraphs of a help text, each on one line, as the catalogue holds them.

    Examples
    --------
    >>> paragraphs("Measure the arm.\n\n    Each photo is measured\n    by itself.")
    ['Measure the arm.', 'Each photo is measured by itself.']
    """
    return [" ".join(each.split()) for each in inspect.cleandoc(text).split("\n\n") if each.strip()]
