"""One instrument, one arm: what is known and what there is to do, with the numbers behind both.

What is judged comes from `service.fit.choosing`; here are the details of one instrument.  The guard bands say for
which measured arms this instrument would be called a fit (JCGM 106:2012, 8.3); the label is checked against the
measured lengths by the probability that the size it names is the nearest one; a neck is unusual when body and total
length ask for clearly different arms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calibration.quantity import Length
from service.fit.assessment import Assessment, InstrumentLengths, assess, with_prior
from service.fit.chart import Chart, ChartRow
from service.fit.choosing import choose
from service.fit.conformity import guard_factor
from service.fit.decision import CLAIMS, CONFIDENCE, STRAIN_RISK, Action, Decision, Probabilities
from service.fit.evidence import Suspected, suspected
from service.fit.lengths import linear, widened
from service.fit.losses import LOSSES, Losses
from service.fit.next_step import Outlook
from service.fit.setup import NOT_SEEN, Build
from service.fit.signs import InstrumentCondition, PlayingSigns


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
    """What is known about one instrument for one child, and what there is to do.

    Attributes
    ----------
    arm : Length
    instrument : InstrumentLengths
    chart : Chart
    losses : Losses
    probabilities : Probabilities
        What was seen while playing is considered.
    by_lengths : Probabilities
        By the measured lengths alone.
    decision : Decision
        What is claimed.
    action : Action
        What there is to do.
    instead : ChartRow or None
        The size of the chart to take instead, where the action is another instrument and the chart has one.
    strained : float
        Probability that the instrument's size strains the child, and that this is seen.
    cost_days : float
        Expected loss of playing this instrument, days.
    steps : tuple of Outlook
        Further measurements worth their trouble, the most worth while first.
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
    elsewhere : bool
        Whether strain was seen on another instrument that is not larger than this one.
    build : Build
        Neck and shoulder of the child, as far as they are known.
    signs : PlayingSigns or None
    condition : InstrumentCondition or None
    doubted : bool
        Whether other measurements of the child contradict this arm.
    """

    arm: Length
    instrument: InstrumentLengths
    chart: Chart
    losses: Losses
    probabilities: Probabilities
    by_lengths: Probabilities
    decision: Decision
    action: Action
    instead: ChartRow | None
    strained: float
    cost_days: float
    steps: tuple[Outlook, ...]
    shortest_arm_mm: float
    longest_arm_mm: float
    margin: Length
    guard: GuardBand
    small: bool
    size: str
    label_right: float | None
    neck: Length | None
    elsewhere: bool = False
    build: Build = NOT_SEEN
    signs: PlayingSigns | None = None
    condition: InstrumentCondition | None = None
    doubted: bool = False

    @property
    def claim(self) -> tuple[Decision, ...]:
        """The classes of which one is claimed to be true; empty if nothing is claimed."""
        return () if self.decision is Decision.NOT_DECIDED else CLAIMS[self.decision]

    @property
    def confidence(self) -> float | None:
        """Probability of the claim; None without one."""
        return self.probabilities.of(self.claim) if self.claim else None

    @property
    def by_signs(self) -> bool:
        """Whether what was seen while playing changed what is known."""
        return any(
            abs(getattr(self.probabilities, each.value) - getattr(self.by_lengths, each.value)) > TOLD
            for each in CLAIMS[Decision.NOT_DECIDED]
        )

    @property
    def causes(self) -> dict[str, tuple[Suspected, ...]]:
        """For each bad sign what may be behind it, the likeliest first."""
        bad = () if self.signs is None else self.signs.bad
        return {name: suspected(name, self.strained, self.probabilities.too_small) for name in bad}

    @property
    def risk(self) -> float | None:
        """Probability that the claim is wrong (the specific risk of JCGM 106:2012, 9.3); None without a claim."""
        return None if self.confidence is None else 1 - self.confidence

    @property
    def mislabelled(self) -> bool:
        """Whether the label names a size whose lengths this instrument does not have (at 95 %)."""
        return self.label_right is not None and self.label_right < 1 - CONFIDENCE

    @property
    def unusual_neck(self) -> bool:
        """Whether body and total length ask for clearly different arms."""
        if self.neck is None:
            return False
        surely = abs(self.neck.value_mm) > NECK_SURE * self.neck.standard_uncertainty_mm
        return surely and abs(self.neck.value_mm) > NECK_MM


NECK_MM = 10.0
"""Difference between the arms asked for by body and by total length from which a neck is called unusual, mm.  Ours:
twice what the customary spread of total length for a body (0.60 to 0.61) makes at half size."""

TOLD = 0.02
"""Change of a probability by what was seen while playing from which it is told; ours."""

NECK_SURE = guard_factor(0.025)
"""Standard uncertainties by which a neck must differ to be called unusual: 95 %, two-sided."""


def judge(
    arm: Length,
    instrument: InstrumentLengths,
    chart: Chart,
    signs: PlayingSigns | None = None,
    condition: InstrumentCondition | None = None,
    losses: Losses = LOSSES,
    played: Sequence[tuple[InstrumentLengths, PlayingSigns]] = (),
    build: Build = NOT_SEEN,
    doubted: bool = False,
) -> Verdict:
    """Say whether `instrument` fits a child with this `arm`, and what to do.

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
        The instrument's state, for a choice between two, and where it is not whole.
    losses : Losses
        What a wrong choice costs.
    played : sequence of (InstrumentLengths, PlayingSigns)
        What was seen while the child plays other instruments; it counts for this one, too.
    build : Build
        Neck and shoulder of the child, for what to try at chin and shoulder.
    doubted : bool
        Whether other measurements of the child contradict this arm: then nothing is claimed by it.

    Returns
    -------
    Verdict

    Raises
    ------
    LengthError
        If the arm is implausible.

    Examples
    --------
    >>> from service.fit.chart_table import default_chart
    >>> eighth = InstrumentLengths(Length.stated(255.0, 1.0), Length.stated(421.0, 1.5))
    >>> verdict = judge(Length.stated(450.0, 4.0), eighth, default_chart())
    >>> str(verdict.decision), str(verdict.action), verdict.size
    ('fits', 'take', '1/8')
    """
    choices = choose(arm, [instrument], chart, [signs], played, losses, doubted, [condition])
    found, instead = choices.found, choices.instead(0)
    shortest = float(found.shortest_arm_mm[0])
    return Verdict(
        arm=arm,
        instrument=instrument,
        chart=chart,
        losses=losses,
        probabilities=choices.probabilities(0),
        by_lengths=choices.probabilities(0, by_lengths=True),
        decision=choices.decided[0],
        action=choices.actions[0],
        instead=None if instead is None else chart.rows[instead],
        strained=float(choices.weighed.costs.strained[0]),
        cost_days=float(choices.weighed.costs.play[0]),
        steps=choices.steps.get(0, ()),
        shortest_arm_mm=shortest,
        longest_arm_mm=float(found.longest_arm_mm[0]),
        margin=_margin(arm, instrument, found),
        guard=_guard(found),
        small=bool(found.small[0]),
        size=nearest_size(chart, float(found.place[0])),
        label_right=_label_right(chart, instrument, found),
        neck=_neck(chart, instrument),
        elsewhere=choices.strained_elsewhere(0),
        build=build,
        signs=signs,
        condition=condition,
        doubted=doubted,
    )


def nearest_size(chart: Chart, place: float) -> str:
    """Name of the size at that place among the chart's sizes."""
    return chart.sizes[min(max(round(place), 0), len(chart.rows) - 1)]


