"""The instrument in a photo, by a small network: where it is, which part is which, and eleven points on it.

The first look sees the whole photo, shrunk, and finds the largest instrument and how it lies.  The second sees that
instrument alone, turned upright and as large as the network likes it.  Both are small, and where the second is sharp
and lies where the first had it, that is enough.  Where it is not sharp, it looks again, larger, and once more in the
mirror; the mean of those gives the masks and points that count.  Where the two do not agree, a larger first one begins.
Masks are probabilities: `body` is the outline of the top as seen from the front, with what lies on it (chin rest,
tailpiece, fingerboard) but without what sticks out beyond it; `whole` is body, neck, pegs and scroll, without bow and
shoulder rest.  Each point comes with the deviation the network expects of itself and with a confidence between 0 and 1.
How the network was trained, and where it fails, is in models/instrument.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Mask, Picture
from vision.networks.crops import SeveralCrops, upright_crop
from vision.networks.points import MapPoint, read_points, to_photo_points
from vision.networks.session import session

MODEL = Path(__file__).parents[1] / "models" / "instrument.onnx"
MASKS = ("body", "whole", "chin_rest", "shoulder_rest", "bow")
POINTS = (
    "scroll_top",
    "body_top_center",
    "body_bottom_center",
    "upper_bout_left",
    "upper_bout_right",
    "waist_left",
    "waist_right",
    "lower_bout_left",
    "lower_bout_right",
    "nut_center",
    "bridge_center",
)
"""Left and right are those of a viewer with the scroll up."""

QUICK_SIDE, QUICK_SIZE = 288, (224, 384)
"""Side of the square that the whole photo is shrunk into at first, and width and height of the upright crop, px."""
_IN_DOUBT, _SHARP = (0.2, 0.8), {"body": 13.0, "whole": 19.0}
"""A mask is sharp if its pixels of such probabilities are at most so many times the root of those inside it."""
_ENDS, _ENDS_SEEN = ("scroll_top", "body_top_center", "body_bottom_center"), 0.6
"""Points that must be seen with such a confidence, and ..."""
_SAME_BODY = 0.8
"""... how much of the body both looks must share, for the quick ones to be enough.  Chosen on 104 pictures of
`vision.training.composition` (seeds 720,000 to 720,035) and looked at on the benchmark's scenes and 17 photographs,
with the network before this one: what passed shared 0.976 or more of the body with what the thorough looks saw."""
FIRST_SIDE = 448
"""Side of the square that the whole photo is shrunk into, px; the network was trained at the sizes of all looks."""
_STRIDE = 32
"""What both sides of a look must be multiples of."""
SECOND_SIZE = (288, 512)
"""Width and height of the upright crop, px."""
MIRROR_SIZE = (224, 384)
"""The same of its look in the mirror.  On 17 photographs of violins that were looked at in development, smaller looks
lost less than one of 352 x 640 px (with an earlier network), and the mean of these two loses least for
the time of one of those."""
MIRRORED = [POINTS.index(p.replace("left", "#").replace("right", "left").replace("#", "right")) for p in POINTS]
"""Which of `POINTS` each of them is in the mirror."""
FILL = 0.86
"""How much of the crop's height the instrument takes."""
_GROW = 0.15
"""By how much of its length a crop grows on a side where the instrument goes on beyond it."""
_UPSIDE_DOWN = 0.2
"""Confidence of both ends from which the second look is believed to show that the first was upside down; our choice."""
_ENDS_SURE = 0.3
"""Confidence of both ends from which they, and not the mask's tail, tell how the instrument lies; our choice."""
_LEAST_PIECE = 0.002
"""Share of the whole photo from which a piece of the mask can be an instrument; our choice."""
_ON_PIECE = 0.056
"""Side of the square by which a piece is grown to say whether an end lies on it, over the longer side of the look."""
_AXIS_PIXELS = 4000
"""Pixels, of many more, from which a piece's axis is found."""
MASK_SHIFT = np.array([0.2, 0.0, 0.0, 0.0, 0.0], np.float32)
"""Added to the logits of `MASKS`: the network draws the body's edge a little inside the true one.  Chosen on the
benchmark's twenty rendered scenes of one violin each and on 17 photographs looked at in development."""
OTHER_SHARE = 0.2
"""A further piece of `whole` at least this large beside the main one counts as another instrument.
Chosen, not fitted."""


@dataclass(frozen=True)
class InstrumentMap:
    """What the network sees of the largest instrument.

    Attributes
    ----------
    crop : (5, h, w) ndarray
        Probabilities of `MASKS` in the upright crop.
    to_photo : (2, 3) ndarray
        From px of the crop to px of the photo.
    size_px : tuple of int
        Width and height of the photo.
    keypoints : dict of str to MapPoint
        The points by the names of `POINTS`.
    instruments : int
        How many instruments the first look counted; 0 where it saw none (then no `keypoints`, and the masks are 0).
    """

    crop: Floats
    to_photo: Array
    size_px: tuple[int, int]
    keypoints: dict[str, MapPoint]
    instruments: int

    def mask(self, name: str) -> Floats:
        """Probability (H, W) of one of `MASKS` at the photo's size."""
        return np.asarray(cv2.warpAffine(self.crop[MASKS.index(name)], self.to_photo, self.size_px), np.float32)

    @cached_property
    def body(self) -> Floats:
        """Probability (H, W) of the body."""
        return self.mask("body")

    @cached_property
    def whole(self) -> Floats:
        """Probability (H, W) of the whole instrument."""
        return self.mask("whole")


