"""The commands that measure photos: `arm`, `instrument`, `fit`."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable, Coroutine, Sequence
from os import cpu_count
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from service.cli.asking import options_for
from service.cli.options import (
    FILE,
    REFUSED_STATUS,
    language_option,
    picture_option,
    plain_errors,
    read_own_chart,
    read_photos,
    write_picture,
)
from service.cli.words import _
from service.fit.signs import SIGN_QUESTIONS
from service.measuring.results import is_all_used, translated
from service.questions.asked import asked
from service.questions.fitting import FitQuestion
from service.questions.measuring import ArmPhotos, InstrumentPhotos, arms, instruments
from service.words.i18n import translator
from service.words.readable import measurement_text, remarks

if TYPE_CHECKING:
    from service.measuring.outcome import Outcome
    from service.measuring.pool import MeasuringPool

Answer = TypeVar("Answer")

OF_THE_CHILD = ("side", "against_wall", "age_years", "stature_mm")
OF_THE_INSTRUMENT = ("sheet_height_mm", "in_case")
PHOTOS = click.argument("photos", nargs=-1, required=True, type=FILE)
FIRST_PICTURE = picture_option("Save the first photo with what was measured drawn on it.")


@click.command()
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
@language_option
@plain_errors
def arm(photos: Sequence[Path], as_json: bool, picture: Path | None, language: str, **known: Any) -> None:
    """Measure the arm, from the side of the neck to the middle of the palm.

    Each photo is measured by itself. With --same the photos are compared and, unless they contradict one another,
    joined to one length, which is printed last.
    """
    files, question = read_photos(photos), asked(ArmPhotos, language=language, **known)
    outcomes, joint = _measure(lambda pool: arms(pool, question, files), len(files))
    _finish(outcomes if joint is None else [*outcomes, joint], as_json, picture, language)


@click.command()
@PHOTOS
@options_for(InstrumentPhotos, "same", "bar_mm", "reference")
@click.option("--json", "as_json", is_flag=True, help="One JSON object per photo (one in all with --same), one a line.")
@FIRST_PICTURE
@options_for(InstrumentPhotos, *OF_THE_INSTRUMENT)
@language_option
@plain_errors
def instrument(photos: Sequence[Path], as_json: bool, picture: Path | None, language: str, **known: Any) -> None:
    """Measure an instrument's body length and total length."""
    files, question = read_photos(photos), asked(InstrumentPhotos, language=language, **known)
    _finish(_measure(lambda pool: instruments(pool, question, files), len(files)), as_json, picture, language)


@click.command()
@options_for(FitQuestion, "child_photos", "arm_length", "instrument_photos", "body_length", "total_length", "label")
@options_for(FitQuestion, "chart", "losses", "bar_mm", "reference", *OF_THE_CHILD, *OF_THE_INSTRUMENT, *SIGN_QUESTIONS)
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

    if picture is not None and not (child_photos or instrument_photos):
        raise click.UsageError(_("There is no photo to draw into: leave out --picture, or give one."))
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
        write_picture(picture, annotated)
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
    if not result.all_used:
        sys.exit(REFUSED_STATUS)


def _measure(task: Callable[[MeasuringPool], Coroutine[Any, Any, Answer]], photos: int) -> Answer:
    """Do what measures so many photos in a pool, with a sign of life on a terminal."""
    from rich.console import Console

    from service.measuring.pool import OWN_PHOTO_TIME_LIMIT_S, MeasuringPool

    console = Console(stderr=True)
    with MeasuringPool(max(1, min(photos, cpu_count() or 1)), OWN_PHOTO_TIME_LIMIT_S) as pool:
        if not console.is_terminal:
            return asyncio.run(task(pool))
        with console.status(_("Measuring")):
            return asyncio.run(task(pool))


def _finish(outcomes: Sequence[Outcome], as_json: bool, picture: Path | None, language: str) -> None:
    translate = translator(language)
    for outcome in outcomes:
        if as_json:
            click.echo(json.dumps(translated(outcome.result, translate)))
        else:
            click.echo(measurement_text(outcome.result, translate, language))
    if picture is not None and outcomes[0].overlay_jpeg is not None:
        write_picture(picture, outcomes[0].overlay_jpeg)
    if not all(is_all_used(outcome.result) for outcome in outcomes):
        sys.exit(REFUSED_STATUS)
