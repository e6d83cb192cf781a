"""Which further measurement would settle the matter, and whether it is worth its trouble (preposterior analysis).

Before a measurement is made its result is unknown, but how results would be spread is known: if the margin is believed
to be normal with mean m and variance v, and a further reading would bring the variance down to w, then the mean
believed afterwards is normal about m with variance v - w.  For each result `service.fit.weighing` gives the best action
and its expected loss.  Averaging over the results gives the loss that the reading saves (Raiffa and Schlaifer, Applied
Statistical Decision Theory, 1961, chapter 4: expected value of sample information) and the chance that it settles the
matter: that afterwards the instrument is plainly to take or plainly another one is.

A further photo of the same child shares causes with the first (the printed sheet, the child's build, the definition);
they are not averaged away.  With v1, v2 the variances of two readings and c what they share, the best combination of
both has the variance (v1 v2 - c^2) / (v1 + v2 - 2c) (JCGM 100:2008, F.1.2, as in `calibration.quantity.combine`).

No reading can save more than knowing the margin exactly would (the expected value of perfect information); where even
that is not worth waiting for, nothing is worked out.  The uncertainties of further photos are those that the accuracy
benchmark measured on rendered scenes; those by tape and ruler are of `lengths`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from calibration.arrays import Array, Mask
from calibration.quantity import Length
from service.fit.assessment import Assessment, classes_of, with_prior
from service.fit.chart import Chart
from service.fit.decision import Action
from service.fit.lengths import TAPE_ARM_U_MM, TAPE_INSTRUMENT_U_MM, is_read_by_tape, widened
from service.fit.losses import LOSSES, Losses
from service.fit.sentences import Number, Percent, Sentence, Translate, say, unchanged
from service.fit.weighing import ACTIONS, NOTHING_SEEN, Items, Seen, Weighed, play_loss, weigh

RESULTS = 15
"""Equally probable results of a further reading over which losses are averaged."""
_RESULTS = ndtri((np.arange(RESULTS) + 0.5) / RESULTS)

LEAST_GAIN_DAYS = 1e-6
"""A gain that no more than rounding makes is none, days."""

SETTLED = (Action.TAKE, Action.SMALLER, Action.LARGER, Action.WAIT)
"""Actions that leave nothing open."""


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
        say("Take a photo of the child with the back and the back of the hand against the wall."),
        5,
        arm_u_mm=8.0,
        photo=True,
    ),
    Step(
        "second_sheet",
        say("Take a photo of the child with a second sheet on the wall near the hand."),
        6,
        arm_u_mm=11.4,
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
together); a test compares them with the figures kept there.  Second sheet: that of floating arms, with one sheet or
two, since landmarks decide more than the sheet does."""


