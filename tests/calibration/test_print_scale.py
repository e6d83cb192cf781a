"""Prints that are not in true size, by the paper's edges and by the bar."""

from __future__ import annotations

from dataclasses import replace
from math import inf, sqrt

import numpy as np
import pytest
from uncertainties import ufloat

from calibration import print_scale
from calibration.blank_sheet import Blank, BlankLayout
from calibration.detection import find_sheets
from calibration.paper_edges import EdgeCandidate
from calibration.print_scale import (
    PRINTER_RELATIVE_U,
    UNCHECKED,
    PrintScale,
    combined_scale,
    measured_by_ruler,
    scale_from_bar,
    scale_from_paper,
    size_contributions,
)
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto
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


def test_a_bar_as_long_as_it_should_be_makes_nothing_less_sure_where_no_edge_is_seen() -> None:
    """An ordinary print counts as where the edges are seen, unless the bar contradicts it by 2.5 deviations."""
    edges = PrintScale(checked=True, measured=1.004, measured_uncertainty=0.004)
    for length_mm in (150.0, 149.5, 151.0):
        bar = scale_from_bar(length_mm)
        unseen, _ = combined_scale([UNCHECKED, bar])
        seen, _ = combined_scale([edges, bar])
        assert unseen.scale == pytest.approx(seen.scale, rel=1e-12)
        assert unseen.standard_uncertainty == pytest.approx(seen.standard_uncertainty, rel=1e-12)
        assert unseen.ruler
    assert combined_scale([UNCHECKED, scale_from_bar(150.0)])[0].standard_uncertainty < PRINTER_RELATIVE_U
    odd = scale_from_bar(148.7)
    assert combined_scale([UNCHECKED, odd]) == (odd, False)


def test_no_check_leaves_the_printer_s_uncertainty() -> None:
    assert combined_scale([UNCHECKED]) == (UNCHECKED, False)
    part = UNCHECKED.contribution(500.0, "a4-1")
    assert part.contribution_mm == pytest.approx(500 * PRINTER_RELATIVE_U)
    assert part.key == "print-scale:a4-1"


def test_two_opposite_edges_are_a_pair_or_single_or_unseen() -> None:
    """Weights are tenths of strengths, at most two; a print off the middle of its paper costs half its square."""
    near, far = EdgeCandidate(103.0, 15.0, 0.3), EdgeCandidate(107.0, 40.0, 0.4)
    rows = np.array(
        [
            (inf, 0.0, 0.7),  # neither: 0.35 each
            (210.0, 0.5, 1.5 + 2.0 - 0.5 * (2.0 / 1.5) ** 2),
            (206.0, 2 * np.hypot(0.3, 1.5), 1.5 + 0.35),
            (214.0, 2 * np.hypot(0.4, 1.5), 2.0 + 0.35),
        ]
    )
    found = print_scale._extents([near], [far])
    assert np.column_stack([found.length_mm, found.uncertainty_mm, found.weight]) == pytest.approx(rows)
    assert print_scale._extents([], []).length_mm.tolist() == [inf]
    several = print_scale._extents([near, replace(near, place_mm=101.0)], [far, replace(far, place_mm=104.0)])
    assert several.length_mm.tolist() == [inf, 210.0, 207.0, 208.0, 205.0, 206.0, 202.0, 214.0, 208.0]


ACROSS = print_scale._Extents(np.array([inf, 214.0, 220.0]), np.array([0.0, 0.5, 3.1]), np.array([0.7, 3.2, 1.8]))
ALONG = print_scale._Extents(np.array([inf, 306.0]), np.array([0.0, 0.8]), np.array([0.7, 2.9]))


