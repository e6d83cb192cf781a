"""Lengths of a fitted instrument and their budgets, against draws from the fit's covariance and plain geometry."""

import numpy as np
import pytest

from calibration.print_scale import PrintScale
from tests.vision.instrument.made_up import camera, instrument, view_of
from vision.instrument.evidence import Setting
from vision.instrument.fit import fit
from vision.instrument.lengths import (
    BRIDGE_LIFT_MM,
    DEFINITION_MM,
    NUT_LIFT_MM,
    _width_of,
    body_length,
    bout_of,
    bout_width,
    string_length,
    total_length,
)
from vision.instrument.model import BODY_UNKNOWNS, LENGTH, SHAPE, TOTAL, WIDTH
from vision.instrument.shape import FULL_SIZE_MM, outline_prior

PRINT = PrintScale(standard_uncertainty=0.002)
PRINTS = {"a4-1": PRINT}


@pytest.fixture(scope="module")
def fitted():
    return fit(instrument(), [view_of(instrument(), camera(), fixed=False)], Setting(), rounds=20)


def part(length, source):
    return next(each.contribution_mm for each in length.budget if each.source == source)


@pytest.mark.parametrize(
    ("of", "column", "kind"), [(body_length, LENGTH, "body_length"), (total_length, TOTAL, "total_length")]
)
def test_lengths_along_the_axis_have_the_fits_deviation(fitted, of, column, kind):
    length = of(fitted, PRINTS)
    assert length.value_mm == pytest.approx(fitted.unknowns[column])
    seen = fitted.covariance[column, column]
    added = (0.002 * length.value_mm) ** 2 + DEFINITION_MM[kind] ** 2
    assert length.standard_uncertainty_mm == pytest.approx(np.sqrt(seen + added), rel=1e-3)
    for name, share in fitted.shares.items():
        own = np.linalg.norm(share[column])
        if own > 0.01:
            assert part(length, name) == pytest.approx(own, rel=1e-3)
    assert part(length, "definition") == DEFINITION_MM[kind]
    (printed,) = [each for each in length.budget if each.key == "print-scale:a4-1"]
    assert printed.contribution_mm == pytest.approx(0.002 * length.value_mm)


def test_causes_that_hardly_matter_are_left_out(fitted):
    assert all(abs(each.contribution_mm) > 1e-3 for each in body_length(fitted, PRINTS).budget)


def test_two_sheets_share_the_scale(fitted):
    """One printer made both: a second one averages nothing."""
    two = body_length(fitted, {"a4-1": PRINT, "a4-2": PRINT})
    whole = [each.contribution_mm for each in two.budget if each.key is not None]
    assert whole == pytest.approx([0.002 * two.value_mm])


def widest(unknowns, which):
    """Whole width and place of a bout from the outline's nodes, refined by a spline through them."""
    from scipy.interpolate import CubicSpline
    from scipy.optimize import minimize_scalar

    low, high, sign = {"lower": (0.05, 0.35, -1), "middle": (0.44, 0.62, 1), "upper": (0.70, 0.95, -1)}[which]
    half = unknowns[LENGTH] * outline_prior().half(unknowns[11:BODY_UNKNOWNS], unknowns[5])
    part = half[(half[:, 1] > low * unknowns[LENGTH]) & (half[:, 1] < high * unknowns[LENGTH])]
    curve = CubicSpline(part[:, 1], part[:, 0])
    near = part[(sign * part[:, 0]).argmin(), 1]
    best = minimize_scalar(lambda y: sign * curve(y), bounds=(near - 4, near + 4), method="bounded")
    return 2 * float(curve(best.x)), float(best.x)


@pytest.mark.parametrize("which", ["upper", "middle", "lower"])
def test_a_width_s_slopes_are_differences_of_it(which):
    at = instrument()
    at[SHAPE] = np.random.default_rng(4).normal(0, 0.7, at[SHAPE].size)
    at[WIDTH] = 1.02
    value, slopes = _width_of(at, which)
    assert value == bout_of(at, which)[1]
    for column in range(BODY_UNKNOWNS):
        step = 1e-5 * np.eye(BODY_UNKNOWNS)[column]
        change = (bout_of(at + step, which)[1] - bout_of(at - step, which)[1]) / 2e-5
        assert slopes[column] == pytest.approx(change, abs=1e-5), column


@pytest.mark.parametrize("which", ["upper", "middle", "lower"])
def test_widths_are_those_of_the_outline(fitted, which):
    width = bout_width(fitted, which, PRINTS)
    value, place = widest(fitted.unknowns, which)
    assert width.value_mm == pytest.approx(value, abs=0.02)
    along, same = bout_of(fitted.unknowns[:BODY_UNKNOWNS], which)
    assert same == width.value_mm
    assert along == pytest.approx(place, abs=0.5)
    draws = np.random.default_rng(2).multivariate_normal(fitted.unknowns, fitted.covariance, 500, method="eigh")
    widths = [widest(draw, which)[0] for draw in draws]
    added = (0.002 * value) ** 2 + DEFINITION_MM["width"] ** 2
    # 500 draws: a deviation scatters by 3 %
    assert width.standard_uncertainty_mm == pytest.approx(np.sqrt(np.var(widths) + added), rel=0.1)


def test_the_string_spans_nut_and_bridge_in_space(fitted):
    """Nut and bridge put where they are on the instrument, projected, and measured back."""
    pose, view = fitted.pose(), fitted.views[0].camera
    size = fitted.unknowns[LENGTH] / FULL_SIZE_MM
    nut, bridge = pose.at(1.0, 435.0, NUT_LIFT_MM * size), pose.at(-0.5, 160.0, BRIDGE_LIFT_MM * size)
    nut_px, bridge_px = view.project(np.array([nut, bridge]))
    sigma = (3.0, 4.0)
    length = string_length(fitted, view, nut_px, bridge_px, sigma, PRINTS)
    true = np.linalg.norm(nut - bridge)
    assert length.value_mm == pytest.approx(true, abs=0.01)
    # by hand: 5 px across a resolution of 1600 px over the distance of some 0.95 m, mostly in the picture's plane
    mm_per_px = 0.95 * 1000.0 / 1600.0
    assert part(length, "where nut and bridge are seen") == pytest.approx(5.0 * mm_per_px, rel=0.06)
    assert part(length, "definition") == DEFINITION_MM["string_length"]
    # heights of nut and bridge: each moved by its deviation of 3 mm at full size, along its line of sight
    moved = []
    for place, px in ((nut, nut_px), (bridge, bridge_px)):
        ray = view.to_plane(px[None], 0.0)[0] - place
        step = ray / (ray @ pose.up) * 3.0 * size
        moved.append(np.linalg.norm(nut - bridge + (step if place is nut else -step)) - true)
    assert part(length, "height of nut and bridge") == pytest.approx(np.hypot(*moved), rel=0.02)
    # what the fit leaves open stretches the string like the body
    assert part(length, "height above the table") == pytest.approx(
        part(body_length(fitted, PRINTS), "height above the table") * true / fitted.unknowns[LENGTH], rel=1e-3
    )
