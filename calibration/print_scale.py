"""How large the sheet was printed: true size over nominal size.

"Fit to page" shrinks a print by three to six per cent without a word, more than there is between two sizes of an
instrument.  Three independent checks find that:

- the paper's own edges against the printed pattern: a smaller print leaves more white around it;
- the length of a printed bar, or of the whole print, measured by the family with a ruler;
- a blank ID-1 card laid into the printed frame.

Each check gives a scale with a standard uncertainty.  The bar and the card are rulers: what they say corrects lengths.
The paper's edges are a check and no ruler.  Paper is cut to +-2 mm only (ISO 216, for lengths of 150 to 600 mm; from
memory), and a phone's tone curve, local contrast and sharpening move an edge of white paper by up to 0.6 px, which at
0.6 px/mm is 1 % of the page.  The rule:

- Where the edges are compatible with true size (the scale that they give is within `SUSPICIOUS` of 1), true size is
  believed, with the uncertainty of an ordinary printer.
- Where they are not, and nothing else speaks, lengths stay as they are; either size is then taken to be as likely as
  the other, the interval grows to hold both, and the bar is asked for.
- Where a ruler speaks as well, the ruler decides, and edges that contradict it are said to.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import hypot, sqrt

import numpy as np

from calibration.arrays import Array, Picture
from calibration.paper_edges import NEAR_STRENGTH, SIDES, EdgeCandidate, edge_candidates, white_beyond_mm
from calibration.quantity import Contribution
from calibration.sheet import CHECK_BAR_MM, Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto

PRINTER_RELATIVE_U = 0.0017
"""Relative standard uncertainty of a print in true size, along either side: +-0.3 %, rectangular (JCGM 100:2008,
4.3.7), the few tenths of a per cent of present-day printers (from memory; older laser printers were specified at 2 to
3 %).  The two sides of one print differ less: `calibration.sheet.PRINT_STRETCH_SD`."""

PAPER_TOLERANCE_MM = 2.0
"""ISO 216, lengths of 150 to 600 mm (from memory); taken as the half width of a rectangular distribution."""

SUSPICIOUS = 0.018
"""A scale further from 1 than this raises the question of a scaled print: three fifths of the smallest usual "fit to
page" (0.97), from which it is two standard uncertainties away, as it is from true size; our choice."""

EDGE_SHIFT_PX = 0.6
"""How far a phone's tone curve, local contrast and sharpening move the edge of white paper, px: the most that was seen
on pictures of an unlike renderer; taken as the half width of a rectangular distribution, common to a sheet's edges."""

CONTRADICTED = 2.5
"""Checks contradict one another beyond this normalised deviation; 1 % of the checks that agree do (normal
distribution); our choice."""

RULER_U_MM = 0.4
"""Of a length read from a ruler with mm marks by a layman: either end to a whole mm, a rectangular distribution of
+-0.5 mm each, is 0.29 times the root of two (JCGM 100:2008, F.2.2.1, for a resolution of 1 mm).  Whoever reads halves
errs by half as much; what is left is for the ruler itself."""

_OFF_CENTRE_MM = 1.5  # of a print on its paper, one standard deviation; our assumption
_SAME_BOTH_WAYS = 0.006  # of the scales across and along, one standard deviation: cutting and feeding
_MARGIN = 0.6  # by which a scaled print must agree better with the edges than one in true size does; our choice
_A_WHOLE_PAGE = 0.03  # how near to the width of a page what is white beside it has to be; our choice
_UNSEEN = 0.35  # what an edge that is not seen counts for, in strengths as `_weight` gives them


@dataclass(frozen=True, slots=True)
class PrintScale:
    """How large a sheet was printed.

    Attributes
    ----------
    scale : float
        True size over nominal size; 1 where nothing speaks against it.  Lengths measured with the sheet are to be
        multiplied by it.
    standard_uncertainty : float
        Standard uncertainty of `scale`.
    suspected : bool
        Whether the print is taken to be not in true size.
    checked : bool
        Whether a check was possible at all.
    measured : float or None
        What the check itself gave, before the decision.
    measured_uncertainty : float or None
        Standard uncertainty of `measured`.
    ruler : bool
        Whether a ruler is behind `scale` (bar or card), and not the paper's edges alone.
    paper : Paper or None
        Paper on which it was printed, where the edges tell.
    blank : bool
        Whether it is the size of a blank paper or card, on which nothing is printed.
    far_off : bool
        Whether white paper reaches so far beyond the page that it was printed much too small, or as one of several on
        one paper: by how much is not measured, and nothing is to be measured with it.
    """

    scale: float = 1.0
    standard_uncertainty: float = PRINTER_RELATIVE_U
    suspected: bool = False
    checked: bool = False
    measured: float | None = None
    measured_uncertainty: float | None = None
    ruler: bool = False
    paper: Paper | None = None
    blank: bool = False
    far_off: bool = False

    def contribution(self, length_mm: float, sheet_name: str) -> Contribution:
        """What the print's size contributes to a length in mm that was measured with the sheet of that name.

        Sheets of blank paper lie beside each other out of one pack, were cut by one machine and look alike to the
        camera: whatever is wrong with the size of one is wrong with all of them, and a second one averages nothing.
        """
        contribution_mm = length_mm * self.standard_uncertainty / self.scale
        if self.blank:
            return Contribution("size of the paper", contribution_mm, f"print-scale:{sheet_name.rpartition('-')[0]}")
        return Contribution("size of the print", contribution_mm, f"print-scale:{sheet_name}")


