"""One instrument from several photos, or frames of a film, while nothing is moved: its heights by parallax.

What one photo has to believe (how high edge and scroll stand above the table) several from different places show.  The
cameras share a lens (`calibration.common_lens`).  What photos have in common does not average away:

* The print, which is one: its size is taken from the photo that tells most of it.
* An edge is wrong by a part that all views share, because the same worn or dark place leads the same network astray in
  all of them (`SHARED_EDGE`), and all edges of all views by a common shift (`SHARED_SHIFT`).
* The end of the scroll is rounded and worn the same in all views (`SHARED_END`).

How much the views tell is seen in the interval, and in the angle between the lines of sight: where that is small,
several photos are one photo several times, and a step to the side is asked for.  A photo that does not go with the
others, because the instrument was moved or is another one, is left out and named, where at least two others agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.blank import Blank
from calibration.camera import Surface
from calibration.common_lens import View as LensView
from calibration.common_lens import solve_common_lens, spread_deg
from calibration.print_scale import agreed_prints
from calibration.problems import Problem, Refused
from vision.instrument.cameras import LeanCamera
from vision.instrument.fit import Fit, RanAway, View, fit, shared_errors
from vision.instrument.measure import (
    DetectedInstrument,
    InstrumentMeasurement,
    detect_instrument,
    measurement_of,
    solve_instrument,
    view_of,
)
from vision.instrument.model import LENGTH, TOTAL, X, Y, pose_of
from vision.photo import Photo
from vision.problems import INSTRUMENT_LEFT_OUT, INSTRUMENT_STEP_ASIDE, PHOTOS_NOT_OF_ONE_INSTRUMENT

SHARED_EDGE = 0.2
"""Of the variance of one place of an edge, what all views share: 0.13 on ten rendered sequences of five views
(`vision.training.lying`, seeds 810000 to 810009, sizes drawn apart from builds), whose renderer the edges' network did
not learn from."""
SHARED_SHIFT = 0.8
"""Of the variance of the edges' shift in a photo, what all photos of one instrument share: 0.81 on the same sequences,
on which the shift's deviation is 0.123 mm and its mean -0.01."""
SHARED_END = 0.5
"""Of the variance of the scroll's end, what all views share: 0.2 on the same sequences; more is taken, because the
rounding and wear of one scroll, of which renderers know little, are the same in all of its photos; our judgement."""
LEAST_SPREAD_DEG = 8.0
"""Largest angle between lines of sight below which the heights that photos tell are no surer than the usual ones: an
end that is known to 0.35 mm is then 2.5 mm of height, and heights of resting instruments are known to 1.3; our
choice."""
_LEAST_AGREEMENT = 0.6
"""Mean weight of a photo's edges, where several photos are solved as one: those of one instrument keep 0.92 and more,
of two instruments one keeps 0.34 at most (sample photos, every pair); our choice."""
_FEWEST = 2
"""Views that are needed to tell that they go together."""
_HEIGHTS_FACTOR = 2.0
"""Factor on the spread of the resting heights where the views tell them: they only help then."""
_ROUNDS = 15
"""Rounds at most of a fit that finds cameras and heights as well, which takes longer; our choice."""


def measure_instrument_together(
    photos: Sequence[Photo],
    sheet_height_mm: float | None = None,
    bar_mm: float | None = None,
    reference: Blank | None = None,
) -> InstrumentMeasurement:
    """Measure one instrument that lies unmoved beside the same sheets in two or more photos from different places.

    A photo in which it cannot be seen is left out where two others show it; of a film's frames one is enough.

    Parameters
    ----------
    photos : sequence of Photo
        In the order in which they are to be named.
    sheet_height_mm, bar_mm, reference : optional
        As of `vision.instrument.measure.measure_instrument`.

    Raises
    ------
    ValueError
        If there is no photo.
    """
    if not photos:
        raise ValueError("there is no photo to measure an instrument in")
    detected: dict[int, DetectedInstrument] = {}
    problems: list[tuple[Problem, ...]] = []

    def detect(number: int, first: str | None = None) -> None:
        try:
            detected[number] = detect_instrument(photos[number], sheet_height_mm, bar_mm, reference, first)
        except Refused as refusal:
            detected.pop(number, None)
            problems.append(refusal.problems)

    for number in range(len(photos)):
        detect(number)
    first = _first_sheet(list(detected.values()))
    for number, one in tuple(detected.items()):
        if one.camera.sheets[0].layout.name != first:  # another sheet is seen better there
            detect(number, first)
    film = photos[0].film
    try:
        if len(detected) == 1 and film:
            found = replace(solve_instrument(next(iter(detected.values()))), used=(0,))
        elif len(detected) < 2:
            raise Refused(*max(problems, key=problems.count))
        else:
            found = solve_together(list(detected.values()))
    except Refused as refusal:
        name = " + ".join(photo.name for photo in photos)
        return InstrumentMeasurement(photo=name, usable=False, problems=refusal.problems)
    used = tuple(list(detected)[number] for number in found.used)
    out = tuple(number for number in range(len(photos)) if number not in used)
    remark = (INSTRUMENT_LEFT_OUT,) if out and not film else ()
    return replace(found, used=used, left_out=out, problems=(*remark, *found.problems))


