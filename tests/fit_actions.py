"""Do children get the right instrument?  `python -m tests.fit_actions [--children 20000]` prints the answer.

Children of 3 to 13 years with true arms as growth tables spread them each meet a shop that has every size of the chart,
each instrument with lengths of its own: bodies within a size differ, and necks differ more.  The arm is read from a
photo or by tape, the instruments are measured.  Three ways to choose are compared:

* the chart read naively: the row whose arm band holds the reading, whatever the instrument of that label measures;
* only what is claimed to fit at 95 % (the rule that was used before actions were chosen by expected loss);
* what this program says: of those to take or to try, the one of least expected loss.

Good is an instrument that truly fits, or is outgrown by, or asks for, at most a quarter of a year's growth (6 mm);
below quarter size it may ask for a stretch.  What is right is told by the true lengths.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.anthropometry import SHARE_CV, height_cv, median_arm_mm
from calibration.quantity import COVERAGE_FACTOR, Length
from service.fit.assessment import InstrumentLengths, Moments, assess_moments
from service.fit.chart import Chart
from service.fit.chart_table import default_chart
from service.fit.choosing import Choices, choose, choose_assessed
from service.fit.decision import PLAYED, Action, Decision
from service.fit.weighing import Seen

Array = NDArray[np.float64]

MEASURED = Path(__file__).with_name("fit_actions.json")
"""What the command found last; README shows it."""

BODY_SD_MM = (8.0, 3.0)
"""Standard deviation of body lengths that are sold as one size, mm: below quarter size two of one label can differ by
centimetres, from it on by a few millimetres (the trade's experience, no source)."""

RATIO_SMALL, RATIO_LARGE = (0.585, 0.61), (0.60, 0.61)
"""Body over total below quarter size and from it on: rectangular."""

QUARTER_YEAR_MM = 6.0
"""What an arm grows in a quarter of a year, mm (25 mm a year, Snyder 1977)."""

WIDTHS_MM = (8.0, 14.0)
"""Expanded uncertainties of an arm: by photo, by tape, mm."""

ARMS_MM = tuple(range(340, 601, 2))
"""Arms within the chart, mm."""

MOST_WITHOUT = {8.0: 0.05, 14.0: 0.10}
"""Largest share of arms without a size to take or try."""

MOST_TOO_LARGE = 0.025

BODY_READ_MM, TOTAL_READ_MM = 1.0, 1.5
"""Standard uncertainties of an instrument's lengths by photo, mm."""

TOGETHER = 400
"""Children whose shelves are judged at once."""


@dataclass(frozen=True)
class Outcome:
    """Shares of children for one way to choose.

    Attributes
    ----------
    good : float
        With a good instrument.
    too_large : float
        With one that asks for more than a stretch, among those with any.
    nothing : float
        Without one.
    """

    good: float
    too_large: float
    nothing: float


def size_choices(chart: Chart, arm_mm: float, expanded_mm: float) -> Choices:
    """What is said of the chart's own sizes, measured by photo."""
    sizes = [
        InstrumentLengths(
            Length.stated(row.body_length_mm, BODY_READ_MM), Length.stated(row.total_length_mm, TOTAL_READ_MM)
        )
        for row in chart.rows
    ]
    return choose(Length.stated(arm_mm, expanded_mm / COVERAGE_FACTOR), sizes, chart)


def without_a_size(chart: Chart, expanded_mm: float) -> float:
    """Share of arms within the chart for which no size is to take or to try."""
    none = [not PLAYED.intersection(size_choices(chart, arm, expanded_mm).actions) for arm in ARMS_MM]
    return float(np.mean(none))


@dataclass(frozen=True)
class Shelves:
    """One instrument of every size for each of M children: what it asks for in truth (M, R), mm, and what was read."""

    shortest: Array
    width: Array
    body_read: Array
    total_read: Array

    @classmethod
    def of(cls, shelves: Sequence[tuple[Array, ...]]) -> Shelves:
        """Gather shelves that were drawn one by one."""
        return cls(*(np.array(each) for each in zip(*shelves, strict=True)))

    def of_children(self, which: NDArray[np.int64]) -> Shelves:
        """Those of some children."""
        return Shelves(*(getattr(self, each.name)[which] for each in fields(self)))


def draw_shelf(rng: np.random.Generator, chart: Chart, below: NDArray[np.bool_]) -> tuple[Array, ...]:
    """Draw one instrument of every size with lengths of its own, and measure it; fields of `Shelves`, (R,) each."""
    body = chart.bodies_mm + rng.normal(0, np.where(below, *BODY_SD_MM))
    total = body / np.where(below, rng.uniform(*RATIO_SMALL, len(body)), rng.uniform(*RATIO_LARGE, len(body)))
    shortest = (chart.shortest_arm_mm(body, "body") + chart.shortest_arm_mm(total, "total")) / 2
    inverse = (chart.reciprocal_width(body, "body") + chart.reciprocal_width(total, "total")) / 2
    read = rng.normal(np.column_stack((body, total)), (BODY_READ_MM, TOTAL_READ_MM))
    return shortest, 1 / np.maximum(inverse, 1e-9), read[:, 0], read[:, 1]


def choices_for(chart: Chart, readings: Array, u: float, shelves: Shelves) -> Choices:
    """What is said of M children's shelves: M times R instruments, sizes innermost."""
    body, total = shelves.body_read.ravel(), shelves.total_read.ravel()
    zero = np.zeros_like(body)
    read = Moments(body, total, zero + BODY_READ_MM**2, zero + TOTAL_READ_MM**2, zero, zero, zero)
    arms = np.repeat(readings, shelves.body_read.shape[1])
    found = assess_moments(chart, arms, u**2, read)
    return choose_assessed(chart, Length.stated(float(readings[0]), u), found, Seen(), arms_mm=arms)


def simulate(children: int, seed: int, expanded_mm: float, chart: Chart) -> dict[str, Outcome]:
    """Let each child meet the shop, and see what the three ways to choose come to.

    Who finds nothing on the shelf measures the arm once more in the same way; who still finds nothing looks at one
    shelf more.
    """
    rng = np.random.default_rng(seed)
    below = chart.bodies_mm < chart.small_below_body_mm
    u = expanded_mm / COVERAGE_FACTOR
    arms, shelves, readings = [], [], []
    while len(arms) < children:
        age = rng.uniform(3, 13)
        arm = float(median_arm_mm(age) * np.exp(rng.normal(0, np.hypot(height_cv(age), SHARE_CV))))
        if ARMS_MM[0] <= arm <= ARMS_MM[-1]:
            arms.append(arm)
            shelves.append((draw_shelf(rng, chart, below), draw_shelf(rng, chart, below)))
            readings.append(arm + rng.normal(0, u, 2))
    first, second = (Shelves.of([each[turn] for each in shelves]) for turn in (0, 1))
    once, both = np.array(readings)[:, 0], np.mean(readings, axis=1)
    rounds = ((once, u, first), (both, u / np.sqrt(2), first), (both, u / np.sqrt(2), second))
    arm = np.array(arms)
    by_chart = np.maximum(np.searchsorted(chart.arms_from_mm, once, side="right") - 1, 0)
    found = {"chart": _had(arm, first, by_chart, below)}
    for name in ("claims", "actions"):
        excess, small = np.full(children, np.nan), np.zeros(children, dtype=bool)
        for reading, u_reading, shelf in rounds:
            without = np.flatnonzero(np.isnan(excess))
            for which in np.array_split(without, len(without) // TOGETHER + 1):
                if len(which):
                    theirs = shelf.of_children(which)
                    places = _best(choices_for(chart, reading[which], u_reading, theirs), name, theirs.shortest.shape)
                    excess[which], small[which] = _had(arm[which], theirs, places, below)
        found[name] = (excess, small)
    return {name: _outcome(*each, chart.stretch_mm) for name, each in found.items()}


def _best(choices: Choices, way: str, shape: tuple[int, int]) -> NDArray[np.int64]:
    """For each child the usable instrument of least expected loss; -1 without one."""
    usable = (
        [each is Decision.FITS for each in choices.decided]
        if way == "claims"
        else [each in PLAYED for each in choices.actions]
    )
    cost = np.where(usable, choices.weighed.costs.play, np.inf).reshape(shape)
    return np.where(np.isfinite(cost.min(axis=1)), cost.argmin(axis=1), -1)


def _had(
    arm: Array, shelves: Shelves, places: NDArray[np.int64], below: NDArray[np.bool_]
) -> tuple[Array, NDArray[np.bool_]]:
    """How far outside of its instrument's band each arm is, mm, and whether that is below quarter size.

    Negative is too large an instrument, positive too small a one; NaN without one.
    """
    child = np.arange(len(arm))
    margin, width = arm - shelves.shortest[child, places], shelves.width[child, places]
    excess = np.minimum(margin, 0.0) + np.maximum(margin - width, 0.0)
    return np.where(places < 0, np.nan, excess), below[places]


def _outcome(excess: Array, small: NDArray[np.bool_], stretch_mm: float) -> Outcome:
    """Shares; NaN is a child without an instrument."""
    least = np.where(small, -stretch_mm, -QUARTER_YEAR_MM)
    had = np.isfinite(excess)
    good = had & (excess >= least) & (excess <= QUARTER_YEAR_MM)
    large = had & (excess < -stretch_mm)
    return Outcome(float(good.mean()), float(large.sum() / max(had.sum(), 1)), float(1 - had.mean()))


def action_ranges(chart: Chart, expanded_mm: float) -> list[dict[Action, list[tuple[int, int]]]]:
    """For each size of the chart, for which runs of arms (first, last; mm) each action is said."""
    arms = range(ARMS_MM[0] - 20, ARMS_MM[-1] + 21)
    said: list[dict[Action, list[tuple[int, int]]]] = [{} for _ in chart.rows]
    for arm in arms:
        for ranges, action in zip(said, size_choices(chart, arm, expanded_mm).actions, strict=True):
            runs = ranges.setdefault(action, [])
            if runs and runs[-1][1] == arm - 1:
                runs[-1] = (runs[-1][0], arm)
            else:
                runs.append((arm, arm))
    return said


def main(arguments: list[str]) -> int:
    """Print the figures; status 1 if a limit is not kept."""
    parser = argparse.ArgumentParser(description="Good actions by simulation.")
    parser.add_argument("--children", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, help="Keep the figures, as README shows them.")
    options = parser.parse_args(arguments)
    chart, kept, rows = default_chart(), True, []
    for expanded in WIDTHS_MM:
        none = without_a_size(chart, expanded)
        kept &= none <= MOST_WITHOUT[expanded]
        print(
            f"arm ±{expanded:g} mm: {none:.1%} of arms of {ARMS_MM[0]} to {ARMS_MM[-1]} mm have no size to take or try"
        )
        for name, outcome in simulate(options.children, options.seed, expanded, chart).items():
            print(
                f"  {name:<8} good {outcome.good:6.1%}   too large among those taken {outcome.too_large:6.2%}   "
                f"nothing {outcome.nothing:6.1%}"
            )
            if name == "actions":
                kept &= outcome.too_large <= MOST_TOO_LARGE
            rows.append({"expanded_mm": expanded, "way": name, "without_a_size": none, **asdict(outcome)})
    if options.json:
        options.json.write_text(json.dumps({"children": options.children, "rows": rows}, indent=1) + "\n")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