@pytest.mark.parametrize(("paper", "width_mm", "height_mm"), [(Paper.A4, 210, 297), (Paper.LETTER, 215.9, 279.4)])
def test_extents_agree_on_a_scale_as_the_weighted_mean_of_both(paper: Paper, width_mm: float, height_mm: float) -> None:
    """By the uncertainties package: cutting and placing of either side's own, the printer's, a shift common to both.

    What two sides disagree counts half its square, over the spread of feeding and cutting, 0.006, and half of theirs.
    """
    shift_mm = 0.4
    agreement, mean, uncertainty = print_scale._agreements(ACROSS, ALONG, paper, shift_mm)
    assert agreement.shape == (3, 2)
    assert (agreement[0, 0], np.isnan(mean[0, 0])) == (-inf, True)
    shift = ufloat(0.0, shift_mm)
    for i, wide in enumerate(ACROSS.length_mm):
        for j, high in enumerate(ALONG.length_mm):
            sides = []
            for size, extents, number, length in (
                (width_mm, ACROSS, i, wide),
                (height_mm, ALONG, j, high),
            ):
                if not np.isfinite(length):
                    continue
                scale = size / length
                own = ufloat(0, 2 / sqrt(3) / size) + ufloat(0, scale * extents.uncertainty_mm[number] / length)
                part = scale + own + ufloat(0, PRINTER_RELATIVE_U)
                sides.append((part, part.std_dev**-2, own.std_dev**2, shift / length))
            if not sides:
                continue
            total = sum(weight for _, weight, _, _ in sides)
            expected = sum(weight * (part + moved) for part, weight, _, moved in sides) / total
            assert mean[i, j] == pytest.approx(expected.nominal_value)
            assert uncertainty[i, j] == pytest.approx(expected.std_dev)
            weight = ACROSS.weight[i] + ALONG.weight[j]
            if len(sides) == 2:
                (one, _, own, _), (two, _, its, _) = sides
                apart = one.nominal_value - two.nominal_value
                weight -= apart**2 / 2 / (0.006**2 + (own + its) / 2)
            assert agreement[i, j] == pytest.approx(weight)


PX_PER_MM = 2.0
SHEET = SheetInPhoto(
    SheetLayout(Paper.A4, 1), np.arange(42), np.zeros((42, 2)), np.diag([PX_PER_MM, -PX_PER_MM, 1.0]), 0.05, 0.8
)


def _with_edges(monkeypatch: pytest.MonkeyPatch, **places_mm: float | tuple[float, float]) -> PrintScale:
    """What is said where the paper's edges are seen at these places, each with a strength of 30 or its own."""

    def candidates(_image: object, _sheet: object, side: str) -> tuple[EdgeCandidate, ...]:
        if side not in places_mm:
            return ()
        place = places_mm[side]
        where, strength = place if isinstance(place, tuple) else (place, 30.0)
        return (EdgeCandidate(where, strength, 0.1),)

    monkeypatch.setattr(print_scale, "edge_candidates", candidates)
    return scale_from_paper(np.zeros((9, 9, 3), np.uint8), SHEET)


def _edges_at(scale: float, width_mm: float = 210.0, height_mm: float = 297.0) -> dict[str, float]:
    across, along = width_mm / scale / 2, height_mm / scale / 2
    return {"left": across + 0.2, "right": across - 0.2, "bottom": along - 0.3, "top": along + 0.3}