@dataclass(frozen=True)
class _Sight:
    """What one look shows: masks (5, h, w) as probabilities, points (K, 4) in px of the look, and where it looks."""

    masks: Floats
    points: Array
    to_photo: Array

    def map(self, size_px: tuple[int, int], instruments: int) -> InstrumentMap:
        """The same as what is told of a photo of that size."""
        points = to_photo_points(self.points, self.to_photo, POINTS)
        return InstrumentMap(self.masks, self.to_photo, size_px, points, instruments)


@dataclass(frozen=True)
class _Found:
    """What one look found: all it shows, the largest piece (h, w) of an instrument in it, and how many are as large."""

    sight: _Sight
    piece: Mask
    instruments: int


class InstrumentNet:
    """The network, ready to run on the processor in one thread."""

    def __init__(self) -> None:
        self._session = session(MODEL)

    def __call__(self, rgb: Picture) -> InstrumentMap:
        """Look at a photo.

        Parameters
        ----------
        rgb : (H, W, 3) ndarray of uint8

        Returns
        -------
        InstrumentMap
        """
        photo = SeveralCrops(rgb)
        size_px = rgb.shape[1], rgb.shape[0]
        first = self._whole_photo(photo, size_px, QUICK_SIDE)
        sight = self._alone(photo, first, QUICK_SIZE) if first.instruments == 1 else None
        if sight is not None and _agree(first, sight):
            if _is_sharp(sight):
                return sight.map(size_px, 1)
            first = _found_in(sight)  # where it lies is known, and how
        else:
            first = self._whole_photo(photo, size_px, FIRST_SIDE)
        if first.instruments == 0:
            nothing = np.zeros_like(first.sight.masks)
            return InstrumentMap(nothing, first.sight.to_photo, size_px, {}, 0)
        sight = self._with_mirror(photo, self._alone(photo, first, SECOND_SIZE))
        return sight.map(size_px, first.instruments)

    def _whole_photo(self, photo: SeveralCrops, size_px: tuple[int, int], side: int) -> _Found:
        """Look at the whole photo, shrunk into a square of that side."""
        scale = max(size_px) / side
        # no more beside the photo than the network needs
        width, height = (int(_STRIDE * np.ceil(each / scale / _STRIDE)) for each in size_px)
        view = upright_crop((np.array(size_px) - 1) / 2, np.array([0.0, -1.0]), scale, (width, height))
        return _found_in(self._look(photo, view, (width, height)))

    def _alone(self, photo: SeveralCrops, first: _Found, size: tuple[int, int]) -> _Sight:
        """Look at the largest instrument alone, upright."""
        centre, up, length = _lie(first.piece, first.sight.points, size[1] / size[0])
        seen = first.sight.to_photo
        scale = float(np.hypot(*seen[:, 0]))
        for _ in range(4):  # this look may show that the first was off: then it looks again
            middle, upwards = seen[:, :2] @ centre + seen[:, 2], seen[:, :2] @ up / scale
            to_photo = upright_crop(middle, upwards, scale * length / (FILL * size[1]), size)
            sight = self._look(photo, to_photo, size)
            head, foot = sight.points[0], sight.points[2]
            if min(head[3], foot[3]) >= _UPSIDE_DOWN and head[1] > foot[1]:
                up = -up
                continue
            beyond = _beyond(sight.masks[MASKS.index("whole")])
            if not beyond.any():
                break
            # the instrument goes on beyond the crop: look at more on that side
            centre = centre + _GROW * length * (beyond[0] * np.array([-up[1], up[0]]) + beyond[1] * up)
            length *= 1 + 2 * _GROW
        return sight

    def _with_mirror(self, photo: SeveralCrops, sight: _Sight) -> _Sight:
        """Mean of what was seen and of what a smaller look in the mirror sees in the same crop."""
        view = sight.to_photo
        ratio = np.array(SECOND_SIZE) / np.array(MIRROR_SIZE)
        shift = (ratio - 1) / 2  # pixel centres lie at whole numbers in both
        flip = np.array([-ratio[0], ratio[1]])
        start = np.array([SECOND_SIZE[0] - 1 - shift[0], shift[1]])
        to_photo = np.column_stack([view[:, :2] * flip, view[:, :2] @ start + view[:, 2]])
        again = self._look(photo, to_photo, MIRROR_SIZE)
        large = [cv2.resize(each[:, ::-1], SECOND_SIZE, interpolation=cv2.INTER_LINEAR) for each in again.masks]
        places = again.points[MIRRORED]
        places[:, :2] = places[:, :2] * flip + start
        places[:, 2] *= ratio[1]
        return _Sight((sight.masks + np.stack(large)) / 2, _agreed(sight.points, places), view)

    def _look(self, photo: SeveralCrops, to_photo: Array, size: tuple[int, int]) -> _Sight:
        """Run the network on a crop."""
        crop = photo.take(to_photo, size)
        masks, maps = self._session.run(None, {"image": crop})
        chances = 1 / (1 + np.exp(-(masks[0] + MASK_SHIFT[:, None, None])))
        full = np.stack([cv2.resize(m, size, interpolation=cv2.INTER_LINEAR) for m in chances])
        return _Sight(full, read_points(maps[0], len(POINTS)), to_photo)


