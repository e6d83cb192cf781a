"""The rough picture of an instrument: which pixels are body, instrument, chin rest, and roughly where its ends are.

The maps come from the network (`vision.instrument.net`) as a small upright crop; this is the place that knows how its
pixels relate to the photo's, and that reads the ends of the instrument out of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Mask, Picture
from calibration.problems import Refused
from vision.instrument.net import InstrumentMap, InstrumentNet
from vision.instrument.profiles import mask_crossings
from vision.problems import INSTRUMENT_CUT, NO_INSTRUMENT, SHOULDER_REST_MOUNTED, TWO_INSTRUMENTS

_INSIDE = 0.5
"""Probability from which a pixel belongs to a part."""
_SURE = 0.3
"""Confidence from which a marked point counts as found; our choice."""
_BORDER_PX = 3.0
"""Nearer to the photo's border than that a pixel counts as lying on it: masks blur over that much."""
_TOUCH, _SCROLL_MARGIN = 0.17, 0.004
"""A cut instrument meets the photo's border over more than the first, or the end of its scroll lies nearer to it than
the second, over its whole length.  Seventeen photographs cropped on purpose: tight crops, 0.5 to 1 % beyond the lower
end or the scroll, meet over 16 % at most and keep the scroll 0.007 away; 1.5 % too far in, lower ends meet over 20 % at
least and most scrolls lie at 0.001 at most."""
_SCROLL_TOUCH, _AT_SCROLL = 0.013, 0.06
"""Or it meets the border over more than the first within the second of the scroll's end.  The same photographs: tight
crops over 0.009 at most, scrolls cut by 1 % over 0.015 at least."""
_SHOULDER_REST_SHARE = 0.004
"""Pixels of a shoulder rest over those of the instrument from which one is mounted: a few cells; our choice."""
_SCROLL_BESIDE, _SCROLL_FROM, _SCROLL_TO = 0.03, 0.5, 1.15
"""Where the scroll's end is looked for in the map, over the total length: how far beside the axis, and from where to
where along it."""
_FINE_BITS = 4
_FINE = 1 << _FINE_BITS
"""Parts of a map pixel in which a line is drawn."""
_POINTS = {
    "scroll_top": "scroll_top",
    "body_top": "body_top_center",
    "body_bottom": "body_bottom_center",
    "nut": "nut_center",
    "bridge": "bridge_center",
}


@dataclass(frozen=True)
class InstrumentSeen:
    """Maps and marked points of one instrument.

    Attributes
    ----------
    body : (h, w) float32 ndarray
        Probability that a pixel lies within the top plate's outline, whatever lies on it.
    whole : (h, w) float32 ndarray
        The same for the whole instrument without bow and shoulder rest.
    chin_rest, shoulder_rest : (h, w) float32 ndarray
        The same for what is mounted on it.
    to_photo : (2, 3) ndarray
        From map pixels to photo pixels (a similarity).
    size_px : tuple of int
        Width and height of the photo.
    points_px : dict of str to (2,) ndarray
        ``scroll_top``, ``body_top``, ``body_bottom``, ``nut`` and ``bridge`` in photo px, as far as found for sure.
    sigma_px : dict of str to float
        Their standard uncertainties, px.
    """

    body: Floats
    whole: Floats
    chin_rest: Floats
    shoulder_rest: Floats
    to_photo: Array
    size_px: tuple[int, int]
    points_px: dict[str, Array]
    sigma_px: dict[str, float]

    @property
    def map_px(self) -> float:
        """Size of a map pixel in photo px."""
        return float(np.hypot(*self.to_photo[:, 0]))

    def in_photo(self, place: Array) -> Array:
        """Photo pixels (N, 2) of map pixels (N, 2)."""
        return np.asarray(place @ self.to_photo[:, :2].T + self.to_photo[:, 2])

    def in_map(self, point_px: Array) -> Array:
        """Map pixels (N, 2) of photo pixels (N, 2)."""
        return np.asarray((point_px - self.to_photo[:, 2]) @ np.linalg.inv(self.to_photo[:, :2]).T)

    def crossings(self, of: Floats, point_px: Array, normal_px: Array, reach_px: float) -> tuple[Array, Mask]:
        """Where a map falls through one half along normals: offsets (M,) in photo px, and where it does."""
        normal = normal_px @ np.linalg.inv(self.to_photo[:, :2]).T * self.map_px
        offset, found = mask_crossings(of, self.in_map(point_px), normal, reach_px / self.map_px)
        return offset * self.map_px, found

    def near_chin_rest(self, point_px: Array, margin_px: float) -> Mask:
        """Which points (M, 2) lie on the chin rest or within `margin_px` of it."""
        covered = (self.chin_rest > _INSIDE).astype(np.uint8)
        if not covered.any():
            return np.zeros(len(point_px), dtype=bool)
        far = cv2.distanceTransform(1 - covered, cv2.DIST_L2, 5)
        places = np.round(self.in_map(point_px)).astype(int)
        column = np.clip(places[:, 0], 0, covered.shape[1] - 1)
        row = np.clip(places[:, 1], 0, covered.shape[0] - 1)
        return np.asarray(far[row, column] * self.map_px <= margin_px)

    def overlap(self, line_px: Array) -> float:
        """Intersection over union of the map's body and what a closed line (N, 2) in photo px runs round."""
        round_line = np.zeros(self.body.shape, np.uint8)
        cv2.fillPoly(round_line, [np.round(_FINE * self.in_map(line_px)).astype(np.int32)], 1, shift=_FINE_BITS)
        inside, body = round_line > 0, self.body > _INSIDE
        return float((inside & body).sum() / max((inside | body).sum(), 1))

    def ends_px(self) -> tuple[Array, Array]:
        """Lower end of the body and end of the scroll, (2,) each, photo px: marked points, else ends of the maps."""
        if "body_bottom" in self.points_px and "scroll_top" in self.points_px:
            return self.points_px["body_bottom"], self.points_px["scroll_top"]
        body, whole = self._pixels(self.body), self._pixels(self.whole)
        axis = whole.mean(axis=0) - body.mean(axis=0)
        axis /= np.linalg.norm(axis)
        middle = body.mean(axis=0)
        return middle + ((body - middle) @ axis).min() * axis, middle + ((whole - middle) @ axis).max() * axis

    def scroll_end_px(self) -> Array:
        """End of the scroll (2,) in photo px: as marked, else the furthest pixel of the instrument beside the axis."""
        lower, scroll = self.ends_px()
        if "scroll_top" in self.points_px:
            return scroll
        length = np.linalg.norm(scroll - lower)
        axis = (scroll - lower) / length
        places = self._pixels(self.whole) - lower
        along, beside = places @ axis, np.abs(places @ np.array([-axis[1], axis[0]]))
        near = (beside < _SCROLL_BESIDE * length) & (along > _SCROLL_FROM * length) & (along < _SCROLL_TO * length)
        return lower + along[near].max() * axis if near.any() else scroll

    def _pixels(self, of: Floats) -> Array:
        rows, columns = np.nonzero(of > _INSIDE)
        return self.in_photo(np.stack([columns, rows], axis=1).astype(float))


