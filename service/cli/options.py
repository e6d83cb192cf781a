"""Arguments and options that several commands share, and what every command does with a mistake."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import wraps
from math import inf, isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from service.cli.words import _, spoken_language
from service.words.i18n import LANGUAGES

if TYPE_CHECKING:
    from service.fit.chart import Chart

Command = TypeVar("Command", bound=Callable[..., None])

LARGEST_FILE_BYTES = 100_000_000
"""Larger files are not even read; what is accepted is said by `vision.photo`. Our choice."""
REFUSED_STATUS = 3
"""Exit status where a photo was refused."""
PICTURE_KINDS = (".jpg", ".jpeg", ".png")
"""How the name of a picture that we write may end."""
SHEET_KINDS = (".pdf", ".png", "")
"""How the name of a sheet may end."""


class Number(click.FloatRange):
    """A number between limits, if there are any, with a decimal point or comma; "nan" is none.

    Where it is one of mm, whoever wrote cm is told so.
    """

    name = "number"

    def __init__(self, least: float | None = None, most: float | None = None, in_mm: bool = False) -> None:
        super().__init__(least, most)
        self.in_mm = in_mm

    def _describe_range(self) -> str:
        """What the help says of the limits."""
        return "" if self.min is None and self.max is None else super()._describe_range()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the number."""
        plain: Any = value.replace(",", ".") if isinstance(value, str) else value
        try:
            number = super().convert(plain, param, ctx)
        except click.BadParameter:
            self._refuse_cm(plain, param, ctx)
            raise
        if not isfinite(number):
            self.fail(_("{value!r} is not a number.").format(value=value), param, ctx)
        return number

    def _refuse_cm(self, plain: Any, param: click.Parameter | None, ctx: click.Context | None) -> None:
        """Say what to write where the number is in mm and would be within its limits as one of cm."""
        with suppress(ValueError, TypeError):
            mm = 10 * float(plain)
            least, most = -inf if self.min is None else self.min, inf if self.max is None else self.max
            if self.in_mm and least <= mm <= most:
                said = _("{value} mm cannot be right here. If it is {value} cm, write {mm}.")
                self.fail(said.format(value=plain, mm=f"{mm:g}"), param, ctx)


class NewFile(click.Path):
    """A file to write: its folder has to be there before long work begins."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False, writable=True, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Check the place."""
        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        if not path.absolute().parent.is_dir():
            said = _("There is no folder {folder!r} to write {file!r} into.")
            self.fail(said.format(folder=str(path.parent), file=path.name), param, ctx)
        return path


class SheetFile(NewFile):
    """A sheet to write: as PDF where its name says no kind."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Check place and name."""
        path = super().convert(value, param, ctx)
        if path.suffix.lower() not in SHEET_KINDS:
            said = _("{file!r} is not the name of a sheet that we write: it has to end in .pdf or .png.")
            self.fail(said.format(file=path.name), param, ctx)
        return path


class PictureFile(NewFile):
    """A picture to write, of the kind that its name says."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Check place and name."""
        path = super().convert(value, param, ctx)
        if path.suffix.lower() not in PICTURE_KINDS:
            said = _("{file!r} is not the name of a picture that we write: it has to end in .jpg or .png.")
            self.fail(said.format(file=path.name), param, ctx)
        return path


FILE = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
NEW_FILE = NewFile()
LANGUAGE = click.Choice(LANGUAGES)

PHOTO_OF_THE_CHILD = click.option("--child", "child_photo", type=FILE, help="Photo of the child, instead of the arm.")
PRESENT = click.option(
    "--present",
    metavar="BODY,TOTAL",
    help="The instrument that the child plays now, lengths as V±U in mm, with what is seen while it does:",
)
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object.")
language_option = click.option(
    "--language",
    type=LANGUAGE,
    default=spoken_language,
    show_default=False,
    help="Language of the words; if not said, the shell's.",
)


def picture_option(words: str) -> Callable[[Command], Command]:
    """The option that saves what was drawn."""
    return click.option("--picture", type=PictureFile(), help=words)


def plain_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Make what is wrong with an input a sentence on stderr and exit status 2."""

    @wraps(command)
    def wrapped(*args: Any, **options: Any) -> None:
        from service.fit.errors import FitError
        from service.words.i18n import translator

        try:
            command(*args, **options)
        except FitError as error:
            language = options.get("language", spoken_language())
            raise click.UsageError(error.sentence.text(translator(language), language)) from None

    return wrapped


def read_photos(paths: Sequence[Path]) -> list[tuple[bytes, str]]:
    """Photos as (bytes, name).

    Raises
    ------
    click.UsageError
        If a file cannot be read.
    """
    for path in paths:
        if not path.is_file():  # a device such as /dev/zero has no end
            raise click.UsageError(_("{path} is not a file.").format(path=path))
        if path.stat().st_size > LARGEST_FILE_BYTES:
            said = _("{path} is larger than {limit} MB, and so no photo of ours.")
            raise click.UsageError(said.format(path=path, limit=LARGEST_FILE_BYTES // 10**6))
    try:
        return [(path.read_bytes(), path.name) for path in paths]
    except OSError as error:
        raise click.UsageError(_cannot_read(error.filename, error)) from None


def read_own_chart(path: Path | None) -> Chart | None:
    """A teacher's own chart; None where none was given.

    Raises
    ------
    ChartError
        With the row and the reason.
    click.UsageError
        If it is no text file or cannot be read.
    """
    from service.fit.chart_table import read_chart

    return None if path is None else read_chart(read_text(path), path.stem)


def read_text(path: Path) -> str:
    """Text of a file that was given.

    Raises
    ------
    click.UsageError
        If it is no text file or cannot be read.
    """
    if not path.is_file():  # a device such as /dev/zero has no end
        raise click.UsageError(_("{path} is not a file.").format(path=path))
    try:
        return path.read_text("utf-8-sig")
    except UnicodeDecodeError:
        raise click.UsageError(_("{path} is not a text file (UTF-8).").format(path=path)) from None
    except OSError as error:
        raise click.UsageError(_cannot_read(path, error)) from None


def write(path: Path, data: bytes) -> None:
    """Write a file that was asked for.

    Raises
    ------
    click.UsageError
        If it cannot be written; then no part of a new file is left.
    """
    is_new = not path.exists()
    try:
        path.write_bytes(data)
    except OSError as error:
        if is_new:
            with suppress(OSError):  # where nothing can be written nothing can be taken away, and nothing was begun
                path.unlink()
        said = _("Cannot write {path}: {reason}.")
        raise click.UsageError(said.format(path=path, reason=error.strerror)) from None


def write_picture(path: Path, jpeg: bytes) -> None:
    """Write a picture, given as a JPEG file, as the kind that its name says; raises as `write`."""
    if path.suffix.lower() == ".png":
        from PIL import Image

        png = io.BytesIO()
        Image.open(io.BytesIO(jpeg)).save(png, "PNG")
        write(path, png.getvalue())
    else:
        write(path, jpeg)


def _cannot_read(path: object, error: OSError) -> str:
    return _("Cannot read {path}: {reason}.").format(path=path, reason=error.strerror)
