"""Single fields of a form, read alike on every page."""

from __future__ import annotations

from collections.abc import Iterable

from fastapi.exceptions import HTTPException
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request

from service.records.tables import LONGEST_EMAIL
from service.settings import LargestFiles
from service.words.i18n import marked
from vision.clip_files import is_clip

LONGEST_FIELD = 8000
"""Letters of the longest field of all, a pasted chart; our choice, ten times a large one."""
WRITTEN_AT_LENGTH = {
    "note": marked("A word from you"),
    "words": marked("Notes on tuning and sound"),
    "csv": marked("CSV with the columns size, arm_from, arm_to, body_length, total_length"),
}
"""Fields for more than a line, with their labels."""


def text_field(form: FormData, name: str, most: int = 200) -> str:
    """A field's text, trimmed and cut; empty where absent."""
    value = form.get(name)
    return value.replace("\0", "").strip()[:most] if isinstance(value, str) else ""


def email_field(form: FormData) -> str:
    """The e-mail address by which a teacher is known, in small letters; empty where absent."""
    return text_field(form, "email", LONGEST_EMAIL).lower()


async def written_at_length(request: Request) -> dict[str, str]:
    """What somebody wrote at length into a form that cannot be taken, by the field's label, to be copied from there."""
    if not request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        return {}
    form = await request.form()
    written = {label: text_field(form, name, LONGEST_FIELD) for name, label in WRITTEN_AT_LENGTH.items()}
    return {label: text for label, text in written.items() if text}


class FileTooLarge(HTTPException):
    """Raised where a photo or film is larger than is accepted."""

    def __init__(self, film: bool) -> None:
        what = "This film is larger than we accept." if film else "This photo is larger than we accept."
        super().__init__(413, what)
        self.film = film


async def photo_fields(form: FormData, names: Iterable[str], largest: LargestFiles, most: int) -> list[bytes]:
    """The photos and films of several fields, each once, in their order; empty where none was chosen.

    Parameters
    ----------
    form : FormData
    names : iterable of str
        Names of the fields.
    largest : LargestFiles
    most : int
        How many are read; what is chosen beyond that is left.

    Raises
    ------
    FileTooLarge
    """
    found: dict[bytes, None] = {}
    for name in names:
        for value in form.getlist(name):
            content = await _content(value, largest)
            if content is not None and len(found) < most:
                found[content] = None
    return list(found)


async def _content(value: object, largest: LargestFiles) -> bytes | None:
    """What a chosen file holds; a phone that has not fetched it from its cloud hands over an empty one."""
    if not isinstance(value, UploadFile) or not value.filename:  # without a name nothing was chosen
        return None
    content = await value.read(largest.any_bytes + 1)
    if len(content) > largest.of(content):
        raise FileTooLarge(is_clip(content))
    return content
