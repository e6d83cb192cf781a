"""Are verdicts as sure as they say?  `python -m tests.fit_calibration [--children 20000]` prints the answer.

Children of 3 to 13 years are drawn with true arms as growth tables spread them, and to each an instrument somewhere
between clearly too small and clearly too large, with a neck of its own.  Arm and instrument are then "measured": true
length plus errors drawn from the stated budget, among them one print-scale error common to both photos.  The verdict
sees only measured values and budgets; whether it is right is told by the true lengths.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.anthropometry import SHARE_CV, height_cv, median_arm_mm
from calibration.quantity import Contribution, Length
from service.fit.assessment import Assessment, InstrumentLengths, Moments, assess_moments
from service.fit.chart import Chart
from service.fit.chart_table import default_chart
from service.fit.decision import CLAIMS, DECISIONS, Decision, decide
from service.fit.verdict import judge
from tests.fit_risks import GlobalRisks, global_risks

Array = NDArray[np.float64]

LEAST_RIGHT = 0.94
"""Least share of claims that are right; stated are 95 %, less what a simulation of this size scatters."""

MOST_FALSE_FITS = 0.025
"""Largest share of too large instruments that are claimed to fit: the decision rule's risk of strain."""

PLAYABLE = [each.value for each in CLAIMS if CLAIMS[each] and Decision.TOO_LARGE not in CLAIMS[each]]
PLAYABLE.remove(Decision.TOO_SMALL.value)

SCALE_U = 0.003
"""Relative standard uncertainty of the print scale, common to both photos."""

NECK_SD = 0.006
"""Relative standard deviation of total length for a body length."""


@dataclass(frozen=True)
class Simulated:
    """True lengths, stated standard uncertainties without the common scale, and measured lengths; (N,) in mm."""

    arm: Array
    body: Array
    total: Array
    u_arm: Array
    u_body: Array
    u_total: Array
    arm_read: Array
    body_read: Array
    total_read: Array


@dataclass(frozen=True)
class Report:
    """Shares of a run."""

    children: int
    decided: float
    right: float
    right_by_decision: dict[str, tuple[int, float]]
    too_large_called_fits: float
    too_large_called_playable: float
    larger_called_fits: float
    reliability: list[tuple[float, int, float]]


def simulate(children: int, seed: int, arm_noise: float = 1.0, chart: Chart | None = None) -> Simulated:
    """Draw children, instruments and their measurements; `arm_noise` scales the arm's uncertainty."""
    chart = chart or default_chart()
    rng = np.random.default_rng(seed)
    age = rng.uniform(3, 13, children)
    arm = median_arm_mm(age) * np.exp(rng.normal(0, np.hypot(height_cv(age), SHARE_CV)))
    ideal = np.interp(arm, chart.arms_from_mm + 15, np.arange(len(chart.rows)))
    place = np.clip(ideal + rng.normal(0, 0.8, children), 0, len(chart.rows) - 1)
    body = np.interp(place, np.arange(len(chart.rows)), chart.bodies_mm)
    total = np.interp(place, np.arange(len(chart.rows)), chart.totals_mm) * (1 + rng.normal(0, NECK_SD, children))
    u_arm = arm_noise * rng.uniform(2.5, 8.0, children)
    u_body, u_total = rng.uniform(0.5, 2.0, children), rng.uniform(0.8, 3.0, children)
    scale = rng.normal(0, SCALE_U, children)

    def read(true: Array, u: Array) -> Array:
        return true * (1 + scale) + rng.normal(0, u)

    return Simulated(
        arm, body, total, u_arm, u_body, u_total, read(arm, u_arm), read(body, u_body), read(total, u_total)
    )


def assess_simulated(drawn: Simulated, chart: Chart, known_to_be_common: bool = True) -> Assessment:
    """Assess all; with `known_to_be_common` False the common scale error is treated as three separate ones."""
    parts = [SCALE_U * each for each in (drawn.arm_read, drawn.body_read, drawn.total_read)]
    common = float(known_to_be_common)
    moments = Moments(
        body=drawn.body_read,
        total=drawn.total_read,
        var_body=drawn.u_body**2 + parts[1] ** 2,
        var_total=drawn.u_total**2 + parts[2] ** 2,
        cov_body_total=common * parts[1] * parts[2],
        cov_arm_body=common * parts[0] * parts[1],
        cov_arm_total=common * parts[0] * parts[2],
    )
    return assess_moments(chart, drawn.arm_read, drawn.u_arm**2 + parts[0] ** 2, moments)


def true_classes(drawn: Simulated, chart: Chart) -> NDArray[np.str_]:
    """Class of each pair by its true lengths."""
    shortest = (chart.shortest_arm_mm(drawn.body, "body") + chart.shortest_arm_mm(drawn.total, "total")) / 2
    inverse = (chart.reciprocal_width(drawn.body, "body") + chart.reciprocal_width(drawn.total, "total")) / 2
    margin = drawn.arm - shortest
    names = np.where(margin * inverse > 1, "too_small", "fits")
    return np.where(margin < -chart.stretch_mm, "too_large", np.where(margin < 0, "stretch", names))


