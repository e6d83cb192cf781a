"""The teacher's other questions on the command line: `tape`, `order`, `growth`, `compare`."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from service.cli.options import (
    FILE,
    NEW_FILE,
    REFUSED_STATUS,
    Number,
    arm_option,
    chart_option,
    child_option,
    json_option,
    language_option,
    plain_errors,
    read_photos,
    read_text,
    write,
)

if TYPE_CHECKING:
    from calibration.quantity import Length
    from service.fit.chart import Chart
    from service.fit.sentences import Translate


@click.command()
@click.argument("reading")
@arm_option
@child_option
@click.option("--wrist-mm", help="Neck to wrist from the same photo, V±U in mm.")
@click.option("--fingertip-mm", help="Neck to fingertip from the same photo, V±U in mm.")
@click.option("--shoulder-mm", help="Shoulder to palm from the same photo, V±U in mm.")
@click.option("--spine-mm", help="Spine to palm from the same photo, V±U in mm.")
@json_option
@language_option
@plain_errors
def tape(
    reading: str,
    arm_mm: str | None,
    child_photo: Path | None,
    wrist_mm: str | None,
    fingertip_mm: str | None,
    shoulder_mm: str | None,
    spine_mm: str | None,
    as_json: bool,
    language: str,
) -> None:
    """Check a tape READING (V±U) against the arm of a photo, and name the likely slip where they disagree."""
    from service.fit.lengths import parse_length
    from service.fit.tape import check_tape, tape_sentences

    arm, others = _arm(arm_mm, child_photo, language)
    typed = {
        "neck_to_wrist": wrist_mm,
        "neck_to_fingertip": fingertip_mm,
        "shoulder_to_palm": shoulder_mm,
        "spine_to_palm": spine_mm,
    }
    others |= {name: parse_length(text, "tape") for name, text in typed.items() if text is not None}
    check = check_tape(parse_length(reading, "tape"), arm, others)
    _print(check, tape_sentences(check), as_json, language)


@click.command()
@arm_option
@child_option
@chart_option
@click.option("--growth-mm", type=Number(0, 100), help="Growth of the arm to allow for, mm.")
@click.option("--lasting-months", type=click.IntRange(1, 60), help="Or: how long it shall fit; needs --age.")
@click.option("--age", "age_years", type=float, help="Age of the child in years, for --lasting-months.")
@click.option("--stretch", is_flag=True, help="Allow a stretch below quarter size; the playing signs are good.")
@click.option("--drawing", type=NEW_FILE, help="Write the measuring drawing (SVG).")
@json_option
@language_option
@plain_errors
def order(
    arm_mm: str | None,
    child_photo: Path | None,
    chart_file: Path | None,
    growth_mm: float | None,
    lasting_months: int | None,
    age_years: float | None,
    stretch: bool,
    drawing: Path | None,
    as_json: bool,
    language: str,
) -> None:
    """Say what to order for this arm: limits of body and total length that any shop can check."""
    from service.fit.growth import allowance_mm
    from service.fit.order import drawing_svg, order_sentences
    from service.fit.order import order as work_out

    if (lasting_months is None) != (age_years is None):
        raise click.UsageError("--lasting-months and --age go together: give --age, or neither.")
    if lasting_months is not None and growth_mm is not None:
        raise click.UsageError("Give either --growth-mm or --lasting-months.")
    arm = _arm(arm_mm, child_photo, language)[0]
    if lasting_months is not None and age_years is not None:
        growth_mm = allowance_mm(arm, age_years, lasting_months)
    wanted = work_out(arm, _chart(chart_file), growth_mm or 0.0, stretch)
    if drawing is not None:
        write(drawing, drawing_svg(_translate(language), language).encode())
    _print(wanted, order_sentences(wanted), as_json, language)


@click.command()
@click.option(
    "--at",
    "measurements",
    multiple=True,
    required=True,
    metavar="AGE=ARM",
    help="A measurement: age in years = arm as V±U in mm; several times for several.",
)
@click.option("--sex", type=click.Choice(["girl", "boy"]), help="Of the child, if known.")
@click.option("--body-mm", help="Body length of the present instrument, V±U in mm.")
@click.option("--total-mm", help="Total length of the present instrument, V±U in mm.")
@chart_option
@click.option("--months", type=click.IntRange(1, 60), default=24, help="How many months to look ahead.")
@json_option
@language_option
@plain_errors
def growth(
    measurements: Sequence[str],
    sex: Literal["girl", "boy"] | None,
    body_mm: str | None,
    total_mm: str | None,
    chart_file: Path | None,
    months: int,
    as_json: bool,
    language: str,
) -> None:
    """Say how the arm will grow, and when the present instrument is outgrown."""
    from service.fit.assessment import InstrumentLengths
    from service.fit.growth import growth_sentences, predict
    from service.fit.lengths import parse_length

    history = [_dated(text) for text in measurements]
    instrument = None
    if body_mm or total_mm:
        body = parse_length(body_mm, "body") if body_mm else None
        instrument = InstrumentLengths(body, parse_length(total_mm, "total") if total_mm else None)
    found = predict(history, sex, _chart(chart_file), instrument, months)
    _print(found, growth_sentences(found), as_json, language)


@click.command()
@arm_option
@child_option
@click.option("--shelf", "shelf_file", type=FILE, help="Instruments (CSV: name,label,body_length,total_length).")
@click.option(
    "--instrument",
    "instruments",
    multiple=True,
    metavar="NAME=BODY,TOTAL",
    help="One instrument, lengths as V±U in mm; several times for several.",
)
@click.option("--class", "class_file", type=FILE, help="Children (CSV: name,arm) for one instrument.")
@click.option("--first", type=click.IntRange(1), default=10, help="How many to print.")
@chart_option
@json_option
@language_option
@plain_errors
def compare(
    arm_mm: str | None,
    child_photo: Path | None,
    shelf_file: Path | None,
    instruments: Sequence[str],
    class_file: Path | None,
    first: int,
    chart_file: Path | None,
    as_json: bool,
    language: str,
) -> None:
    """Rank instruments for one child, or children for one instrument (--class)."""
    from service.fit.fingers import finger_room, room_difference
    from service.fit.ranking import judge_class, rank
    from service.fit.shelf import read_class, read_shelf
    from service.fit.verdict_json import verdict_json

    chart = _chart(chart_file)
    listed = list(read_shelf(read_text(shelf_file))) if shelf_file is not None else []
    listed += [_instrument(text) for text in instruments]
    if not listed:
        raise click.UsageError("Give instruments with --shelf or --instrument.")
    if class_file is None:
        ranked = rank(_arm(arm_mm, child_photo, language)[0], listed, chart)[:first]
        rooms = [finger_room(each.instrument) for each in ranked]
        if as_json:
            told = [None if room is None else room.as_json(_translate(language), language) for room in rooms]
            ranking = [each.as_json() | {"finger_room": room} for each, room in zip(ranked, told, strict=True)]
            click.echo(json.dumps({"ranking": ranking}))
            return
        _print_rows([(each.instrument.name or "", each.size, each) for each in ranked], language)
        if len(rooms) == 2 and rooms[0] is not None and rooms[1] is not None:
            click.echo(room_difference(rooms[0], rooms[1]).text(_translate(language), language))
        return
    if arm_mm is not None or child_photo is not None:
        raise click.UsageError("With --class the arms are in the list; leave out --arm-mm and --child.")
    if len(listed) != 1:
        raise click.UsageError("With --class give exactly one instrument.")
    verdicts = judge_class(read_class(read_text(class_file)), listed[0], chart)
    if as_json:
        translate = _translate(language)
        children = [{"name": name} | verdict_json(each, translate, language) for name, each in verdicts.items()]
        click.echo(json.dumps({"children": children}))
    else:
        _print_rows([(name, each.size, each) for name, each in list(verdicts.items())[:first]], language)


COMMANDS: tuple[click.Command, ...] = (tape, order, growth, compare)
"""Commands for the group in `service.cli.main`."""


def _arm(arm_mm: str | None, child_photo: Path | None, language: str) -> tuple[Length, dict[str, Length | None]]:
    """The arm, typed or measured, and the photo's other lengths; ends the command where the photo is refused."""
    from service.fit.lengths import parse_length

    if arm_mm is not None and child_photo is None:
        return parse_length(arm_mm, "arm"), {}
    if child_photo is not None and arm_mm is None:
        return _measured(child_photo, language)
    raise click.UsageError("Give either --arm-mm or --child.")