def size_contributions(prints: Mapping[str, PrintScale], length_mm: float) -> list[Contribution]:
    """What the sizes of several sheets, by name, contribute to a length in mm that was measured with all of them alike.

    One printer made the printed ones, and one bar that was measured speaks for all: what is wrong with the size of one
    is wrong with all of them, as it is with blank paper of one pack.  It is named after the first.

    Examples
    --------
    >>> paper = PrintScale(standard_uncertainty=0.003, blank=True)
    >>> [(one.key, one.contribution_mm) for one in size_contributions({"blank-a4-1": paper, "blank-a4-2": paper}, 500)]
    [('print-scale:blank-a4', 1.5)]
    """
    parts = [scale.contribution(length_mm / len(prints), name) for name, scale in prints.items()]
    summed: dict[str, Contribution] = {}
    for part in parts:
        before = summed.get(part.source)
        summed[part.source] = (
            part if before is None else replace(before, contribution_mm=before.contribution_mm + part.contribution_mm)
        )
    return list(summed.values())


UNCHECKED = PrintScale()
"""A print of which nothing is known."""


def scale_from_paper(image: Picture, sheet: SheetInPhoto) -> PrintScale:
    """Compare the paper's edges with what is printed on it.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.
    sheet : SheetInPhoto
        A sheet found in it.

    Returns
    -------
    PrintScale
        `UNCHECKED` where too few edges are seen.  Its scale is 1 always; where the edges speak for another one, the
        standard uncertainty holds both.
    """
    layout = sheet.layout
    if not isinstance(layout, SheetLayout):
        return UNCHECKED
    shift_mm = 2 * EDGE_SHIFT_PX / sheet.px_per_mm / np.sqrt(3)
    edges = {side: edge_candidates(image, sheet, side) for side in SIDES}
    if _reaches_far(image, sheet, edges):
        return PrintScale(suspected=True, checked=True, far_off=True)
    across = _extents(edges["left"], edges["right"])
    along = _extents(edges["bottom"], edges["top"])
    best: tuple[float, Paper, float, float] | None = None
    in_true_size = 4 * _UNSEEN  # that the print is in true size and no edge is seen
    for paper in Paper:
        agreement, scale, uncertainty = _agreements(across, along, paper, shift_mm)
        # the pattern for the other paper is a mistake that is rarely made
        start = 0.0 if paper is layout.paper else -1.0
        at = np.unravel_index(agreement.argmax(), agreement.shape)
        if np.isfinite(agreement[at]) and (best is None or start + agreement[at] > best[0]):
            best = float(start + agreement[at]), paper, float(scale[at]), float(uncertainty[at])
        if paper is layout.paper:
            in_true_size = max(in_true_size, float(agreement[np.abs(scale - 1) < SUSPICIOUS].max(initial=-np.inf)))
    if best is None:
        return UNCHECKED
    agrees, paper, measured, deviation = best
    if abs(measured - 1) < SUSPICIOUS:
        return PrintScale(checked=True, measured=measured, measured_uncertainty=deviation, paper=paper)
    if agrees - in_true_size < _MARGIN:
        return PrintScale(measured=measured, measured_uncertainty=deviation)
    return PrintScale(
        standard_uncertainty=_either_way(measured, deviation),
        suspected=True,
        checked=True,
        measured=measured,
        measured_uncertainty=deviation,
        paper=paper,
    )


