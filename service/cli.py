"""The command line: `scrollreach arm`, `instrument`, `fit`, `sheet`, `serve` and the teacher's other questions."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Awaitable, Callable, Sequence
from os import cpu_count
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from service.fit_commands import COMMANDS
from service.readable import measurement_text

if TYPE_CHECKING:
    from service.measuring import MeasuringPool, Outcome

Answer = TypeVar("Answer")

REFUSED_STATUS = 3
SYSTEM_PACKAGES = "libgl1 libegl1 libgles2 libglib2.0-0"

PHOTO = click.Path(exists=True, dir_okay=False, path_type=Path)


BAR = click.option("--bar-mm", type=float, help="Length of the sheet's check bar as you measured it with a ruler.")
HEIGHT = click.option("--sheet-height-mm", type=click.FloatRange(0, 300), help="Thickness of what the sheet lies on.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="scrollreach")
def commands() -> None:
    """Measure a child's arm and an instrument from phone photos, and say whether the instrument fits the child.

    Each photo shows a printed sheet of known size: make it with `scrollreach sheet`. The teacher who sees the child
    play decides; pain, numbness or strain means stop and ask the teacher.
    """


@commands.command()
@click.argument("photos", nargs=-1, required=True, type=PHOTO)
@click.option("--side", type=click.Choice(["left", "right", "auto"]), default="auto", help="Which arm of the child.")
@click.option("--against-wall/--off-wall", "against_wall", default=None, help="Back and hand touch the wall, or not.")
@click.option("--age", "age_years", type=click.FloatRange(2, 20), help="Age in years, if known.")
@click.option("--stature", "stature_mm", type=click.FloatRange(600, 2200), help="Standing height in mm, if known.")
@BAR
@click.option("--json", "as_json", is_flag=True, help="One JSON object per photo, one a line.")
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Save the first photo, annotated.")
def arm(
    photos: Sequence[Path],
    side: str,
    against_wall: bool | None,
    age_years: float | None,
    stature_mm: float | None,
    bar_mm: float | None,
    as_json: bool,
    picture: Path | None,
) -> None:
    """Measure the arm, from the side of the neck to the middle of the palm.

    Several photos are taken to be of the same child; their combined length is printed last.
    """
    from service.measuring import ArmQuestion

    question = ArmQuestion(side, age_years, stature_mm, against_wall, bar_mm=bar_mm)
    outcomes = _measure(
        [lambda pool, path=path: pool.arm(path.read_bytes(), path.name, question) for path in photos], len(photos)
    )
    _finish(outcomes, as_json, picture)


@commands.command()
@click.argument("photos", nargs=-1, required=True, type=PHOTO)
@click.option("--same", is_flag=True, help="All photos show the same instrument, lying still beside the same sheet.")
@HEIGHT
@BAR
@click.option("--json", "as_json", is_flag=True, help="One JSON object per photo (one in all with --same), one a line.")
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Save the first photo, annotated.")
def instrument(
    photos: Sequence[Path],
    same: bool,
    sheet_height_mm: float | None,
    bar_mm: float | None,
    as_json: bool,
    picture: Path | None,
) -> None:
    """Measure an instrument's body length and total length."""
    files = [(path.read_bytes(), path.name) for path in photos]
    known = {"bar_mm": bar_mm, "sheet_height_mm": sheet_height_mm}
    if same and len(files) > 1:
        outcomes = _measure([lambda pool: pool.instrument_together(files, **known)], 1)
    else:
        outcomes = _measure([lambda pool, file=file: pool.instrument(*file, **known) for file in files], len(files))
    _finish(outcomes, as_json, picture)


@commands.command()
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Paper size.")
@click.option("--index", type=click.IntRange(1, 4), default=1, help="Which of the four sheets that go into one photo.")
@click.option("--format", "form", type=click.Choice(["pdf", "png"]), default="pdf", help="Kind of file.")
@click.option("--dpi", type=click.IntRange(72, 1200), default=300, help="Dots per inch of a PNG.")
@click.option("--language", type=click.Choice(["en", "de"]), default="en", help="Language of the words on the sheet.")
@click.option("--out", required=True, type=click.Path(dir_okay=False, path_type=Path), help="File to write.")
def sheet(paper: str, index: int, form: str, dpi: int, language: str, out: Path) -> None:
    """Make the reference sheet to print, at true size."""
    from calibration.sheet import Paper, SheetLayout
    from calibration.sheet_drawing import sheet_pdf, sheet_png

    layout = SheetLayout(Paper(paper), index)
    _write(out, sheet_pdf(layout, language) if form == "pdf" else sheet_png(layout, dpi, language))
    click.echo(f"Sheet {layout.name} written to {out}. Print it at 100 % and check its bars with a ruler.")