def _measured(child_photo: Path, language: str) -> tuple[Length, dict[str, Length | None]]:
    from calibration.quantity import length_from_json
    from service.measuring.pool import MeasuringPool
    from service.measuring.results import ARM_LENGTHS
    from service.measuring.work import ArmQuestion
    from service.words.readable import measurement_text

    with MeasuringPool(1) as pool:
        outcome = asyncio.run(pool.arm(*read_photos([child_photo])[0], ArmQuestion()))
    if not outcome.result["usable"]:
        click.echo(measurement_text(outcome.result, _translate(language), language), err=True)
        sys.exit(REFUSED_STATUS)
    lengths = {name: length_from_json(outcome.result[name]) for name in ARM_LENGTHS if outcome.result[name] is not None}
    return lengths["arm_length"], dict(lengths)


def _chart(chart_file: Path | None) -> Chart:
    from service.fit.chart import default_chart, read_chart

    if chart_file is None:
        return default_chart()
    return read_chart(read_text(chart_file), chart_file.stem)


def _dated(text: str) -> Any:
    from service.fit.growth import DatedArm
    from service.fit.lengths import parse_length

    age, equals, arm = text.partition("=")
    try:
        years = float(age.replace(",", "."))
    except ValueError:
        years = float("nan")
    if not equals or years != years:
        raise click.UsageError(f"“{text}” is not a measurement; write it like 6.5=440±10.")
    return DatedArm(years, parse_length(arm, "arm"))


