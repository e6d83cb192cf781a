"""The command line: `scrollreach arm`, `instrument`, `fit`, `sheet`, `serve` and the teacher's other questions."""

from __future__ import annotations

import asyncio
import json
import socket
import sys
from collections.abc import Awaitable, Callable, Sequence
from os import cpu_count
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from service.cli.fit_commands import COMMANDS
from service.cli.options import (
    FILE,
    LANGUAGE,
    NEW_FILE,
    REFUSED_STATUS,
    Number,
    arm_options,
    arm_question,
    bar_option,
    chart_option,
    in_order,
    language_option,
    photo_options,
    plain_errors,
    read_photos,
    read_text,
    sign_option,
    write,
)
from service.fit.signs import SIGN_QUESTIONS, PlayingSigns
from service.words.readable import measurement_text

if TYPE_CHECKING:
    from service.measuring.pool import MeasuringPool
    from service.measuring.work import Outcome

Answer = TypeVar("Answer")

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
@photo_options(
    one_json="One JSON object per photo, one a line; with --same a last one for the child.",
    same="All photos show the same child: print the length from all of them, too.",
)
@arm_options
@plain_errors
def arm(
    photos: Sequence[Path],
    same: bool,
    bar_mm: float | None,
    as_json: bool,
    picture: Path | None,
    **child: Any,
) -> None:
    """Measure the arm, from the side of the neck to the middle of the palm.

    Each photo is measured by itself. With --same the photos are compared and, unless they contradict one another,
    joined to one length, which is printed last.
    """
    from service.measuring.same_child import check_distinct, together

    files = read_photos(photos)
    question = arm_question(child, bar_mm)
    if same:
        check_distinct(files)
    outcomes = _measure([lambda pool, file=file: pool.arm(*file, question) for file in files], len(files))
    _finish([*outcomes, together(outcomes)] if same and len(files) > 1 else outcomes, as_json, picture)


@commands.command()
@photo_options(
    one_json="One JSON object per photo (one in all with --same), one a line.",
    same="All photos show the same instrument, lying still beside the same sheet: measure it from all together.",
)
@click.option("--sheet-height-mm", type=Number(0, 300), help="Thickness of what the sheet lies on, mm.")
@plain_errors
def instrument(
    photos: Sequence[Path],
    same: bool,
    bar_mm: float | None,
    as_json: bool,
    picture: Path | None,
    sheet_height_mm: float | None,
) -> None:
    """Measure an instrument's body length and total length."""
    from service.measuring.same_child import check_distinct
    from service.measuring.work import InstrumentQuestion

    files = read_photos(photos)
    if same:
        check_distinct(files)
    question = InstrumentQuestion(bar_mm=bar_mm, sheet_height_mm=sheet_height_mm)
    if same and len(files) > 1:
        outcomes = _measure([lambda pool: pool.instrument_together(files, question)], 1)
    else:
        outcomes = _measure([lambda pool, file=file: pool.instrument(*file, question) for file in files], len(files))
    _finish(outcomes, as_json, picture)


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
@click.option(
    "--child", "child_photos", type=FILE, multiple=True, help="Photo of the child; several times for several."
)
@click.option("--arm-mm", help="The arm instead of a photo: V±U in mm, U the expanded (95 %) uncertainty.")
@click.option(
    "--instrument",
    "instrument_photos",
    type=FILE,
    multiple=True,
    help="Photo of the instrument; several times for several of it lying still.",
)
@click.option("--body-mm", help="Body length instead of a photo: V±U in mm.")
@click.option("--total-mm", help="Total length instead of a photo: V±U in mm.")
@click.option("--label", help="The size it is sold as, e.g. 1/8.")
@chart_option
@bar_option
@arm_options
@in_order(*(sign_option(name, question.text()) for name, question in SIGN_QUESTIONS.items()))
@click.option("--json", "as_json", is_flag=True, help="One JSON object with measurements and verdict.")
@click.option("--picture", type=NEW_FILE, help="Save the photos with what was measured drawn on them.")
@language_option
@plain_errors
def fit(
    child_photos: Sequence[Path],
    arm_mm: str | None,
    instrument_photos: Sequence[Path],
    body_mm: str | None,
    total_mm: str | None,
    label: str | None,
    chart_file: Path | None,
    bar_mm: float | None,
    as_json: bool,
    picture: Path | None,
    language: str,
    **options: Any,
) -> None:
    """Say whether this instrument fits this child."""
    from service.fit.chart import read_chart
    from service.fit.explanation import verdict_text
    from service.fit.lengths import parse_length
    from service.questions.fitting import FitQuestion, answer
    from service.words.i18n import translator

    if child_photos and arm_mm is not None:
        raise click.UsageError("Give either --arm-mm or --child.")
    if instrument_photos and (body_mm is not None or total_mm is not None):
        raise click.UsageError("Give either --instrument or --body-mm and --total-mm.")
    question = FitQuestion(
        child_photos=tuple(read_photos(child_photos)),
        instrument_photos=tuple(read_photos(instrument_photos)),
        arm=None if arm_mm is None else parse_length(arm_mm, "arm"),
        body=None if body_mm is None else parse_length(body_mm, "body"),
        total=None if total_mm is None else parse_length(total_mm, "total"),
        label=label,
        chart=None if chart_file is None else read_chart(read_text(chart_file), chart_file.stem),
        signs=PlayingSigns(**{name: options.pop(name) for name in SIGN_QUESTIONS}),
        arm_options=arm_question(options, bar_mm),
        bar_mm=bar_mm,
    )
    result = _measure([lambda pool: answer(pool, question)], len(child_photos) + len(instrument_photos))[0]
    if picture is not None and (annotated := result.picture_jpeg()) is not None:
        write(picture, annotated)
    if as_json:
        click.echo(json.dumps(result.as_json(translator(language), language)))
    else:
        for outcome in result.told:
            click.echo(measurement_text(outcome.result, translator(language), language))
        if result.verdict is not None:
            click.echo(verdict_text(result.verdict, translator(language), language, full=True))
    if not result.all_usable:
        sys.exit(REFUSED_STATUS)


