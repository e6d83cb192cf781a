"""From the fitted instrument to its lengths, each with the budget of its uncertainty.

A length is a function of the fit's unknowns.  Its derivative times each piece of knowledge's share of the covariance is
that piece's contribution (JCGM 100:2008, 5.1); the pieces are independent, so the contributions add in squares.  To
these come what no photo shows: how true the print is, and what the words "body length" leave open.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot

import numpy as np

from calibration.arrays import Array
from calibration.print_scale import PrintScale, size_contributions
from calibration.quantity import Contribution, Length
from vision.instrument.cameras import Camera
from vision.instrument.fit import Fit
from vision.instrument.model import BODY_UNKNOWNS, LENGTH, SHAPE, TOTAL, WIDTH, Pose, pose_of
from vision.instrument.shape import FULL_SIZE_MM, outline_prior

Prints = Mapping[str, PrintScale]
"""How large each sheet was printed, by the sheets' names."""

DEFINITION_MM = {"body_length": 0.2, "total_length": 0.35, "width": 0.25, "string_length": 1.0}
"""What the definition leaves open: rounded edges worn unevenly, a scroll whose furthest point hides from the camera."""

NUT_LIFT_MM, BRIDGE_LIFT_MM = 4.0, 46.0
"""Height of nut and bridge over the plane of the top edge at full size: neck projection and bridge, common practice."""
_LIFT_SPREAD_MM = 3.0
"""Standard uncertainty of either height at full size: necks are set differently; our judgement."""
_BOUTS = {"lower": (0.05, 0.35, 1), "middle": (0.44, 0.62, -1), "upper": (0.70, 0.95, 1)}
"""Where along the body each bout is looked for, over its length, and whether it is the widest place there (1)."""
_STRAIGHT = 1e-9
"""Curvature of a parabola, 1/mm, below which it is a line and has no summit."""
_LEAST_CAUSE_MM = 1e-3
"""Causes that contribute less are left out of a budget."""


def body_length(fit: Fit, prints: Prints) -> Length:
    """Length of the body along its axis, mm.

    Parameters
    ----------
    fit : Fit
        The fitted instrument.
    prints : mapping of str to PrintScale
        How large each sheet was printed; several sheets share the scale.
    """
    return _length(fit, *_of_one(fit, LENGTH), "body_length", prints)


def total_length(fit: Fit, prints: Prints) -> Length:
    """Length from the end of the scroll to the lower end of the body, along the axis, mm; parameters as above."""
    return _length(fit, *_of_one(fit, TOTAL), "total_length", prints)


def bout_width(fit: Fit, which: str, prints: Prints) -> Length:
    """Width of a bout between the outermost lines of the edge, mm.

    Parameters
    ----------
    fit, prints : Fit, mapping of str to PrintScale
        As of `body_length`.
    which : str
        ``"upper"``, ``"middle"`` or ``"lower"``.
    """
    return _length(fit, *_width_of(fit.unknowns[:BODY_UNKNOWNS], which), "width", prints)


def bout_of(unknowns: Array, which: str) -> tuple[float, float]:
    """Position along the axis and whole width of a bout, mm.

    Parameters
    ----------
    unknowns : (BODY_UNKNOWNS,) ndarray
        The instrument.
    which : str
        ``"upper"``, ``"middle"`` or ``"lower"``.
    """
    half, best = _bout(unknowns, which)
    at, curve = _summit(half[best - 1 : best + 2])
    return float(half[best, 1] + at), float(2 * np.polyval(curve, at))


def _bout(unknowns: Array, which: str) -> tuple[Array, int]:
    """The right half of the outline (N, 2), mm, and its node at a bout that is furthest out, or in at the waist."""
    half = unknowns[LENGTH] * outline_prior().half(unknowns[SHAPE], unknowns[WIDTH])
    low, high, sign = _BOUTS[which]
    part = np.flatnonzero((half[:, 1] > low * unknowns[LENGTH]) & (half[:, 1] < high * unknowns[LENGTH]))
    return half, int(part[np.clip((sign * half[part, 0]).argmax(), 1, len(part) - 2)])


def _summit(nodes: Array) -> tuple[float, Array]:
    """Way along the axis from the middle of three nodes (3, 2) to the summit of the parabola (3,) through them.

    So the width is a smooth function of the unknowns.
    """
    curve = np.asarray(np.linalg.solve(np.vander(nodes[:, 1] - nodes[1, 1]), nodes[:, 0]), dtype=np.float64)
    return float(-curve[1] / (2 * curve[0]) if abs(curve[0]) > _STRAIGHT else 0.0), curve


