"""Prints that are not in true size, by the paper's edges and by the bar."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from calibration.detection import find_sheets
from calibration.print_scale import (
    PRINTER_RELATIVE_U,
    UNCHECKED,
    PrintScale,
    combined_scale,
    measured_by_ruler,
    scale_from_bar,
    scale_from_paper,
)
from calibration.sheet import Paper, SheetLayout
from tests.calibration.pretend_photos import developed, photograph, placed


def _measured(
    scale: float, wall: int = 150, paper: Paper = Paper.A4, turn_deg: float = 7, px_per_mm: float = 1.1
) -> PrintScale:
    layout = SheetLayout(paper, 1)
    photo = photograph([(layout, placed(layout, (450, 350), px_per_mm, turn_deg, 0.02))], wall=wall, print_scale=scale)
    (sheet,) = find_sheets(photo)
    return scale_from_paper(photo, sheet)


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("scale", [0.94, 0.96, 0.97])
def test_fit_to_page_is_found_but_nothing_is_corrected_by_paper(scale: float, paper: Paper) -> None:
    found = _measured(scale, paper=paper)
    assert found.suspected
    assert found.scale == 1.0
    assert found.measured == pytest.approx(scale, abs=2 * found.measured_uncertainty)
    # cutting to +-2 mm is worth 0.55 % across and 0.39 % along, together 0.32 %; the printer 0.12 %; 0.6 px at either
    # end 0.25 %, at 1.1 px/mm
    assert found.measured_uncertainty == pytest.approx(np.sqrt(0.32**2 + 0.12**2 + 0.25**2) / 100, rel=0.1)
    # the interval holds both sizes
    assert 1 - 1.96 * found.standard_uncertainty < scale - 0.25 * (1 - scale)
    assert found.standard_uncertainty == pytest.approx(
        np.sqrt((PRINTER_RELATIVE_U**2 + found.measured_uncertainty**2 + (1 - found.measured) ** 2) / 2)
    )


def _developed(scale: float, number: int) -> PrintScale:
    generator = np.random.default_rng(number)
    layout = SheetLayout(Paper.A4 if number % 3 else Paper.LETTER, 1)
    px_per_mm = generator.uniform(0.5, 1.2)
    side = round(420 * px_per_mm)
    way = placed(layout, (side / 2, side / 2), px_per_mm, generator.uniform(0, 360), generator.uniform(-0.03, 0.03))
    wall = int(generator.choice([60, 110, 150, 190, 215]))
    photo = photograph([(layout, way)], size_px=(side, side), wall=wall, print_scale=scale, seed=number)
    photo = developed(photo, number)
    return scale_from_paper(photo, find_sheets(photo)[0])


def test_a_phone_s_tone_curve_and_sharpening_raise_no_alarm() -> None:
    """None of sixteen here; lengths stay what they are whatever the edges say."""
    found = [_developed(1.0, number) for number in range(16)]
    assert not any(each.suspected for each in found)
    assert sum(each.checked for each in found) >= 14
    assert all(each.scale == 1.0 for each in found)


@pytest.mark.parametrize("scale", [0.94, 0.97])
def test_fit_to_page_never_passes_in_silence_under_a_tone_curve(scale: float) -> None:
    assert all(_developed(scale, number).suspected for number in range(100, 105))


@pytest.mark.parametrize("turn_deg", [0, 45, 100, 200])
def test_true_size_raises_no_alarm(turn_deg: float) -> None:
    found = _measured(1.0, turn_deg=turn_deg)
    assert found.checked
    assert not found.suspected
    assert found.scale == 1.0


@pytest.mark.parametrize("scale", [0.95, 1.0])
def test_pale_wall_with_hardly_an_edge(scale: float) -> None:
    assert _measured(scale, wall=229).suspected == (scale != 1.0)


def test_paper_that_cannot_be_told_from_the_wall_is_left_unchecked() -> None:
    found = _measured(0.95, wall=235)
    assert not found.suspected
    assert found.scale == 1.0


def test_bar_of_the_right_length() -> None:
    found = scale_from_bar(150.0)
    assert found.scale == 1.0
    assert not found.suspected
    assert found.standard_uncertainty == pytest.approx(0.4 / 150, rel=0.1)


def test_short_bar_is_a_small_print() -> None:
    found = scale_from_bar(144.0)
    assert found.suspected
    assert found.scale == pytest.approx(0.96)


@pytest.mark.parametrize("length_mm", [15.0, 1500.0, 0.0])
def test_a_length_that_cannot_be_the_bar_is_an_error(length_mm: float) -> None:
    with pytest.raises(ValueError, match="150 mm"):
        scale_from_bar(length_mm)


EDGES_SAY_SMALL = PrintScale(
    1.0, 0.028, suspected=True, checked=True, measured=0.961, measured_uncertainty=0.005, paper=Paper.A4
)


def test_a_ruler_decides_where_the_edges_only_ask() -> None:
    bar = scale_from_bar(144.0)
    combined, contradicted = combined_scale([EDGES_SAY_SMALL, bar])
    assert not contradicted
    assert combined.suspected
    assert combined.ruler
    assert (combined.scale, combined.standard_uncertainty) == pytest.approx((0.96, bar.standard_uncertainty))
    assert combined.paper is Paper.A4


def test_edges_alone_ask() -> None:
    assert combined_scale([EDGES_SAY_SMALL]) == (EDGES_SAY_SMALL, False)
    assert combined_scale([EDGES_SAY_SMALL, UNCHECKED]) == (EDGES_SAY_SMALL, False)


def test_edges_that_contradict_the_ruler_are_said_to() -> None:
    """0.961 +- 0.005 by the paper, 1 +- 0.0027 by the bar: 6.9 deviations; half of the way is added to the bar's."""
    combined, contradicted = combined_scale([EDGES_SAY_SMALL, scale_from_bar(150.0)])
    assert contradicted
    assert combined.scale == 1.0
    assert combined.standard_uncertainty == pytest.approx(np.hypot(0.0027, 0.039 / 2), rel=0.01)
    near = replace(EDGES_SAY_SMALL, measured=0.987)
    assert combined_scale([near, scale_from_bar(150.0)])[1] is False