TAPE = next(each for each in STEPS if each.code == "tape_arm")
TAPE_AGAIN = replace(
    TAPE,
    sentence=say(
        "Measure the arm with a tape once more, best by somebody else: side of the neck to the middle of the palm, arm "
        "stretched out sideways."
    ),
)
"""The same of an arm that a tape was laid along already."""
COUNT_TAPE = replace(
    TAPE, code="count_tape", sentence=say("Count the tape reading that agrees with the photo, then decide."), minutes=0
)
"""What is done in place of it where such a reading waits."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a step promises.

    Attributes
    ----------
    step : Step
    settles : float
        Chance that the matter is settled afterwards.
    gain_days : float
        Expected loss saved, the waiting paid, days.
    """

    step: Step
    settles: float
    gain_days: float

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; the sentence in `language` by `translate`."""
        return {
            "code": self.step.code,
            "text": self.step.sentence.text(translate, language),
            "minutes": self.step.minutes,
            "settles": round(self.settles, 3),
            "gain_days": round(self.gain_days, 2),
        }

    def sentence(self) -> Sentence:
        """The step with its effort and its chance; of a reading that waits both are nothing to speak of."""
        if self.step is COUNT_TAPE:
            return self.step.sentence
        return say(
            "{step} It takes about {minutes} minutes; the chance that it settles the matter is {chance}.",
            step=self.step.sentence,
            minutes=Number(self.step.minutes),
            chance=Percent(self.settles),
        )


@dataclass(frozen=True)
class Question:
    """What the value of a further reading is worked out from.

    Attributes
    ----------
    chart : Chart
    arm : Length
    found : Assessment
        Of N instruments for that arm.
    items : Items
    weighed : Weighed
    seen : Seen
    losses : Losses
    """

    chart: Chart
    arm: Length
    found: Assessment
    items: Items
    weighed: Weighed
    seen: Seen = NOTHING_SEEN
    losses: Losses = LOSSES


def worth_asking(question: Question) -> Mask:
    """(N,) whether knowing the margin exactly would be worth the waiting: an upper bound for every reading."""
    items, losses = question.items, question.losses
    margins = items.margin_mm[:, None] + items.sd_mm[:, None] * _RESULTS
    play = play_loss(margins, items.width_mm[:, None], items.small[:, None], question.chart.stretch_mm, losses)
    known = np.minimum(play, losses.exchange).mean(axis=1)
    return np.asarray(question.weighed.loss - known > losses.waiting + LEAST_GAIN_DAYS)


def outlooks(question: Question, places: NDArray[np.int64]) -> list[tuple[Outlook, ...]]:
    """What each step promises for some of the instruments, for each the most worth while first.

    Parameters
    ----------
    question : Question
    places : ndarray of int
        Places of the instruments.
    """
    if not len(places):
        return []
    steps = [TAPE_AGAIN if step is TAPE and is_read_by_tape(question.arm) else step for step in STEPS]
    losses, chances = _readings(question, places, steps)
    before = question.weighed.loss[places] - question.losses.waiting
    rows = []
    for place in range(len(places)):
        promised = [
            Outlook(step, float(settles[place]), float(before[place] - after[place]))
            for step, after, settles in zip(steps, losses, chances, strict=True)
        ]
        rows.append(tuple(sorted(promised, key=lambda each: (-each.gain_days, each.step.minutes))))
    return rows


def counting_first(steps: Sequence[Outlook]) -> tuple[Outlook, ...]:
    """Where laying a tape along the arm is worth while and a reading waits to be counted: that before all else."""
    waits = [replace(each, step=COUNT_TAPE) for each in steps if each.step is TAPE]
    return (*waits, *(each for each in steps if each.step is not TAPE))


def _readings(question: Question, places: NDArray[np.int64], steps: Sequence[Step]) -> tuple[Array, Array]:
    """Expected loss after one more reading of S kinds, and the chance that it settles the matter; (S, M) each."""
    items, found = question.items, question.found
    saved = np.stack([_variance_saved(question, places, step) for step in steps])
    u_now = found.u_margin_mm[places]
    u_then = np.sqrt(np.maximum(u_now**2 - saved, U_LEAST_MM**2))
    sd_then = with_prior(np.zeros_like(u_then), u_then)[1]
    sd_now = items.sd_mm[places]
    moved = np.sqrt(np.maximum(sd_now**2 - sd_then**2, 0.0))[..., None] * _RESULTS
    shape = moved.shape
    # The arm that the chart's other sizes are weighed by stays as it is: what is asked is whether *this* instrument is
    # to be played, and a reading that only helped to choose among others would be no reason to keep this one waiting.
    of_instrument = np.array([0.0 if step.arm_u_mm is not None else 1.0 for step in steps])
    shortest = items.shortest_mm[places][:, None] - of_instrument[:, None, None] * moved

    def spread(each: Array) -> Array:
        return np.broadcast_to(each[..., None], shape).ravel()

    margin = (items.margin_mm[places][:, None] + moved).ravel()
    sd, width = spread(sd_then), spread(items.width_mm[places])
    then = Items(
        margin,
        sd,
        shortest.ravel(),
        width,
        np.broadcast_to(items.small[places][:, None], shape).ravel(),
        spread(items.arm_mm[places]),
        spread(items.arm_sd_mm[places]),
        classes_of(margin, sd, (margin - width) / sd, question.chart.stretch_mm),
    )
    own = question.seen.own
    own_then = None if own is None else [own[place] for _ in steps for place in places for _ in range(RESULTS)]
    weighed = weigh(question.chart, then, Seen(question.seen.played, own_then), question.losses)
    likely = np.ones(shape)
    for each in question.seen.played:
        likely = likely * each.likelihood(margin.reshape(shape) + shortest)
    likely /= likely.sum(axis=-1, keepdims=True)
    settled = np.isin(weighed.action, [ACTIONS.index(each) for each in SETTLED]).reshape(shape)
    return (likely * weighed.loss.reshape(shape)).sum(axis=-1), (likely * settled).sum(axis=-1)


U_LEAST_MM = 0.05
"""No measurement leaves less than this, mm."""


def _variance_saved(question: Question, places: NDArray[np.int64], step: Step) -> Array:
    """By how much the margins' variances fall (M,), mm2."""
    found = question.found
    total = found.u_margin_mm[places] ** 2
    arm_var = widened(question.arm).standard_uncertainty_mm ** 2
    if step.arm_u_mm is not None:
        keyed = sum(part.contribution_mm**2 for part in question.arm.budget if part.key is not None)
        shared = sqrt(keyed) if step.photo else 0.0
        saved = arm_var - joint_variance(arm_var, step.arm_u_mm**2, shared * min(shared, step.arm_u_mm))
        return np.minimum(saved, total)
    instrument = np.maximum(total - arm_var, 0.0)
    # As if the errors of both lengths were one: the cautious case.
    further = np.abs(found.body_slope[places]) * (step.body_u_mm or 0.0) / 2
    further = (further + np.abs(found.total_slope[places]) * (step.total_u_mm or 0.0) / 2) ** 2
    if step.photo:
        # A second photo is measured together with the first: its figure holds for both, nothing is left to average.
        then = np.minimum(instrument, further)
    else:
        then = instrument * further / np.maximum(instrument + further, U_LEAST_MM**2)
    return instrument - then


def joint_variance(first: float, second: float, shared: float) -> float:
    """Variance of the best combination of two readings.

    From their variances `first` and `second` and what they share, their covariance, all in one unit squared.

    Examples
    --------
    >>> joint_variance(4.0, 4.0, 0.0), joint_variance(4.0, 4.0, 4.0)
    (2.0, 4.0)
    """
    apart = first + second - 2 * shared
    return min(first, second, (first * second - shared**2) / apart) if apart > U_LEAST_MM**4 else min(first, second)