def _width_of(unknowns: Array, which: str) -> tuple[float, Array]:
    """Whole width of a bout, mm, and its derivatives (BODY_UNKNOWNS,).

    At the summit the parabola is level, so its height follows each of the three nodes by that node's share of the
    interpolation, less what the node moves along the slope that the parabola has there.
    """
    half, best = _bout(unknowns, which)
    nodes = half[best - 1 : best + 2]
    at, curve = _summit(nodes)
    y = nodes[:, 1] - nodes[1, 1]
    shares = np.array([np.prod([(at - other) / (own - other) for other in np.delete(y, i)]) for i, own in enumerate(y)])
    slope = 2 * curve[0] * y + curve[1]
    # the nodes are the length times the mean outline and its modes, the width factor on what lies across
    across = np.zeros((3, BODY_UNKNOWNS))
    along = np.zeros_like(across)
    length, width = float(unknowns[LENGTH]), float(unknowns[WIDTH])
    modes = outline_prior().modes[:, best - 1 : best + 2]
    across[:, LENGTH], along[:, LENGTH] = nodes[:, 0] / length, nodes[:, 1] / length
    across[:, WIDTH] = nodes[:, 0] / width
    across[:, SHAPE], along[:, SHAPE] = length * width * modes[:, :, 0].T, length * modes[:, :, 1].T
    return float(2 * np.polyval(curve, at)), 2 * shares @ (across - slope[:, None] * along)


def string_length(
    fit: Fit, camera: Camera, nut_px: Array, bridge_px: Array, sigma_px: tuple[float, float], prints: Prints
) -> Length:
    """Vibrating length from nut to bridge, mm; both stand above the plane of the top edge.

    Parameters
    ----------
    fit, prints : Fit, mapping of str to PrintScale
        As of `body_length`.
    camera : Camera
        Of the photo in which nut and bridge are seen.
    nut_px, bridge_px : (2,) ndarray
        Where their middles are seen, px.
    sigma_px : (float, float)
        Standard uncertainty of either coordinate of the nut and of the bridge, px.
    """
    size = fit.unknowns[LENGTH] / FULL_SIZE_MM
    lifts = np.array([NUT_LIFT_MM * size, BRIDGE_LIFT_MM * size])
    pose = pose_of(fit.unknowns[:BODY_UNKNOWNS], fit.table_mm)

    def span(nut: Array, lift: Array) -> float:
        places = _on_instrument(pose, camera, np.array([nut, bridge_px]), lift)
        return float(np.linalg.norm(places[0] - places[1]))

    value = span(nut_px, lifts)
    axis = (nut_px - bridge_px) / np.linalg.norm(nut_px - bridge_px)
    per_px = span(nut_px + axis, lifts) - value
    slopes = [span(nut_px, lifts + step) - value for step in np.eye(2)]
    relative = value / fit.unknowns[LENGTH]
    length, slopes_of_it = _of_one(fit, LENGTH)
    scale = _length(fit, relative * length, relative * slopes_of_it, "string_length", prints)
    own = (
        Contribution("where nut and bridge are seen", float(per_px * hypot(*sigma_px))),
        Contribution("height of nut and bridge", float(np.linalg.norm(slopes) * _LIFT_SPREAD_MM * size)),
    )
    return Length(value, (*scale.budget, *own))


def _on_instrument(pose: Pose, camera: Camera, points_px: Array, lift_mm: Array) -> Array:
    """Where the rays of pixels (N, 2) meet the planes `lift_mm` (N,) above the plane of the top edge (N, 3)."""
    near, far = camera.to_plane(points_px, 0.0), camera.to_plane(points_px, 100.0)
    direction = far - near
    anchors = pose.body_bottom + lift_mm[:, None] * pose.up
    along = ((anchors - near) @ pose.up) / (direction @ pose.up)
    return np.asarray(near + direction * along[:, None])


def _of_one(fit: Fit, column: int) -> tuple[float, Array]:
    """An unknown that is a length itself, and its derivatives (BODY_UNKNOWNS,)."""
    return float(fit.unknowns[column]), np.eye(BODY_UNKNOWNS)[column]


def _length(fit: Fit, value: float, slopes: Array, kind: str, prints: Prints) -> Length:
    """A value in mm with its budget; `slopes` (BODY_UNKNOWNS,) are its derivatives by the instrument's unknowns."""
    by_cause = {name: float(np.linalg.norm(slopes @ share[:BODY_UNKNOWNS])) for name, share in fit.shares.items()}
    parts = [Contribution(name, by_mm) for name, by_mm in by_cause.items() if by_mm > _LEAST_CAUSE_MM]
    parts += size_contributions(prints, value)
    parts.append(Contribution("definition", DEFINITION_MM[kind]))
    return Length(value, tuple(parts))
