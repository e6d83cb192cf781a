"""One instrument from several photos, or frames of a film, while nothing is moved: its heights by parallax.

What one photo has to believe (how high edge and scroll stand above the table) several from different places show.  The
cameras share a lens (`calibration.common_lens`).  What photos have in common does not average away:

* The print, which is one: its size is taken from the photo that tells most of it.
* An edge is wrong by a part that all views share, because the same worn or dark place leads the same network astray in
  all of them (`SHARED_EDGE`), and all edges of all views by a common shift (`SHARED_SHIFT`).
* The end of the scroll is rounded and worn the same in all views (`SHARED_END`).  A person who sets an end in several
  errs in all of them alike by as much.

An end that a person sets in one view corrects what was seen there, and what misled the program there misleads it in the
others: the further from where all views had it, the less do the others count about that end (`HAND_FADES`).

How much the views tell is seen in the interval, and in the angle between the lines of sight: where that is small,
several photos are one photo several times, and a step to the side is asked for.  A photo that does not go with the
others, because the instrument was moved or is another one, is left out and named, where at least two others agree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.blank import Blank
from calibration.camera import Surface
from calibration.common_lens import View as LensView
from calibration.common_lens import solve_common_lens, spread_deg
from calibration.print_scale import agreed_prints
from calibration.problems import Problem, Refused
from vision.instrument.cameras import LeanCamera
from vision.instrument.detected import DetectedInstrument, detect_instrument
from vision.instrument.evidence import Tip, View, shared_errors
from vision.instrument.fit import Fit, RanAway, fit
from vision.instrument.measure import (
    InstrumentMeasurement,
    edges_about,
    in_view,
    measurement_of,
    solve_instrument,
    view_of,
)
from vision.instrument.model import LENGTH, LOW, SCROLL, TOTAL, X, Y, pose_of
from vision.instrument.rounding import end_seen
from vision.instrument.sheet_height import SheetHeight
from vision.photo import Corrections, Photo
from vision.problems import (
    INSTRUMENT_LEFT_OUT,
    INSTRUMENT_STEP_ASIDE,
    PHOTOS_NOT_OF_ONE_INSTRUMENT,
    RAISED_OR_MOVED,
    STATED_HEIGHT,
)

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
HAND_FADES = 2.0
"""How far an end set by hand lies from where the views had it, over its own deviation, where the precision of what the
other views show of that end has fallen to a quarter, as an edge's does that lies far off (`vision.instrument.fit`); our
choice: within one deviation they count nearly in full, beyond five hardly."""
_LEAST_AGREEMENT = 0.6
"""Mean weight of a photo's edges, where several photos are solved as one: those of one instrument keep 0.92 and more,
of two instruments one keeps 0.34 at most (sample photos, every pair); our choice."""
_FEWEST = 2
"""Views that are needed to tell that they go together."""
_HEIGHTS_FACTOR = 2.0
"""Factor on the spread of the resting heights where the views tell them: they only help then."""
_TABLE_SPREAD_MM = 20.0
"""Standard uncertainty, where the views tell heights, of the level that the instrument lies on: an open case beside the
sheet holds it some centimetres up, which is the same for edge and scroll; our choice."""
_MOST_RAISED, _LEAST_LEVEL_SPREAD_MM = 3.0, 3.3
"""Two photos between which sheet or instrument was moved look like two of one that lies higher or lower.  So they are
refused where it would lie further from its level than the first, in standard deviations of what is known of the level,
the second (mm) at least.  In 32 pairs of eight sequences of our own tracer it is 4 mm at most, in the 12 of 48 pairs
whose sheet was moved by 28 mm and that still fitted 32 to 107 mm; their lengths were 4 to 18 % off.  Three photos from
different sides tell the two apart."""
_UNLIKE_STATED = 2.0
"""Standard deviations of stated and measured level together, the second of which is the least above, beyond which the
photos contradict what is said of it: 7 mm for a number, 21 for a book or a case.  In ten sets of two and three photos
of instruments beside the sheet on a table (sample photos, pairs of test scenes) it is measured to 2.7 mm, whatever is
said."""
_ROUNDS = 15
"""Rounds at most of a fit that finds cameras and heights as well, which takes longer; our choice."""


def measure_instrument_together(
    photos: Sequence[Photo],
    sheet_height: SheetHeight | None = None,
    bar_mm: float | None = None,
    reference: Blank | None = None,
) -> InstrumentMeasurement:
    """Measure one instrument that lies unmoved beside the same sheets in two or more photos from different places.

    A photo in which it cannot be seen is left out where two others show it; of a film's frames one is enough.

    Parameters
    ----------
    photos : sequence of Photo
        In the order in which they are to be named.
    sheet_height, bar_mm, reference : optional
        As of `vision.instrument.measure.measure_instrument`.

    Raises
    ------
    ValueError
        If there is no photo.
    """
    if not photos:
        raise ValueError("there is no photo to measure an instrument in")
    seen = see_together(photos, sheet_height, bar_mm, reference)
    try:
        found = solve_seen(seen, photos[0].film)
    except Refused as refusal:
        name = " + ".join(photo.name for photo in photos)
        found = InstrumentMeasurement(photo=name, usable=False, problems=refusal.problems)
    unseen = {number: one for number, one in enumerate(seen) if not isinstance(one, DetectedInstrument)}
    return replace(found, unseen=unseen)


def see_together(
    photos: Sequence[Photo],
    sheet_height: SheetHeight | None = None,
    bar_mm: float | None = None,
    reference: Blank | None = None,
) -> list[DetectedInstrument | tuple[Problem, ...]]:
    """What each photo shows, in the frame of the sheet that most show, or why it shows too little.

    Parameters as of `measure_instrument_together`.
    """

    def see(photo: Photo, first: str | None = None) -> DetectedInstrument | tuple[Problem, ...]:
        try:
            return detect_instrument(photo, sheet_height, bar_mm, reference, first)
        except Refused as refusal:
            return refusal.problems

    seen = [see(photo) for photo in photos]
    first = _first_sheet([one for one in seen if isinstance(one, DetectedInstrument)])
    for number, one in enumerate(seen):
        if isinstance(one, DetectedInstrument) and one.camera.sheets[0].layout.name != first:
            seen[number] = see(photos[number], first)  # another sheet is seen better there
    return seen


def solve_seen(seen: Sequence[DetectedInstrument | tuple[Problem, ...]], film: bool) -> InstrumentMeasurement:
    """Lengths from what `see_together` saw; of a film one frame that shows enough will do.

    Raises
    ------
    Refused
        If too few show enough, or as `solve_together`.
    """
    detected = {number: one for number, one in enumerate(seen) if isinstance(one, DetectedInstrument)}
    problems = [one for one in seen if not isinstance(one, DetectedInstrument)]
    if len(detected) == 1 and film:
        alone = next(iter(detected.values()))
        found = solve_instrument(alone)
        found = replace(found, used=(0,), views=(found,), seen=(alone,))
    elif len(detected) < _FEWEST:
        raise Refused(*max(problems, key=problems.count))
    else:
        found = solve_together(list(detected.values()))
    used = tuple(list(detected)[number] for number in found.used)
    out = tuple(number for number in range(len(seen)) if number not in used)
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
    level_spread_mm: float

    @property
    def raised_mm(self) -> float:
        """How much higher the instrument lies than it was taken to."""
        return 0.0 if self.fitted is None else float(np.mean(self.fitted.unknowns[LOW : SCROLL + 1]))

    def contradicts(self, stated: SheetHeight) -> bool:
        """Whether the photos tell how high the instrument lies, and that it is not as it is said."""
        if self.fitted is None or self.spread_deg < LEAST_SPREAD_DEG:
            return False
        apart_mm = self.fitted.table_mm + self.raised_mm + stated.mm
        return abs(apart_mm) > _UNLIKE_STATED * float(np.hypot(stated.spread_mm, _LEAST_LEVEL_SPREAD_MM))

    @property
    def agreement(self) -> float:
        """Least mean weight of a view's edges."""
        return 0.0 if self.fitted is None else min(float(weight.mean()) for weight in self.fitted.weight)


