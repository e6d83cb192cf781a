"""One instrument, one arm: probabilities first, then a decision by a stated rule.

The rule (JCGM 106:2012 with guard bands; the non-binary statement of ILAC-G8:09/2019, 4.2.3, is the model).  Costs are
not alike: too large strains a child, too small only plays worse.  So at most 2.5 % risk is taken on the strain side and
5 % on the other:

    too large    P(too large) >= 95 %
    too small    P(too small) >= 95 %
    fits         P(fits) >= 95 % and P(stretch or too large) <= 2.5 %
    stretch      P(fits or stretch) >= 95 % and P(too large) <= 2.5 %, and either stretch is the likelier half or all
                 playing signs are good below quarter size: "at most a stretch, and not too small"
    not decided  everything else; a wide uncertainty always ends here, since no class can then reach 95 %

What is decided is therefore a *claim* that is right with at least 95 %.  Playing signs that show strain then move the
decision towards "too large", never away from it.

What follows from a decision is the trade's rule: from quarter size up, between two sizes the smaller; below, a stretch
may be right when the playing signs allow it, since very small instruments sound poorer, slip in their tuning more and
crowd the fingers and the bow.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.quantity import Length
from service.fit.assessment import Assessment, Classes, InstrumentLengths, assess, with_prior
from service.fit.chart import Chart
from service.fit.conformity import guard_factor
from service.fit.fingers import finger_room
from service.fit.lengths import check_plausible, linear, widened
from service.fit.sentences import unchanged
from service.fit.signs import InstrumentCondition, PlayingSigns
from service.results import length_json

Array = NDArray[np.float64]


class Decision(StrEnum):
    """What is said about an instrument."""

    TOO_SMALL = "too_small"
    FITS = "fits"
    STRETCH = "stretch"
    TOO_LARGE = "too_large"
    NOT_DECIDED = "not_decided"


class Action(StrEnum):
    """What follows from it."""

    TAKE = "take"
    ASK_SIGNS = "ask_signs"
    SMALLER = "smaller"
    LARGER = "larger"
    MEASURE = "measure"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How sure a decision must be.

    Attributes
    ----------
    confidence : float
        Least probability of what is claimed.
    strain_risk : float
        Largest accepted probability of an instrument larger than claimed.
    """

    confidence: float = 0.95
    strain_risk: float = 0.025


RULE = DecisionRule()


@dataclass(frozen=True, slots=True)
class Probabilities:
    """How probable each class is; they add to one."""

    too_small: float
    fits: float
    stretch: float
    too_large: float

    @property
    def likeliest(self) -> Decision:
        """The class with the largest probability."""
        pairs = (
            (self.too_large, "too_large"),
            (self.stretch, "stretch"),
            (self.fits, "fits"),
            (self.too_small, "too_small"),
        )
        return Decision(max(pairs)[1])


@dataclass(frozen=True, slots=True)
class GuardBand:
    """The arm lengths for which this instrument would be said to fit.

    Attributes
    ----------
    low_mm, high_mm : float
        Widths of the guard bands inside the shortest and the longest arm; infinite high where the band is open.
    accept_from_mm, accept_to_mm : float or None
        Measured arms that would be called "fits" at this uncertainty; None if the uncertainty leaves no room.
    """

    low_mm: float
    high_mm: float
    accept_from_mm: float | None
    accept_to_mm: float | None