def test_rulers_that_agree_are_combined_to_a_smaller_uncertainty() -> None:
    """The weighted mean (JCGM 100:2008, 5; weights by 1 / u2), by the uncertainties package."""
    card, bar = measured_by_ruler(0.962, 0.0015), scale_from_bar(144.0)
    combined, contradicted = combined_scale([card, bar])
    weights = np.array([card.standard_uncertainty, bar.standard_uncertainty]) ** -2.0
    mean = sum(w * ufloat(c.scale, c.standard_uncertainty) for w, c in zip(weights, (card, bar), strict=True))
    mean = mean / weights.sum()
    assert not contradicted
    assert (combined.scale, combined.standard_uncertainty) == pytest.approx((mean.nominal_value, mean.std_dev))


def test_rulers_that_contradict_are_said_to_and_widened() -> None:
    """Birge's ratio of two readings is their difference over its uncertainty."""
    card, bar = measured_by_ruler(0.97, 0.0015), scale_from_bar(150.0)
    combined, contradicted = combined_scale([card, bar])
    assert contradicted
    ratio = 0.03 / np.hypot(0.0015, bar.standard_uncertainty)
    alone = 1 / np.hypot(1 / 0.0015, 1 / bar.standard_uncertainty)
    assert combined.standard_uncertainty == pytest.approx(ratio * alone, rel=1e-6)


def test_edges_that_fit_true_size_count_as_an_ordinary_printer() -> None:
    edges = PrintScale(checked=True, measured=1.004, measured_uncertainty=0.004, paper=Paper.A4)
    bar = scale_from_bar(149.5)
    combined, contradicted = combined_scale([edges, bar])
    assert not contradicted
    weights = np.array([PRINTER_RELATIVE_U, bar.standard_uncertainty]) ** -2.0
    assert combined.scale == pytest.approx(float(weights @ [1.0, bar.scale] / weights.sum()))


def test_no_check_leaves_the_printer_s_uncertainty() -> None:
    assert combined_scale([UNCHECKED]) == (UNCHECKED, False)
    part = UNCHECKED.contribution(500.0, "a4-1")
    assert part.contribution_mm == pytest.approx(500 * PRINTER_RELATIVE_U)
    assert part.key == "print-scale:a4-1"
