"""What photos show of an instrument, and what is assumed of it, as its fit is given them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array, Indices, Mask
from vision.instrument.cameras import Camera


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
    node: Indices
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


_AXIS_STEP_MM = 20.0
"""Way along the axis by which its direction in the picture is read."""


def axis_direction(camera: Camera, end_mm: Array, along: Array) -> Array:
    """Unit direction (2,) in the picture of an instrument's axis at one of its ends.

    Parameters
    ----------
    camera : Camera
    end_mm : (3,) ndarray
        The end, in the sheet's frame.
    along : (3,) ndarray
        Unit vector to the scroll, in the same frame.
    """
    ends = camera.project(np.array([end_mm, end_mm - _AXIS_STEP_MM * along]))
    direction = ends[0] - ends[1]
    return np.asarray(direction / np.linalg.norm(direction))


@dataclass(frozen=True)
class View:
    """One photo's part of the fit: camera, edges and tips."""

    camera: Camera
    edges: Edges
    tips: tuple[Tip, ...] = ()
    camera_start: Array | None = None
    """Where the search for the camera's unknowns begins, if not at what is believed of them beforehand."""


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
