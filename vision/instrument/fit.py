"""The instrument's model fitted to the edges that one or more photos show.

To the model's unknowns (`vision.instrument.model`) come a small common shift of all edges in each photo (blur, rounded
edge, bleeding light) and the cameras' own unknowns.  Everything that is not seen has a prior; everything seen is an
edge crossing: a pixel position on a line's normal with a standard uncertainty.  What several photos have in common is
common here, too, and does not average away: their lens (`calibration.common_lens`), a part of the edges' shift, and
a part of what is wrong with the same place of the same edge (`shared_errors`).  The estimate is the most probable one
(Gauss-Newton, with weights that fall for edges that do not fit, after Geman and McClure 1987), and because priors and
edges are all independent pieces of knowledge, the covariance of the estimate is a sum with one term for each piece:
that sum is the uncertainty budget.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Mask
from vision.instrument.cameras import Camera
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
    Pose,
    PoseSlopes,
    X,
    Y,
    pose_of,
    slopes_of,
)
from vision.instrument.resting import RIB_SPREAD_MM, ROLL_SPREAD_DEG, resting_covariance_mm2
from vision.instrument.rounding import seen_of_edge, seen_of_end, seen_of_scroll
from vision.instrument.shape import MODES

_LENGTHS_MM = (40.0, 1500.0)
"""Body lengths that a round of the fit may try: far beyond any instrument, to keep a bad start from running away."""
_ENOUGH_MM, _NEAR_MM = 0.01, 0.1
"""The fit stops when neither place nor lengths move by more, which is far below any uncertainty; and one by which
edges are only looked for, which the next one goes on from."""
WIDTH_SPREAD = 0.035
"""Relative spread of a body's width about the outline's proportions (published lower bouts: 0.569 to 0.579)."""


@dataclass(frozen=True)
class Edges:
    """Edge crossings of one photo; one row is one node of one line.

    Attributes
    ----------
    back : (M,) ndarray of bool
        The node belongs to the back plate's line, else to the top plate's.
    node : (M,) ndarray of int
        Index into the closed outline.
    point_px, normal_px : (M, 2) ndarray
        Where the edge was found, and the unit normal along which its position counts.
    sigma_px : (M,) ndarray
        Standard uncertainty along the normal.
    """

    back: Mask
    node: NDArray[np.int_]
    point_px: Array
    normal_px: Array
    sigma_px: Array

    def where(self, keep: Mask) -> Edges:
        """Those of the crossings (M,) that are to be kept."""
        return Edges(
            back=self.back[keep],
            node=self.node[keep],
            point_px=self.point_px[keep],
            normal_px=self.normal_px[keep],
            sigma_px=self.sigma_px[keep],
        )


@dataclass(frozen=True)
class Tip:
    """A position along one direction of one photo: the end of the scroll, or an end of the body set by hand.

    Attributes
    ----------
    what : str
        ``"scroll_top"``, ``"body_top"`` or ``"body_bottom"``.
    point_px, direction_px : (2,) ndarray
        Position, and the unit direction along which it counts.
    sigma_px : float
        Standard uncertainty along the direction.
    by_hand : bool
        Whether a person set it.
    """

    what: str
    point_px: Array
    direction_px: Array
    sigma_px: float
    by_hand: bool = False


@dataclass(frozen=True)
class View:
    """One photo's part of the fit: camera, edges and tips."""

    camera: Camera
    edges: Edges
    tips: tuple[Tip, ...] = ()
    camera_start: Array | None = None
    """Where the search for the camera's unknowns begins, if not at what is believed of them beforehand."""


_STEP_MM = 1e-3
"""How far a point is moved to see how its picture moves: a millionth of its distance, far above rounding."""
_STEP = 1e-5
"""By how much of it, rad or mm, an unknown is changed to see how the scroll's rounding turns."""
_TURNING = (YAW, LOW, NECK, ROLL)
"""Unknowns that turn the instrument."""
_STEP_SIGMAS = 0.02
"""By how much of its standard uncertainty a camera's unknown is moved to see what follows from it."""


@dataclass(frozen=True)
class Fit:
    """Estimate of all unknowns.

    Attributes
    ----------
    unknowns : (P,) ndarray
        Instrument, then the edges' shift that all views share and each view's own (mm), then the cameras' errors in
        units of their standard uncertainty.
    covariance : (P, P) ndarray
    shares : dict of str to (P, R) ndarray
        For each piece of knowledge a matrix S with S S^T its part of the covariance; they add up to `covariance`.
    views : tuple of View
        The views with their cameras as re-estimated.
    table_mm : float
    weight : tuple of (M,) ndarray
        Final weight of each edge, one array for each view.
    residual_sigma : float
        Root mean square of the weighted edge residuals in units of their sigma.
    apart_sigmas : (H,) ndarray
        How far each end that a person set lies from where everything else has it, all such ends left out, over the
        standard deviation of that distance.
    """

    unknowns: Array
    covariance: Array
    shares: dict[str, Array]
    views: tuple[View, ...]
    table_mm: float
    weight: tuple[Array, ...]
    residual_sigma: float
    apart_sigmas: Array

    def pose(self) -> Pose:
        """Model in space at the estimate, edges where the instrument's are."""
        return pose_of(self.unknowns[:BODY_UNKNOWNS], self.table_mm)


