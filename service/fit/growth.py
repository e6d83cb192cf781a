"""How a child's arm will grow, and when the present instrument is outgrown.

A child's arm goes on as `service.fit.growth_process` says: about the median of its age, at a level and for a while at a
rate of its own.

The same process tells whether a measurement contradicts growth: each is predicted from the others, and the worst one
that lies more than three standard deviations off is set aside, until the rest agree.  A measurement clearly shorter
than the one before it is likewise a likely mistake.  What is set aside is left out of the prediction if two or more
others agree; of two that disagree nobody can say which is wrong, so both stay in.  By a last measurement that is set
aside nothing is decided (`service.fit.choosing`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, sqrt
from typing import Any

import numpy as np

from calibration.anthropometry import Sex, median_arm_mm
from calibration.arrays import Array
from calibration.quantity import EXACT_MM, Length
from service.fit.assessment import InstrumentLengths, assess
from service.fit.chart import Chart, ChartRow
from service.fit.choosing import choose
from service.fit.decision import DECISIONS, Action, Decision, decide
from service.fit.errors import GrowthError
from service.fit.growth_process import CONTRADICTION, Readings, kernel
from service.fit.lengths import PLAUSIBLE_MM, check_plausible, linear, widened
from service.fit.losses import LOSSES, Losses
from service.fit.sentences import Millimetres, Number, Sentence, Translate, Value, say, unchanged
from service.fit.weighing import best_size

UNEXPLAINED = 2.5
"""Standard deviations by which a child's own growth must differ from what heights explain to be told; ours."""

LEAST_SPAN_YEARS = 0.25
"""Readings closer than this say nothing about a rate, years; ours: an arm grows 6 mm in that time."""

FITS_ALREADY = (Decision.FITS, Decision.SMALL_OR_FITS, Decision.TOO_SMALL)
"""What is known of a next size that fits already: what is likely by growth alone is a half chance."""

AGES = (3.0, 13.0)
LAST_AGE = 15.0
Z_TEN = 1.2815515655446004
"""Standard normal quantile of 90 %."""

SHRUNK = 2.0
"""Standard uncertainties by which an arm must be shorter than the one before for the later to be wrong: arms do not
shrink; ours."""


@dataclass(frozen=True, slots=True)
class DatedArm:
    """An arm measured at an age in years."""

    age_years: float
    arm: Length


@dataclass(frozen=True, slots=True)
class GrowthPoint:
    """Arm expected some months after the last measurement, mm: in 8 of 10 children between low and high."""

    months: float
    low_mm: float
    likely_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """Months until an arm length is passed by a fast tenth, a half, and nine tenths of children; None: not in time."""

    early: float | None
    likely: float | None
    late: float | None


