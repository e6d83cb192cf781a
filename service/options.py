"""Arguments and options that several commands share, and what every command does with a mistake."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., None])

REFUSED_STATUS = 3
"""Exit status where a photo was refused."""

FILE = click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
NEW_FILE = click.Path(dir_okay=False, path_type=Path)
LANGUAGE = click.Choice(["en", "de"])

side_option = click.option(
    "--side", type=click.Choice(["left", "right", "auto"]), default="auto", help="Which arm of the child."
)
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


def photo_options(one_json: str, same: str) -> Callable[[Command], Command]:
    """Arguments and options of a command that measures photos.

    Parameters
    ----------
    one_json, same : str
        Help of ``--json`` and of ``--same``.
    """
    options = (
        click.argument("photos", nargs=-1, required=True, type=FILE),
        click.option("--same", is_flag=True, help=same),
        bar_option,
        click.option("--json", "as_json", is_flag=True, help=one_json),
        click.option("--picture", type=NEW_FILE, help="Save the first photo, annotated."),
    )

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


def plain_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Make what is wrong with an input a sentence on stderr and exit status 2."""

    @wraps(command)
    def wrapped(*args: Any, **options: Any) -> None:
        from service.fit.errors import FitError
        from service.i18n import translator

        try:
            command(*args, **options)
        except FitError as error:
            language = options.get("language", "en")
            raise click.UsageError(error.sentence.text(translator(language), language)) from None

    return wrapped


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
