"""The cameras of several views of the same sheets, taken with one lens.

Each view's sheets tell its own pose; the lens is the same in all of them, and what one view of a plane cannot tell
(focal length against distance) several from different places can (Z. Zhang, A flexible new technique for camera
calibration, PAMI 22 (2000) 1330; from memory).  So one focal length, one distortion and one stretch of the print are
adjusted together with a pose for each view and sheet, by least squares over all corners.  The principal point is common
but for a small wander from view to view: lenses that steady a picture by moving, and films that steady it by cutting
the frame anew, shift it.  Views of different lenses, sizes of picture or focal lengths stated are adjusted apart, and
each that was cut later by itself.

As for one view, a root of the covariance is what is kept: `CommonLens.roots` says how the parameters of every view's
camera depend on the same independent unit errors, so that what the views share is never taken for independent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.adjustment import COMMON, FIRST_DAMPING, MOST_STEPS, NEAR_SD, Adjusted, Adjustment, same_turns
from calibration.arrays import Array, Indices
from calibration.camera import PosedCamera, Surface, adjustments
from calibration.covariance import inverse_root, mixture_root, triangular
from calibration.least_squares import Minimum, minimum
from calibration.lens import CENTRE_SD_SHARE, NOTHING_STATED, Frame, StatedLens
from calibration.pinhole import POSE
from calibration.sheet_in_photo import SheetInPhoto

STEADIED_SHARE = 0.003
"""Of the photo's longer side: standard deviation of what a lens that moves to steady the picture shifts the principal
point from photo to photo, along each axis; half a degree at most, of which little is used in good light (our
assumption)."""
FILMED_SHARE = CENTRE_SD_SHARE
"""The same for frames of a film: each is cut anew out of the sensor's picture, so that as much may change from frame to
frame as may be wrong in all (our assumption)."""


@dataclass(frozen=True)
class View:
    """The sheets of one view.

    Attributes
    ----------
    sheets : tuple of SheetInPhoto
        The first is the frame of reference, and must be the same sheet in every view.
    image_size_px : tuple of int
        Width and height.
    lens : StatedLens
        What is known of the lens.
    """

    sheets: tuple[SheetInPhoto, ...]
    image_size_px: tuple[int, int]
    lens: StatedLens = NOTHING_STATED


@dataclass(frozen=True)
class CommonLens:
    """Cameras of several views in one frame.

    Attributes
    ----------
    cameras : tuple of PosedCamera
        One a view, each with its own covariance.
    roots : tuple of (12, K) ndarray
        For each view how lens and first sheet's pose (as the first 12 of `PosedCamera.parameters`) depend on K
        independent errors of unit variance that all views share.
    """

    cameras: tuple[PosedCamera, ...]
    roots: tuple[Array, ...]


def solve_common_lens(
    views: Sequence[View], surface: Surface | str = Surface.ANY, print_scales: Mapping[str, float] | None = None
) -> CommonLens:
    """Find the cameras of several views of the same sheets.

    Parameters
    ----------
    views : sequence of View
        One or more.
    surface : Surface
        What the sheets are fixed to.
    print_scales : mapping of str to float, optional
        True size over nominal size of the print, by the sheets' names.

    Returns
    -------
    CommonLens
        In the views' order.

    Raises
    ------
    ValueError
        If there is no view, one has no sheet, or their first sheets are not the same.
    """
    if not views or any(not view.sheets for view in views):
        raise ValueError("every view needs a sheet")
    if len({view.sheets[0].layout for view in views}) != 1:
        raise ValueError("the first sheet of every view must be the same")
    groups: dict[tuple[tuple[int, int], StatedLens, int], list[int]] = {}
    for number, view in enumerate(views):
        alone = number if view.lens.frame is Frame.CUT else -1  # each is another part of its own frame
        groups.setdefault((view.image_size_px, view.lens, alone), []).append(number)
    solved = [_solved([views[number] for number in group], surface, print_scales or {}) for group in groups.values()]
    width = sum(found.roots[0].shape[1] for found in solved)
    cameras: dict[int, PosedCamera] = {}
    roots: dict[int, Array] = {}
    start = 0
    for group, found in zip(groups.values(), solved, strict=True):
        end = start + found.roots[0].shape[1]
        for number, camera, root in zip(group, found.cameras, found.roots, strict=True):
            cameras[number] = camera
            roots[number] = np.zeros((len(root), width))
            roots[number][:, start:end] = root
        start = end
    order = range(len(views))
    return CommonLens(tuple(cameras[n] for n in order), tuple(roots[n] for n in order))


class _Joint:
    """The least-squares problem of one lens.

    Unknown are the common parameters, each view's wander of the principal point, its sheets' poses, and the bends of
    each sheet, which hangs or lies where it is while the views are taken.
    """

    def __init__(self, parts: Sequence[Adjustment], wander_px: float) -> None:
        self.parts, self.wander_px = parts, wander_px
        poses = [part.posed - COMMON for part in parts]
        ends = COMMON + 2 * len(parts) + np.cumsum([0, *poses])
        self.posed = int(ends[-1])
        of_sheets, self.bend_sd_mm = self._bends()
        self.size = self.posed + len(self.bend_sd_mm)
        self.select = []
        for number, part in enumerate(parts):
            own = [of_sheets[sheet.layout.name] for sheet in part.sheets]
            chosen = np.zeros((part.posed + sum(len(bends) for bends in own), self.size))
            chosen[:COMMON, :COMMON] = np.eye(COMMON)
            chosen[1:3, COMMON + 2 * number : COMMON + 2 * number + 2] = np.eye(2)
            chosen[COMMON : part.posed, ends[number] : ends[number + 1]] = np.eye(poses[number])
            chosen[np.arange(part.posed, len(chosen)), np.concatenate(own)] = 1
            self.select.append(chosen)

    def _bends(self) -> tuple[dict[str, Indices], Array]:
        """Where each sheet's bends stand among the unknowns, by its name, and their standard deviations, mm."""
        places: dict[str, Indices] = {}
        deviations = np.zeros(0)
        for part in self.parts:
            for number, sheet in enumerate(part.sheets):
                if sheet.layout.name not in places:
                    own = part.own_bends(number)
                    more = part.bend_sd_mm[own.start - part.posed : own.stop - part.posed]
                    places[sheet.layout.name] = self.posed + len(deviations) + np.arange(len(more))
                    deviations = np.append(deviations, more)
        return places, deviations

    def start(self) -> Array:
        """Each view solved by itself, seen through the usual lens; distances go with the focal length."""
        common = self.parts[0].common
        parameters = np.concatenate([common, np.zeros(2 * len(self.parts))])
        for part in self.parts:
            found = min((part.solve(at) for at in part.likely_starts()), key=lambda each: each.cost)
            poses = np.array(found.x[COMMON : part.posed]).reshape(-1, POSE)
            poses[:, 5] *= common[0] / found.x[0]
            parameters = np.append(parameters, poses.ravel())
        return np.append(parameters, np.zeros(len(self.bend_sd_mm)))

    def solve(self, start: Array) -> Minimum:
        """Least squares from a starting point."""
        return minimum(lambda at: (self.residuals(at), self.jacobian(at)), start, MOST_STEPS, NEAR_SD, FIRST_DAMPING)

    def residuals(self, parameters: Array) -> Array:
        """All residuals, over their standard deviations."""
        own = [
            np.concatenate([part.corner_residuals(chosen @ parameters), part.parallel_residuals(chosen @ parameters)])
            for part, chosen in zip(self.parts, self.select, strict=True)
        ]
        first = self.parts[0]
        wander = parameters[COMMON : COMMON + 2 * len(self.parts)] / self.wander_px
        bends = parameters[self.posed :] / self.bend_sd_mm
        return np.concatenate([*own, (parameters[:COMMON] - first.common) / first.common_sd, wander, bends])

    def jacobian(self, parameters: Array) -> Array:
        """Derivatives of the residuals."""
        blocks = []
        for part, chosen in zip(self.parts, self.select, strict=True):
            own = chosen @ parameters
            blocks.append(np.vstack([part.corner_jacobian(own), part.parallel_jacobian(own)]) @ chosen)
        common_and_wander = np.append(self.parts[0].common_sd, np.full(2 * len(self.parts), self.wander_px))
        prior = np.zeros((len(common_and_wander) + len(self.bend_sd_mm), self.size))
        prior[: len(common_and_wander), : len(common_and_wander)] = np.diag(1 / common_and_wander)
        prior[len(common_and_wander) :, self.posed :] = np.diag(1 / self.bend_sd_mm)
        return np.vstack([*blocks, prior])

    def of_views(self, parameters: Array) -> list[Array]:
        """The parameters of each view's adjustment."""
        return [chosen @ parameters for chosen in self.select]