@dataclass(frozen=True)
class Growth:
    """What growth brings.

    Attributes
    ----------
    points : tuple of GrowthPoint
        One a month from the last measurement on.
    rate_mm_per_year : float
        Typical growth of the arm over the first year, mm.
    outgrown : Crossing or None
        When the present instrument becomes too small; None without an instrument or where it never does.
    next_size : str or None
        The chart's next larger size, by the present instrument's lengths and not by its label: what the verdict on it
        says to take instead; else those that serve the arm worse than a still larger one
        (`service.fit.weighing.best_size`) are passed over.
    next_body_mm : float or None
        Body length of that size, mm.
    next_fits : Crossing or None
        When that size begins to fit.
    fits : Crossing or None
        When the present instrument begins to fit; None unless the arm is still too short for it.
    known : Decision or None
        What is known of the present instrument at the last measurement by the lengths, as a verdict says it.
    next_known : Decision or None
        The same of the next size, as the chart has it.
    cut : bool
        Whether the points end before the time that was asked for, since nothing is known of later ages.
    doubted : bool
        Whether the last measurement is one of those that contradict growth, or the only one that is left.
    against : DatedArm or None
        Of two measurements that contradict one another the one that is not named: nobody can say which is wrong.
    suspects : tuple of int
        Places, as given, of measurements that contradict growth.
    unusual : bool
        Whether the arm is far from other children's of that age.
    unexplained : float or None
        Growth a year between the first and the last reading, mm, where heights do not explain it; None otherwise.
    named : tuple of DatedArm
        The measurements that contradict growth.
    """

    points: tuple[GrowthPoint, ...]
    rate_mm_per_year: float
    outgrown: Crossing | None
    next_size: str | None
    next_fits: Crossing | None
    suspects: tuple[int, ...]
    unusual: bool
    unexplained: float | None = None
    named: tuple[DatedArm, ...] = ()
    next_body_mm: float | None = None
    fits: Crossing | None = None
    known: Decision | None = None
    next_known: Decision | None = None
    cut: bool = False
    doubted: bool = False
    against: DatedArm | None = None

    @property
    def next_in_words(self) -> dict[str, Value]:
        """The next size as sentences name it: with its body length, since a label says little."""
        return {"size": self.next_size or "", "body": Millimetres(self.next_body_mm or 0.0)}

    def grown_mm(self, months: int) -> float:
        """By how much the arm will likely have grown so many months on, or where the points end, mm."""
        return self.points[min(months, len(self.points) - 1)].likely_mm - self.points[0].likely_mm

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "points": [
                {
                    "months": each.months,
                    "low_mm": round(each.low_mm, 1),
                    "likely_mm": round(each.likely_mm, 1),
                    "high_mm": round(each.high_mm, 1),
                }
                for each in self.points
            ],
            "rate_mm_per_year": round(self.rate_mm_per_year, 1),
            "fits_in_months": _crossing_json(self.fits),
            "outgrown_in_months": _crossing_json(self.outgrown),
            "next_size": self.next_size,
            "next_body_length_mm": self.next_body_mm,
            "next_fits_in_months": _crossing_json(self.next_fits),
            "suspect_measurements": list(self.suspects),
            "unusual": self.unusual,
            "unexplained_mm_per_year": None if self.unexplained is None else round(self.unexplained, 1),
            "message": [each.text(translate, language) for each in growth_sentences(self)],
        }


def predict(
    history: Sequence[DatedArm],
    sex: Sex | None = None,
    chart: Chart | None = None,
    instrument: InstrumentLengths | None = None,
    months: int = 24,
    losses: Losses = LOSSES,
) -> Growth:
    """Predict the arm from one or several measurements.

    Parameters
    ----------
    history : sequence of DatedArm
        Measurements in any order.
    sex : {'girl', 'boy'}, optional
    chart : Chart, optional
        For when sizes change.
    instrument : InstrumentLengths, optional
        The present instrument.
    months : int
        How far to look, at most 60; the points end at 15 years of age.
    losses : Losses
        By which the next size is chosen.

    Returns
    -------
    Growth

    Raises
    ------
    GrowthError
        If there is no measurement, or an age or the horizon is outside what the tables bear.
    """
    _check(history, months)
    places = sorted(range(len(history)), key=lambda place: history[place].age_years)
    history = [DatedArm(history[place].age_years, widened(history[place].arm)) for place in places]
    ages = np.array([each.age_years for each in history])
    steps = np.arange(months + 1, dtype=float)
    steps = steps[ages[-1] + steps / 12 <= LAST_AGE]
    ahead = ages[-1] + steps / 12
    readings = Readings.of(ages, [each.arm for each in history], sex)
    suspects = _suspects(history, readings)
    kept = [place for place in range(len(history)) if place not in suspects]
    mean, sd = readings.only(kept if len(kept) > 1 else range(len(history))).foretell(ahead)
    median = median_arm_mm(ahead, sex)
    band = _Band(steps, *(median * np.exp(mean + z * sd) for z in (-Z_TEN, 0.0, Z_TEN)))
    sizes = (
        _Sizes() if chart is None or instrument is None else _sizes(chart, instrument, history[-1].arm, band, losses)
    )
    return Growth(
        points=band.points(),
        rate_mm_per_year=band.rate_mm_per_year(months),
        outgrown=sizes.outgrown,
        next_size=None if sizes.larger is None else sizes.larger.size,
        next_fits=sizes.next_fits,
        suspects=tuple(places[place] for place in suspects),
        unusual=readings.is_unusual(-1),
        unexplained=None if suspects else _unexplained([history[place] for place in kept], sex),
        named=tuple(history[place] for place in suspects),
        next_body_mm=None if sizes.larger is None else sizes.larger.body_length_mm,
        fits=None if sizes.fits is not None and sizes.fits.likely == 0 else sizes.fits,
        known=sizes.known,
        next_known=sizes.next_known,
        cut=len(steps) <= months,
        doubted=len(history) - 1 in suspects or (bool(suspects) and len(kept) == 1),
        against=history[kept[0]] if len(history) == 2 and suspects else None,
    )


