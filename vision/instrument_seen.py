"""The rough picture of an instrument: which pixels are body, instrument, chin rest, and roughly where its ends are.

The maps come from the network at a reduced size; this is the place that knows how their pixels relate to the photo's,
and that reads the ends of the instrument out of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Map = NDArray[np.float32]

_INSIDE = 0.5
_KEYPOINT_CONFIDENCE = 0.3


@dataclass(frozen=True)
class InstrumentSeen:
    """Maps and marked points of one instrument.

    Attributes
    ----------
    body : (h, w) float32 ndarray
        Probability that a pixel shows the body: plates and ribs, with what lies on them.
    whole : (h, w) float32 ndarray
        The same for the whole instrument without chin rest, shoulder rest and bow.
    chin_rest, shoulder_rest : (h, w) float32 ndarray
        The same for what is mounted on it.
    photo_px_per_map_px : float
        Size of a map pixel.
    points_px : dict of str to (2,) ndarray
        Marked points in photo px, as far as they were found with confidence.
    sigma_px : dict of str to float
        Their standard uncertainties, px.
    """

    body: Map
    whole: Map
    chin_rest: Map
    shoulder_rest: Map
    photo_px_per_map_px: float
    points_px: dict[str, Array] = field(default_factory=dict)
    sigma_px: dict[str, float] = field(default_factory=dict)

    def to_map(self, point_px: Array) -> Array:
        """Map pixels of photo pixels (pixel centres at whole numbers in both)."""
        place: Array = (point_px + 0.5) / self.photo_px_per_map_px - 0.5
        return place

    def to_photo(self, point: Array) -> Array:
        """Photo pixels of map pixels."""
        place: Array = (point + 0.5) * self.photo_px_per_map_px - 0.5
        return place

    def near_chin_rest(self, point_px: Array, margin_px: float) -> NDArray[np.bool_]:
        """Which points (M, 2) lie on the chin rest or within `margin_px` of it."""
        covered = (self.chin_rest > _INSIDE).astype(np.uint8)
        if not covered.any():
            return np.zeros(len(point_px), dtype=bool)
        far = cv2.distanceTransform(1 - covered, cv2.DIST_L2, 5)
        places = np.round(self.to_map(point_px)).astype(int)
        column = np.clip(places[:, 0], 0, covered.shape[1] - 1)
        row = np.clip(places[:, 1], 0, covered.shape[0] - 1)
        near: NDArray[np.bool_] = far[row, column] * self.photo_px_per_map_px <= margin_px
        return near

    def box_px(self, margin: float) -> tuple[int, int, int, int]:
        """Left, top, right, bottom of the instrument in photo px, grown by `margin` of its longer side, uncut."""
        rows, columns = np.nonzero(self.whole > _INSIDE)
        low, high = np.array([columns.min(), rows.min()]), np.array([columns.max(), rows.max()])
        grow = margin * (high - low).max() * self.photo_px_per_map_px
        low, high = self.to_photo(low.astype(float)) - grow, self.to_photo(high.astype(float)) + grow
        return max(int(low[0]), 0), max(int(low[1]), 0), int(high[0]) + 1, int(high[1]) + 1

    def ends_px(self) -> tuple[Array, Array]:
        """Lower end of the body and end of the scroll, (2,) each, photo px: marked points, else ends of the maps."""
        if "body_bottom_center" in self.points_px and "scroll_top" in self.points_px:
            return self.points_px["body_bottom_center"], self.points_px["scroll_top"]
        return self._ends_of_maps()

    def scroll_end_px(self) -> Array:
        """End of the scroll (2,) in photo px: the furthest pixel of the instrument beside the axis."""
        lower, scroll = self.ends_px()
        axis = (scroll - lower) / np.linalg.norm(scroll - lower)
        places = self._pixels(self.whole) - lower
        along, beside = places @ axis, np.abs(places @ np.array([-axis[1], axis[0]]))
        length = np.linalg.norm(scroll - lower)
        near = (beside < 0.03 * length) & (along > 0.5 * length) & (along < 1.15 * length)
        return lower + along[near].max() * axis if near.any() else scroll

    def _pixels(self, of: Map) -> Array:
        rows, columns = np.nonzero(of > _INSIDE)
        return self.to_photo(np.stack([columns, rows], axis=1).astype(float))

    def _ends_of_maps(self) -> tuple[Array, Array]:
        """Ends along the longest direction; the wider half is the body's."""
        places = self._pixels(self.whole)
        centre = places.mean(axis=0)
        _, _, directions = np.linalg.svd((places - centre)[:: max(len(places) // 4000, 1)], full_matrices=False)
        axis = directions[0]
        along = (places - centre) @ axis
        beside = np.abs((places - centre) @ directions[1])
        middle = 0.5 * (along.min() + along.max())
        if beside[along > middle].mean() > beside[along < middle].mean():
            axis, along = -axis, -along
        return centre + np.percentile(along, 0.1) * axis, centre + np.percentile(along, 99.95) * axis


def point_is_sure(confidence: float) -> bool:
    """Whether a marked point is to be used."""
    return confidence >= _KEYPOINT_CONFIDENCE
