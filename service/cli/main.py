"""The command line: `scrollreach arm`, `instrument`, `fit`, `sheet`, `serve` and the teacher's other questions."""

from __future__ import annotations

import asyncio
import errno
import json
import os
import socket
import sys
from collections.abc import Callable, Coroutine, Sequence
from io import TextIOWrapper
from os import cpu_count
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from service.cli.asking import options_for
from service.cli.fit_commands import COMMANDS
from service.cli.options import (
    FILE,
    LANGUAGE,
    NEW_FILE,
    REFUSED_STATUS,
    language_option,
    picture_option,
    plain_errors,
    read_own_chart,
    read_photos,
    write,
)
from service.fit.signs import SIGN_QUESTIONS
from service.questions.asked import asked
from service.questions.fitting import FitQuestion
from service.questions.measuring import ArmPhotos, InstrumentPhotos, arms, instruments
from service.words.readable import measurement_text, remarks

if TYPE_CHECKING:
    from service.measuring.pool import MeasuringPool
    from service.measuring.work import Outcome

Answer = TypeVar("Answer")

OF_THE_CHILD = ("side", "against_wall", "age_years", "stature_mm")
PHOTOS = click.argument("photos", nargs=-1, required=True, type=FILE)
FIRST_PICTURE = picture_option("Save the first photo with what was measured drawn on it.")

HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 100, "show_default": True}
SYSTEM_PACKAGES = "libgl1 libegl1 libgles2 libglib2.0-0"


@click.group(context_settings=HELP)
@click.version_option(package_name="scrollreach")
def commands() -> None:
    """Measure a child's arm and an instrument from phone photos, and say whether the instrument fits the child.

    Each photo shows a printed sheet of known size: make it with `scrollreach sheet`. The teacher who sees the child
    play decides; pain, numbness or strain means stop and ask the teacher.
    """


@commands.command()
@PHOTOS
@options_for(ArmPhotos, "same", "bar_mm", "reference")
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="One JSON object per photo, one a line; with --same a last one for the child.",
)
@FIRST_PICTURE
@options_for(ArmPhotos, *OF_THE_CHILD)
@plain_errors
def arm(photos: Sequence[Path], as_json: bool, picture: Path | None, **known: Any) -> None:
    """Measure the arm, from the side of the neck to the middle of the palm.

    Each photo is measured by itself. With --same the photos are compared and, unless they contradict one another,
    joined to one length, which is printed last.
    """
    files, question = read_photos(photos), asked(ArmPhotos, **known)
    outcomes, joint = _measure(lambda pool: arms(pool, question, files), len(files))
    _finish(outcomes if joint is None else [*outcomes, joint], as_json, picture)


@commands.command()
@PHOTOS
@options_for(InstrumentPhotos, "same", "bar_mm", "reference")
@click.option("--json", "as_json", is_flag=True, help="One JSON object per photo (one in all with --same), one a line.")
@FIRST_PICTURE
@options_for(InstrumentPhotos, "sheet_height_mm")
@plain_errors
def instrument(photos: Sequence[Path], as_json: bool, picture: Path | None, **known: Any) -> None:
    """Measure an instrument's body length and total length."""
    files, question = read_photos(photos), asked(InstrumentPhotos, **known)
    _finish(_measure(lambda pool: instruments(pool, question, files), len(files)), as_json, picture)


@commands.command()
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Paper size.")
@click.option(
    "--index",
    type=click.IntRange(1, 4),
    default=1,
    help="Which of four different sheets; several in one photo need different ones.",
)
@click.option(
    "--format", "form", type=click.Choice(["pdf", "png"]), help="Kind of file; if not said, what --out ends in, or PDF."
)
@click.option("--dpi", type=click.IntRange(72, 1200), default=300, help="Dots per inch of a PNG.")
@click.option("--language", type=LANGUAGE, default="en", help="Language of the words on the sheet.")
@click.option("--out", required=True, type=NEW_FILE, help="File to write.")
def sheet(paper: str, index: int, form: str | None, dpi: int, language: str, out: Path) -> None:
    """Make the reference sheet to print, at true size."""
    from calibration.sheet import Paper, SheetLayout
    from calibration.sheet_drawing import sheet_pdf, sheet_png

    layout = SheetLayout(Paper(paper), index)
    form = form or ("png" if out.suffix.lower() == ".png" else "pdf")
    write(out, sheet_pdf(layout, language) if form == "pdf" else sheet_png(layout, dpi, language))
    click.echo(f"Sheet {layout.name} written to {out}. Print it at 100 % and check its bars with a ruler.")