def _instrument(text: str) -> Any:
    from service.fit.assessment import InstrumentLengths
    from service.fit.lengths import parse_length

    name, equals, lengths = text.partition("=")
    body, comma, total = lengths.partition(",")
    if not equals or not name.strip() or not (body.strip() or total.strip()):
        raise click.UsageError(f"“{text}” is not an instrument; write it like A=255±2,421±3.")
    return InstrumentLengths(
        parse_length(body, "body") if body.strip() else None,
        parse_length(total, "total") if comma and total.strip() else None,
        name=name,
    )


def _translate(language: str) -> Translate:
    from service.words.i18n import translator

    return translator(language)


def _print(result: Any, sentences: Sequence[Any], as_json: bool, language: str) -> None:
    translate = _translate(language)
    if as_json:
        click.echo(json.dumps(result.as_json(translate, language)))
    else:
        for sentence in sentences:
            click.echo(sentence.text(translate, language))


def _print_rows(rows: Sequence[tuple[str, str, Any]], language: str) -> None:
    """One line each: name, size, decision, how probable it fits and, in a ranking, suits better than the next."""
    from service.fit.explanation import CLASS_NAMES
    from service.fit.sentences import Percent, say

    translate = _translate(language)
    for name, size, found in rows:
        line = say(
            "{name} ({size}): {decision}; fits {fits}, too large {too_large}",
            name=name,
            size=size,
            decision=CLASS_NAMES[found.decision],
            fits=Percent(found.probabilities.fits),
            too_large=Percent(found.probabilities.too_large),
        ).text(translate, language)
        better = getattr(found, "suits_better", None)
        if better is not None:
            line += "; " + say("better than the next {p}", p=Percent(better)).text(translate, language)
        click.echo(line)
