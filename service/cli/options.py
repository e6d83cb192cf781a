"""Arguments and options that several commands share, and what every command does with a mistake."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import wraps
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from service.measuring.work import ArmQuestion

Command = TypeVar("Command", bound=Callable[..., None])

REFUSED_STATUS = 3
"""Exit status where a photo was refused."""


class Number(click.FloatRange):
    """A number between limits; "nan" is none."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the number."""
        number = super().convert(value, param, ctx)
        if not isfinite(number):
            self.fail(f"{value!r} is not a number.", param, ctx)
        return number


class NewFile(click.Path):
    """A file to write: its folder has to be there before long work begins."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False, writable=True, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Check the place."""
        path = super().convert(value, param, ctx)
        if not path.absolute().parent.is_dir():
            self.fail(f"There is no folder {str(path.parent)!r} to write {path.name!r} into.", param, ctx)
        return path


FILE = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
NEW_FILE = NewFile()
LANGUAGE = click.Choice(["en", "de"])

bar_option = click.option(
    "--bar-mm",
    type=float,
    help="Length of the sheet's 150 mm check bar as you measured it with a ruler.",
)
arm_option = click.option("--arm-mm", help="The arm: V±U in mm, U the expanded (95 %) uncertainty.")
child_option = click.option("--child", "child_photo", type=FILE, help="Photo of the child, instead of the arm.")
chart_option = click.option("--chart", "chart_file", type=FILE, help="Your own chart of sizes (CSV).")
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object.")
language_option = click.option("--language", type=LANGUAGE, default="en", help="Language of the words.")


def in_order(*options: Callable[[Any], Any]) -> Callable[[Command], Command]:
    """One decorator that adds several arguments and options, in this order in the help."""

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


def photo_options(one_json: str, same: str) -> Callable[[Command], Command]:
    """Arguments and options of a command that measures photos.

    Parameters
    ----------
    one_json, same : str
        Help of ``--json`` and of ``--same``.
    """
    return in_order(
        click.argument("photos", nargs=-1, required=True, type=FILE),
        click.option("--same", is_flag=True, help=same),
        bar_option,
        click.option("--json", "as_json", is_flag=True, help=one_json),
        click.option("--picture", type=NEW_FILE, help="Save the first photo with what was measured drawn on it."),
    )


arm_options = in_order(
    click.option(
        "--side", type=click.Choice(["left", "right", "auto"]), default="auto", help="Which arm, the child's own."
    ),
    click.option(
        "--against-wall/--off-wall",
        "against_wall",
        default=None,
        help="Back and back of the hand touch the wall, or not; the photo tells if neither is said.",
    ),
    click.option("--age", "age_years", type=Number(2, 20), help="Age of the child in years, if known."),
    click.option("--stature", "stature_mm", type=Number(600, 2200), help="Standing height in mm, if known."),
)
"""What can be said about the child in a photo; `arm_question` takes them up."""


def sign_option(name: str, question: str) -> Callable[[Any], Any]:
    """The option that answers one of the questions about playing."""
    return click.option(f"--{name.replace('_', '-')}", name, type=click.BOOL, metavar="yes|no", help=question)


def arm_question(options: dict[str, Any], bar_mm: float | None) -> ArmQuestion:
    """The question that the values of `arm_options` make."""
    from service.measuring.work import ArmQuestion

    return ArmQuestion(**options, bar_mm=bar_mm)


def plain_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Make what is wrong with an input a sentence on stderr and exit status 2."""

    @wraps(command)
    def wrapped(*args: Any, **options: Any) -> None:
        from service.fit.errors import FitError
        from service.words.i18n import translator

        try:
            command(*args, **options)
        except FitError as error:
            language = options.get("language", "en")
            raise click.UsageError(error.sentence.text(translator(language), language)) from None

    return wrapped


def read_photos(paths: Sequence[Path]) -> list[tuple[bytes, str]]:
    """Photos as (bytes, name).

    Raises
    ------
    click.UsageError
        If a file cannot be read.
    """
    try:
        return [(path.read_bytes(), path.name) for path in paths]
    except OSError as error:
        raise click.UsageError(f"Cannot read {error.filename}: {error.strerror}.") from None


def read_text(path: Path) -> str:
    """Text of a file that was given.

    Raises
    ------
    click.UsageError
        If it is no text file or cannot be read.
    """
    try:
        return path.read_text("utf-8-sig")
    except UnicodeDecodeError:
        raise click.UsageError(f"{path} is not a text file (UTF-8).") from None
    except OSError as error:
        raise click.UsageError(f"Cannot read {path}: {error.strerror}.") from None


def write(path: Path, data: bytes) -> None:
    """Write a file that was asked for.

    Raises
    ------
    click.UsageError
        If it cannot be written.
    """
    try:
        path.write_bytes(data)
    except OSError as error:
        raise click.UsageError(f"Cannot write {path}: {error.strerror}.") from None