def solve_together(
    detected: Sequence[DetectedInstrument], corrections: Mapping[int, Corrections] | None = None
) -> InstrumentMeasurement:
    """Lengths from several photos of the same lying instrument, whose heights the photos tell.

    Parameters
    ----------
    detected : sequence of DetectedInstrument
        What each photo shows.
    corrections : mapping of int to Corrections, optional
        Ends set by a person, by the number of the photo.

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
    placed = corrections or {}
    found = _solved(detected, used, placed)
    while found.agreement < _LEAST_AGREEMENT:
        if len(used) == _FEWEST:
            raise Refused(PHOTOS_NOT_OF_ONE_INSTRUMENT)
        rests = [[number for number in used if number != odd] for odd in used]
        tried = [_solved(detected, rest, placed) for rest in rests]
        best = int(np.argmax([each.agreement for each in tried]))
        used, found = rests[best], tried[best]
    assert found.fitted is not None
    if len(used) == _FEWEST and abs(found.raised_mm) > _MOST_RAISED * found.level_spread_mm:
        raise Refused(RAISED_OR_MOVED)
    views = [detected[number] for number in used]
    name = " + ".join(one.photo for one in views)
    measurement = measurement_of(name, views[0], found.fitted, agreed_prints([one.prints for one in views]))
    remarks = [remark for one in views for remark in one.remarks]
    if (stated := views[0].stated) is not None and found.contradicts(stated):
        remarks.insert(0, STATED_HEIGHT)
    if found.spread_deg < LEAST_SPREAD_DEG:
        remarks.append(INSTRUMENT_STEP_ASIDE)
    measurement = replace(
        measurement,
        problems=tuple(dict.fromkeys(remarks)),
        used=tuple(used),
        left_out=tuple(number for number in range(len(detected)) if number not in used),
        viewpoints_deg=found.spread_deg,
    )
    shown = tuple(in_view(measurement, one, found.fitted, number) for number, one in enumerate(views))
    return replace(measurement, views=shown, seen=tuple(views))


def _solved(every: Sequence[DetectedInstrument], used: Sequence[int], placed: Mapping[int, Corrections]) -> _Together:
    """The fit of those used."""
    detected = [every[number] for number in used]
    scales = {name: scale.scale for name, scale in agreed_prints([one.prints for one in detected]).items()}
    seen = [LensView(one.camera.sheets, one.size_px, one.camera.lens) for one in detected]
    lens = solve_common_lens(seen, Surface.TABLE, scales)
    own = [view_of(one, {}) for one in detected]
    views = [replace(view, camera=LeanCamera(camera)) for view, camera in zip(own, lens.cameras, strict=True)]
    start = detected[_middle(detected)].traced.start
    table = sorted((one.setting for one in detected), key=lambda each: each.table_mm)[len(detected) // 2]
    pose = pose_of(start, table.table_mm)
    spread = spread_deg([camera.position_mm for camera in lens.cameras], pose.at(0.0, 0.5 * start[LENGTH], 0.0))
    level_spread_mm = max(_LEAST_LEVEL_SPREAD_MM, table.table_spread_mm)
    setting = replace(table, shared_shift=SHARED_SHIFT)
    if spread >= LEAST_SPREAD_DEG:
        setting = replace(setting, heights_factor=_HEIGHTS_FACTOR, table_spread_mm=_TABLE_SPREAD_MM)
    try:
        fitted = fit(start, _with_shared(views), setting, rounds=_ROUNDS, roots=lens.roots)
        if any(placed.get(number) for number in used):
            by_hand = [view_of(every[number], placed.get(number, {})) for number in used]
            views = _less_believed(
                [replace(view, camera=was.camera) for view, was in zip(by_hand, views, strict=True)], fitted
            )
            fitted = fit(start, _with_shared(views), setting, rounds=_ROUNDS, roots=lens.roots)
    except RanAway:
        return _Together(None, spread, level_spread_mm)
    return _Together(fitted, spread, level_spread_mm)


def _less_believed(views: Sequence[View], found: Fit) -> list[View]:
    """Views in some of which ends were set by hand, the others less sure of these; `found` is what they say without."""
    pose, squares = found.pose(), dict[str, list[float]]()
    for view, was in zip(views, found.views, strict=True):
        for tip in view.tips:
            if tip.by_hand:
                end = end_seen(tip.what, pose, was.camera.position_mm, float(found.unknowns[LENGTH]))
                off_px = float((was.camera.project(end[None])[0] - tip.point_px) @ tip.direction_px)
                squares.setdefault(tip.what, []).append((off_px / tip.sigma_px) ** 2)
    grown = {what: 1 + float(np.mean(each)) / HAND_FADES**2 for what, each in squares.items()}

    def faded(view: View) -> View:
        mine = {tip.what for tip in view.tips if tip.by_hand}
        factor = np.ones(len(view.edges.node))
        for what, grow in grown.items():
            if what not in mine:
                factor[edges_about(what, view.edges)] *= grow
        tips = tuple(
            tip if tip.by_hand else replace(tip, sigma_px=tip.sigma_px * grown.get(tip.what, 1.0)) for tip in view.tips
        )
        return replace(view, edges=replace(view.edges, sigma_px=view.edges.sigma_px * factor), tips=tips)

    return [faded(view) for view in views]


def _with_shared(views: Sequence[View]) -> tuple[View, ...]:
    """The views with the uncertainties of what they share: an end seen in several, or set by hand in several."""
    shown = Counter((tip.what, tip.by_hand) for view in views for tip in view.tips)

    def grown(tip: Tip) -> Tip:
        return replace(tip, sigma_px=tip.sigma_px * (1 + (shown[tip.what, tip.by_hand] - 1) * SHARED_END) ** 0.5)

    return tuple(
        replace(view, tips=tuple(grown(tip) for tip in view.tips)) for view in shared_errors(views, SHARED_EDGE)
    )


def _middle(detected: Sequence[DetectedInstrument]) -> int:
    """Number of the photo whose own outline is nearest to those of the others."""
    each = np.array([one.traced.start[[X, Y, LENGTH, TOTAL]] for one in detected])
    apart = np.linalg.norm(each[:, None] - each[None], axis=2)
    return int(np.argmin(np.median(apart, axis=1)))
