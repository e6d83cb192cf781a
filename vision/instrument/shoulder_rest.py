"""A shoulder rest under an instrument, told by its feet.

From above a mounted shoulder rest is hidden, but its feet grip the lower bouts: two small dark things beside each other
stick out beyond the edge, and may lie over it, with even ground before, between and after them.  A chin rest lies over
the edge too, but from the lower end on without a gap; and where an edge is hard to see, in an oblique view, in a small
photo or along ribs of the plate's colour, some of it is taken for covered with nothing dark beside it.  Told from
scenes used in development.  On a dark ground dark feet stick out unseen: there what covers the edge must do.
"""

from __future__ import annotations

import re

import cv2
import numpy as np

from calibration.arrays import Array, Mask, Picture
from calibration.sampling import window
from vision.instrument.cameras import Camera
from vision.instrument.edges import TracedInstrument
from vision.instrument.evidence import Setting
from vision.instrument.model import pose_of
from vision.instrument.shape import MODES, outline_prior
from vision.instrument.silhouette import silhouette

_LOWER_BOUT = (0.05, 0.385)
"""Where along the body the feet may grip, over its length: from beside the tailpiece to the lower corner."""
_OUTSIDE_MM = np.arange(0.8, 4.6, 0.3)
"""Where outside the edge the ground is read: beyond its blur, and as far as feet stick out."""
_DARKEST = 3
"""Readings, the darkest of them, whose mean is a node's ground: about a millimetre."""
_SMOOTH_PX = 0.8
"""Standard deviation of the smoothing beforehand, against noise."""
_DARK, _DIM = 0.5, 0.7
"""Grey over the neighbours' median below which a node is dark, or dim; our choice, set on development scenes."""
_LEAST_DEPTH = 8.0
"""Grey levels by which a dark or dim node must lie below that median as well: on black cloth a share alone is noise.
Chosen, like the most dark things, on 47 photographs of violins without a rest, each in six ways, and on 24 rendered
ones with a rest, each as it is and darkened: of 275 readings without a rest 4 instead of 27 show feet, of 96 with one
58 instead of 60."""
_NEIGHBOURS = 9
"""Neighbours on either side, some 25 mm at full size: more than two feet together."""
_DARK_GROUND = 50.0
"""Grey level of the ground below which dark feet are not seen beside the edge; our choice."""
_OVER_THE_EDGE = re.compile(r"bbc{2,6}b")
"""Bare edge, a few covered nodes, bare edge again, from the lower end upwards."""
_MOST_FEET = 2
"""Feet at one bout; an edge that is covered in more places is hard to see, and not gripped, and a ground with more dark
things beside it is not an even one."""
_FOOT, _WIDE_FOOT = "[co]{0,4}#{1,4}[co]{0,4}", "[co]{0,4}#{2,4}[co]{0,4}"
_BESIDE_THE_EDGE = re.compile(rf"\.{_FOOT}\.{{2,14}}{_FOOT}\.|\.{_WIDE_FOOT}\.{{0,14}}\?")
"""Two dark things of a few nodes each, which may cover some beside them, a little apart, on an otherwise even ground;
or one, the ground being unseen where the other would be, since the ribs and not the plate bound the body there.  Our
choice, set on development scenes: one with a rest has one foot in sight, and no photo of 132 without one has this."""
_WITHIN_BOUT = re.compile(r"[co#]*(.*?).{3}")
"""A bout without the chin rest at its lower end and the corner at its upper one."""
_THING, _LONE_FOOT = re.compile(r"o*#[o#]*"), re.compile(r"(?<=[.?])o*#{2,5}o*(?=[.?])|(?<=\?)o*#o*|o*#o*(?=\?)")
"""A dark thing, and one of a foot's breadth, of which some may be unseen.  Where each bout shows one such thing alone
it is a rest, whose other two feet are hidden by the ribs.  Added after a development scene with a rest had been missed;
of 336 readings of photographs without one and 79 rendered ones none has this at both."""
_DARK_THING = re.compile(r"(?<=[.?])[co]*#[co#]*(?=[.?])")
"""A dark thing of any width within the bout; chin rest and corner lie at its ends."""