def is_last_doubted(history: Sequence[DatedArm]) -> bool:
    """Whether the last measurement contradicts others, where only the time between them is known and no age.

    Parameters
    ----------
    history : sequence of DatedArm
        In order of time, their ages counted from any day.
    """
    *others, last = history
    near = [each for each in others if last.age_years - each.age_years < LEAST_SPAN_YEARS]
    off = [_off(each, last) for each in near]
    if any(abs(each) <= CONTRADICTION for each in off):
        return False
    return bool(off) or any(_off(each, last) < -SHRUNK for each in others)


def _off(before: DatedArm, after: DatedArm) -> float:
    """By how many standard uncertainties of their difference a later arm is longer."""
    change = linear([(1.0, after.arm), (-1.0, before.arm)])
    return change.value_mm / hypot(change.standard_uncertainty_mm, EXACT_MM)


@dataclass(frozen=True)
class _Band:
    """The arm of the coming M months, mm: what it will likely be, and between what in eight of ten children."""

    months: Array
    low_mm: Array
    likely_mm: Array
    high_mm: Array

    def points(self) -> tuple[GrowthPoint, ...]:
        along = zip(self.months, self.low_mm, self.likely_mm, self.high_mm, strict=True)
        return tuple(GrowthPoint(*map(float, each)) for each in along)

    def rate_mm_per_year(self, months: int) -> float:
        """Growth over the first year, mm; over as many `months` as were asked for where those are fewer."""
        first, last = float(self.likely_mm[0]), float(self.likely_mm[-1])
        if months >= 12:
            return float(np.interp(12, self.months, self.likely_mm)) - first
        return (last - first) * 12 / months

    def reaches(self, arm_mm: float) -> Crossing:
        """When the arm reaches a length: at the earliest, likely, and at the latest."""

        def first(curve: Array) -> float | None:
            above = np.flatnonzero(curve >= arm_mm)
            return float(self.months[above[0]]) if len(above) else None

        return Crossing(first(self.high_mm), first(self.likely_mm), first(self.low_mm))


@dataclass(frozen=True)
class _Sizes:
    """Of a `Growth` what is said of the present instrument and the next larger size of the chart."""

    outgrown: Crossing | None = None
    fits: Crossing | None = None
    known: Decision | None = None
    larger: ChartRow | None = None
    next_fits: Crossing | None = None
    next_known: Decision | None = None


def _sizes(chart: Chart, instrument: InstrumentLengths, arm: Length, band: _Band, losses: Losses) -> _Sizes:
    choices = choose(arm, [instrument], chart, losses=losses)
    shortest, longest = float(choices.found.shortest_arm_mm[0]), float(choices.found.longest_arm_mm[0])
    rows = [row for row in chart.rows if row.arm_from_mm > shortest + chart.stretch_mm]
    instead = choices.instead(0) if choices.actions[0] is Action.LARGER else None
    larger = _next_larger(chart, rows, arm, losses) if instead is None else chart.rows[instead]
    return _Sizes(
        outgrown=band.reaches(longest) if longest <= PLAUSIBLE_MM["arm"][1] else None,
        fits=band.reaches(shortest) if arm.value_mm < shortest else None,
        known=choices.decided[0],
        larger=larger,
        next_fits=None if larger is None else band.reaches(larger.arm_from_mm),
        next_known=None if larger is None else _known_of_row(chart, larger, arm),
    )