def _first_sheet(detected: Sequence[DetectedInstrument]) -> str | None:
    """Name of the sheet that most photos show, of those the one that is first in most."""
    shown = [sheet.layout.name for one in detected for sheet in one.camera.sheets]
    firsts = [one.camera.sheets[0].layout.name for one in detected]
    return max(dict.fromkeys(shown), key=lambda name: (shown.count(name), firsts.count(name)), default=None)


@dataclass(frozen=True)
class _Together:
    """The fit of some views, whose cameras share a lens; None where it ran away."""

    fitted: Fit | None
    spread_deg: float

    @property
    def agreement(self) -> float:
        """Least mean weight of a view's edges."""
        return 0.0 if self.fitted is None else min(float(weight.mean()) for weight in self.fitted.weight)


def solve_together(detected: Sequence[DetectedInstrument]) -> InstrumentMeasurement:
    """Lengths from several photos of the same lying instrument, whose heights the photos tell.

    Raises
    ------
    Refused
        If no two photos fit one instrument that lies still.
    ValueError
        If there is none.
    """
    if not detected:
        raise ValueError("there is no photo to measure an instrument in")
    first = _first_sheet(detected)
    used = [number for number, one in enumerate(detected) if one.camera.sheets[0].layout.name == first]
    if len(used) < _FEWEST:
        raise Refused(PHOTOS_NOT_OF_ONE_INSTRUMENT)
    found = _solved([detected[number] for number in used])
    while found.agreement < _LEAST_AGREEMENT:
        if len(used) == _FEWEST:
            raise Refused(PHOTOS_NOT_OF_ONE_INSTRUMENT)
        rests = [[number for number in used if number != odd] for odd in used]
        tried = [_solved([detected[number] for number in rest]) for rest in rests]
        best = int(np.argmax([each.agreement for each in tried]))
        used, found = rests[best], tried[best]
    assert found.fitted is not None
    views = [detected[number] for number in used]
    name = " + ".join(one.photo for one in views)
    measurement = measurement_of(name, views[0], found.fitted, agreed_prints([one.prints for one in views]))
    remarks = [remark for one in views for remark in one.remarks]
    if found.spread_deg < LEAST_SPREAD_DEG:
        remarks.append(INSTRUMENT_STEP_ASIDE)
    return replace(
        measurement,
        problems=tuple(dict.fromkeys(remarks)),
        used=tuple(used),
        left_out=tuple(number for number in range(len(detected)) if number not in used),
        viewpoints_deg=found.spread_deg,
    )


def _solved(detected: Sequence[DetectedInstrument]) -> _Together:
    """The fit of all of them."""
    scales = {name: scale.scale for name, scale in agreed_prints([one.prints for one in detected]).items()}
    seen = [LensView(one.camera.sheets, one.size_px, one.focal35_mm, one.film) for one in detected]
    lens = solve_common_lens(seen, Surface.TABLE, scales)
    own = [view_of(one, {}) for one in detected]
    views = [replace(view, camera=LeanCamera(camera)) for view, camera in zip(own, lens.cameras, strict=True)]
    start = detected[_middle(detected)].traced.start
    table = sorted((one.setting for one in detected), key=lambda each: each.table_mm)[len(detected) // 2]
    pose = pose_of(start, table.table_mm)
    spread = spread_deg([camera.position_mm for camera in lens.cameras], pose.at(0.0, 0.5 * start[LENGTH], 0.0))
    setting = replace(
        table, heights_factor=_HEIGHTS_FACTOR if spread >= LEAST_SPREAD_DEG else 1.0, shared_shift=SHARED_SHIFT
    )
    try:
        fitted = fit(start, _with_shared(views), setting, rounds=_ROUNDS, roots=lens.roots)
    except RanAway:
        return _Together(None, spread)
    return _Together(fitted, spread)


def _with_shared(views: Sequence[View]) -> tuple[View, ...]:
    """The views with the uncertainties of what they share."""
    grow = float(np.sqrt(1 + (len(views) - 1) * SHARED_END))
    return tuple(
        replace(view, tips=tuple(replace(tip, sigma_px=grow * tip.sigma_px) for tip in view.tips))
        for view in shared_errors(views, SHARED_EDGE)
    )


def _middle(detected: Sequence[DetectedInstrument]) -> int:
    """Number of the photo whose own outline is nearest to those of the others."""
    each = np.array([one.traced.start[[X, Y, LENGTH, TOTAL]] for one in detected])
    apart = np.linalg.norm(each[:, None] - each[None], axis=2)
    return int(np.argmin(np.median(apart, axis=1)))
