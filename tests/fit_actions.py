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
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.anthropometry import SHARE_CV, height_cv, median_arm_mm
from calibration.quantity import COVERAGE_FACTOR, Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart, default_chart
from service.fit.choosing import Choices, choose
from service.fit.decision import PLAYED, Action, Decision

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
    """What is said of the chart's own sizes, measured by photo (standard uncertainties 1 and 1.5 mm)."""
    sizes = [
        InstrumentLengths(Length.stated(row.body_length_mm, 1.0), Length.stated(row.total_length_mm, 1.5))
        for row in chart.rows
    ]
    return choose(Length.stated(arm_mm, expanded_mm / COVERAGE_FACTOR), sizes, chart)


def without_a_size(chart: Chart, expanded_mm: float) -> float:
    """Share of arms within the chart for which no size is to take or to try."""
    none = [not PLAYED.intersection(size_choices(chart, arm, expanded_mm).actions) for arm in ARMS_MM]
    return float(np.mean(none))


@dataclass(frozen=True)
class Shelf:
    """One instrument of every size: what it asks for in truth (R,), mm, and what was measured on it."""

    shortest: Array
    width: Array
    measured: list[InstrumentLengths]


def draw_shelf(rng: np.random.Generator, chart: Chart, below: NDArray[np.bool_]) -> Shelf:
    """Draw one instrument of every size with lengths of its own, and measure it."""
    body = chart.bodies_mm + rng.normal(0, np.where(below, *BODY_SD_MM))
    total = body / np.where(below, rng.uniform(*RATIO_SMALL, len(body)), rng.uniform(*RATIO_LARGE, len(body)))
    shortest = (chart.shortest_arm_mm(body, "body") + chart.shortest_arm_mm(total, "total")) / 2
    inverse = (chart.reciprocal_width(body, "body") + chart.reciprocal_width(total, "total")) / 2
    measured = [
        InstrumentLengths(Length.stated(b + rng.normal(0, 1.0), 1.0), Length.stated(t + rng.normal(0, 1.5), 1.5))
        for b, t in zip(body, total, strict=True)
    ]
    return Shelf(shortest, 1 / np.maximum(inverse, 1e-9), measured)


def simulate(children: int, seed: int, expanded_mm: float, chart: Chart) -> dict[str, Outcome]:
    """Let each child meet the shop, and see what the three ways to choose come to.

    Who finds nothing on the shelf measures the arm once more in the same way; who still finds nothing looks at one
    shelf more.
    """
    rng = np.random.default_rng(seed)
    below = chart.bodies_mm < chart.small_below_body_mm
    u = expanded_mm / COVERAGE_FACTOR
    excess: dict[str, list[float]] = {"chart": [], "claims": [], "actions": []}
    small: dict[str, list[bool]] = {name: [] for name in excess}
    while len(excess["chart"]) < children:
        age = rng.uniform(3, 13)
        arm = float(median_arm_mm(age) * np.exp(rng.normal(0, np.hypot(height_cv(age), SHARE_CV))))
        if not ARMS_MM[0] <= arm <= ARMS_MM[-1]:
            continue
        first, second = draw_shelf(rng, chart, below), draw_shelf(rng, chart, below)
        once, twice = arm + rng.normal(0, u), arm + rng.normal(0, u)
        both = ((once + twice) / 2, u / np.sqrt(2))
        found: dict[str, tuple[Shelf, int]] = {"chart": (first, _by_chart(chart, once))}
        for (reading, u_reading), shelf in (((once, u), first), (both, first), (both, second)):
            if len(found) == len(excess):
                break
            choices = choose(Length.stated(reading, u_reading), shelf.measured, chart)
            for name, usable in (
                ("claims", [each is Decision.FITS for each in choices.decided]),
                ("actions", [each in PLAYED for each in choices.actions]),
            ):
                if name not in found and any(usable):
                    found[name] = (shelf, _best(choices, usable))
        for name in excess:
            shelf, place = found.get(name, (first, -1))
            margin = arm - shelf.shortest[place]
            excess[name].append(np.nan if place < 0 else _excess(margin, float(shelf.width[place])))
            small[name].append(bool(below[place]))
    return {name: _outcome(np.array(excess[name]), np.array(small[name]), chart.stretch_mm) for name in excess}


def _by_chart(chart: Chart, reading: float) -> int:
    return max(int(np.searchsorted(chart.arms_from_mm, reading, side="right")) - 1, 0)


def _best(choices: Choices, usable: list[bool]) -> int:
    return int(np.argmin(np.where(usable, choices.weighed.costs.play, np.inf)))


def _excess(margin: float, width: float) -> float:
    """How far outside of its band the arm is: negative is too large an instrument, positive too small, mm."""
    return float(min(margin, 0.0) + max(margin - width, 0.0))


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
