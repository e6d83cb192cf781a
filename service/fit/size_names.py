"""How people and spreadsheets write the name of a size."""

from __future__ import annotations

import re
import unicodedata

from service.fit.sentences import say

_DATE = re.compile(
    r"^(\d{1,2}[-.\s]+[^\W\d]{3,}\.?|[^\W\d]{3}[-.\s]+\d{2}|\d{1,4}([-./])\d{1,2}\2\d{2,4}|\d{1,2}月\d{1,2}日)$"
)
MADE_A_DATE = say("a spreadsheet made a date of this size; write it like 1/8, as text")


def plain_size(size: str) -> str:
    """A size's name in one spelling: ``⅛``, ``1 / 8``, ``1/8 violin`` become ``1/8``; ``full`` becomes ``4/4``.

    Examples
    --------
    >>> plain_size("⅛ violin"), plain_size("full"), plain_size("１／１６")
    ('1/8', '4/4', '1/16')
    """
    signs = unicodedata.normalize("NFKC", size).strip().lower().replace("full", "4/4")
    text = "".join(str(unicodedata.decimal(sign, sign)) for sign in signs)  # other scripts have digits of their own
    text = text.replace("\N{FRACTION SLASH}", "/").replace(" / ", "/")
    return text.split()[0] if text else ""


def is_a_date(size: str) -> bool:
    """Whether a size is what becomes of 1/8 in a spreadsheet.

    Examples
    --------
    >>> [is_a_date(each) for each in ("01. Aug", "8-Jan", "Jan-08", "2026-01-08", "1月8日", "1/8", "1/8 violin")]
    [True, True, True, True, True, False, False]
    """
    return _DATE.match(size) is not None
