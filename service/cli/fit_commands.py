"""The teacher's other questions on the command line: `tape`, `order`, `growth`, `compare`, `assign`."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Sequence
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from service.cli.asking import options_for
from service.cli.options import (
    FILE,
    NEW_FILE,
    PHOTO_OF_THE_CHILD,
    PRESENT,
    REFUSED_STATUS,
    json_option,
    language_option,
    plain_errors,
    read_own_chart,
    read_photos,
    read_text,
    write,
)
from service.cli.words import _
from service.fit.sentences import Value, say
from service.fit.signs import SIGN_QUESTIONS
from service.measuring.results import OTHER_LENGTHS
from service.questions.asked import MOST_YEARS, Signs, asked
from service.questions.assigning import AssignQuestion
from service.questions.comparing import MOST_CHILDREN, MOST_INSTRUMENTS, ClassQuestion, ComparisonQuestion
from service.questions.growing import GrowthQuestion
from service.questions.ordering import OrderQuestion
from service.questions.tape import TapeQuestion
from service.words.i18n import marked, translator

if TYPE_CHECKING:
    from service.fit.assessment import InstrumentLengths
    from service.fit.ranking import Ranked
    from service.fit.signs import InstrumentCondition
    from service.fit.verdict import Verdict


@click.command()
@click.argument("reading")
@options_for(TapeQuestion, "arm_length")
@PHOTO_OF_THE_CHILD
@options_for(TapeQuestion, *OTHER_LENGTHS)
@json_option
@language_option
@plain_errors
def tape(
    reading: str, arm_length: str | None, child_photo: Path | None, as_json: bool, language: str, **others: Any
) -> None:
    """Check a tape READING (V±U) against the arm of a photo, and name the likely slip where they disagree.

    Exit status 3 where they do.
    """
    from service.fit.tape import Agreement, tape_sentences
    from service.questions.tape import answer

    measured = _arm(arm_length, child_photo, language, as_json)
    typed = {name: text for name, text in others.items() if text is not None}
    known = {name: length for name, length in measured.items() if name in ("arm_length", *OTHER_LENGTHS)} | typed
    check = answer(asked(TapeQuestion, reading=reading, **known))
    _print(check, tape_sentences(check), as_json, language)
    if check.outcome is Agreement.INCONSISTENT:
        sys.exit(REFUSED_STATUS)


@click.command()
@options_for(OrderQuestion, "arm_length")
@PHOTO_OF_THE_CHILD
@options_for(OrderQuestion, "chart", "losses", "growth_mm", "lasting_months", "age_years", "stretch")
@PRESENT
@options_for(Signs, *SIGN_QUESTIONS)
@click.option("--drawing", type=NEW_FILE, help="Write the measuring drawing (SVG).")
@json_option
@language_option
@plain_errors
def order(
    arm_length: str | None,
    child_photo: Path | None,
    chart: Path | None,
    present: str | None,
    drawing: Path | None,
    as_json: bool,
    language: str,
    **more: Any,
) -> None:
    """Say what to order for this arm: limits of body and total length that any shop can check."""
    from service.fit.order import order_sentences
    from service.fit.order_drawing import drawing_svg
    from service.questions.ordering import answer

    arm = _arm(arm_length, child_photo, language, as_json)["arm_length"]
    signs = {name: more.pop(name) for name in SIGN_QUESTIONS}
    question = asked(
        OrderQuestion, arm_length=arm, chart=read_own_chart(chart), present=_present(present, signs), **more
    )
    wanted = answer(question)
    if drawing is not None:
        write(drawing, drawing_svg(translator(language), language).encode())
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
@options_for(GrowthQuestion, "sex")
@click.option("--body-mm", help="Body length of the present instrument, V±U in mm.")
@click.option("--total-mm", help="Total length of the present instrument, V±U in mm.")
@options_for(GrowthQuestion, "chart", "losses", "months")
@json_option
@language_option
@plain_errors
def growth(
    measurements: Sequence[str],
    body_mm: str | None,
    total_mm: str | None,
    chart: Path | None,
    as_json: bool,
    language: str,
    **more: Any,
) -> None:
    """Say how the arm will grow, and when the present instrument is outgrown."""
    from service.fit.growth import growth_sentences
    from service.questions.growing import answer

    lengths = {name: text for name, text in (("body_length", body_mm), ("total_length", total_mm)) if text}
    question = asked(
        GrowthQuestion,
        measurements=[_dated(text) for text in measurements],
        instrument=lengths or None,
        chart=read_own_chart(chart),
        **more,
    )
    found = answer(question)
    _print(found, growth_sentences(found), as_json, language)
    if found.suspects:
        sys.exit(REFUSED_STATUS)


@click.command()
@options_for(ComparisonQuestion, "arm_length")
@PHOTO_OF_THE_CHILD
@click.option("--shelf", "shelf_file", type=FILE, help="Instruments (CSV: name,label,body_length,total_length).")
@click.option(
    "--instrument",
    "instruments",
    multiple=True,
    metavar="NAME=BODY,TOTAL",
    help="One instrument, lengths as V±U in mm; several times for several.",
)
@click.option("--class", "class_file", type=FILE, help="Children (CSV: name,arm) for one instrument.")
@click.option(
    "--first",
    type=click.IntRange(1, MOST_INSTRUMENTS),
    help="How many to name; if not said, 10 instruments, or all children.",
)
@options_for(ComparisonQuestion, "chart", "losses")
@PRESENT
@options_for(Signs, *SIGN_QUESTIONS)
@json_option
@language_option
@plain_errors
def compare(
    arm_length: str | None,
    child_photo: Path | None,
    shelf_file: Path | None,
    instruments: Sequence[str],
    class_file: Path | None,
    first: int | None,
    chart: Path | None,
    losses: str | None,
    present: str | None,
    as_json: bool,
    language: str,
    **signs: bool | None,
) -> None:
    """Rank instruments for one child, or children for one instrument (--class)."""
    listed: list[tuple[InstrumentLengths, InstrumentCondition] | dict[str, Any]] = []
    listed += _shelf(shelf_file, language) if shelf_file is not None else []
    listed += [_instrument(text) for text in instruments]
    if not listed:
        raise click.UsageError(_("Give instruments with --shelf or --instrument."))
    shared: dict[str, Any] = {"chart": read_own_chart(chart), "losses": losses}
    if first is not None:
        shared["first"] = first if class_file is None else min(first, MOST_CHILDREN)
    played = _present(present, signs)
    if class_file is None:
        arm = _arm(arm_length, child_photo, language, as_json)["arm_length"]
        question = asked(ComparisonQuestion, arm_length=arm, instruments=listed, present=played, **shared)
        _print_ranking(question, as_json, language)
        return
    if played is not None:
        raise click.UsageError(_("What is seen while playing belongs to one child; leave it out with --class."))
    if arm_length is not None or child_photo is not None:
        raise click.UsageError(_("With --class the arms are in the list; leave out --arm-mm and --child."))
    if len(listed) != 1:
        raise click.UsageError(_("With --class give exactly one instrument."))
    _print_class(listed[0], read_text(class_file), shared, as_json, language)


def _print_ranking(question: ComparisonQuestion, as_json: bool, language: str) -> None:
    from service.fit.fingers import finger_room, room_difference
    from service.questions.comparing import ranking

    ranked, translate = ranking(question), translator(language)
    rooms = [finger_room(each.instrument) for each in ranked]
    if as_json:
        told = [None if room is None else room.as_json(translate, language) for room in rooms]
        found = [each.as_json() | {"finger_room": room} for each, room in zip(ranked, told, strict=True)]
        click.echo(json.dumps({"ranking": found}))
        return
    for each in ranked:
        name, size = each.instrument.name or "", _sold_and_measured(each.instrument.label, each.size, language)
        _print_row(each, language, name=name, size=size)
    _say_unnamed(len(question.instruments) - len(ranked), language)
    if len(rooms) == 2 and rooms[0] is not None and rooms[1] is not None:
        click.echo(room_difference(rooms[0], rooms[1]).text(translate, language))


def _print_class(instrument: Any, listed: str, shared: dict[str, Any], as_json: bool, language: str) -> None:
    from service.fit.shelf import read_class
    from service.fit.verdict_json import verdict_json
    from service.questions.comparing import class_verdicts

    arms = read_class(listed)
    verdicts = class_verdicts(asked(ClassQuestion, instrument=instrument, arms=arms, **shared))
    if as_json:
        children = [
            {"name": name} | verdict_json(each, translator(language), language) for name, each in verdicts.items()
        ]
        click.echo(json.dumps({"children": children}))
    else:
        for name, each in verdicts.items():
            _print_row(each, language, name=name)
        _say_unnamed(len(arms) - len(verdicts), language)


def _say_unnamed(count: int, language: str) -> None:
    """Say beside a list that there are more."""
    if count:
        said = say("{count} more are not named here; --first names more.", count=count)
        click.echo(said.text(translator(language), language), err=True)


@click.command()
@click.option(
    "--shelf", "shelf_file", type=FILE, required=True, help="Instruments (CSV: name,label,body_length,total_length)."
)
@click.option("--class", "class_file", type=FILE, required=True, help="Children (CSV: name,arm).")
@options_for(AssignQuestion, "chart", "losses")
@json_option
@language_option
@plain_errors
def assign(
    shelf_file: Path, class_file: Path, chart: Path | None, losses: str | None, as_json: bool, language: str
) -> None:
    """Give the instruments of a shelf to a class at the least expected loss, and say what remains to be ordered."""
    from service.fit.shelf import read_class
    from service.questions.assigning import answer

    shelf, arms = _shelf(shelf_file, language), read_class(read_text(class_file))
    loans = answer(
        asked(AssignQuestion, arms=arms, instruments=list(shelf), chart=read_own_chart(chart), losses=losses)
    )
    translate = translator(language)
    if as_json:
        click.echo(json.dumps({"loans": [each.as_json(translate, language) for each in loans]}))
        return
    for each in loans:
        click.echo(each.sentence().text(translate, language))


def _shelf(file: Path, language: str) -> tuple[tuple[InstrumentLengths, InstrumentCondition], ...]:
    """What stands on a shelf; what is lent is named and left aside."""
    from service.fit.shelf import lent_out, read_shelf

    text = read_text(file)
    there, away = read_shelf(text), lent_out(text)
    if away:
        said = say("Lent out, and left aside: {names}.", names=", ".join(away))
        click.echo(said.text(translator(language), language), err=True)
    return there


def _arm(typed: str | None, child_photo: Path | None, language: str, as_json: bool) -> dict[str, Any]:
    """The arm, typed or measured with the photo's other lengths; ends the command where the photo is refused."""
    if typed is not None and child_photo is None:
        return {"arm_length": typed}
    if child_photo is not None and typed is None:
        return _measured(child_photo, language, as_json)
    raise click.UsageError(_("Give either --arm-mm or --child."))