def measured_sizes(chart: Chart, instruments: Sequence[InstrumentLengths]) -> list[str]:
    """The size of the chart that each of N instruments measures like, as a verdict names it: for whichever arm."""
    any_arm = Length(float(chart.arms_from_mm[0]), ())
    return [nearest_size(chart, place) for place in assess(chart, any_arm, instruments).place.tolist()]


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


def _guard(found: Assessment) -> GuardBand:
    """Guard bands on the measured arm; the prior widens them by the factor by which it pulls the margin back."""
    u, shortest, longest = float(found.u_margin_mm[0]), float(found.shortest_arm_mm[0]), float(found.longest_arm_mm[0])
    pull = u / float(with_prior(found.margin_mm, found.u_margin_mm)[1][0])
    low = guard_factor(STRAIN_RISK) * u * pull
    high = 0.0
    if np.isfinite(longest):
        wide = guard_factor(1 - CONFIDENCE) * float(found.u_outgrown_mm[0]) * pull
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
        parts.append((sign * float(ends[1] - ends[0]) / (2 * step), widened(length)))
    by_total = float(chart.shortest_arm_mm(instrument.total.value_mm, "total"))
    by_body = float(chart.shortest_arm_mm(instrument.body.value_mm, "body"))
    return Length(by_total - by_body, linear(parts).budget)