def _reaches_far(image: Picture, sheet: SheetInPhoto, edges: Mapping[str, Sequence[EdgeCandidate]]) -> bool:
    """Whether white paper reaches far beyond the page: on two sides, or by a whole page on one.

    Two pages on one paper of half their size each have the proportions of one (ISO 216), and three of its edges.
    """
    unseen = [side for side in SIDES if all(line.strength < NEAR_STRENGTH for line in edges[side])]
    beyond = {side: white_beyond_mm(image, sheet, side) for side in unseen}
    far = {side: by_mm for side, by_mm in beyond.items() if by_mm is not None}
    page = sheet.layout.page
    whole = {side: page.width_mm if side in ("left", "right") else page.height_mm for side in SIDES}
    return len(far) > 1 or any(abs(by_mm / whole[side] - 1) < _A_WHOLE_PAGE for side, by_mm in far.items())


def _either_way(measured: float, uncertainty: float) -> float:
    """Standard uncertainty about 1 of a scale that is 1 or `measured`, as likely the one as the other.

    By the law of total variance; the interval of 1.96 of it reaches beyond `measured` by 0.39 of its distance from 1.
    """
    return float(np.sqrt((PRINTER_RELATIVE_U**2 + uncertainty**2 + (measured - 1) ** 2) / 2))


@dataclass(frozen=True, slots=True)
class _Extents:
    """What two opposite edges may be: neither is seen (the first, of infinite length), any pair of them, or one.

    Arrays (E,): their distance in mm of the print, its uncertainty, how well they are seen.
    """

    length_mm: Array
    uncertainty_mm: Array
    weight: Array


def _weight(strength: float) -> float:
    return min(strength / 10.0, 2.0)


def _extents(near: Sequence[EdgeCandidate], far: Sequence[EdgeCandidate]) -> _Extents:
    """All pairs of opposite edges that are about as far from the print's middle, single edges, and neither."""
    rows = [(np.inf, 0.0, 2 * _UNSEEN)]
    for one, two in product(near, far):
        off_centre = (one.place_mm - two.place_mm) / 2
        weight = _weight(one.strength) + _weight(two.strength) - 0.5 * (off_centre / _OFF_CENTRE_MM) ** 2
        rows.append((one.place_mm + two.place_mm, hypot(one.uncertainty_mm, two.uncertainty_mm), weight))
    for edge in (*near, *far):
        uncertainty = 2 * hypot(edge.uncertainty_mm, _OFF_CENTRE_MM)
        rows.append((2 * edge.place_mm, uncertainty, _weight(edge.strength) + _UNSEEN))
    return _Extents(*np.array(rows).T)


def _agreements(across: _Extents, along: _Extents, paper: Paper, shift_mm: float) -> tuple[Array, Array, Array]:
    """How well each two extents agree on one scale for a paper; the scales; their uncertainties: (A, B) each.

    Where neither is seen nothing agrees (minus infinity), with no scale (not a number).  `shift_mm` is the standard
    uncertainty of both extents together, by which all edges may seem further out or in.
    """
    sides = []
    for extents, paper_mm, axis in ((across, paper.width_mm, 1), (along, paper.height_mm, 0)):
        scale = paper_mm / extents.length_mm
        cut = PAPER_TOLERANCE_MM / sqrt(3) / paper_mm
        of_its_own = cut**2 + (scale * extents.uncertainty_mm / extents.length_mm) ** 2
        seen = np.isfinite(extents.length_mm)
        precision = np.where(seen, 1 / (of_its_own + PRINTER_RELATIVE_U**2), 0.0)
        parts = scale, precision, of_its_own, seen, shift_mm / extents.length_mm, extents.weight
        sides.append([np.expand_dims(part, axis) for part in parts])
    (scale, precision, own, seen, shift, weight), (other, precise, its, found, moved, weighs) = sides
    neither = ~(seen | found)
    whole = np.where(neither, np.nan, precision + precise)
    mean = (precision * scale + precise * other) / whole
    apart = 0.5 * (scale - other) ** 2 / (_SAME_BOTH_WAYS**2 + (own + its) / 2)
    agreement = np.where(neither, -np.inf, weight + weighs - np.where(seen & found, apart, 0.0))
    together = (precision * shift + precise * moved) / whole
    return agreement, mean, np.hypot(np.sqrt(1 / whole), together)