def _next_larger(chart: Chart, rows: Sequence[ChartRow], arm: Length, losses: Losses) -> ChartRow | None:
    """Of the larger sizes the one that serves the arm best, where it is time for it; else the first not outgrown."""
    best = best_size(chart, arm, losses=losses)
    if best is not None and chart.rows[best] in rows:
        return chart.rows[best]
    still_open = (row for row in rows if _known_of_row(chart, row, arm) is not Decision.TOO_SMALL)
    return next(still_open, rows[-1] if rows else None)


def _known_of_row(chart: Chart, row: ChartRow, arm: Length) -> Decision:
    """What is known of an instrument that measures exactly as the chart has it."""
    exact = InstrumentLengths(Length(row.body_length_mm, ()), Length(row.total_length_mm, ()))
    known: Decision = DECISIONS[decide(assess(chart, arm, [exact]).classes)[0]]
    return known


def growth_sentences(growth: Growth) -> tuple[Sentence, ...]:
    """Growth in words."""
    last = growth.points[-1]
    sentences = [
        say(
            "The arm grows about {rate} a year; in {months} months it will measure {low} to {high} (8 of 10 children).",
            rate=Millimetres(growth.rate_mm_per_year),
            months=Number(last.months),
            low=Millimetres(last.low_mm),
            high=Millimetres(last.high_mm),
        )
    ]
    if growth.cut:
        sentences.append(
            say(
                "The figures on children's growth used here end at {age} years of age; nothing is said of later.",
                age=Number(LAST_AGE),
            )
        )
    sentences += growth_alerts(growth)
    if growth.suspects:  # nothing is said of what hangs on a reading that is likely wrong
        return tuple(sentences)
    return (*sentences, *_present_sentences(growth), *_next_sentences(growth))


def _present_sentences(growth: Growth) -> list[Sentence]:
    """From when on and until when the present instrument fits."""
    sentences = []
    if growth.fits is not None:
        sentences.append(
            _when(
                growth.fits,
                say("The present instrument begins to fit in about {likely} months ({span})."),
                say("The present instrument will not fit within this time."),
                say("The present instrument begins to fit about now."),
            )
        )
    if growth.outgrown is not None and (growth.fits is None or growth.outgrown.likely is not None):
        sentences.append(
            say("The present instrument is already too small.")
            if growth.known is Decision.TOO_SMALL
            else _when(
                growth.outgrown,
                say("The present instrument becomes too small in about {likely} months ({span})."),
                say("The present instrument will not become too small within this time."),
                say("The present instrument becomes too small about now."),
            )
        )
    if growth.known is not None and growth.outgrown is None and growth.fits is None:
        sentences.append(say("The present instrument is of the chart's largest size: it will not become too small."))
    return sentences


def _next_sentences(growth: Growth) -> list[Sentence]:
    """When the next larger size begins to fit; nothing where the present instrument is yet to fit."""
    if growth.next_fits is None or growth.next_size is None or growth.fits is not None:
        return []
    if growth.next_known in FITS_ALREADY:
        return [say("The next larger size, {size} with a body of about {body}, fits already.", **growth.next_in_words)]
    return [
        _when(
            growth.next_fits,
            say(
                "The next larger size, {size} with a body of about {body}, begins to fit in about {likely} months "
                "({span}).",
                **growth.next_in_words,
            ),
            say(
                "The next larger size, {size} with a body of about {body}, will not fit within this time.",
                **growth.next_in_words,
            ),
            say(
                "The next larger size, {size} with a body of about {body}, begins to fit about now.",
                **growth.next_in_words,
            ),
        )
    ]


