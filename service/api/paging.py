"""Long lists in pages: a cursor says where the last one ended, so that what is added meanwhile moves nothing."""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import HTTPException, Query
from pydantic import Field

from service.security import from_base64url, to_base64url

MOST_IN_A_PAGE = 500
"""Rows of one page; our choice, a few hundred kilobytes."""
LONGEST_CURSOR = 600
"""Letters of a cursor; our choice, a name of sixty letters in any script and an identity."""

Limit = Annotated[int, Query(ge=1, le=MOST_IN_A_PAGE, description="How many at most.")]
Cursor = Annotated[
    str | None,
    Query(max_length=LONGEST_CURSOR, description="The `next_cursor` of the page before; none for the first."),
]
Identity = Annotated[str, Field(pattern="^[0-9a-f]{32}$")]
"""Of one row, as lists name it (`service.records.columns.fresh_id`)."""


def cursor_of(*last: str) -> str:
    """A cursor behind a row.

    Examples
    --------
    >>> read_cursor(cursor_of("Shelf 12", "0f"), 2)
    ('Shelf 12', '0f')
    """
    return to_base64url(json.dumps(last, separators=(",", ":")).encode())


def read_cursor(cursor: str | None, parts: int) -> tuple[str, ...] | None:
    """The row behind which a page begins; None for the first page.

    Raises
    ------
    HTTPException
        422 where it is none of ours.
    """
    if cursor is None:
        return None
    try:
        last = json.loads(from_base64url(cursor))
        sound = isinstance(last, list) and len(last) == parts and all(isinstance(each, str) for each in last)
        "".join(last if sound else []).encode()
    except (ValueError, RecursionError):
        sound = False
    if not sound or any("\0" in each for each in last):
        raise HTTPException(422, "This cursor is none of ours.")
    return tuple(last)