def scale_from_bar(measured_mm: float, whole_mm: float | None = None) -> PrintScale:
    """Scale from the length of the printed bar as the family measured it, or from that of the whole print, in mm.

    Parameters
    ----------
    measured_mm : float
        What was measured; which of the two it is, its size tells.
    whole_mm : float, optional
        Length of the whole print in true size (`calibration.sheet.SheetLayout.print_height_mm`).

    Raises
    ------
    ValueError
        If the length is not within 20 % of either: then something else was measured.

    Examples
    --------
    >>> found = scale_from_bar(144.0)
    >>> found.scale, round(found.standard_uncertainty, 4), found.suspected
    (0.96, 0.0027, True)
    >>> round(scale_from_bar(279.0, 279.0).standard_uncertainty, 4)
    0.0015
    """
    for true_mm in (CHECK_BAR_MM, whole_mm):
        if true_mm is not None and 0.8 < measured_mm / true_mm < 1.2:
            uncertainty = hypot(RULER_U_MM / true_mm, PRINTER_RELATIVE_U / 3)
            return measured_by_ruler(measured_mm / true_mm, uncertainty)
    raise ValueError(
        f"the bar is {CHECK_BAR_MM:.0f} mm long on a sheet in true size; {measured_mm:g} mm cannot be it, nor the "
        "whole print"
    )


def measured_by_ruler(scale: float, standard_uncertainty: float) -> PrintScale:
    """Scale of a print as a ruler gives it (bar or card), with its standard uncertainty."""
    suspected = abs(scale - 1) > SUSPICIOUS
    return PrintScale(scale, standard_uncertainty, suspected, True, scale, standard_uncertainty, ruler=True)


def combined_scale(checks: Iterable[PrintScale]) -> tuple[PrintScale, bool]:
    """Combine independent checks of one print.

    Parameters
    ----------
    checks : iterable of PrintScale
        From the paper's edges, the bar, the card, in any number.

    Returns
    -------
    PrintScale
        Of rulers, and of edges that are compatible with true size: the mean weighted by precision, with an uncertainty
        that grows where they disagree (R. T. Birge, Phys. Rev. 40 (1932) 207).  Where no edge is seen and the rulers do
        not contradict an ordinary print in true size, that counts as it does where such edges are seen: a bar that is
        as long as it should be makes nothing less sure.  Edges that speak for another size count where no ruler does,
        as `scale_from_paper` says.
    bool
        Whether the checks contradict one another (normalised deviations beyond `CONTRADICTED`).

    Examples
    --------
    >>> bar, contradicted = combined_scale([UNCHECKED, scale_from_bar(144.0)])
    >>> bar.scale, contradicted
    (0.96, False)
    """
    done = [check for check in checks if check.checked]
    rulers = [check for check in done if check.ruler]
    if not done:
        return UNCHECKED, False
    if not rulers:
        return done[0], False
    counted = [check for check in done if check.ruler or not check.suspected]
    mean, uncertainty, ratio = _weighted(counted)
    contradicted = ratio > CONTRADICTED
    unspoken = done == rulers and not contradicted  # of the edges
    if unspoken and abs(mean - 1) < CONTRADICTED * hypot(uncertainty, PRINTER_RELATIVE_U):
        mean, uncertainty, _ = _weighted([*rulers, UNCHECKED])
    for edges in (check for check in done if check not in counted):
        away = abs((edges.measured or 1.0) - mean)
        if away > CONTRADICTED * float(np.hypot(edges.measured_uncertainty or 0.0, uncertainty)):
            contradicted = True
            uncertainty = float(np.hypot(uncertainty, away / 2))
    paper = next((check.paper for check in done if check.paper is not None), None)
    return replace(measured_by_ruler(mean, uncertainty), paper=paper), contradicted


def _weighted(checks: Sequence[PrintScale]) -> tuple[float, float, float]:
    """Mean by precision, its standard uncertainty, and Birge's ratio (1 at least), by which that has grown."""
    values = np.array([check.scale for check in checks])
    precision = 1 / np.array([check.standard_uncertainty for check in checks]) ** 2
    mean = float(precision @ values / precision.sum())
    ratio = 1.0
    if len(checks) > 1:
        ratio = max(1.0, float(np.sqrt(precision @ (values - mean) ** 2 / (len(checks) - 1))))
    return mean, ratio / float(np.sqrt(precision.sum())), ratio


def agreed_prints(each: Sequence[Mapping[str, PrintScale]]) -> dict[str, PrintScale]:
    """The size of each print, from what every view says of it: a ruler's word first, then doubt, then true size."""
    agreed: dict[str, PrintScale] = {}
    for prints in each:
        for name, scale in prints.items():
            known = agreed.get(name)
            if known is None or _weight_of(scale) > _weight_of(known):
                agreed[name] = scale
    return agreed


def _weight_of(scale: PrintScale) -> tuple[bool, bool, float]:
    return scale.ruler, scale.suspected, -scale.standard_uncertainty
