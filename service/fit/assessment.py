"""From lengths to probabilities, for one instrument or for thousands at once.

Let a be the arm, L the shortest arm the chart asks for an instrument of the measured body b and total t, W the width
of its band and s the stretch allowance.  With the margin d = a - L:

    too large    d < -s          stretch   -s <= d < 0
    fits         0 <= d <= W     too small  d > W, written d / W - 1 > 0, which stays finite where the band is open

d and d / W - 1 are expanded to first order in a, b and t (JCGM 100:2008, 5.2.2), and their normal distributions give
the four probabilities (JCGM 106:2012, 7.4).  The covariances of a, b and t count: an error of the print scale of one
sheet in both photos lengthens arm and instrument alike and nearly cancels in d.  Values and slopes are means over
the lengths' own normal distributions, so that a bend of the chart within reach is not missed.

Before anything is measured, people do not ask about any instrument whatever: the margin is believed to be normal about
0 with a standard deviation of 40 mm (prior knowledge, as JCGM 106:2012 has it in clause 6, from memory).  A good
measurement, u = 5 mm, is hardly moved by that (1.5 %); a very poor one can no longer pass for certain by chance.

L is half the shortest arm by body, half that by total.  Where one of the two is not known, it is taken from the other
by the usual ratio of body to total, whose spread among instruments is added (rectangular, JCGM 100:2008, 4.3.7): 0.60
to 0.61 from quarter size up (the sizes tabulated by violin makers), 0.585 to 0.61 at an eighth and below, where many
run longer; between the two sizes in proportion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import ndtr

from calibration.arrays import Array, Mask
from calibration.quantity import Length
from service.fit.chart import Chart
from service.fit.errors import LengthError
from service.fit.lengths import check_plausible, check_proportion, widened
from service.fit.sentences import say

PRIOR_SD_MM = 40.0
"""Standard deviation of the margin before measuring, mm.  Ours: one and a half size steps; `python -m
tests.fit_calibration` shows that with it decided verdicts stay right however wide the uncertainty is."""

TINY_MM = 1e-6
"""Standard uncertainty below which a margin counts as exact, mm."""

SECANT_MM = 0.5
"""Least standard deviation over which a value of the chart is taken, mm."""

BODY_TO_TOTAL = 0.605
"""Body length over total length of most violins: the middle of 0.60 to 0.61."""

RATIO_BODIES_MM = (255.0, 280.0)
"""Body of an eighth and of a quarter of common practice, mm: below and above them the ratio does not change."""

RATIO_RANGES = ((0.585, 0.61), (0.60, 0.61))
"""Least and largest body over total at these two bodies; ours for the eighth, after small instruments on sale."""


def body_to_total(body_mm: Array | float) -> tuple[Array, Array]:
    """(N,) usual ratio of body to total length for these bodies, mm, and its standard deviation.

    Examples
    --------
    >>> [round(float(each), 4) for each in body_to_total(300.0)]
    [0.605, 0.0029]
    """
    low, high = (np.interp(body_mm, RATIO_BODIES_MM, [each[end] for each in RATIO_RANGES]) for end in (0, 1))
    return np.asarray((low + high) / 2), np.asarray((high - low) / (2 * sqrt(3)))


OTHER_INSTRUMENTS = ("viola", "cello", "bratsche")
"""Words in a label that name another instrument; its arm is measured alike, but its sizes are its own."""


def check_label(label: str | None) -> None:
    """Refuse a label that names another instrument.

    Raises
    ------
    LengthError
        If it does.
    """
    if label and any(name in label.lower() for name in OTHER_INSTRUMENTS):
        raise LengthError(
            say(
                "“{label}” is no violin. Violas and larger instruments are not judged here: their sizes go by body "
                "length, and a teacher chooses them by playing.",
                label=label,
            )
        )


@dataclass(frozen=True)
class InstrumentLengths:
    """What is measured on one instrument; at least one of the two lengths.

    Attributes
    ----------
    body, total : Length or None
        Body length and total length.
    label : str or None
        The size it is sold as, e.g. ``"1/8"``.
    name : str or None
        How people tell it from others, e.g. a shelf number.
    string_length : Length or None
        Nut to bridge.

    Raises
    ------
    LengthError
        If no length is given, or one is implausible.
    """

    body: Length | None
    total: Length | None
    label: str | None = None
    name: str | None = None
    string_length: Length | None = None

    def __post_init__(self) -> None:
        check_label(self.label)
        if self.body is None and self.total is None:
            raise LengthError(say("Neither body length nor total length of the instrument is known. Measure one."))
        if self.body is not None:
            check_plausible(self.body.value_mm, "body")
        if self.total is not None:
            check_plausible(self.total.value_mm, "total")
            if self.body is not None and self.total.value_mm <= self.body.value_mm:
                raise LengthError(say("The total length must be longer than the body. Are the two swapped?"))
            if self.body is not None:
                check_proportion(self.body.value_mm, self.total.value_mm)


@dataclass(frozen=True)
class Classes:
    """Probabilities of the four classes; arrays of one shape, adding to one."""

    too_small: Array
    fits: Array
    stretch: Array
    too_large: Array

    def first(self, count: int) -> Classes:
        """The first so many."""
        return Classes(self.too_small[:count], self.fits[:count], self.stretch[:count], self.too_large[:count])


@dataclass(frozen=True)
class Assessment:
    """Numbers for N instruments and one arm; every array has shape (N,).

    Attributes
    ----------
    shortest_arm_mm, longest_arm_mm : ndarray
        The arm band of each instrument as measured, mm.
    margin_mm, u_margin_mm : ndarray
        Arm minus shortest arm, and its standard uncertainty, mm.
    u_outgrown_mm : ndarray
        Standard uncertainty of arm minus longest arm, mm; infinite where the band is open.
    classes : Classes
        Probabilities.
    place, u_place : ndarray
        Place among the chart's sizes (`Chart.position`) and its standard uncertainty.
    body_factor, total_factor : ndarray
        Sensitivity of the margin to the measured body and total length; zero where it is not measured.
    body_slope, total_slope : ndarray
        Shortest arm per millimetre of body and of total length, each as if it alone counted.
    believed_mm, u_believed_mm : ndarray
        Margin and its standard deviation, mm, joined with the prior.
    small : ndarray of bool
        Smaller than a quarter size.
    """

    shortest_arm_mm: Array
    longest_arm_mm: Array
    margin_mm: Array
    u_margin_mm: Array
    u_outgrown_mm: Array
    classes: Classes
    place: Array
    u_place: Array
    body_factor: Array
    total_factor: Array
    body_slope: Array
    total_slope: Array
    believed_mm: Array
    u_believed_mm: Array
    small: Mask

    def first(self, count: int) -> Assessment:
        """Of the first so many instruments."""
        arrays = {name: value[:count] for name, value in vars(self).items() if name != "classes"}
        return Assessment(**arrays, classes=self.classes.first(count))


@dataclass(frozen=True)
class Moments:
    """Means and covariances of body and total length of N instruments with one arm, mm and mm2; NaN where unknown."""

    body: Array
    total: Array
    var_body: Array
    var_total: Array
    cov_body_total: Array
    cov_arm_body: Array
    cov_arm_total: Array


def assess(chart: Chart, arm: Length, instruments: Sequence[InstrumentLengths]) -> Assessment:
    """Probabilities of `instruments` for `arm`.

    Parameters
    ----------
    chart : Chart
    arm : Length
    instruments : sequence of InstrumentLengths, length N

    Returns
    -------
    Assessment
    """
    arm = widened(arm)
    return assess_moments(chart, arm.value_mm, arm.standard_uncertainty_mm**2, moments(arm, instruments))


def assess_moments(chart: Chart, arm_mm: Array | float, var_arm: Array | float, m: Moments) -> Assessment:
    """Assess from means and covariances; `arm_mm` and `var_arm` are numbers or (N,) arrays, mm and mm2."""
    has_body, has_total = np.isfinite(m.body), np.isfinite(m.total)
    body_like = np.where(has_body, m.body, BODY_TO_TOTAL * np.nan_to_num(m.total))
    ratio, ratio_sd = body_to_total(body_like)
    # The missing length moves with the known one, and is as sure as that: the spread of the ratio comes on top.
    m = _completed(m, ratio)
    weight_body = weight_total = 0.5
    low_b, slope_b, inv_b, inv_slope_b, place_b, place_slope_b = _local(chart, "body", m.body, m.var_body)
    low_t, slope_t, inv_t, inv_slope_t, place_t, place_slope_t = _local(chart, "total", m.total, m.var_total)
    var_b, var_t = m.var_body, m.var_total

    shortest = weight_body * low_b + weight_total * low_t
    inverse_width = weight_body * inv_b + weight_total * inv_t
    margin = arm_mm - shortest
    slope_missing = np.where(has_body, slope_t * m.total, slope_b * m.body) / 2
    missing = np.where(has_body & has_total, 0.0, slope_missing * ratio_sd / ratio)

    def variance(of_arm: Array | float, of_body: Array, of_total: Array) -> Array:
        total = of_arm**2 * var_arm + of_body**2 * var_b + of_total**2 * var_t
        total += 2 * of_body * of_total * m.cov_body_total
        total += 2 * of_arm * (of_body * m.cov_arm_body + of_total * m.cov_arm_total)
        return np.asarray(np.maximum(total + (of_arm * missing) ** 2, 0.0))

    factor_b, factor_t = -weight_body * slope_b, -weight_total * slope_t
    u_margin = np.maximum(np.sqrt(variance(1.0, factor_b, factor_t)), TINY_MM)
    excess_b = inverse_width * factor_b + margin * weight_body * inv_slope_b
    excess_t = inverse_width * factor_t + margin * weight_total * inv_slope_t
    u_excess = np.sqrt(variance(inverse_width, excess_b, excess_t))
    u_excess = np.maximum(u_excess, TINY_MM * np.maximum(inverse_width, TINY_MM))

    believed, u_believed = with_prior(np.asarray(margin), u_margin)
    shrink = u_believed / u_margin

    place = weight_body * place_b + weight_total * place_t
    place_var = (weight_body * place_slope_b) ** 2 * var_b + (weight_total * place_slope_t) ** 2 * var_t
    place_var += 2 * weight_body * place_slope_b * weight_total * place_slope_t * m.cov_body_total
    with np.errstate(divide="ignore"):
        longest = shortest + 1 / inverse_width
        u_outgrown = u_excess / inverse_width
    return Assessment(
        shortest_arm_mm=shortest,
        longest_arm_mm=longest,
        margin_mm=np.asarray(margin),
        u_margin_mm=u_margin,
        u_outgrown_mm=u_outgrown,
        classes=classes_of(
            believed, u_believed, (believed * inverse_width - 1) / (u_excess * shrink), chart.stretch_mm
        ),
        place=place,
        u_place=np.sqrt(np.maximum(place_var, TINY_MM**2)),
        body_factor=np.where(has_body, factor_b + np.where(has_total, 0.0, factor_t / ratio), 0.0),
        total_factor=np.where(has_total, factor_t + np.where(has_body, 0.0, factor_b * ratio), 0.0),
        body_slope=slope_b,
        total_slope=slope_t,
        believed_mm=believed,
        u_believed_mm=u_believed,
        small=body_like < chart.small_below_body_mm,
    )


def _completed(m: Moments, ratio: Array) -> Moments:
    """The moments with the length that is missing taken from the other by the usual ratio of body to total."""
    no_body, no_total = ~np.isfinite(m.body), ~np.isfinite(m.total)

    def either(known: Array, by_total: Array, by_body: Array) -> Array:
        return np.where(no_body, by_total, np.where(no_total, by_body, known))

    return Moments(
        body=np.where(no_body, ratio * m.total, m.body),
        total=np.where(no_total, m.body / ratio, m.total),
        var_body=np.where(no_body, ratio**2 * m.var_total, m.var_body),
        var_total=np.where(no_total, m.var_body / ratio**2, m.var_total),
        cov_body_total=either(m.cov_body_total, ratio * m.var_total, m.var_body / ratio),
        cov_arm_body=np.where(no_body, ratio * m.cov_arm_total, m.cov_arm_body),
        cov_arm_total=np.where(no_total, m.cov_arm_body / ratio, m.cov_arm_total),
    )


def with_prior(margin_mm: Array, u_mm: Array) -> tuple[Array, Array]:
    """Margin and its standard deviation, mm, after the measurement is joined with the prior (normal with normal)."""
    kept = PRIOR_SD_MM**2 / (PRIOR_SD_MM**2 + u_mm**2)
    return margin_mm * kept, u_mm * np.sqrt(kept)


def classes_of(margin_mm: Array, u_mm: Array | float, outgrown: Array, stretch_mm: float) -> Classes:
    """Probabilities of the classes (JCGM 106:2012, 7.4).

    Parameters
    ----------
    margin_mm, u_mm : ndarray
        Arm minus shortest arm and its standard deviation, mm, as believed after measuring.
    outgrown : ndarray
        How far the arm exceeds the longest, in standard uncertainties.
    stretch_mm : float
        Width of the stretch below the shortest arm, mm.

    Returns
    -------
    Classes
    """
    larger, too_large = ndtr(-margin_mm / u_mm), ndtr(-(margin_mm + stretch_mm) / u_mm)
    # Where both tails are wide their sum could pass one, because the band's width varies a little too.  The tail that
    # strains a child is exact and stays as it is, so that a longer arm never makes it likelier.
    too_small = np.minimum(ndtr(outgrown), 1 - larger)
    return Classes(too_small, np.clip(1 - larger - too_small, 0, 1), larger - too_large, too_large)


def moments(arm: Length, instruments: Sequence[InstrumentLengths]) -> Moments:
    """Means, variances and covariances of the instruments' lengths among themselves and with the arm."""
    arm_keys = _keyed(arm)
    rows = [_row(arm_keys, each.body, each.total) for each in instruments]
    columns = np.array(rows, dtype=float).reshape(len(rows), 7).T
    return Moments(*columns)


