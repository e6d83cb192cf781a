"""Prints that are not in true size, by the paper's edges and by the bar."""

from __future__ import annotations

import pytest

from calibration.detection import find_sheets
from calibration.print_scale import (
    PRINTER_RELATIVE_U,
    UNCHECKED,
    PrintScale,
    combined_scale,
    scale_from_bar,
    scale_from_paper,
)
from calibration.sheet import Paper, SheetLayout
from tests.calibration.pretend_photos import photograph, placed


def _measured(
    scale: float, wall: int = 150, paper: Paper = Paper.A4, turn_deg: float = 7, px_per_mm: float = 1.1
) -> PrintScale:
    layout = SheetLayout(paper, 1)
    photo = photograph([(layout, placed(layout, (450, 350), px_per_mm, turn_deg, 0.02))], wall=wall, print_scale=scale)
    (sheet,) = find_sheets(photo)
    return scale_from_paper(photo, sheet)


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("scale", [0.94, 0.96, 0.97])
def test_fit_to_page_is_found_and_measured(scale: float, paper: Paper) -> None:
    found = _measured(scale, paper=paper)
    assert found.suspected
    assert found.scale == pytest.approx(scale, abs=2 * found.standard_uncertainty)
    # cutting to +-2 mm is worth 0.55 % across and 0.39 % along, together 0.32 %
    assert 0.003 < found.standard_uncertainty < 0.007


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


def test_checks_that_agree_are_combined_to_a_smaller_uncertainty() -> None:
    paper = PrintScale(0.961, 0.004, suspected=True, checked=True, measured=0.961, paper=Paper.A4)
    bar = scale_from_bar(144.0)
    combined, contradicted = combined_scale([paper, bar])
    assert not contradicted
    assert combined.suspected
    assert combined.standard_uncertainty < min(paper.standard_uncertainty, bar.standard_uncertainty)
    assert 0.96 < combined.scale < 0.961


def test_checks_that_contradict_are_said_to() -> None:
    paper = PrintScale(0.95, 0.004, suspected=True, checked=True, measured=0.95)
    combined, contradicted = combined_scale([paper, scale_from_bar(150.0)])
    assert contradicted
    assert combined.standard_uncertainty > 0.01


def test_no_check_leaves_the_printer_s_uncertainty() -> None:
    assert combined_scale([UNCHECKED]) == (UNCHECKED, False)
    part = UNCHECKED.contribution(500.0, "a4-1")
    assert part.contribution_mm == pytest.approx(500 * PRINTER_RELATIVE_U)
    assert part.key == "print-scale:a4-1"
