"""The least-squares problem of an instrument in one or more photos: its unknowns, priors and residuals.

Every edge and tip is a distance along one direction of a picture over its standard uncertainty; what is not seen has a
prior.  How edges that do not fit lose weight, and what follows from a solution, stands in `fit`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from vision.instrument.cameras import Camera
from vision.instrument.evidence import Setting, View
from vision.instrument.model import (
    BODY_UNKNOWNS,
    DEPTH,
    LENGTH,
    LOW,
    NECK,
    ROLL,
    SCROLL,
    SHAPE,
    TOTAL,
    TOTAL_TO_BODY,
    TOTAL_TO_BODY_SPREAD,
    WIDTH,
    YAW,
    PoseSlopes,
    slopes_of,
)
from vision.instrument.resting import RIB_SPREAD_MM, ROLL_SPREAD_DEG, resting_covariance_mm2
from vision.instrument.rounding import seen_of_edge, seen_of_end, seen_of_scroll
from vision.instrument.shape import MODES

WIDTH_SPREAD = 0.035
"""Relative spread of a body's width about the outline's proportions (published lower bouts: 0.569 to 0.579)."""
_STEP_MM = 1e-3
"""How far a point is moved to see how its picture moves: a millionth of its distance, far above rounding."""
_STEP = 1e-5
"""By how much of it, rad or mm, an unknown is changed to see how the scroll's rounding turns."""
_TURNING = (YAW, LOW, NECK, ROLL)
"""Unknowns that turn the instrument."""
_STEP_SIGMAS = 0.02
"""By how much of its standard uncertainty a camera's unknown is moved to see what follows from it."""


@dataclass(frozen=True)
class Prior:
    """A piece of knowledge that the photos do not give.

    Attributes
    ----------
    cause : str
        Its name in the budget.
    columns : list of C int
        Which unknowns it is of.
    mean : (C,) ndarray
    root, information : (C, C) ndarray
        Root of their covariance, and the inverse of that covariance.
    """

    cause: str
    columns: list[int]
    mean: Array
    root: Array
    information: Array

    @classmethod
    def of_each(cls, cause: str, columns: list[int], mean: Array, deviation: Array) -> Prior:
        """Knowledge of unknowns that are independent of one another."""
        return cls(cause, columns, mean, np.diag(deviation), np.diag(1 / deviation**2))

    @classmethod
    def of_one(cls, cause: str, column: int, mean: float, deviation: float) -> Prior:
        """Knowledge of one unknown."""
        return cls(cause, [column], np.array([mean]), np.array([[deviation]]), np.array([[deviation**-2]]))

    def add_to(self, mean: Array, information: Array) -> None:
        """Write it into the means (P,) of all unknowns, and add it to what is known of them (P, P)."""
        mean[self.columns] = self.mean
        information[np.array(self.columns)[:, None], self.columns] += self.information