def one_by_one(drawn: Simulated, place: int, chart: Chart) -> Decision:
    """Judge one of the drawn pairs by the public function."""

    def length(value: float, u: float) -> Length:
        scale = Contribution("print scale", SCALE_U * value, "print-scale:a4-1")
        return Length(value, (Contribution("reading", u), scale))

    instrument = InstrumentLengths(
        length(float(drawn.body_read[place]), float(drawn.u_body[place])),
        length(float(drawn.total_read[place]), float(drawn.u_total[place])),
    )
    return judge(length(float(drawn.arm_read[place]), float(drawn.u_arm[place])), instrument, chart).decision


def report(drawn: Simulated, chart: Chart, known_to_be_common: bool = True) -> Report:
    """Compare verdicts with the truth."""
    found = assess_simulated(drawn, chart, known_to_be_common)
    called = np.array([each.value for each in DECISIONS])[decide(found.classes)]
    true = true_classes(drawn, chart)
    decided = called != Decision.NOT_DECIDED.value
    right = np.zeros(len(true), dtype=bool)
    for claimed, classes in CLAIMS.items():
        right |= (called == claimed.value) & np.isin(true, [each.value for each in classes]) & decided
    by_decision = {
        name: (int(np.sum(called == name)), float(np.mean(right[called == name]) if np.any(called == name) else np.nan))
        for name in [each.value for each in CLAIMS if each is not Decision.NOT_DECIDED]
    }
    larger = (true == "too_large") | (true == "stretch")
    edges = np.linspace(0, 1, 11)
    bins = np.clip(np.digitize(found.classes.fits, edges) - 1, 0, 9)
    reliability = [
        (
            float(found.classes.fits[bins == each].mean()),
            int(np.sum(bins == each)),
            float(np.mean(true[bins == each] == "fits")),
        )
        for each in range(10)
        if np.any(bins == each)
    ]
    return Report(
        len(true),
        float(np.mean(decided)),
        float(np.mean(right[decided])) if decided.any() else float("nan"),
        by_decision,
        float(np.mean(called[true == "too_large"] == "fits")),
        float(np.mean(np.isin(called[true == "too_large"], PLAYABLE))),
        float(np.mean(called[larger] == "fits")),
        reliability,
    )


def global_prediction(seed: int, draws: int = 400_000) -> tuple[GlobalRisks, GlobalRisks]:
    """Global risks of calling "fits" for one quarter-size instrument, by JCGM 106 and by drawing.

    Children's arms are normal about the middle of the band; the instrument is known exactly, the arm to 4 mm.
    """
    row = default_chart().rows[4]
    u, process = 4.0, ((row.arm_from_mm + row.arm_to_mm) / 2, 20.0)
    instrument = InstrumentLengths(Length.stated(row.body_length_mm, 0.0), Length.stated(row.total_length_mm, 0.0))
    guard = judge(Length.stated(process[0], u), instrument, default_chart()).guard
    limits = (row.arm_from_mm, row.arm_to_mm)
    accept = (guard.accept_from_mm or np.inf, guard.accept_to_mm or -np.inf)
    rng = np.random.default_rng(seed)
    true = rng.normal(*process, draws)
    read = true + rng.normal(0, u, draws)
    conforms, accepted = (true >= limits[0]) & (true <= limits[1]), (read >= accept[0]) & (read <= accept[1])
    drawn = GlobalRisks(
        float(conforms.mean()), float(np.mean(accepted & ~conforms)), float(np.mean(~accepted & conforms))
    )
    return global_risks(process, u, limits, accept), drawn


def main(arguments: list[str]) -> int:
    """Print the report; status 1 if a limit is not kept."""
    parser = argparse.ArgumentParser(description="Calibration of verdicts by simulation.")
    parser.add_argument("--children", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    chart = default_chart()
    drawn = simulate(options.children, options.seed)
    found = report(drawn, chart)
    print(
        f"children {found.children}, arm u 2.5 to 8 mm, body u 0.5 to 2 mm, total u 0.8 to 3 mm, common scale u 0.3 %"
    )
    print(f"decided {found.decided:.1%}, not decided {1 - found.decided:.1%}")
    print(f"decided and right {found.right:.2%} (at least {LEAST_RIGHT:.0%})")
    for name, (count, share) in found.right_by_decision.items():
        print(f"  called {name:<16} {count:>6}   right {share:.2%}")
    print(f"too large, called fits {found.too_large_called_fits:.2%} (at most {MOST_FALSE_FITS:.1%})")
    print(f"too large, called anything that is played {found.too_large_called_playable:.2%}")
    print(f"stretch or too large, called fits {found.larger_called_fits:.2%}")
    print("stated P(fits)   pairs   true share")
    for stated, count, share in found.reliability:
        print(f"  {stated:>10.3f} {count:>9} {share:>11.3f}")
    apart = report(drawn, chart, known_to_be_common=False)
    print(f"common scale error taken as separate: decided {apart.decided:.1%}, right {apart.right:.2%}")
    for factor in (0.5, 2.0, 5.0):
        other = report(simulate(options.children, options.seed, factor), chart)
        print(f"arm uncertainty times {factor:g}: decided {other.decided:.1%}, right {other.right:.2%}")
    risks = global_prediction(options.seed)[0]
    print(
        f"global risks of “fits” for a quarter size, arm u 4 mm: consumer {risks.consumer:.2%}, "
        f"producer {risks.producer:.1%}"
    )
    kept = found.right >= LEAST_RIGHT and found.too_large_called_fits <= MOST_FALSE_FITS
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