@commands.command()
@click.option("--host", help="Address to listen on; if not said, 127.0.0.1.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to listen on; if not said, 8000.")
@click.option("--settings", "list_settings", is_flag=True, help="List every setting with its value, and end.")
def serve(host: str | None, port: int | None, list_settings: bool) -> None:
    """Start the pages and the HTTP interface on this machine.

    Settings come from the environment (SCROLLREACH_...) or the file scrollreach.toml in this folder.
    """
    from tomllib import TOMLDecodeError

    from pydantic import ValidationError

    from service.settings import Settings, described, faults

    said = {name: value for name, value in (("host", host), ("port", port)) if value is not None}
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
    from sqlalchemy.exc import DatabaseError

    from service.security import load_or_make_secret
    from service.web.app import run

    try:
        load_or_make_secret(settings.secret_file)
    except ValueError as error:
        raise click.UsageError(f"{error}.") from None
    except OSError as error:
        raise click.UsageError(f"Cannot keep data in {settings.data_folder}: {error.strerror}.") from None
    try:
        run(settings)
    except DatabaseError:
        raise click.UsageError(f"{settings.database_file} is damaged; restore it from a backup.") from None


for command in COMMANDS:
    commands.add_command(command)


def main() -> None:
    """Run the command; a missing system library is one sentence, not a traceback."""
    try:
        commands()
    except (ImportError, OSError) as error:
        if ".so" not in str(error):
            raise
        click.echo(
            f"A system library is missing ({error}).\nOn Debian or Ubuntu: apt-get install {SYSTEM_PACKAGES}", err=True
        )
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


def _measure(tasks: Sequence[Callable[[MeasuringPool], Awaitable[Answer]]], photos: int) -> list[Answer]:
    """Run the tasks, which measure so many photos in all, in a pool, with progress on a terminal."""
    from rich.console import Console
    from rich.progress import Progress

    from service.measuring.pool import MeasuringPool

    async def everything(pool: MeasuringPool) -> list[Answer]:
        async def one(task: Callable[[MeasuringPool], Awaitable[Answer]]) -> Answer:
            outcome = await task(pool)
            progress.advance(bar)
            return outcome

        return await asyncio.gather(*(one(task) for task in tasks))

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("Measuring", total=len(tasks))
        with MeasuringPool(max(1, min(photos, cpu_count() or 1))) as pool:
            return asyncio.run(everything(pool))


def _finish(outcomes: Sequence[Outcome], as_json: bool, picture: Path | None) -> None:
    for outcome in outcomes:
        click.echo(json.dumps(outcome.result) if as_json else measurement_text(outcome.result))
    if picture is not None and outcomes[0].overlay_jpeg is not None:
        write(picture, outcomes[0].overlay_jpeg)
    if not all(outcome.result["usable"] for outcome in outcomes):
        sys.exit(REFUSED_STATUS)