def _measured(child_photo: Path, language: str, as_json: bool) -> dict[str, Any]:
    from service.measuring.pool import OWN_PHOTO_TIME_LIMIT_S, MeasuringPool
    from service.measuring.results import ARM_LENGTHS, kept_length, translated
    from service.words.readable import measurement_text, remarks

    with MeasuringPool(1, OWN_PHOTO_TIME_LIMIT_S) as pool:
        outcome = asyncio.run(pool.arm(*read_photos([child_photo])[0]))
    translate = translator(language)
    if not outcome.result["usable"]:
        click.echo(measurement_text(outcome.result, translate, language), err=True)
        if as_json:  # as `fit` has it
            click.echo(json.dumps({"usable": False, "child": translated(outcome.result, translate)}))
        sys.exit(REFUSED_STATUS)
    for line in remarks(outcome.result, translate):
        click.echo(line, err=True)
    lengths = {name: kept_length(outcome.result, name) for name in ARM_LENGTHS}
    return {name: length for name, length in lengths.items() if length is not None}


def _dated(text: str) -> dict[str, Any]:
    age, equals, arm = text.partition("=")
    try:
        years = float(age.replace(",", "."))
    except ValueError:
        years = nan
    if not equals or not isfinite(years) or abs(years) > MOST_YEARS:  # the arm was written first
        raise click.UsageError(_("“{text}” is not a measurement; write it like 6.5=440±10.").format(text=text))
    return {"age_years": years, "arm_length": arm}