@dataclass(frozen=True)
class Verdict:
    """What is known about one instrument for one child.

    Attributes
    ----------
    arm : Length
    instrument : InstrumentLengths
    chart : Chart
    rule : DecisionRule
    probabilities : Probabilities
    decision : Decision
    action : Action
    claim : tuple of Decision
        The classes of which one is claimed to be true; empty if not decided.
    confidence : float or None
        Probability of the claim; None if not decided or decided by playing signs.
    by_signs : bool
        Whether playing signs made the decision stricter than the numbers.
    shortest_arm_mm, longest_arm_mm : float
        Arm band of this instrument as measured, mm; the longest may be infinite.
    margin : Length
        Arm minus shortest arm, mm; its budget shows what limits the verdict.
    guard : GuardBand
    small : bool
        Smaller than a quarter size, where other rules hold.
    size : str
        The chart's size whose lengths are nearest.
    label_right : float or None
        Probability that the label names that size; None without a label that the chart knows.
    neck : Length or None
        Shortest arm by total length minus shortest arm by body, mm, where both are measured.
    signs : PlayingSigns or None
    condition : InstrumentCondition or None
    """

    arm: Length
    instrument: InstrumentLengths
    chart: Chart
    rule: DecisionRule
    probabilities: Probabilities
    decision: Decision
    action: Action
    claim: tuple[Decision, ...]
    confidence: float | None
    by_signs: bool
    shortest_arm_mm: float
    longest_arm_mm: float
    margin: Length
    guard: GuardBand
    small: bool
    size: str
    label_right: float | None
    neck: Length | None
    signs: PlayingSigns | None = None
    condition: InstrumentCondition | None = field(default=None)

    @property
    def risk(self) -> float | None:
        """Probability that the claim is wrong (the specific risk of JCGM 106:2012, 9.3); None without a claim."""
        return None if self.confidence is None else 1 - self.confidence

    @property
    def mislabelled(self) -> bool:
        """Whether the label names a size whose lengths this instrument does not have (at 95 %)."""
        return self.label_right is not None and self.label_right < 1 - self.rule.confidence

    @property
    def unusual_neck(self) -> bool:
        """Whether body and total length ask for clearly different arms."""
        if self.neck is None:
            return False
        surely = abs(self.neck.value_mm) > guard_factor(0.025) * self.neck.standard_uncertainty_mm
        return surely and abs(self.neck.value_mm) > NECK_MM

    def as_json(self, translate: Callable[[str], str] = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        from service.fit.explanation import explanation_json

        return {
            "decision": self.decision.value,
            "action": self.action.value,
            "probabilities": {name: round(getattr(self.probabilities, name), 4) for name in CLASS_ORDER},
            "claim": [each.value for each in self.claim],
            "confidence": None if self.confidence is None else round(self.confidence, 4),
            "risk": None if self.risk is None else round(self.risk, 4),
            "rule": {"confidence": self.rule.confidence, "strain_risk": self.rule.strain_risk},
            "by_signs": self.by_signs,
            "arm_length": length_json(self.arm),
            "instrument": {
                "label": self.instrument.label,
                "name": self.instrument.name,
                "body_length": length_json(self.instrument.body),
                "total_length": length_json(self.instrument.total),
                "nearest_size": self.size,
                "label_right": None if self.label_right is None else round(self.label_right, 4),
                "mislabelled": self.mislabelled,
                "unusual_neck": self.unusual_neck,
                "below_quarter_size": self.small,
            },
            "arm_needed": {
                "from_mm": round(self.shortest_arm_mm, 1),
                "to_mm": _finite(self.longest_arm_mm),
                "stretch_from_mm": round(self.shortest_arm_mm - self.chart.stretch_mm, 1),
            },
            "margin": length_json(self.margin),
            "guard_band": {
                "low_mm": round(self.guard.low_mm, 1),
                "high_mm": _finite(self.guard.high_mm),
                "accept_from_mm": _finite(self.guard.accept_from_mm),
                "accept_to_mm": _finite(self.guard.accept_to_mm),
            },
            "chart": self.chart.name,
            "finger_room": None
            if (room := finger_room(self.instrument)) is None
            else room.as_json(translate, language),
            **explanation_json(self, translate, language),
        }


CLASS_ORDER = ("too_small", "fits", "stretch", "too_large")

NECK_MM = 10.0
"""Difference between the arms asked for by body and by total length from which a neck is called unusual, mm.  Ours:
twice what the customary spread of total length for a body (0.60 to 0.61) makes at half size."""


def judge(
    arm: Length,
    instrument: InstrumentLengths,
    chart: Chart,
    signs: PlayingSigns | None = None,
    condition: InstrumentCondition | None = None,
    rule: DecisionRule = RULE,
) -> Verdict:
    """Say whether `instrument` fits a child with this `arm`.

    Parameters
    ----------
    arm : Length
        Side of the neck to the middle of the palm.
    instrument : InstrumentLengths
        Body length, total length or both; lengths that share causes with the arm carry the same keys.
    chart : Chart
        The teacher's chart or `default_chart`.
    signs : PlayingSigns, optional
        What was seen while the child plays this instrument.
    condition : InstrumentCondition, optional
        The instrument's state, for a choice between two.
    rule : DecisionRule
        How sure a decision must be.

    Returns
    -------
    Verdict

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    check_plausible(arm.value_mm, "arm")
    found = assess(chart, arm, [instrument])
    probabilities = Probabilities(*(float(getattr(found.classes, name)[0]) for name in CLASS_ORDER))
    small = bool(found.small[0])
    good = signs is not None and signs.all_good
    by_numbers = DECISIONS[int(decide(found.classes, found.small, rule, good)[0])]
    decision, by_signs = _with_signs(by_numbers, probabilities, signs)
    claim = _claim(decision)
    return Verdict(
        arm=arm,
        instrument=instrument,
        chart=chart,
        rule=rule,
        probabilities=probabilities,
        decision=decision,
        action=_action(decision, probabilities, small, signs, rule),
        claim=claim,
        confidence=None if by_signs or not claim else sum(getattr(probabilities, each.value) for each in claim),
        by_signs=by_signs,
        shortest_arm_mm=float(found.shortest_arm_mm[0]),
        longest_arm_mm=float(found.longest_arm_mm[0]),
        margin=_margin(arm, instrument, found),
        guard=_guard(found, rule),
        small=small,
        size=nearest_size(chart, float(found.place[0])),
        label_right=_label_right(chart, instrument, found),
        neck=_neck(chart, instrument),
        signs=signs,
        condition=condition,
    )


DECISIONS = (Decision.NOT_DECIDED, Decision.TOO_SMALL, Decision.FITS, Decision.STRETCH, Decision.TOO_LARGE)
"""Decision of each code that `decide` gives."""


def decide(
    found: Classes, small: NDArray[np.bool_], rule: DecisionRule = RULE, signs_good: bool = False
) -> NDArray[np.int64]:
    """Apply the rule at the top of this module to N probabilities.

    Parameters
    ----------
    found : Classes
    small : ndarray of bool, shape (N,) or one bool
        Smaller than a quarter size.
    rule : DecisionRule
    signs_good : bool
        Whether all playing signs were answered well; counts below quarter size only.

    Returns
    -------
    ndarray of int, shape (N,)
        Places in `DECISIONS`.
    """
    larger = found.stretch + found.too_large
    playable = (found.fits + found.stretch >= rule.confidence) & (found.too_large <= rule.strain_risk)
    code = np.zeros(np.shape(found.fits), dtype=np.int64)
    code[playable & ((found.stretch >= found.fits) | (small & signs_good))] = 3
    code[(found.fits >= rule.confidence) & (larger <= rule.strain_risk)] = 2
    code[found.too_small >= rule.confidence] = 1
    code[found.too_large >= rule.confidence] = 4
    return code


def nearest_size(chart: Chart, place: float) -> str:
    """Name of the size at that place among the chart's sizes."""
    return chart.sizes[min(max(round(place), 0), len(chart.rows) - 1)]


def _claim(decision: Decision) -> tuple[Decision, ...]:
    if decision is Decision.NOT_DECIDED:
        return ()
    return (Decision.FITS, Decision.STRETCH) if decision is Decision.STRETCH else (decision,)


def _with_signs(decision: Decision, p: Probabilities, signs: PlayingSigns | None) -> tuple[Decision, bool]:
    """Move the decision towards too large as far as signs of strain ask; never away from it."""
    if signs is None or not signs.strain:
        return decision, False
    # Strain with an instrument that is rather too small has another cause, which only the teacher can see.
    if decision in (Decision.TOO_SMALL, Decision.TOO_LARGE) or p.too_small >= 0.5:
        return decision, False
    likely_fits = decision is Decision.FITS or (decision is Decision.NOT_DECIDED and p.fits >= 0.5)
    if likely_fits and len(signs.strain) == 1 and not signs.pain:
        return Decision.STRETCH, True
    return Decision.TOO_LARGE, True


def _action(
    decision: Decision, p: Probabilities, small: bool, signs: PlayingSigns | None, rule: DecisionRule
) -> Action:
    if signs is not None and signs.pain:
        return Action.STOP
    strained = signs is not None and bool(signs.strain)
    if decision is Decision.TOO_LARGE or (strained and decision is Decision.STRETCH):
        return Action.SMALLER
    if decision is Decision.TOO_SMALL:
        return Action.LARGER
    if decision is Decision.FITS:
        return Action.TAKE
    playable = p.fits + p.stretch >= rule.confidence and p.too_large <= rule.strain_risk
    if small and playable:
        return Action.TAKE if signs is not None and signs.all_good else Action.ASK_SIGNS
    if not small and (decision is Decision.STRETCH or p.stretch + p.too_large >= rule.confidence):
        return Action.SMALLER
    return Action.MEASURE


def _margin(arm: Length, instrument: InstrumentLengths, found: Assessment) -> Length:
    """Arm minus shortest arm with its budget; the value is the exact one, not the expansion's."""
    terms = [(1.0, widened(arm))]
    if instrument.body is not None:
        terms.append((float(found.body_factor[0]), widened(instrument.body)))
    if instrument.total is not None:
        terms.append((float(found.total_factor[0]), widened(instrument.total)))
    summed = linear(terms)
    budget = summed.budget
    rest = found.u_margin_mm[0] ** 2 - summed.standard_uncertainty_mm**2
    if rest > 1e-9:
        extra = Length.stated(0.0, float(np.sqrt(rest)), "the instrument's other length is not measured")
        budget = (*budget, *extra.budget)
    return Length(float(found.margin_mm[0]), budget)


def _guard(found: Assessment, rule: DecisionRule) -> GuardBand:
    """Guard bands on the measured arm; the prior widens them by the factor by which it pulls the margin back."""
    u, shortest, longest = float(found.u_margin_mm[0]), float(found.shortest_arm_mm[0]), float(found.longest_arm_mm[0])
    pull = u / float(with_prior(found.margin_mm, found.u_margin_mm)[1][0])
    low = guard_factor(rule.strain_risk) * u * pull
    high = 0.0
    if np.isfinite(longest):
        wide = guard_factor(1 - rule.confidence) * float(found.u_outgrown_mm[0]) * pull
        high = wide - (longest - shortest) * (pull**2 - 1)
    start, end = shortest + low, longest - high
    return GuardBand(low, high, *((start, end) if start < end else (None, None)))


def _label_right(chart: Chart, instrument: InstrumentLengths, found: Assessment) -> float | None:
    row = chart.row(instrument.label) if instrument.label else None
    if row is None:
        return None
    index = chart.sizes.index(row.size)
    low = -np.inf if index == 0 else index - 0.5
    high = np.inf if index == len(chart.rows) - 1 else index + 0.5
    place, u = found.place[0], found.u_place[0]
    return float(ndtr((high - place) / u) - ndtr((low - place) / u))


def _neck(chart: Chart, instrument: InstrumentLengths) -> Length | None:
    if instrument.body is None or instrument.total is None:
        return None
    parts = []
    for kind, length, sign in (("total", instrument.total, 1.0), ("body", instrument.body, -1.0)):
        step = max(length.standard_uncertainty_mm, 0.5)
        ends = chart.shortest_arm_mm(np.array([length.value_mm - step, length.value_mm + step]), kind)
        parts.append((sign * float(ends[1] - ends[0]) / (2 * step), length))
    by_total = float(chart.shortest_arm_mm(instrument.total.value_mm, "total"))
    by_body = float(chart.shortest_arm_mm(instrument.body.value_mm, "body"))
    return Length(by_total - by_body, linear(parts).budget)


def _finite(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else round(value, 1)
