"""Single fields of a form, read alike on every page."""

from __future__ import annotations

from fastapi.exceptions import HTTPException
from starlette.datastructures import FormData, UploadFile


def text_field(form: FormData, name: str, most: int = 200) -> str:
    """A field's text, trimmed and cut; empty where absent."""
    value = form.get(name)
    return value.replace("\0", "").strip()[:most] if isinstance(value, str) else ""


async def photo_field(form: FormData, name: str, most_bytes: int) -> bytes | None:
    """An uploaded photo's bytes; None where none was chosen.

    Raises
    ------
    HTTPException
        413 if it is larger than is accepted.
    """
    value = form.get(name)
    if not isinstance(value, UploadFile):
        return None
    content = await value.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise HTTPException(413, "This photo is larger than we accept.")
    return content or None