def _instrument(text: str) -> dict[str, Any]:
    name, equals, lengths = text.partition("=")
    body, __, total = (part.strip() for part in lengths.partition(","))
    if not equals or not name.strip() or not (body or total):
        raise click.UsageError(_("“{text}” is not an instrument; write it like A=255±2,421±3.").format(text=text))
    return _filled(name=name, body_length=body, total_length=total)


def _present(text: str | None, signs: dict[str, bool | None]) -> dict[str, Any] | None:
    """The present instrument with what is seen while the child plays it."""
    seen = {name: answer for name, answer in signs.items() if answer is not None}
    if text is None:
        if seen:
            raise click.UsageError(_("What is seen while playing needs the instrument it is seen on: give --present."))
        return None
    body, __, total = (part.strip() for part in text.partition(","))
    return _filled(body_length=body, total_length=total) | seen


def _filled(**typed: str) -> dict[str, Any]:
    return {field: value for field, value in typed.items() if value}


def _print(result: Any, sentences: Sequence[Any], as_json: bool, language: str) -> None:
    translate = translator(language)
    if as_json:
        click.echo(json.dumps(result.as_json(translate, language)))
    else:
        for sentence in sentences:
            click.echo(sentence.text(translate, language))


def _sold_and_measured(label: str | None, size: str, language: str) -> str:
    """The size that an instrument measures like, beside the one that it is sold as: in the words of the counter."""
    translate = translator(language)
    if label is None:
        return translate(marked("measures like %(size)s")) % {"size": size}
    return translate(marked("sold as %(label)s, measures like %(size)s")) % {"label": label, "size": size}


def _print_row(found: Ranked | Verdict, language: str, **named: str) -> None:
    """What is known and what to do, of an instrument or a child; in a ranking also how it stands beside the next."""
    from service.fit.explanation import ACTION_NAMES, CLASS_NAMES
    from service.fit.sentences import Percent

    words: dict[str, Value] = {
        **named,
        "action": ACTION_NAMES[found.action],
        "decision": CLASS_NAMES[found.decision],
        "fits": Percent(found.probabilities.fits),
        "too_large": Percent(found.probabilities.too_large),
    }
    beside = getattr(found, "against_next", None)
    if "size" not in named:
        line = say("{name}: {action}; {decision}; fits {fits}, too large {too_large}", **words)
    elif beside is None:
        line = say("{name} ({size}): {action}; {decision}; fits {fits}, too large {too_large}", **words)
    else:
        line = say(
            "{name} ({size}): {action}; {decision}; fits {fits}, too large {too_large}; {beside}",
            **words,
            beside=beside.sentence(),
        )
    click.echo(line.text(translator(language), language))