def growth_alerts(growth: Growth) -> list[Sentence]:
    """What is not as children grow: a likely mistake, or a rate or an arm that heights do not explain."""
    if growth.suspects:
        return [_contradiction_sentence(growth)]
    alerts = []
    if growth.unexplained is not None:
        alerts.append(
            say(
                "Between the first and the last measurement the arm grew {own} a year, which the heights of children "
                "do not explain; measure again, and tell the teacher.",
                own=Millimetres(growth.unexplained),
            )
        )
    if growth.unusual:
        alerts.append(say("This arm is unusual for the age; check the age and measure again."))
    return alerts


def _contradiction_sentence(growth: Growth) -> Sentence:
    """Which measurements are likely mistakes; nothing is said then of what hangs on them."""
    first, place = growth.named[0], growth.suspects[0]
    if growth.against is not None:
        return say(
            "Two measurements ({arm} at {age} years, {other} at {other_age} years) contradict one another: one of them "
            "is likely a mistake; measure again. How long an instrument will do is said after that.",
            arm=Millimetres(first.arm.value_mm),
            age=Number(first.age_years, 1),
            other=Millimetres(growth.against.arm.value_mm),
            other_age=Number(growth.against.age_years, 1),
        )
    return say(
        "Measurement {number} ({arm} at {age} years) contradicts growth and is likely a mistake; measure again. How "
        "long an instrument will do is said after that.",
        number=place + 1,
        arm=Millimetres(first.arm.value_mm),
        age=Number(first.age_years, 1),
    )


def _unexplained(history: Sequence[DatedArm], sex: Sex | None) -> float | None:
    """Growth a year from the first to the last reading where it lies outside of what heights explain, mm."""
    first, last = history[0], history[-1]
    years = last.age_years - first.age_years
    if years < LEAST_SPAN_YEARS:
        return None
    ages = np.array([first.age_years, last.age_years])
    change = linear([(1.0, last.arm), (-1.0, first.arm)])
    median = median_arm_mm(ages, sex)
    expected = first.arm.value_mm * float(median[1] / median[0] - 1)
    apart = kernel(ages, ages, sex)
    spread = last.arm.value_mm * sqrt(max(apart[0, 0] + apart[1, 1] - 2 * apart[0, 1], 0.0))
    off = abs(change.value_mm - expected) / np.hypot(spread, change.standard_uncertainty_mm)
    return change.value_mm / years if off > UNEXPLAINED else None


def _when(crossing: Crossing, coming: Sentence, never: Sentence, now: Sentence) -> Sentence:
    if crossing.likely is None:
        return never
    if crossing.likely <= 1:
        return now
    shown = span(Number(crossing.early or 0), None if crossing.late is None else Number(crossing.late))
    return Sentence(coming.template, {**coming.values, "likely": Number(crossing.likely), "span": shown})


def span(early: Value, late: Value | None) -> Sentence:
    """From when to when; None where the end is not known."""
    return say("{early} or later", early=early) if late is None else say("{early} to {late}", early=early, late=late)


def _crossing_json(crossing: Crossing | None) -> dict[str, float | None] | None:
    if crossing is None:
        return None
    return {"early": crossing.early, "likely": crossing.likely, "late": crossing.late}


def _check(history: Sequence[DatedArm], months: int) -> None:
    if not history:
        raise GrowthError(say("At least one measurement with the child's age is needed."))
    if not 1 <= months <= 60:
        raise GrowthError(say("Between 1 and 60 months can be looked ahead."))
    for each in history:
        check_plausible(each.arm.value_mm, "arm")
        if not AGES[0] <= each.age_years <= AGES[1]:
            raise GrowthError(
                say(
                    "Growth can be worked out from {low} to {high} years; {age} is outside.",
                    low=Number(AGES[0]),
                    high=Number(AGES[1]),
                    age=Number(each.age_years, 1),
                )
            )


def _suspects(history: Sequence[DatedArm], readings: Readings) -> tuple[int, ...]:
    """Places, in order of age, of measurements that the others contradict."""
    kept = readings.agreeing()
    for before, after in pairwise(list(kept)):
        if _off(history[before], history[after]) < -SHRUNK:
            kept.remove(after)
    return tuple(place for place in range(len(history)) if place not in kept)