@pytest.mark.parametrize("scale", [0.981, 0.983, 1.0, 1.017, 1.019, 0.95])
def test_edges_are_compatible_with_true_size_within_eighteen_thousandths(
    scale: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cutting 0.55 and 0.39 %, placing 0.07 and 0.05 %, printer 0.17 %; 0.6 px at both ends, common, of 2 px/mm."""
    found = _with_edges(monkeypatch, **_edges_at(scale))
    assert (found.checked, found.paper) == (True, Paper.A4)
    assert found.suspected == (abs(scale - 1) > 0.018)
    assert found.measured == pytest.approx(scale)
    of_sides, shifts = [], []
    for size in (210.0, 297.0):
        length = size / scale
        placed_u = scale * np.hypot(0.1, 0.1) / length
        of_sides.append(1 / ((2 / sqrt(3) / size) ** 2 + placed_u**2 + PRINTER_RELATIVE_U**2))
        shifts.append(2 * 0.6 / PX_PER_MM / sqrt(3) / length)
    expected = np.hypot(1 / sqrt(sum(of_sides)), np.dot(of_sides, shifts) / sum(of_sides))
    assert found.measured_uncertainty == pytest.approx(expected)
    if found.suspected:
        both = (PRINTER_RELATIVE_U**2 + expected**2 + (scale - 1) ** 2) / 2
        assert found.standard_uncertainty == pytest.approx(sqrt(both))
    else:
        assert found.standard_uncertainty == PRINTER_RELATIVE_U


def test_the_other_paper_has_to_agree_better_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    assert _with_edges(monkeypatch, **_edges_at(1.0, 215.9, 279.4)).paper is Paper.LETTER
    # sides between both papers': what either makes of them, and which is taken
    better = []
    for height_mm in np.linspace(278.0, 286.0, 41):
        found = _with_edges(monkeypatch, left=107.0, right=107.0, bottom=height_mm / 2, top=height_mm / 2)
        edge = EdgeCandidate(107.0, 30.0, 0.1)
        across = print_scale._extents([edge], [edge])
        edge = replace(edge, place_mm=height_mm / 2)
        along = print_scale._extents([edge], [edge])
        shift_mm = 2 * 0.6 / SHEET.px_per_mm / sqrt(3)
        a4, letter = (print_scale._agreements(across, along, paper, shift_mm) for paper in Paper)
        better.append(letter[0].max() - a4[0].max())
        chosen, sort = (letter, Paper.LETTER) if better[-1] > 1 else (a4, Paper.A4)
        assert found.measured == pytest.approx(chosen[1].ravel()[chosen[0].argmax()])
        assert found.paper in (sort, None)
    assert min(abs(np.array(better) - 1)) < 0.1
    assert min(better) < 0.8 < 1.2 < max(better)
    # one side alone may be either's: then the pattern lies on the paper that it is for
    assert _with_edges(monkeypatch, left=107.95, right=107.95).measured == pytest.approx(210 / 215.9)


def _paired(monkeypatch: pytest.MonkeyPatch, true_strength: float, small_strength: float) -> PrintScale:
    """Edges of A4 in true size and, as well seen or not, of a print at 0.95, on all four sides."""

    def candidates(_image: object, _sheet: object, side: str) -> tuple[EdgeCandidate, ...]:
        size = 210.0 if side in ("left", "right") else 297.0
        return (EdgeCandidate(size / 2, true_strength, 0.1), EdgeCandidate(size / 2 / 0.95, small_strength, 0.1))

    monkeypatch.setattr(print_scale, "edge_candidates", candidates)
    return scale_from_paper(np.zeros((9, 9, 3), np.uint8), SHEET)


def test_a_scaled_print_has_to_agree_better_by_six_tenths(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four edges of strength s weigh 4 s / 10: 0.16 in strength on each is 0.64 together, 0.14 is 0.56."""
    suspected = _paired(monkeypatch, 10.0, 11.6)
    assert (suspected.suspected, suspected.checked, suspected.paper) == (True, True, Paper.A4)
    assert suspected.measured == pytest.approx(0.95)
    open_ = _paired(monkeypatch, 10.0, 11.4)
    assert (open_.suspected, open_.checked, open_.paper) == (False, False, None)
    assert open_.measured == pytest.approx(0.95)
    assert open_.standard_uncertainty == PRINTER_RELATIVE_U
    assert open_.measured_uncertainty == pytest.approx(suspected.measured_uncertainty)
    assert _paired(monkeypatch, 10.0, 9.9).measured == pytest.approx(1.0)


@pytest.mark.parametrize(("strength", "suspected"), [(6.6, True), (6.4, False)])
def test_unseen_edges_speak_for_true_size(strength: float, suspected: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two sides of strength s and two unseen weigh 2 s / 10 + 0.7; four unseen ones in true size weigh 1.4.

    So 0.6 more than that is reached at a strength of 6.5.
    """
    at = 105 / 0.95
    found = _with_edges(monkeypatch, left=(at, strength), right=(at, strength))
    assert found.measured == pytest.approx(0.95)
    assert (found.suspected, found.checked) == (suspected, suspected)


def test_a_sheet_of_blank_paper_has_no_print_to_check() -> None:
    blank = replace(SHEET, layout=BlankLayout(Blank.A4))
    assert scale_from_paper(np.zeros((9, 9, 3), np.uint8), blank) is UNCHECKED


def test_no_edges_say_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert _with_edges(monkeypatch) is UNCHECKED


@pytest.mark.parametrize(("length_mm", "fits"), [(120.1, True), (119.9, False), (179.9, True), (180.1, False)])
def test_a_bar_is_within_a_fifth(length_mm: float, fits: bool) -> None:
    if not fits:
        with pytest.raises(ValueError, match="cannot be it"):
            scale_from_bar(length_mm)
        return
    found = scale_from_bar(length_mm)
    assert found.scale == found.measured == pytest.approx(length_mm / 150)
    assert found.standard_uncertainty == pytest.approx(np.hypot(0.4 / 150, 0.0017 / 3))
    assert (found.ruler, found.checked, found.suspected) == (True, True, True)


@pytest.mark.parametrize(("paper", "whole_mm"), [(Paper.A4, 279.0), (Paper.LETTER, 263.4)])
def test_the_whole_print_says_it_more_exactly_than_the_bar(paper: Paper, whole_mm: float) -> None:
    layout = SheetLayout(paper, 2)
    assert layout.print_height_mm == pytest.approx(whole_mm)
    for scale in (0.94, 1.0, 1.04):
        whole = scale_from_bar(scale * whole_mm, layout.print_height_mm)
        assert whole.scale == pytest.approx(scale)
        assert whole.standard_uncertainty == pytest.approx(np.hypot(0.4 / whole_mm, 0.0017 / 3))
        bar = scale_from_bar(scale * 150, layout.print_height_mm)
        assert bar.scale == pytest.approx(scale)
        assert whole.standard_uncertainty < 0.61 * bar.standard_uncertainty
    with pytest.raises(ValueError, match="cannot be it"):
        scale_from_bar(layout.board.height_mm, whole_mm)


@pytest.mark.parametrize(("scale", "suspected"), [(0.9815, True), (0.9825, False), (1.0175, False), (1.0185, True)])
def test_a_ruler_suspects_beyond_eighteen_thousandths(scale: float, suspected: bool) -> None:
    assert measured_by_ruler(scale, 0.001).suspected == suspected


@pytest.mark.parametrize(("deviations", "contradicted"), [(2.45, False), (2.55, True)])
def test_contradicted_is_beyond_two_and_a_half_deviations(deviations: float, contradicted: bool) -> None:
    together = np.hypot(0.002, 0.003)
    rulers = [measured_by_ruler(0.96, 0.002), measured_by_ruler(0.96 + deviations * together, 0.003)]
    combined, said = combined_scale(rulers)
    assert said == contradicted
    assert combined.standard_uncertainty == pytest.approx(deviations / np.hypot(1 / 0.002, 1 / 0.003))
    bar = measured_by_ruler(1.0, 0.003)
    edges = replace(EDGES_SAY_SMALL, measured=1 - deviations * np.hypot(0.005, 0.003))
    combined, said = combined_scale([edges, bar])
    assert said == contradicted
    away = (1 - edges.measured) / 2 if contradicted else 0.0
    assert combined.standard_uncertainty == pytest.approx(np.hypot(0.003, away))


def test_three_rulers_spread_by_two_degrees_of_freedom() -> None:
    scales, sds = np.array([0.95, 0.958, 0.962]), np.array([0.001, 0.002, 0.003])
    combined, _ = combined_scale([measured_by_ruler(*each) for each in zip(scales, sds, strict=True)])
    mean = np.average(scales, weights=sds**-2)
    ratio = sqrt((((scales - mean) / sds) ** 2).sum() / 2)
    assert ratio > 1
    assert combined.scale == pytest.approx(mean)
    assert combined.standard_uncertainty == pytest.approx(ratio / sqrt((sds**-2).sum()))


def test_a_size_contributes_by_the_length() -> None:
    """Relative to the size itself; sheets of blank paper share one cause, and so do printed ones: one machine each."""
    printed = PrintScale(0.95, 0.004)
    part = printed.contribution(600.0, "a4-2")
    assert (part.key, part.contribution_mm) == ("print-scale:a4-2", pytest.approx(600 * 0.004 / 0.95))
    blank = PrintScale(standard_uncertainty=0.002, blank=True)
    part = blank.contribution(600.0, "blank-a4-2")
    assert (part.key, part.contribution_mm) == ("print-scale:blank-a4", pytest.approx(1.2))
    parts = size_contributions({"a4-1": printed, "blank-a4-1": blank, "blank-a4-2": blank, "a4-2": UNCHECKED}, 600.0)
    assert [(each.key, each.contribution_mm) for each in parts] == [
        ("print-scale:a4-1", pytest.approx(150 * (0.004 / 0.95 + 0.0017))),
        ("print-scale:blank-a4", pytest.approx(0.6)),
    ]