@commands.command()
@click.option("--child", "child_photo", type=PHOTO, help="Photo of the child.")
@click.option("--arm-mm", help="The arm instead of a photo: V±U in mm, U the expanded (95 %) uncertainty.")
@click.option(
    "--instrument",
    "instrument_photos",
    type=PHOTO,
    multiple=True,
    help="Photo of the instrument; twice for two photos.",
)
@click.option("--body-mm", help="Body length instead of a photo: V±U in mm.")
@click.option("--total-mm", help="Total length instead of a photo: V±U in mm.")
@click.option("--label", help="The size it is sold as, e.g. 1/8.")
@click.option("--chart", "chart_file", type=PHOTO, help="Your own chart of sizes (CSV).")
@click.option("--side", type=click.Choice(["left", "right", "auto"]), default="auto", help="Which arm of the child.")
@BAR
@click.option("--json", "as_json", is_flag=True, help="One JSON object with measurements and verdict.")
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), help="Save the annotated photos.")
@click.option("--language", type=click.Choice(["en", "de"]), default="en", help="Language of the verdict.")
def fit(
    child_photo: Path | None,
    arm_mm: str | None,
    instrument_photos: Sequence[Path],
    body_mm: str | None,
    total_mm: str | None,
    label: str | None,
    chart_file: Path | None,
    side: str,
    bar_mm: float | None,
    as_json: bool,
    picture: Path | None,
    language: str,
) -> None:
    """Say whether this instrument fits this child."""
    from service.fit.chart import read_chart
    from service.fit.errors import FitError
    from service.fit.lengths import parse_length
    from service.fitting import FitQuestion, answer
    from service.i18n import translator
    from service.measuring import ArmQuestion
    from service.readable import measurement_text, verdict_text

    try:
        question = FitQuestion(
            child_photo=None if child_photo is None else (child_photo.read_bytes(), child_photo.name),
            instrument_photos=tuple((path.read_bytes(), path.name) for path in instrument_photos),
            arm=None if arm_mm is None else parse_length(arm_mm, "arm"),
            body=None if body_mm is None else parse_length(body_mm, "body"),
            total=None if total_mm is None else parse_length(total_mm, "total"),
            label=label,
            chart=None if chart_file is None else read_chart(chart_file.read_text("utf-8-sig"), chart_file.stem),
            arm_options=ArmQuestion(side, bar_mm=bar_mm),
            bar_mm=bar_mm,
        )
        result = _measure([lambda pool: answer(pool, question)], 2)[0]
    except FitError as error:
        raise click.UsageError(str(error)) from None
    if picture is not None and (annotated := result.picture_jpeg()) is not None:
        _write(picture, annotated)
    if as_json:
        click.echo(json.dumps(result.as_json(translator(language), language)))
    else:
        for outcome in (result.child, result.instrument):
            if outcome is not None:
                click.echo(measurement_text(outcome.result))
        if result.verdict is not None:
            click.echo(verdict_text(result.verdict, translator(language), language))
    if result.verdict is None:
        sys.exit(REFUSED_STATUS)


@commands.command()
@click.option("--host", help="Address to listen on.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to listen on.")
def serve(host: str | None, port: int | None) -> None:
    """Start the pages and the HTTP interface on this machine."""
    from service.settings import Settings
    from service.web.app import run

    said = {name: value for name, value in (("host", host), ("port", port)) if value is not None}
    run(Settings(**said))


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


def _measure(tasks: Sequence[Callable[[MeasuringPool], Awaitable[Answer]]], photos: int) -> list[Answer]:
    """Run the tasks, which measure so many photos in all, in a pool, with progress on a terminal."""
    from rich.console import Console
    from rich.progress import Progress

    from service.measuring import MeasuringPool

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


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise click.UsageError(f"Cannot write {path}: {error.strerror}.") from None


def _finish(outcomes: Sequence[Outcome], as_json: bool, picture: Path | None) -> None:
    for outcome in outcomes:
        click.echo(json.dumps(outcome.result) if as_json else measurement_text(outcome.result))
    if picture is not None and outcomes[0].overlay_jpeg is not None:
        _write(picture, outcomes[0].overlay_jpeg)
    if not all(outcome.result["usable"] for outcome in outcomes):
        sys.exit(REFUSED_STATUS)
