"""From the fitted instrument to its lengths, each with the budget of its uncertainty.

A length is a function of the fit's unknowns.  Its derivative times each piece of knowledge's share of the covariance is
that piece's contribution (JCGM 100:2008, 5.1); the pieces are independent, so the contributions add in squares.  To
these come what no photo shows: how true the print is, and what the words "body length" leave open.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
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
_STEP = 1e-4
"""Step of a derivative, in the unknown's own unit."""
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
    return _length(fit, lambda u: float(u[LENGTH]), "body_length", prints)


def total_length(fit: Fit, prints: Prints) -> Length:
    """Length from the end of the scroll to the lower end of the body, along the axis, mm; parameters as above."""
    return _length(fit, lambda u: float(u[TOTAL]), "total_length", prints)


def bout_width(fit: Fit, which: str, prints: Prints) -> Length:
    """Width of a bout between the outermost lines of the edge, mm.

    Parameters
    ----------
    fit, prints : Fit, mapping of str to PrintScale
        As of `body_length`.
    which : str
        ``"upper"``, ``"middle"`` or ``"lower"``.
    """
    return _length(fit, lambda u: bout_of(u, which)[1], "width", prints)


def bout_of(unknowns: Array, which: str) -> tuple[float, float]:
    """Position along the axis and whole width of a bout, mm.

    Parameters
    ----------
    unknowns : (BODY_UNKNOWNS,) ndarray
        The instrument.
    which : str
        ``"upper"``, ``"middle"`` or ``"lower"``.
    """
    half = unknowns[LENGTH] * outline_prior().half(unknowns[SHAPE], unknowns[WIDTH])
    low, high, sign = _BOUTS[which]
    part = half[(half[:, 1] > low * unknowns[LENGTH]) & (half[:, 1] < high * unknowns[LENGTH])]
    best = int(np.clip((sign * part[:, 0]).argmax(), 1, len(part) - 2))
    # a parabola through three nodes, so that the width is a smooth function of the unknowns
    curve = np.polyfit(part[best - 1 : best + 2, 1] - part[best, 1], part[best - 1 : best + 2, 0], 2)
    at = -curve[1] / (2 * curve[0]) if abs(curve[0]) > 1e-9 else 0.0
    return float(part[best, 1] + at), float(2 * np.polyval(curve, at))


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

    def span(nut: Array, bridge: Array, lift: Array) -> float:
        pose = pose_of(fit.unknowns[:BODY_UNKNOWNS], fit.table_mm)
        places = [_on_instrument(pose, camera, point, height) for point, height in ((nut, lift[0]), (bridge, lift[1]))]
        return float(np.linalg.norm(places[0] - places[1]))

    value = span(nut_px, bridge_px, lifts)
    axis = (nut_px - bridge_px) / np.linalg.norm(nut_px - bridge_px)
    per_px = span(nut_px + axis, bridge_px, lifts) - value
    slopes = [span(nut_px, bridge_px, lifts + step) - value for step in np.eye(2)]
    relative = value / fit.unknowns[LENGTH]
    scale = _length(fit, lambda u: float(u[LENGTH]) * relative, "string_length", prints)
    own = (
        Contribution("where nut and bridge are seen", float(per_px * hypot(*sigma_px))),
        Contribution("height of nut and bridge", float(np.linalg.norm(slopes) * _LIFT_SPREAD_MM * size)),
    )
    return Length(value, (*scale.budget, *own))


def _on_instrument(pose: Pose, camera: Camera, point_px: Array, lift_mm: float) -> Array:
    """Where the ray of a pixel meets the plane `lift_mm` above the plane of the top edge."""
    near = camera.to_plane(point_px[None], 0.0)[0]
    far = camera.to_plane(point_px[None], 100.0)[0]
    direction = far - near
    anchor = pose.body_bottom + lift_mm * pose.up
    place: Array = near + direction * ((anchor - near) @ pose.up) / (direction @ pose.up)
    return place


def _length(fit: Fit, of: Callable[[Array], float], kind: str, prints: Prints) -> Length:
    value = of(fit.unknowns)
    gradient = np.zeros(len(fit.unknowns))
    for column in range(BODY_UNKNOWNS):
        moved = fit.unknowns.copy()
        moved[column] += _STEP
        gradient[column] = (of(moved) - value) / _STEP
    parts = [
        Contribution(name, float(np.linalg.norm(gradient @ share)))
        for name, share in fit.shares.items()
        if np.linalg.norm(gradient @ share) > _LEAST_CAUSE_MM
    ]
    parts += size_contributions(prints, value)
    parts.append(Contribution("definition", DEFINITION_MM[kind]))
    return Length(value, tuple(parts))