def see_instrument(rgb: Picture) -> InstrumentSeen:
    """Find the instrument in a photo.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray

    Raises
    ------
    Refused
        If there is none, more than one, or one that is partly outside the photo.
    """
    found = _net()(rgb)
    if found.instruments == 0:
        raise Refused(NO_INSTRUMENT)
    if found.instruments > 1:
        raise Refused(TWO_INSTRUMENTS)
    seen = _seen(found)
    if not ((seen.body > _INSIDE).any() and (seen.whole > _INSIDE).any()):
        raise Refused(NO_INSTRUMENT)
    if _is_cut(seen):
        raise Refused(INSTRUMENT_CUT)
    return seen


def _is_cut(seen: InstrumentSeen) -> bool:
    """Whether the photo's border cuts off an end or a side of the instrument."""
    lower, scroll = seen.ends_px()
    length = float(np.linalg.norm(scroll - lower))
    right, bottom = np.array(seen.size_px) - 1.0
    margin = min(scroll[0], scroll[1], right - scroll[0], bottom - scroll[1])
    if margin < _SCROLL_MARGIN * length:
        return True
    touches = _touches(seen)
    at_scroll = np.linalg.norm(touches[:, 1:] - scroll, axis=1) < _AT_SCROLL * length
    return bool((touches[:, 0] > np.where(at_scroll, _SCROLL_TOUCH, _TOUCH) * length).any())


def _touches(seen: InstrumentSeen) -> Array:
    """Stretches (N, 3) of the photo's border that the instrument covers: length and middle, px."""
    inset = max(_BORDER_PX, 1.5 * seen.map_px)
    width, height = seen.size_px
    touches = [np.zeros((0, 3))]
    for axis, far in ((0, height), (1, width)):
        along = np.arange(0.0, (width, height)[axis], seen.map_px)
        for level in (inset, far - 1 - inset):
            line = np.full((len(along), 2), level)
            line[:, axis] = along
            places = seen.in_map(line).astype(np.float32)
            inside = cv2.remap(seen.whole, places[:, :1], places[:, 1:], cv2.INTER_LINEAR)[:, 0] > _INSIDE
            turns = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
            first, last = turns[::2], turns[1::2] - 1
            touches.append(np.column_stack([(last - first + 1) * seen.map_px, (line[first] + line[last]) / 2]))
    return np.concatenate(touches)


def refuse_shoulder_rest(seen: InstrumentSeen) -> None:
    """Refuse an instrument that stands on a shoulder rest: its height is not that of one lying on its back.

    Raises
    ------
    Refused
        If more of it than a stray patch is seen.
    """
    if (seen.shoulder_rest > _INSIDE).sum() > _SHOULDER_REST_SHARE * (seen.whole > _INSIDE).sum():
        raise Refused(SHOULDER_REST_MOUNTED)


def _seen(found: InstrumentMap) -> InstrumentSeen:
    sure = {ours: found.keypoints[theirs] for ours, theirs in _POINTS.items()}
    sure = {name: point for name, point in sure.items() if point.confidence >= _SURE}
    body, whole, chin_rest, shoulder_rest, _ = found.crop
    return InstrumentSeen(
        body=body,
        whole=whole,
        chin_rest=chin_rest,
        shoulder_rest=shoulder_rest,
        to_photo=found.to_photo,
        size_px=found.size_px,
        points_px={name: np.array([point.x, point.y]) for name, point in sure.items()},
        sigma_px={name: point.sigma_px for name, point in sure.items()},
    )


@cache
def _net() -> InstrumentNet:
    return InstrumentNet()