@dataclass(frozen=True)
class Setting:
    """What is assumed about the instrument and its place.

    Attributes
    ----------
    table_mm : float
        Height of the table in the sheet's frame (negative when the sheet lies on a book).
    table_spread_mm : float
        Its standard uncertainty.
    heights_factor : float
        Factor on the spread of the resting heights: 1 believes in them, a large one leaves them to the photos.
    edge_shift_mm : float
        Standard uncertainty of the common shift of a photo's edges, mm: the root mean square of what all views share is
        0.165 on 19 rendered sequences of five views (`vision.training.lying`, seeds from 937000 and 938000, six of them
        chosen for their plastic), 0.52 on one of them and 0.13 on the others.
    shared_shift : float
        Of the variance of that shift, what all photos of one instrument share.
    camera_free : bool
        One photo's camera is an unknown too, as it has to be where there is no sheet.
    """

    table_mm: float = 0.0
    table_spread_mm: float = 0.2
    heights_factor: float = 1.0
    edge_shift_mm: float = 0.16
    shared_shift: float = 0.0
    camera_free: bool = False


class RanAway(ArithmeticError):
    """No instrument was found near the start: what was given belongs to no single instrument that lies still."""


@np.errstate(all="ignore")  # a fit that runs away overflows on its way, and is told by that: no warnings
def fit(
    start: Array,
    views: Sequence[View],
    setting: Setting,
    robust: float = 4.0,
    rounds: int = 8,
    roots: Sequence[Array] | None = None,
) -> Fit:
    """Most probable unknowns.

    One photo's camera is taken as it is, because the outline of one instrument tells little of a lens and much of its
    maker; the camera's uncertainty then reaches the lengths through their derivatives.  The cameras of several photos
    are unknowns like the rest, and so is the one of a single photo where the setting says so.

    Parameters
    ----------
    start : (BODY_UNKNOWNS,) ndarray
        First guess of the instrument's unknowns.
    views : sequence of View
        One or more photos, all in the same sheet frame.
    setting : Setting
        What is assumed.
    robust : float
        Residual, in sigmas, at which an edge's weight has fallen to a quarter.
    rounds : int
        Gauss-Newton rounds at most.
    roots : sequence of (P, K) ndarray, optional
        How each view's camera depends on K independent errors of unit variance that all share, as
        `calibration.common_lens.CommonLens.roots`; without it cameras err independently of one another.

    Returns
    -------
    Fit
        Estimate with covariance and its shares.

    Raises
    ------
    ValueError
        If there is no view.
    RanAway
        If the rounds lead nowhere.
    """
    if not views:
        raise ValueError("there is no photo to fit an instrument to")
    problem = _Problem(tuple(views), setting, roots)
    try:
        return problem.result(*_settled(problem, start, robust, rounds, _ENOUGH_MM))
    except np.linalg.LinAlgError as error:
        raise RanAway from error


@np.errstate(all="ignore")  # as above
def settle(
    start: Array, views: Sequence[View], setting: Setting, robust: float = 4.0, rounds: int = 8
) -> tuple[Array, Array]:
    """Near the most probable instrument (BODY_UNKNOWNS,), and the weights of the edges; otherwise as `fit`."""
    try:
        unknowns, weight = _settled(_Problem(tuple(views), setting), start, robust, rounds, _NEAR_MM)
    except np.linalg.LinAlgError as error:
        raise RanAway from error
    return unknowns[:BODY_UNKNOWNS], weight


def _settled(problem: _Problem, start: Array, robust: float, rounds: int, enough_mm: float) -> tuple[Array, Array]:
    """All unknowns (P,) and the weights of the edges, when a round moves nothing by more than `enough_mm`."""
    unknowns = problem.first(start)
    weight = np.ones(problem.edge_count)
    free = problem.free
    for _ in range(rounds):
        residual, jacobian = problem.linearise(unknowns, free)
        weight = 1.0 / (1.0 + (residual[: problem.edge_count] / robust) ** 2) ** 2
        factor = np.ones(len(residual))
        factor[: problem.edge_count] = weight
        prior_residual, information = problem.prior(unknowns)
        normal = jacobian.T @ (factor[:, None] * jacobian) + information[np.ix_(free, free)]
        pull = jacobian.T @ (factor * residual) + (information @ prior_residual)[free]
        step = np.zeros(len(unknowns))
        step[free] = -np.linalg.solve(normal, pull)
        unknowns = unknowns + step
        if not np.isfinite(unknowns).all():
            raise RanAway
        unknowns[LENGTH] = np.clip(unknowns[LENGTH], *_LENGTHS_MM)
        if np.abs(step[[X, Y, LENGTH, TOTAL]]).max() < enough_mm:
            break
    return unknowns, weight