def _row(arm_keys: dict[str, float], body: Length | None, total: Length | None) -> tuple[float, ...]:
    body_mm, var_body, body_keys = _summed(body)
    total_mm, var_total, total_keys = _summed(total)
    return (
        body_mm,
        total_mm,
        var_body,
        var_total,
        sum(part * total_keys[key] for key, part in body_keys.items() if key in total_keys),
        sum(part * arm_keys[key] for key, part in body_keys.items() if key in arm_keys),
        sum(part * arm_keys[key] for key, part in total_keys.items() if key in arm_keys),
    )


def _summed(length: Length | None) -> tuple[float, float, dict[str, float]]:
    if length is None:
        return float("nan"), float("nan"), {}
    length = widened(length)
    keys: dict[str, float] = {}
    variance = 0.0
    for part in length.budget:
        variance += part.contribution_mm**2
        if part.key is not None:
            keys[part.key] = keys.get(part.key, 0.0) + part.contribution_mm
    return length.value_mm, variance, keys


def _keyed(length: Length) -> dict[str, float]:
    return _summed(length)[2]


_Z, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
"""Nodes and weights of the Gauss-Hermite quadrature for a standard normal variable."""


def _local(chart: Chart, kind: str, length: Array, variance: Array) -> tuple[Array, ...]:
    """Shortest arm, reciprocal width and place with their slopes, over the normal distribution of the length.

    The value is the mean over the distribution and the slope its regression on the length, so that a bend of the chart
    within reach counts as far as it is reached.
    """
    step = np.maximum(np.sqrt(variance), SECANT_MM)
    at = length[None, :] + step[None, :] * _Z[:, None]
    out: list[Array] = []
    for function in (chart.shortest_arm_mm, chart.reciprocal_width, chart.position):
        values = np.asarray(function(at, kind))
        out.append(_WEIGHTS @ values)
        out.append((_WEIGHTS * _Z) @ values / step)
    return tuple(out)