@commands.command()
@options_for(FitQuestion, "child_photos", "arm_length", "instrument_photos", "body_length", "total_length", "label")
@options_for(FitQuestion, "chart", "losses", "bar_mm", "reference", *OF_THE_CHILD, *SIGN_QUESTIONS)
@click.option("--why", is_flag=True, help="Say every reason, how probable, which rule and what limits it.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object with measurements and verdict.")
@picture_option("Save the photos with what was measured drawn on them.")
@language_option
@plain_errors
def fit(
    child_photos: Sequence[Path],
    instrument_photos: Sequence[Path],
    chart: Path | None,
    why: bool,
    as_json: bool,
    picture: Path | None,
    language: str,
    **known: Any,
) -> None:
    """Say whether this instrument fits this child, and what to do: in six lines, or with --why in full."""
    from service.fit.explanation import verdict_text
    from service.questions.fitting import answer
    from service.words.i18n import translator

    question = asked(
        FitQuestion,
        child_photos=tuple(read_photos(child_photos)),
        instrument_photos=tuple(read_photos(instrument_photos)),
        chart=read_own_chart(chart),
        language=language,
        **known,
    )
    result = _measure(lambda pool: answer(pool, question), len(child_photos) + len(instrument_photos))
    if picture is not None and (annotated := result.picture_jpeg()) is not None:
        write(picture, annotated)
    if as_json:
        click.echo(json.dumps(result.as_json(translator(language), language)))
    else:
        for outcome in result.told:
            if why or not outcome.result["usable"]:
                click.echo(measurement_text(outcome.result, translator(language), language))
            else:
                for line in remarks(outcome.result, translator(language)):
                    click.echo(line)
        if result.verdict is not None:
            click.echo(verdict_text(result.verdict, translator(language), language, full=why))
    if not result.all_usable:
        sys.exit(REFUSED_STATUS)


@commands.command()
@click.option("--host", help="Address to listen on; if not said, 127.0.0.1.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to listen on; if not said, 8000.")
@click.option("--role", type=click.Choice(["all", "web", "worker"]), help="What this process does; if not said, all.")
@click.option("--settings", "list_settings", is_flag=True, help="List every setting with its value, and end.")
def serve(host: str | None, port: int | None, role: str | None, list_settings: bool) -> None:
    """Start the pages and the HTTP interface on this machine.

    Settings come from the environment (SCROLLREACH_...) or the file scrollreach.toml in this folder.
    """
    from tomllib import TOMLDecodeError

    from pydantic import ValidationError

    from service.settings import Settings, described, faults, misspelt

    if wrong := misspelt():
        raise click.UsageError("\n".join(wrong))
    said: dict[str, Any] = {
        name: value for name, value in (("host", host), ("port", port), ("role", role)) if value is not None
    }
    try:
        settings = Settings(**said)
    except ValidationError as error:
        raise click.UsageError("\n".join(faults(error))) from None
    except TOMLDecodeError as error:
        raise click.UsageError(f"The file of settings cannot be read: {error}.") from None
    if list_settings:
        for line in described(settings):
            click.echo(f"{line.variable}={line.value}\n    {line.description}")
        return
    _check_address(settings.host, settings.port)
    from service.records.folder import FolderError, make_private
    from service.security import load_or_make_secret
    from service.web.app import run

    try:
        make_private(settings.data_folder)
        load_or_make_secret(settings.secret_file)
    except FolderError as error:
        raise click.UsageError(str(error)) from None
    except ValueError as error:
        raise click.UsageError(f"{error}.") from None
    except OSError as error:
        raise click.UsageError(f"Cannot keep data in {settings.data_folder}: {error.strerror}.") from None
    try:
        run(settings)
    except FolderError as error:
        raise click.UsageError(str(error)) from None


for command in COMMANDS:
    commands.add_command(command)


def main() -> None:
    """Run the command; a missing system library or a full disk is one sentence, not a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal cannot write
    try:
        commands(standalone_mode=True)
    except (ImportError, OSError) as error:
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            _fail_to_write(error)
        if ".so" not in str(error):
            raise
        click.echo(
            f"A system library is missing ({error}).\nOn Debian or Ubuntu: apt-get install {SYSTEM_PACKAGES}", err=True
        )
        sys.exit(1)


def _fail_to_write(error: OSError) -> NoReturn:
    """Say that the answer could not be written, and let nothing be flushed again when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    click.echo(f"Error: Cannot write the answer: {error.strerror}.", err=True)
    sys.exit(1)


def _check_address(host: str, port: int) -> None:
    """Try to listen before anything is started, so that a taken port is one sentence."""
    try:
        kind, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(kind, socket.SOCK_STREAM) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(address)
    except OSError as error:
        raise click.UsageError(f"Cannot listen on {host}, port {port}: {error.strerror}.") from None


def _measure(task: Callable[[MeasuringPool], Coroutine[Any, Any, Answer]], photos: int) -> Answer:
    """Do what measures so many photos in a pool, with a sign of life on a terminal."""
    from rich.console import Console

    from service.measuring.pool import OWN_PHOTO_TIME_LIMIT_S, MeasuringPool

    console = Console(stderr=True)
    with MeasuringPool(max(1, min(photos, cpu_count() or 1)), OWN_PHOTO_TIME_LIMIT_S) as pool:
        if not console.is_terminal:
            return asyncio.run(task(pool))
        with console.status("Measuring"):
            return asyncio.run(task(pool))


def _finish(outcomes: Sequence[Outcome], as_json: bool, picture: Path | None) -> None:
    for outcome in outcomes:
        click.echo(json.dumps(outcome.result) if as_json else measurement_text(outcome.result))
    if picture is not None and outcomes[0].overlay_jpeg is not None:
        write(picture, outcomes[0].overlay_jpeg)
    if not all(outcome.result["usable"] for outcome in outcomes):
        sys.exit(REFUSED_STATUS)