@dataclass(frozen=True)
class _Piece:
    """A piece of knowledge that the photos do not give: some unknowns' means and the root of their covariance.

    The inverse of that covariance is kept beside it.
    """

    cause: str
    columns: list[int]
    mean: Array
    root: Array
    information: Array

    @classmethod
    def of_each(cls, cause: str, columns: list[int], mean: Array, deviation: Array) -> _Piece:
        """Knowledge of unknowns that are independent of one another."""
        return cls(cause, columns, mean, np.diag(deviation), np.diag(1 / deviation**2))

    @classmethod
    def of_one(cls, cause: str, column: int, mean: float, deviation: float) -> _Piece:
        """Knowledge of one unknown."""
        return cls(cause, [column], np.array([mean]), np.array([[deviation]]), np.array([[deviation**-2]]))

    def add_to(self, mean: Array, information: Array) -> None:
        """Write it into the means (P,) of all unknowns, and add it to what is known of them (P, P)."""
        mean[self.columns] = self.mean
        information[np.array(self.columns)[:, None], self.columns] += self.information


class _Problem:
    """Residuals of one fit, and which rows and columns belong to what."""

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
            self.pieces_of_cameras = [errors for errors in self.errors if errors]
        else:
            self.roots = list(roots)
            self.errors = [list(range(start, start + roots[0].shape[1]))] * count
            self.pieces_of_cameras = [self.errors[0]]
        self.size = max([start, *(errors[-1] + 1 for errors in self.errors if errors)])
        given = count == 1 and not setting.camera_free
        self.known = [column for columns in self.errors for column in columns] if given else []
        self.free = [column for column in range(self.size) if column not in self.known]
        self.edge_count = sum(len(view.edges.node) for view in views)
        self.of_any_size = self._of_any_size()
        self.usual_mean, self.usual_information = np.zeros(self.size), np.zeros((self.size, self.size))
        for piece in self.of_any_size:
            piece.add_to(self.usual_mean, self.usual_information)

    def first(self, start: Array) -> Array:
        unknowns = np.zeros(self.size)
        unknowns[:BODY_UNKNOWNS] = start
        for view, errors, root in zip(self.views, self.errors, self.roots, strict=True):
            if view.camera_start is not None:
                unknowns[errors] = np.linalg.solve(root, view.camera_start - view.camera.parameters)
        return unknowns

    def camera(self, unknowns: Array, index: int) -> Camera:
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

    def prior(self, unknowns: Array) -> tuple[Array, Array]:
        """Distance (P,) from the prior means and the prior's information matrix (P, P)."""
        mean, information = self.usual_mean.copy(), self.usual_information.copy()
        for piece in self._of_size(unknowns):
            piece.add_to(mean, information)
        return unknowns - mean, information

    def pieces(self, unknowns: Array) -> list[_Piece]:
        """Everything that is known beforehand, at the length that `unknowns` have."""
        return [*self._of_size(unknowns), *self.of_any_size]

    def _of_size(self, unknowns: Array) -> list[_Piece]:
        """What is known of an instrument of the length that `unknowns` have."""
        length = float(unknowns[LENGTH])
        heights = self.setting.heights_factor**2 * resting_covariance_mm2(length) + self.setting.table_spread_mm**2
        root, information = np.asarray(np.linalg.cholesky(heights)), np.asarray(np.linalg.inv(heights))
        return [
            _Piece("height above the table", [LOW, NECK, SCROLL], np.zeros(3), root, information),
            _Piece.of_one("usual proportion", TOTAL, TOTAL_TO_BODY * length, TOTAL_TO_BODY_SPREAD * length),
        ]

    def _of_any_size(self) -> list[_Piece]:
        """What is known whatever the length is."""
        pieces = [
            _Piece.of_each(
                "shape of the hidden outline",
                [WIDTH, *range(SHAPE.start, SHAPE.stop)],
                np.array([1.0, *np.zeros(MODES)]),
                np.array([WIDTH_SPREAD, *np.ones(MODES)]),
            ),
            _Piece.of_one("sideways tilt", ROLL, 0.0, float(np.radians(ROLL_SPREAD_DEG))),
            _Piece.of_one("height of the ribs", DEPTH, 0.0, RIB_SPREAD_MM),
        ]
        for column, deviation in self._shifts():
            pieces.append(_Piece.of_one(self._name("light along the edge", column), column, 0.0, deviation))
        for index, columns in enumerate(self.pieces_of_cameras):
            cause = _of_photo("camera and sheet", index)
            pieces.append(_Piece.of_each(cause, columns, np.zeros(len(columns)), np.ones(len(columns))))
        return pieces

    def _shifts(self) -> list[tuple[int, float]]:
        """Columns of the edges' shifts with their standard uncertainties, mm."""
        whole, share = self.setting.edge_shift_mm, self.setting.shared_shift
        own = [(column, whole * (1 - share) ** 0.5) for column in self.shifts]
        return own if self.shared is None else [(self.shared, whole * share**0.5), *own]

    def _name(self, cause: str, column: int) -> str:
        if self.shared is None:
            return _of_photo(cause, self.shifts.index(column))
        return cause if column == self.shared else f"{cause}, photo {self.shifts.index(column) + 1}"

    def result(self, unknowns: Array, weight: Array) -> Fit:
        residual, jacobian = self.linearise(unknowns, list(range(self.size)))
        factor = np.ones(len(residual))
        factor[: self.edge_count] = weight
        scaled = np.sqrt(factor)[:, None] * jacobian
        _, information = self.prior(unknowns)
        normal = scaled.T @ scaled + information
        inner = np.zeros((self.size, self.size))
        inner[np.ix_(self.free, self.free)] = np.linalg.inv(normal[np.ix_(self.free, self.free)])
        shares: dict[str, Array] = {"where the edge is seen": inner @ scaled[: self.edge_count].T}
        if len(residual) > self.edge_count:
            shares["where the ends are seen"] = inner @ scaled[self.edge_count :].T
        for piece in self.pieces(unknowns):
            if piece.columns[0] in self.known:
                # how the rest follows the known camera, and the camera's own doubt directly
                follows = -inner @ (scaled.T @ scaled)[:, piece.columns]
                follows[piece.columns] = np.eye(len(piece.columns))
                shares[piece.cause] = follows @ piece.root
            else:
                shares[piece.cause] = inner[:, piece.columns] @ piece.information @ piece.root
        covariance = np.asarray(sum(share @ share.T for share in shares.values()))
        views = tuple(replace(view, camera=self.camera(unknowns, i)) for i, view in enumerate(self.views))
        bounds = np.cumsum([len(view.edges.node) for view in self.views])[:-1]
        mean_square = float((weight * residual[: self.edge_count] ** 2).sum() / max(weight.sum(), 1.0))
        return Fit(
            unknowns=unknowns,
            covariance=covariance,
            shares=shares,
            views=views,
            table_mm=self.setting.table_mm,
            weight=tuple(np.split(weight, bounds)),
            residual_sigma=mean_square**0.5,
            apart_sigmas=self._apart_sigmas(residual, jacobian[:, self.free], inner[np.ix_(self.free, self.free)]),
        )

    def _apart_sigmas(self, residual: Array, slopes: Array, covariance: Array) -> Array:
        """As `Fit.apart_sigmas`: what the fit would have without these rows follows from the rows' own leverage."""
        hands = [tip.by_hand for view in self.views for tip in view.tips]
        rows = self.edge_count + np.flatnonzero(hands)
        without = np.linalg.inv(np.eye(len(rows)) - slopes[rows] @ covariance @ slopes[rows].T)
        return np.asarray(np.abs(without @ residual[rows]) / np.sqrt(np.diag(without)))


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


def shared_errors(views: Sequence[View], share: float) -> tuple[View, ...]:
    """Views whose edges are the less sure the more of them show the same place of the same edge.

    A place that k views show errs by a part that they share, the `share` of the variance: the mean of k is then as
    sure as that of k independent ones of 1 + (k - 1) share times the variance each.  That is exact where all views look
    from one side, and too much where they look from two, since a shared error then moves the place by less.
    """
    shown: Counter[tuple[bool, int]] = Counter()
    for view in views:
        shown.update(set(zip(view.edges.back.tolist(), view.edges.node.tolist(), strict=True)))
    grown = []
    for view in views:
        count = np.array(
            [shown[key] for key in zip(view.edges.back.tolist(), view.edges.node.tolist(), strict=True)], dtype=float
        )
        sigma_px = view.edges.sigma_px * np.sqrt(1 + (count - 1) * share)
        grown.append(replace(view, edges=replace(view.edges, sigma_px=sigma_px)))
    return tuple(grown)


def _of_photo(cause: str, index: int) -> str:
    """Name of a cause of its own in each photo."""
    return cause if index == 0 else f"{cause}, photo {index + 1}"
