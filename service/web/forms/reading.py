"""Single fields of a form, read alike on every page."""

from __future__ import annotations

from collections.abc import Iterable

from fastapi.exceptions import HTTPException
from starlette.datastructures import FormData, UploadFile


def text_field(form: FormData, name: str, most: int = 200) -> str:
    """A field's text, trimmed and cut; empty where absent."""
    value = form.get(name)
    return value.replace("\0", "").strip()[:most] if isinstance(value, str) else ""


async def photo_fields(form: FormData, names: Iterable[str], most_bytes: int, most: int) -> list[bytes]:
    """The photos of several fields, each once, in their order; empty where none was chosen.

    Parameters
    ----------
    form : FormData
    names : iterable of str
        Names of the fields.
    most_bytes : int
        Largest photo.
    most : int
        How many are read; what is chosen beyond that is left.

    Raises
    ------
    HTTPException
        413 if one is larger than is accepted.
    """
    found: dict[bytes, None] = {}
    for name in names:
        for value in form.getlist(name):
            content = await _content(value, most_bytes)
            if content and len(found) < most:
                found[content] = None
    return list(found)


async def _content(value: object, most_bytes: int) -> bytes | None:
    if not isinstance(value, UploadFile):
        return None
    content = await value.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise HTTPException(413, "This photo is larger than we accept.")
    return content or None