class FitProblem:
    """Residuals of one fit, and which rows and columns belong to what.

    Unknown are the instrument (BODY_UNKNOWNS), the edges' shift that all views share, if any, each view's own, and the
    cameras' errors in units of their standard uncertainty: P in all, of which `free` are sought.

    Parameters
    ----------
    views : tuple of View
        One or more.
    setting : Setting
        What is assumed.
    roots : sequence of (P, K) ndarray, optional
        As of `vision.instrument.fit.fit`.
    """

    def __init__(self, views: tuple[View, ...], setting: Setting, roots: Sequence[Array] | None = None) -> None:
        self.views, self.setting = views, setting
        count = len(views)
        self.shared = BODY_UNKNOWNS if setting.shared_shift else None
        self.shifts = [BODY_UNKNOWNS + (self.shared is not None) + number for number in range(count)]
        start = self.shifts[-1] + 1
        self.roots: list[Array]
        self.errors: list[list[int]]
        if roots is None:
            self.roots = [view.camera.covariance_root for view in views]
            ends = start + np.cumsum([0, *(len(root) for root in self.roots)])
            self.errors = [list(range(ends[number], ends[number + 1])) for number in range(count)]
            self.camera_columns = [errors for errors in self.errors if errors]
        else:
            self.roots = list(roots)
            self.errors = [list(range(start, start + roots[0].shape[1]))] * count
            self.camera_columns = [self.errors[0]]
        self.size = max([start, *(errors[-1] + 1 for errors in self.errors if errors)])
        given = count == 1 and not setting.camera_free
        self.known = [column for columns in self.errors for column in columns] if given else []
        self.free = [column for column in range(self.size) if column not in self.known]
        self.edge_count = sum(len(view.edges.node) for view in views)
        self.of_any_size = self._priors_of_any_size()
        self.usual_mean, self.usual_information = np.zeros(self.size), np.zeros((self.size, self.size))
        for prior in self.of_any_size:
            prior.add_to(self.usual_mean, self.usual_information)

    def first(self, start: Array) -> Array:
        """All unknowns (P,) where the search begins, of the instrument's (BODY_UNKNOWNS,)."""
        unknowns = np.zeros(self.size)
        unknowns[:BODY_UNKNOWNS] = start
        for view, errors, root in zip(self.views, self.errors, self.roots, strict=True):
            if view.camera_start is not None:
                unknowns[errors] = np.linalg.solve(root, view.camera_start - view.camera.parameters)
        return unknowns

    def camera(self, unknowns: Array, index: int) -> Camera:
        """A view's camera as the unknowns have it."""
        camera, errors = self.views[index].camera, unknowns[self.errors[index]]
        return camera.with_parameters(camera.parameters + self.roots[index] @ errors) if errors.any() else camera

    def shift_mm(self, unknowns: Array, index: int) -> float:
        """How far a view's edges are moved outward, mm."""
        common = 0.0 if self.shared is None else unknowns[self.shared]
        return float(unknowns[self.shifts[index]] + common)

    def linearise(self, unknowns: Array, wanted: list[int]) -> tuple[Array, Array]:
        """Residuals (R,), edges of all views, then tips, and their derivatives by the `wanted` unknowns (R, W)."""
        parts = [self._linearised(unknowns, index, set(wanted)) for index in range(len(self.views))]
        counts = [len(view.edges.node) for view in self.views]
        edges = [(residual[:count], slopes[:count]) for (residual, slopes), count in zip(parts, counts, strict=True)]
        tips = [(residual[count:], slopes[count:]) for (residual, slopes), count in zip(parts, counts, strict=True)]
        residuals, slopes = zip(*edges, *tips, strict=True)
        return np.concatenate(residuals), np.vstack(slopes)[:, wanted]

    def _linearised(self, unknowns: Array, index: int, wanted: set[int]) -> tuple[Array, Array]:
        """Residuals (R,) of one view in sigmas, edges and then tips, and their derivatives (R, P)."""
        view, shift_mm = self.views[index], self.shift_mm(unknowns, index)
        camera, edges, table_mm = self.camera(unknowns, index), view.edges, self.setting.table_mm
        moves = slopes_of(unknowns[:BODY_UNKNOWNS], table_mm, shift_mm)
        pose, back, node = moves.pose, edges.back, edges.node
        points = np.vstack(
            [
                np.where(back[:, None], pose.back[node], pose.top[node]),
                *(getattr(pose, tip.what) for tip in view.tips),
            ]
        )
        rounding = _rounding(moves, view)
        # every residual is the distance along one direction of the picture, in sigmas
        direction = np.vstack([edges.normal_px, *(tip.direction_px for tip in view.tips)])
        direction = direction / np.concatenate([edges.sigma_px, [tip.sigma_px for tip in view.tips]])[:, None]
        target = np.vstack([edges.point_px, *(tip.point_px for tip in view.tips)])

        def residual(by: Camera, places: Array) -> Array:
            return np.asarray(((by.project(places).reshape(-1, *target.shape) - target) * direction).sum(axis=2))

        steps = np.vstack([np.zeros(3), _STEP_MM * np.eye(3)])
        seen = points + rounding(points, camera.position_mm)
        here, *ahead = residual(camera, (seen + steps[:, None]).reshape(-1, 3))
        by_point = (np.array(ahead) - here).T / _STEP_MM
        slopes = np.zeros((len(here), self.size))
        columns, count = [*range(BODY_UNKNOWNS), self.shifts[index]], len(node)
        slopes[:count, columns] = moves.along_directions(by_point[:count], node, back)
        for row, tip in enumerate(view.tips, start=count):
            slopes[row, columns] = by_point[row] @ getattr(moves, tip.what)
            if tip.what == "scroll_top":
                slopes[row, list(_TURNING)] += _turning_of_scroll(moves, camera.position_mm) @ by_point[row]
        if self.shared is not None:
            slopes[:, self.shared] = slopes[:, self.shifts[index]]
        if self.errors[index] and wanted.issuperset(self.errors[index]):

            def seen_by(by: Camera) -> Array:
                return np.asarray(residual(by, points + rounding(points, by.position_mm))[0])

            slopes[:, self.errors[index]] = self._by_parameters(camera, index, seen_by) @ self.roots[index]
        return here, slopes

    def _by_parameters(self, camera: Camera, index: int, seen_by: Callable[[Camera], Array]) -> Array:
        """Derivatives (R, P) of a view's residuals, which `seen_by` gives for a camera, by its camera's parameters."""
        here = seen_by(camera)
        slopes = np.zeros((len(here), len(camera.parameters)))
        for column, sigma in enumerate(np.linalg.norm(self.roots[index], axis=1)):
            step = np.zeros(len(camera.parameters))
            step[column] = max(_STEP_SIGMAS * float(sigma), 1e-9)
            slopes[:, column] = (seen_by(camera.with_parameters(camera.parameters + step)) - here) / step[column]
        return slopes

    def from_priors(self, unknowns: Array) -> tuple[Array, Array]:
        """Distance (P,) from the priors' means, and their information matrix (P, P)."""
        mean, information = self.usual_mean.copy(), self.usual_information.copy()
        for prior in self._priors_of_size(unknowns):
            prior.add_to(mean, information)
        return unknowns - mean, information

    def priors(self, unknowns: Array) -> list[Prior]:
        """Everything that is known beforehand, at the length that `unknowns` have."""
        return [*self._priors_of_size(unknowns), *self.of_any_size]

    def _priors_of_size(self, unknowns: Array) -> list[Prior]:
        """What is known of an instrument of the length that `unknowns` have."""
        length = float(unknowns[LENGTH])
        heights = self.setting.heights_factor**2 * resting_covariance_mm2(length) + self.setting.table_spread_mm**2
        root, information = np.asarray(np.linalg.cholesky(heights)), np.asarray(np.linalg.inv(heights))
        return [
            Prior("height above the table", [LOW, NECK, SCROLL], np.zeros(3), root, information),
            Prior.of_one("usual proportion", TOTAL, TOTAL_TO_BODY * length, TOTAL_TO_BODY_SPREAD * length),
        ]

    def _priors_of_any_size(self) -> list[Prior]:
        """What is known whatever the length is."""
        priors = [
            Prior.of_each(
                "shape of the hidden outline",
                [WIDTH, *range(SHAPE.start, SHAPE.stop)],
                np.array([1.0, *np.zeros(MODES)]),
                np.array([WIDTH_SPREAD, *np.ones(MODES)]),
            ),
            Prior.of_one("sideways tilt", ROLL, 0.0, float(np.radians(ROLL_SPREAD_DEG))),
            Prior.of_one("height of the ribs", DEPTH, 0.0, RIB_SPREAD_MM),
        ]
        for column, deviation in self._shifts():
            priors.append(Prior.of_one(self._name("light along the edge", column), column, 0.0, deviation))
        for index, columns in enumerate(self.camera_columns):
            cause = _of_photo("camera and sheet", index)
            priors.append(Prior.of_each(cause, columns, np.zeros(len(columns)), np.ones(len(columns))))
        return priors

    def _shifts(self) -> list[tuple[int, float]]:
        """Columns of the edges' shifts with their standard uncertainties, mm."""
        whole, share = self.setting.edge_shift_mm, self.setting.shared_shift
        own = [(column, whole * (1 - share) ** 0.5) for column in self.shifts]
        return own if self.shared is None else [(self.shared, whole * share**0.5), *own]

    def _name(self, cause: str, column: int) -> str:
        if self.shared is None:
            return _of_photo(cause, self.shifts.index(column))
        return cause if column == self.shared else f"{cause}, photo {self.shifts.index(column) + 1}"


