"""The instrument's model fitted to the edges that one or more photos show.

To the model's unknowns (`vision.instrument.model`) come a small common shift of all edges in each photo (blur, rounded
edge, bleeding light) and the cameras' own unknowns.  Everything that is not seen has a prior; everything seen is an
edge crossing: a pixel position on a line's normal with a standard uncertainty.  What several photos have in common is
common here, too, and does not average away: their lens (`calibration.common_lens`), a part of the edges' shift, and
a part of what is wrong with the same place of the same edge (`vision.instrument.evidence.shared_errors`).  The estimate
is the most probable one (Gauss-Newton, with weights that fall for edges that do not fit, after Geman and McClure 1987;
the rows are those of `fit_problem`), and because priors and edges are all independent pieces of knowledge, the
covariance of the estimate is a sum with one term for each piece: that sum is the uncertainty budget.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from vision.instrument.evidence import Setting, View
from vision.instrument.fit_problem import FitProblem
from vision.instrument.model import BODY_UNKNOWNS, LENGTH, TOTAL, Pose, X, Y, pose_of

_LENGTHS_MM = (40.0, 1500.0)
"""Body lengths that a round of the fit may try: far beyond any instrument, to keep a bad start from running away."""
_ENOUGH_MM, _NEAR_MM = 0.01, 0.1
"""The fit stops when neither place nor lengths move by more, which is far below any uncertainty; and one by which
edges are only looked for, which the next one goes on from."""


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
    apart_sigmas: Array

    def pose(self) -> Pose:
        """Model in space at the estimate, edges where the instrument's are."""
        return pose_of(self.unknowns[:BODY_UNKNOWNS], self.table_mm)


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
    problem = FitProblem(tuple(views), setting, roots)
    try:
        return _fit_of(problem, *_settled(problem, start, robust, rounds, _ENOUGH_MM))
    except np.linalg.LinAlgError as error:
        raise RanAway from error


@np.errstate(all="ignore")  # as above
def settle(
    start: Array, views: Sequence[View], setting: Setting, robust: float = 4.0, rounds: int = 8
) -> tuple[Array, Array]:
    """Near the most probable instrument (BODY_UNKNOWNS,), and the weights of the edges; otherwise as `fit`.

    Raises
    ------
    RanAway
        If the rounds lead nowhere.
    """
    try:
        unknowns, weight = _settled(FitProblem(tuple(views), setting), start, robust, rounds, _NEAR_MM)
    except np.linalg.LinAlgError as error:
        raise RanAway from error
    return unknowns[:BODY_UNKNOWNS], weight


def _settled(problem: FitProblem, start: Array, robust: float, rounds: int, enough_mm: float) -> tuple[Array, Array]:
    """All unknowns (P,) and the weights of the edges, when a round moves nothing by more than `enough_mm`."""
    unknowns = problem.first(start)
    weight = np.ones(problem.edge_count)
    free = problem.free
    for _ in range(rounds):
        residual, jacobian = problem.linearise(unknowns, free)
        weight = 1.0 / (1.0 + (residual[: problem.edge_count] / robust) ** 2) ** 2
        factor = np.ones(len(residual))
        factor[: problem.edge_count] = weight
        prior_residual, information = problem.from_priors(unknowns)
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


def _fit_of(problem: FitProblem, unknowns: Array, weight: Array) -> Fit:
    """The fit with its covariance and shares, of all unknowns (P,) and the weights of the edges."""
    residual, jacobian = problem.linearise(unknowns, list(range(problem.size)))
    factor = np.ones(len(residual))
    factor[: problem.edge_count] = weight
    scaled = np.sqrt(factor)[:, None] * jacobian
    _, information = problem.from_priors(unknowns)
    normal = scaled.T @ scaled + information
    inner = np.zeros((problem.size, problem.size))
    inner[np.ix_(problem.free, problem.free)] = np.linalg.inv(normal[np.ix_(problem.free, problem.free)])
    shares = _shares(problem, unknowns, scaled, inner)
    covariance = np.asarray(sum(share @ share.T for share in shares.values()))
    views = tuple(replace(view, camera=problem.camera(unknowns, i)) for i, view in enumerate(problem.views))
    bounds = np.cumsum([len(view.edges.node) for view in problem.views])[:-1]
    return Fit(
        unknowns=unknowns,
        covariance=covariance,
        shares=shares,
        views=views,
        table_mm=problem.setting.table_mm,
        weight=tuple(np.split(weight, bounds)),
        apart_sigmas=_apart_sigmas(
            problem, residual, jacobian[:, problem.free], inner[np.ix_(problem.free, problem.free)]
        ),
    )


def _shares(problem: FitProblem, unknowns: Array, scaled: Array, inner: Array) -> dict[str, Array]:
    """As `Fit.shares`, of the weighted derivatives (R, P) and the covariance (P, P) of the unknowns that are sought."""
    shares: dict[str, Array] = {"where the edge is seen": inner @ scaled[: problem.edge_count].T}
    if len(scaled) > problem.edge_count:
        shares["where the ends are seen"] = inner @ scaled[problem.edge_count :].T
    for prior in problem.priors(unknowns):
        if prior.columns[0] in problem.known:
            # how the rest follows the known camera, and the camera's own doubt directly
            follows = -inner @ (scaled.T @ scaled)[:, prior.columns]
            follows[prior.columns] = np.eye(len(prior.columns))
            shares[prior.cause] = follows @ prior.root
        else:
            shares[prior.cause] = inner[:, prior.columns] @ prior.information @ prior.root
    return shares


def _apart_sigmas(problem: FitProblem, residual: Array, slopes: Array, covariance: Array) -> Array:
    """As `Fit.apart_sigmas`: what the fit would have without these rows follows from the rows' own leverage."""
    hands = [tip.by_hand for view in problem.views for tip in view.tips]
    rows = problem.edge_count + np.flatnonzero(hands)
    without = np.linalg.inv(np.eye(len(rows)) - slopes[rows] @ covariance @ slopes[rows].T)
    return np.asarray(np.abs(without @ residual[rows]) / np.sqrt(np.diag(without)))