@dataclass(frozen=True)
class _Found:
    """The views adjusted for one lens; `cost`: minus the logarithm of its probability, constants aside."""

    problem: _Joint
    views: list[Adjusted]
    cost: float


def _adjusted(problem: _Joint) -> _Found:
    found = problem.solve(problem.start())
    cost = found.cost
    for part, parameters in zip(problem.parts, problem.of_views(found.x), strict=True):
        part.judge_noise(parameters)
    found = problem.solve(found.x)
    root = inverse_root(problem.jacobian(found.x))
    views = [
        part.adjusted(parameters, chosen @ root)
        for part, parameters, chosen in zip(problem.parts, problem.of_views(found.x), problem.select, strict=True)
    ]
    return _Found(problem, views, problem.parts[0].improbability + cost)


def _solved(views: Sequence[View], surface: Surface | str, print_scales: Mapping[str, float]) -> CommonLens:
    """Cameras of views through one lens, or through each lens that it may be."""
    share = FILMED_SHARE if views[0].lens.film else STEADIED_SHARE
    wander_px = share * max(views[0].image_size_px)
    by_lens = zip(
        *(adjustments(view.sheets, view.image_size_px, view.lens, Surface(surface), print_scales) for view in views),
        strict=True,
    )
    lenses = [_adjusted(_Joint(parts, wander_px)) for parts in by_lens]
    best = min(lenses, key=lambda lens: lens.cost)
    away = [
        np.concatenate([same_turns(a.parameters, b.parameters) - b.parameters for a, b in pairs])
        for pairs in (zip(lens.views, best.views, strict=True) for lens in lenses)
    ]
    own = [np.vstack([view.root for view in lens.views]) for lens in lenses]
    root = mixture_root(own, away, [lens.cost for lens in lenses])
    cameras, roots, start = [], [], 0
    for view, adjusted in zip(views, best.views, strict=True):
        mine = root[start : start + len(adjusted.parameters)]
        start += len(mine)
        cameras.append(PosedCamera.of(adjusted, triangular(mine), view.sheets, view.image_size_px, view.lens))
        roots.append(mine[: COMMON + POSE])
    return CommonLens(tuple(cameras), tuple(roots))


def reference_first(views: Sequence[View]) -> list[View | None]:
    """Put the sheet that most views show first in each of them.

    Parameters
    ----------
    views : sequence of View
        With their sheets in any order.

    Returns
    -------
    list of View or None
        None for a view that does not show the sheet.
    """
    layouts = [sheet.layout for view in views for sheet in view.sheets]
    if not layouts:
        return [None for _ in views]
    common = max(layouts, key=layouts.count)
    ordered: list[View | None] = []
    for view in views:
        mine = sorted(view.sheets, key=lambda sheet: sheet.layout != common)
        ordered.append(replace(view, sheets=tuple(mine)) if mine and mine[0].layout == common else None)
    return ordered


def spread_deg(places_mm: Sequence[Array], point_mm: Array) -> float:
    """The largest angle between the lines of sight from several places (3,) to a point (3,), degrees."""
    sights = np.array(places_mm) - point_mm
    sights /= np.linalg.norm(sights, axis=1, keepdims=True)
    return float(np.degrees(np.arccos(np.clip(sights @ sights.T, -1, 1))).max())