def _rounding(moves: PoseSlopes, view: View) -> Callable[[Array, Array], Array]:
    """What takes places on the model's lines and ends (R, 3) to where they end for a camera there: ways (R, 3), mm.

    How it turns with the pose is left out of the derivatives of edges: it is small beside the places' own turning.
    """
    pose, length, count = moves.pose, moves.length_mm, len(view.edges.node)
    flat = moves.normals[view.edges.node]
    outward = flat[:, :1] * pose.across + flat[:, 1:] * pose.along

    def ways(points: Array, camera_mm: Array) -> Array:
        ends = [
            seen_of_end(tip.what, place, pose, camera_mm, length)
            for tip, place in zip(view.tips, points[count:], strict=True)
        ]
        return np.vstack([seen_of_edge(points[:count], outward, pose.up, camera_mm, length), *ends])

    return ways


def _turning_of_scroll(moves: PoseSlopes, camera_mm: Array) -> Array:
    """How the place where the scroll ends for a camera moves on its rounding with the unknowns `_TURNING` (T, 3)."""
    pose, turning = moves.pose, list(_TURNING)
    along = np.vstack([pose.along, pose.along + _STEP * moves.along[:, turning].T])
    up = np.vstack([pose.up, pose.up + _STEP * moves.up[:, turning].T])
    ways, _ = seen_of_scroll(pose.scroll_top, along, up, camera_mm, moves.length_mm)
    return np.asarray((ways[1:] - ways[0]) / _STEP)


def _of_photo(cause: str, index: int) -> str:
    """Name of a cause of its own in each photo."""
    return cause if index == 0 else f"{cause}, photo {index + 1}"