def _found_in(sight: _Sight) -> _Found:
    """The largest piece of an instrument in a look."""
    return _Found(sight, *_main_piece(sight.masks[MASKS.index("whole")]))


def _is_sharp(sight: _Sight) -> bool:
    """Whether few pixels of its masks are in doubt."""
    low, high = _IN_DOUBT
    for part, most in _SHARP.items():
        mask = sight.masks[MASKS.index(part)]
        if np.count_nonzero((mask > low) & (mask < high)) > most * np.sqrt(np.count_nonzero(mask > 0.5)):
            return False
    return True


def _agree(first: _Found, second: _Sight) -> bool:
    """Whether a second look sees the instrument's ends, and has the body where the first one had it."""
    if second.points[[POINTS.index(name) for name in _ENDS], 3].min() < _ENDS_SEEN:
        return False
    body = MASKS.index("body")
    inverse, there = cv2.invertAffineTransform(second.to_photo), first.sight.to_photo
    carried = np.column_stack([inverse[:, :2] @ there[:, :2], inverse[:, :2] @ there[:, 2] + inverse[:, 2]])
    before = cv2.warpAffine(first.sight.masks[body], carried, second.masks.shape[:0:-1]) > 0.5
    now = second.masks[body] > 0.5
    return bool((before & now).sum() >= _SAME_BODY * (before | now).sum())


def _agreed(one: Array, other: Array) -> Array:
    """Mean of two readings (K, 4) of the same points, the surer one counting more.

    They err together, so the expected deviation is the mean of both.
    """
    both = np.stack([one, other])
    weight = both[..., 3:] / both[..., 2:3] ** 2
    mean: Array = both.mean(axis=0)
    mean[:, :2] = (weight * both[..., :2]).sum(axis=0) / weight.sum(axis=0)
    return mean


def _beyond(whole: Floats) -> Array:
    """Return on which sides a mask runs out of its crop: to the right +1, left -1; up +1, down -1; else 0."""
    inside = whole > 0.5
    top, bottom, left, right = inside[:2].any(), inside[-2:].any(), inside[:, :2].any(), inside[:, -2:].any()
    return np.array([float(right) - float(left), float(top) - float(bottom)])


def _main_piece(whole: Floats) -> tuple[Mask, int]:
    """Return the largest connected piece of the whole-instrument mask, and how many pieces are of a like size.

    Too small a piece is none: all is False, and there are 0.
    """
    _, labels, stats, _ = cv2.connectedComponentsWithStats((whole > 0.5).astype(np.uint8), connectivity=8)
    areas = stats[1:, cv2.CC_STAT_AREA]
    if areas.max(initial=0) < _LEAST_PIECE * whole.size:
        return np.zeros(whole.shape, bool), 0
    return labels == 1 + int(np.argmax(areas)), int((areas > OTHER_SHARE * areas.max()).sum())


def _lie(piece: Mask, points: Array, slender: float) -> tuple[Array, Array, float]:
    """Return centre, direction of the scroll and length of the instrument in px of the first look.

    The length is at least so many times (`slender`) its width.
    """
    rows, cols = np.nonzero(piece)
    xy = np.column_stack([cols, rows]).astype(float)
    middle = xy.mean(0)
    _, _, axes = np.linalg.svd((xy - middle)[:: max(1, len(xy) // _AXIS_PIXELS)], full_matrices=False)
    axis = axes[0]
    head, foot = points[0], points[2]
    around = round(_ON_PIECE * max(piece.shape))
    grown = cv2.dilate(piece.astype(np.uint8), np.ones((around, around), np.uint8))

    def on(p: Array) -> bool:
        col, row = round(p[0]), round(p[1])
        return 0 <= row < piece.shape[0] and 0 <= col < piece.shape[1] and bool(grown[row, col])

    if head[3] > _ENDS_SURE and foot[3] > _ENDS_SURE and on(head) and on(foot):
        up = (head[:2] - foot[:2]) / max(1e-6, float(np.linalg.norm(head[:2] - foot[:2])))
    else:  # the body is the broad half: the scroll lies where the mask's long tail is
        along = (xy - middle) @ axis
        up = axis if along.max() > -along.min() else -axis
    along, across = (xy - middle) @ up, (xy - middle) @ np.array([-up[1], up[0]])
    low, high = float(along.min()), float(along.max())
    left, right = float(across.min()), float(across.max())
    centre = middle + up * (low + high) / 2 + np.array([-up[1], up[0]]) * (left + right) / 2
    length = max(high - low, (right - left) * slender)
    return centre, up, length