def shows_feet(rgb: Picture, traced: TracedInstrument, camera: Camera, setting: Setting) -> bool:
    """Whether the feet of a shoulder rest are seen at either lower bout."""
    outline = outline_prior().closed(np.zeros(MODES), 1.0)
    low, high = _LOWER_BOUT
    lower = (outline[:, 1] > low) & (outline[:, 1] < high)
    darkness = _ground(rgb, traced, camera, setting, lower)
    bare = np.zeros(len(outline), dtype=bool)
    bare[traced.edges.node] = True
    bouts = []
    for side in (-1, 1):
        nodes = np.flatnonzero(lower & (np.sign(outline[:, 0]) == side))
        nodes = nodes[np.argsort(outline[nodes, 1])]
        over = "".join("c" if traced.covered[node] else "b" if bare[node] else "-" for node in nodes)
        beside = _pattern(darkness[nodes], traced.covered[nodes])
        if _grips(over, beside, _on_dark(darkness[nodes])) or _sticks_out(beside):
            return True
        bouts.append(beside)
    return _stands_on_both(bouts)


def _grips(over: str, beside: str, on_dark: bool) -> bool:
    """Whether a foot covers the edge, from one letter a node of what lies over it and of the ground beside it."""
    feet = list(_OVER_THE_EDGE.finditer(over))
    if on_dark:
        return 0 < len(feet) <= _MOST_FEET
    return any("#" in beside[foot.start() + 1 : foot.end()] for foot in feet)


def _sticks_out(beside: str) -> bool:
    """Whether feet stick out beside the edge; more dark things than feet are print, tiles or folds of the ground."""
    return bool(_BESIDE_THE_EDGE.search(beside)) and len(_DARK_THING.findall(beside)) <= _MOST_FEET


def _stands_on_both(bouts: list[str]) -> bool:
    """Whether each bout shows one foot alone."""
    inner = [match[1] for beside in bouts if (match := _WITHIN_BOUT.fullmatch(beside))]
    return len(inner) == len(bouts) and all(
        len(_THING.findall(each)) == 1 and _LONE_FOOT.search(each) for each in inner
    )


def _on_dark(level: Array) -> bool:
    """Whether most of the ground seen is too dark for feet to be seen on it."""
    seen = level[np.isfinite(level)]
    return bool(seen.size and np.median(seen) < _DARK_GROUND)


def _ground(rgb: Picture, traced: TracedInstrument, camera: Camera, setting: Setting, asked: Mask) -> Array:
    """Grey level (C,) of the darkest millimetre just outside those of the nodes `asked` (C,) that bound the body."""
    level = np.full(len(asked), np.nan)
    line = silhouette(pose_of(traced.start, setting.table_mm), camera, asked)
    if not len(line.node):
        return level
    away = _OUTSIDE_MM * traced.px_per_mm
    places = line.point_px[:, None] + away[None, :, None] * line.normal_px[:, None]
    left, top, right, bottom = window(places.reshape(-1, 2), rgb, 5 * _SMOOTH_PX)
    about = np.ascontiguousarray(rgb[top:bottom, left:right])
    grey = cv2.GaussianBlur(cv2.cvtColor(about, cv2.COLOR_RGB2GRAY), (0, 0), _SMOOTH_PX)
    maps = (places - [left, top]).astype(np.float32)
    seen = cv2.remap(grey, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    level[line.node] = np.sort(seen.astype(np.float64), axis=1)[:, :_DARKEST].mean(axis=1)
    return level


def _pattern(level: Array, covered: Mask) -> str:
    """One letter a node: dark ``#``, dim ``o``, covered ``c``, as its neighbours ``.``, unseen ``?``."""
    reached = np.pad(level, _NEIGHBOURS, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(reached, 2 * _NEIGHBOURS + 1)
    seen = np.isfinite(level)
    usual = np.ones(len(level))
    usual[seen] = np.maximum(_medians(around[seen]), 1.0)
    share = np.where(usual - level < _LEAST_DEPTH, 1.0, level / usual)
    letters = np.where(share < _DARK, "#", np.where(share < _DIM, "o", np.where(covered, "c", ".")))
    return "".join(np.where(seen, letters, "?"))


def _medians(rows: Array) -> Array:
    """Medians (N,) of the numbers in rows (N, K) that hold one at least; NumPy's own takes ten times as long."""
    ordered, count = np.sort(rows, axis=1), np.isfinite(rows).sum(axis=1)  # what is not a number comes last
    row = np.arange(len(rows))
    return np.asarray((ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2)
