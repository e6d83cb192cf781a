"""Not decided yet: which further measurement would settle it (preposterior analysis).

Before a measurement is made its result is unknown, but how results would be spread is known: if the margin is believed
to be normal with mean m and variance v, and a further reading would bring the variance down to w, then the mean
believed afterwards is normal about m with variance v - w.  For each result the decision rule gives a decision, and the
best action has an expected loss.  Averaging over the results gives the chance that the step settles the matter, and how
much loss it saves (Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961, chapter 4: expected value of sample
information).  A verdict that stays open is a loss too: somebody waits.  Loss and effort are both counted in minutes, so
that gain minus effort ranks the steps.

A further photo of the same child shares causes with the first (the printed sheet, the child's build, the definition);
they are not averaged away.  With v1, v2 the variances of two readings and c what they share, the best combination of
both has the variance (v1 v2 - c^2) / (v1 + v2 - 2c) (JCGM 100:2008, F.1.2, as in `calibration.quantity.combine`).

The losses and efforts are our own round figures; they steer the advice, not the verdict.  The uncertainties of further
photos are those that the accuracy benchmark measured on rendered scenes; those by tape and ruler are of `lengths`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from service.fit.assessment import BODY_TO_TOTAL, Classes, classes_of, with_prior
from service.fit.decision import CLASS_ORDER, Decision, decide
from service.fit.lengths import TAPE_ARM_U_MM, TAPE_INSTRUMENT_U_MM, widened
from service.fit.sentences import Number, Percent, Sentence, say, unchanged
from service.fit.verdict import Verdict

Array = NDArray[np.float64]

NODES = 201

LOSS_MINUTES = np.array(
    [
        # too small, fits, stretch, too large: what it costs to take it, go smaller, go larger
        [60.0, 0.0, 45.0, 240.0],
        [120.0, 60.0, 0.0, 0.0],
        [0.0, 240.0, 240.0, 240.0],
    ]
)
"""Loss of an action (row) for a true class (column), in minutes of trouble; a parcel there and back counts 60."""

OPEN_LOSS = 60.0
"""Loss of a verdict that stays open, minutes."""

SMALL_STRETCH_LOSS = 15.0
"""Loss of taking a stretch below quarter size, minutes: there it is often right."""

STRAIN_CHANCE = {"too_small": 0.1, "fits": 0.1, "stretch": 0.4, "too_large": 0.9}
"""Chance that the playing signs show strain, for each true class; ours."""


@dataclass(frozen=True, slots=True)
class Step:
    """A way to learn more.

    Attributes
    ----------
    code : str
        Stable name for programs.
    sentence : Sentence
        What to do.
    minutes : float
        Effort, minutes.
    arm_u_mm : float or None
        Standard uncertainty of the further arm reading it gives, mm.
    body_u_mm, total_u_mm : float or None
        Standard uncertainties of the body length and the total length it gives, mm.
    photo : bool
        Whether it is a photo, which shares causes with an earlier photo.
    """

    code: str
    sentence: Sentence
    minutes: float
    arm_u_mm: float | None = None
    body_u_mm: float | None = None
    total_u_mm: float | None = None
    photo: bool = False


STEPS: tuple[Step, ...] = (
    Step(
        "arm_against_wall",
        say("Take the child's photo again with the back and the back of the hand against the wall."),
        5,
        arm_u_mm=4.3,
        photo=True,
    ),
    Step(
        "second_sheet",
        say("Take the child's photo again with a second sheet on the wall near the hand."),
        6,
        arm_u_mm=4.8,
        photo=True,
    ),
    Step(
        "tape_arm",
        say("Measure the arm with a tape: side of the neck to the middle of the palm, arm stretched out sideways."),
        4,
        arm_u_mm=TAPE_ARM_U_MM,
    ),
    Step(
        "second_instrument_photo",
        say("Take a second photo of the instrument from another side, without moving it or the sheet."),
        3,
        body_u_mm=0.7,
        total_u_mm=1.2,
        photo=True,
    ),
    Step(
        "ruler_instrument",
        say("Measure the instrument's body length and total length with a stiff ruler."),
        3,
        body_u_mm=TAPE_INSTRUMENT_U_MM,
        total_u_mm=TAPE_INSTRUMENT_U_MM,
    ),
)
"""Further readings, with their standard uncertainties.  Of photos: mean half-width over 1.96 on the rendered scenes
used in development, `python -m tests.accuracy` (arm against the wall with its stance stated; instrument, two photos
together); a test compares them with the figures kept there.  Second sheet: the same for the six floating arms among
those scenes that have two sheets (one sheet, nine scenes: 5.5)."""

SIGNS_STEP = Step("playing_signs", say("Let the child try it and answer the five questions about playing."), 5)


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a step promises.

    Attributes
    ----------
    step : Step
    settles : float
        Chance that the verdict is decided afterwards.
    gain_minutes : float
        Expected loss saved, less the effort, minutes.
    """

    step: Step
    settles: float
    gain_minutes: float

    def as_json(self, translate: Callable[[str], str] = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; the sentence in `language` by `translate`."""
        return {
            "code": self.step.code,
            "text": self.step.sentence.text(translate, language),
            "minutes": self.step.minutes,
            "settles": round(self.settles, 3),
            "gain_minutes": round(self.gain_minutes, 1),
        }

    def sentence(self) -> Sentence:
        """The step with its effort and its chance."""
        return say(
            "{step} It takes about {minutes} minutes; the chance that it settles the matter is {chance}.",
            step=self.step.sentence,
            minutes=Number(self.step.minutes),
            chance=Percent(self.settles),
        )


def next_steps(verdict: Verdict) -> tuple[Outlook, ...]:
    """Steps worth their effort for an open verdict, the most worth while first; none if it is decided.

    Parameters
    ----------
    verdict : Verdict

    Returns
    -------
    tuple of Outlook
    """
    if verdict.decision is not Decision.NOT_DECIDED:
        return ()
    found = [_reading(verdict, step) for step in STEPS]
    if verdict.signs is None or not (verdict.signs.all_good or verdict.signs.strain):
        found.append(_signs(verdict))
    found.sort(key=lambda each: -each.gain_minutes)
    return tuple(each for each in found if each.gain_minutes > 0)


def _reading(verdict: Verdict, step: Step) -> Outlook:
    """Outlook of one more reading of the arm or of the instrument."""
    u_now = verdict.margin.standard_uncertainty_mm
    u_then = np.sqrt(max(u_now**2 - _variance_saved(verdict, step), 1e-12))
    mean, sd = with_prior(np.array(verdict.margin.value_mm), np.array(u_now))
    u = float(with_prior(np.array(0.0), np.array(u_then))[1])
    means = mean + np.sqrt(np.maximum(sd**2 - u**2, 0.0)) * ndtri((np.arange(NODES) + 0.5) / NODES)
    outgrown = (means - (verdict.longest_arm_mm - verdict.shortest_arm_mm)) / u
    classes = classes_of(means, u, outgrown, verdict.chart.stretch_mm)
    settled = decide(classes, np.full(NODES, verdict.small), verdict.rule, _signs_good(verdict)) != 0
    before = float(_least_loss(_prior(verdict), verdict.small)[0])
    gain = before - float(np.mean(_least_loss(classes, verdict.small))) + OPEN_LOSS * float(np.mean(settled))
    return Outlook(step, float(np.mean(settled)), gain - step.minutes)


def _variance_saved(verdict: Verdict, step: Step) -> float:
    """By how much the margin's variance falls, mm2."""
    arm = widened(verdict.arm)
    total_var = verdict.margin.standard_uncertainty_mm**2
    arm_var = min(arm.standard_uncertainty_mm**2, total_var)
    if step.arm_u_mm is not None:
        shared = (
            sqrt(sum(part.contribution_mm**2 for part in arm.budget if part.key is not None)) if step.photo else 0.0
        )
        return arm_var - joint_variance(arm_var, step.arm_u_mm**2, shared * min(shared, step.arm_u_mm))
    instrument_var = total_var - arm_var
    further_var = _shortest_arm_u_mm(verdict, step.body_u_mm or 0.0, step.total_u_mm or 0.0) ** 2
    # A second photo is measured together with the first: its figure holds for both, there is nothing left to average.
    then = min(instrument_var, further_var) if step.photo else joint_variance(instrument_var, further_var, 0.0)
    return instrument_var - then


def joint_variance(first: float, second: float, shared: float) -> float:
    """Variance of the best combination of two readings from their variances and covariance."""
    apart = first + second - 2 * shared
    return min(first, second, (first * second - shared**2) / apart) if apart > 1e-12 else min(first, second)


def _shortest_arm_u_mm(verdict: Verdict, body_u_mm: float, total_u_mm: float) -> float:
    """Uncertainty of the shortest arm by both lengths, mm, as if their errors were one: the cautious case."""
    chart, instrument = verdict.chart, verdict.instrument
    body = instrument.body.value_mm if instrument.body is not None else None
    total = instrument.total.value_mm if instrument.total is not None else None
    body_mm = body if body is not None else BODY_TO_TOTAL * (total or 0.0)
    total_mm = total if total is not None else body_mm / BODY_TO_TOTAL

    def slope(kind: str, length_mm: float) -> float:
        ends = chart.shortest_arm_mm(np.array([length_mm - 1.0, length_mm + 1.0]), kind)
        return float(ends[1] - ends[0]) / 2

    return 0.5 * (slope("body", body_mm) * body_u_mm + slope("total", total_mm) * total_u_mm)


def _signs(verdict: Verdict) -> Outlook:
    """Outlook of asking for the playing signs: strain settles it, its absence only where the rule lets it."""
    p = verdict.probabilities
    prior = np.array([getattr(p, name) for name in CLASS_ORDER])
    strain = np.array([STRAIN_CHANCE[name] for name in CLASS_ORDER])
    strained, easy = prior * strain, prior * (1 - strain)
    chance = float(strained.sum())
    good_settles = decide(_prior(verdict), np.array([verdict.small]), verdict.rule, signs_good=True)[0] != 0
    settles = (chance if p.too_small < 0.5 else 0.0) + (1 - chance) * bool(good_settles)
    losses = _losses(verdict.small)
    before = float((losses @ prior).min())
    after = float((losses @ strained).min() + (losses @ easy).min())
    return Outlook(SIGNS_STEP, settles, before - after + OPEN_LOSS * settles - SIGNS_STEP.minutes)


def _prior(verdict: Verdict) -> Classes:
    return Classes(*(np.array([getattr(verdict.probabilities, name)]) for name in CLASS_ORDER))


def _signs_good(verdict: Verdict) -> bool:
    return verdict.signs is not None and verdict.signs.all_good


def _losses(small: bool) -> Array:
    losses = LOSS_MINUTES.copy()
    if small:
        losses[0, 2] = SMALL_STRETCH_LOSS
    return losses


def _least_loss(classes: Classes, small: bool) -> Array:
    """(N,) expected loss of the best action, minutes."""
    stacked = np.stack([getattr(classes, name) for name in CLASS_ORDER])
    return np.asarray((_losses(small) @ stacked).min(axis=0))
