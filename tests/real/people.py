"""Labelled photographs of people: how far each landmark is off, and whether it is as sure as it may be.

Every error is in per cent of the labelled distance from the side of the neck to the middle of the palm in the picture,
so that photographs of any size can be put together.  Coordinates are taken along the arm (outwards) and down from it.
"""

from __future__ import annotations

import traceback
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
from PIL import Image, ImageOps

from calibration.arrays import Array, Picture
from calibration.camera import PosedCamera
from calibration.homography import apply_homography
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from tests.calibration.pretend_photos import placed
from tests.real.table import Line, figures, share
from vision.arm.body import SeenBody, sightings_of
from vision.arm.measure import measure_arm
from vision.arm.picture import SHORTEST_ARM_PX
from vision.arm.priors import JOINTS
from vision.arm.seen import seen_body
from vision.person.face import seen_from_behind
from vision.person.pose import Person, find_people
from vision.photo import Photo

LABELS = {"neck": "side_neck", "shoulder": "shoulder", "elbow": "elbow", "wrist": "wrist", "palm": "mid_palm"}
ADULT_ARM_MM = 620.0
"""Neck to palm, for the size of the sheet that is put into the picture: most people are adults (our choice)."""
SHEET_PLACES = ((0.45, -0.42, 4.0, 0.0), (0.55, 0.45, -3.0, 0.006))
"""Where a sheet is put: along the arm and down, over its length; turn in degrees; change of scale over 100 mm."""
LEAST_ARM_PX = 450.0
"""Smaller pictures are enlarged to this length from neck to palm before a sheet is put in, that the chain gets past it;
our choice."""
_FINER, _INK, _PAPER = 4, 30.0, 235.0


@dataclass(frozen=True)
class PointError:
    """One landmark against its label.

    Attributes
    ----------
    raw, used : (float, float)
        Error along the arm and down, per cent: of the model's point, and of the point the estimator is given.
    deviation : (float, float)
        Standard deviations that the estimator is told, per cent, in the same directions.
    """

    raw: tuple[float, float]
    used: tuple[float, float]
    deviation: tuple[float, float]

    @property
    def size(self) -> float:
        """Distance from the label, per cent."""
        return float(np.hypot(*self.used))

    @property
    def raw_size(self) -> float:
        """The same of the model's own point."""
        return float(np.hypot(*self.raw))

    @property
    def covered(self) -> list[bool]:
        """Of each coordinate, whether it lies within two standard deviations."""
        return [abs(error) <= 2 * sd for error, sd in zip(self.used, self.deviation, strict=True)]


@dataclass(frozen=True)
class ArmReading:
    """One labelled arm.

    Attributes
    ----------
    photo, side, view : str
    found : bool
        Whether a person was found.
    large : bool
        Whether the arm is large enough in the picture for the product.
    neck_label : str
        ``"visible"`` or ``"hidden:..."``.
    neck_seen : bool
        Whether the program says that it sees the neck.
    hand_found, behind : bool
        Whether a hand was found; whether the program says that the person is seen from behind.
    points : dict of str to PointError
        By the names of `vision.arm.priors.JOINTS`.
    length : PointError or None
        Of the neck-to-palm length; the first of each pair counts.
    chains : tuple of str
        What the whole chain said with a sheet put in: problem codes, ``"measured"`` or ``"crashed: ..."``.
    """

    photo: str
    side: str
    view: str
    found: bool
    large: bool = False
    neck_label: str = ""
    neck_seen: bool = False
    hand_found: bool = False
    behind: bool = False
    points: dict[str, PointError] = field(default_factory=dict)
    length: tuple[float, float] | None = None
    chains: tuple[str, ...] = ()

    @property
    def front(self) -> bool:
        """Whether the person is seen squarely and large enough."""
        return self.large and self.view == "front"


def read_people(index: Sequence[dict[str, Any]], folder: Path) -> list[ArmReading]:
    """Every labelled arm of the photographs that are there; names those that are missing."""
    readings: list[ArmReading] = []
    for entry in index:
        path = folder / entry["file"]
        if not path.exists():
            print(f"missing: people/{entry['file']}")
            continue
        photo = _decoded(path)
        people = find_people(photo.rgb)
        for side in ("left", "right"):
            if f"arm_{side[0].upper()}" in entry["flags"]:
                readings.append(_arm(photo, people, entry, side))
    return readings


def _decoded(path: Path) -> Photo:
    """The photograph even where it is smaller than the product takes."""
    with Image.open(path) as image:
        return Photo(path.name, np.asarray(ImageOps.exif_transpose(image).convert("RGB")))


def _arm(photo: Photo, people: Sequence[Person], entry: dict[str, Any], side: str) -> ArmReading:
    letter = side[0].upper()
    view, chains = entry["view"], tuple(_chains(photo, entry, letter))
    if not people:
        return ArmReading(photo.name, side, view, found=False, chains=chains)
    # landmarks need no sheet, and so no camera
    seen = seen_body(photo, people[0], side, cast(PosedCamera, None))
    truth = {name: np.array(entry["points"][f"{label}_{letter}"]) for name, label in LABELS.items()}
    sightings, _ = sightings_of(seen)
    raw = _raw_points(seen)
    reach = truth["palm"] - truth["neck"]
    length_px = float(np.linalg.norm(reach))
    axes = _axes(reach, truth, people[0])
    points = {}
    for name in JOINTS:
        covariance = np.linalg.inv(sightings[name].whitening.T @ sightings[name].whitening)
        deviation = np.sqrt([axis @ covariance @ axis for axis in axes])
        points[name] = PointError(
            raw=_pair(axes @ (raw[name] - truth[name]), length_px),
            used=_pair(axes @ (sightings[name].px - truth[name]), length_px),
            deviation=_pair(deviation, length_px),
        )
    long = float(np.linalg.norm(sightings["palm"].px - sightings["neck"].px))
    both = float(np.hypot(points["neck"].deviation[0], points["palm"].deviation[0]))
    return ArmReading(
        photo.name,
        side,
        view,
        found=True,
        large=float(np.linalg.norm(seen.landmark("wrist") - seen.landmark("shoulder"))) >= SHORTEST_ARM_PX,
        neck_label=entry["flags"][f"side_neck_{letter}"],
        neck_seen=seen.neck.seen,
        hand_found=seen.hand is not None,
        behind=seen_from_behind(photo.rgb, people[0], seen.neck.behind),
        points=points,
        length=(100 * (long / length_px - 1), both),
        chains=chains,
    )


def _raw_points(seen: SeenBody) -> dict[str, Array]:
    """The models' own points, before anything is taken off."""
    knuckles = 0.5 * (seen.landmark("index") + seen.landmark("little"))
    palm = seen.hand.palm_px if seen.hand is not None else 0.5 * (seen.landmark("wrist") + knuckles)
    return {"neck": seen.neck.px, "palm": palm, **{name: seen.landmark(name) for name in JOINTS[1:4]}}


def _axes(reach: Array, truth: dict[str, Array], person: Person) -> Array:
    """Unit vectors (2, 2): along the arm outwards, and down from it, towards the hips."""
    along = reach / np.linalg.norm(reach)
    down = np.array([-along[1], along[0]])
    hips = 0.5 * (person.point("hip", "left") + person.point("hip", "right"))
    return np.array([along, down if down @ (hips - truth["shoulder"]) > 0 else -down])


def _pair(both: Array, length_px: float) -> tuple[float, float]:
    along, down = 100 * np.asarray(both) / length_px
    return float(along), float(down)


def _chains(photo: Photo, entry: dict[str, Any], letter: str) -> Iterator[str]:
    """The whole chain, a sheet put into the picture beside the arm."""
    neck, palm = (np.array(entry["points"][f"{LABELS[name]}_{letter}"]) for name in ("neck", "palm"))
    side = "left" if letter == "L" else "right"
    larger = max(1.0, LEAST_ARM_PX / float(np.linalg.norm(palm - neck)))
    rgb = np.asarray(cv2.resize(photo.rgb, None, fx=larger, fy=larger, interpolation=cv2.INTER_CUBIC), np.uint8)
    for place in SHEET_PLACES:
        with_sheet = Photo(photo.name, _with_sheet(rgb, larger * neck, larger * palm, place))
        try:
            measured = measure_arm(with_sheet, side)
        except Exception as error:  # the very thing that is looked for
            where = traceback.extract_tb(error.__traceback__)[-1]
            yield f"crashed: {type(error).__name__} in {Path(where.filename).name}, {where.name}"
            continue
        yield "measured" if measured.usable else " ".join(problem.code for problem in measured.problems)


def _with_sheet(rgb: Picture, neck: Array, palm: Array, place: tuple[float, float, float, float]) -> Picture:
    """The picture with a sheet of true size beside the arm, kept inside the frame where it fits."""
    along, down, turn_deg, tilt = place
    reach = palm - neck
    length = float(np.linalg.norm(reach))
    layout, per_mm = SheetLayout(Paper.A4, 1), length / ADULT_ARM_MM
    half = 0.5 * per_mm * np.array([layout.paper.width_mm, layout.paper.height_mm]) + 2
    size = np.array(rgb.shape[1::-1])
    centre = neck + along * reach + np.array([0.0, down * length])
    centre = np.clip(centre, np.minimum(half, size / 2), np.maximum(size - half, size / 2))
    to_photo = placed(layout, (float(centre[0]), float(centre[1])), per_mm, turn_deg, tilt)
    corners = apply_homography(to_photo, layout.page.corners_mm)
    low = np.maximum(np.floor(corners.min(axis=0)) - 1, 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)) + 2, size).astype(int)
    page = sheet_image(layout, float(np.clip(25.4 * per_mm * _FINER, 20, 300)))
    dots = np.array([page.shape[1] / layout.paper.width_mm, page.shape[0] / layout.paper.height_mm])
    middle = np.array(page.shape[1::-1]) / 2 - 0.5
    to_mm = np.array([[1 / dots[0], 0, -middle[0] / dots[0]], [0, -1 / dots[1], middle[1] / dots[1]], [0, 0, 1]])
    finer = np.array([[_FINER, 0, (_FINER - 1) / 2], [0, _FINER, (_FINER - 1) / 2], [0, 0, 1.0]])
    moved = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    fine_size = tuple(int(each) for each in _FINER * (high - low))
    way, small = finer @ moved @ to_photo @ to_mm, tuple(int(each) for each in high - low)
    ink = cv2.warpPerspective(_INK + page.astype(np.float32) * ((_PAPER - _INK) / 255), way, fine_size)
    cover = cv2.warpPerspective(np.ones(page.shape, np.float32), way, fine_size)
    ink, cover = (
        cv2.GaussianBlur(cv2.resize(each, small, interpolation=cv2.INTER_AREA), (0, 0), 0.6)[..., None]
        for each in (ink, cover)
    )
    picture = rgb.copy()
    part = picture[low[1] : high[1], low[0] : high[0]]
    part[...] = np.clip(part * (1 - cover) + ink, 0, 255).astype(np.uint8)
    return picture


def people_lines(readings: Sequence[ArmReading]) -> list[Line]:
    """The table's lines about people."""
    found = [arm for arm in readings if arm.found]
    large = [arm for arm in found if arm.large]
    front = [arm for arm in large if arm.front]
    lines = [Line("person found", share([arm.found for arm in readings]))]
    for title, arms in (("all", found), ("large enough", large), ("large, from the front", front)):
        if arms:
            lines += _landmark_lines(title, arms)
    lines += _neck_lines(found)
    lines += [_width_line(name, found) for name in JOINTS]
    back = [arm for arm in found if arm.view == "back"]
    lines.append(Line("back view refused", share([arm.behind for arm in back])))
    lines.append(Line("other view called a back view", share([arm.behind for arm in found if arm.view != "back"])))
    chains = [chain for arm in readings for chain in arm.chains]
    lines.append(Line("whole chain with a sheet: crashed", share([chain.startswith("crashed") for chain in chains])))
    lines.append(Line("whole chain with a sheet: measured", share([chain == "measured" for chain in chains])))
    return lines


def _landmark_lines(title: str, arms: Sequence[ArmReading]) -> list[Line]:
    lines = []
    for name in JOINTS:
        points = [arm.points[name] for arm in arms]
        along, down = np.mean([point.used for point in points], axis=0)
        said = np.mean([point.deviation for point in points], axis=0)
        lines.append(
            Line(
                f"{name}, {title}",
                f"model's own {figures([p.raw_size for p in points])}; used {figures([p.size for p in points])}; "
                f"mean {along:+.1f} out, {down:+.1f} down; said {said[0]:.1f}, {said[1]:.1f}; "
                f"in 2 sd {share([each for point in points for each in point.covered])}",
            )
        )
    lengths = [arm.length for arm in arms if arm.length is not None]
    errors = [error for error, _ in lengths]
    inside = [abs(error) <= 2 * deviation for error, deviation in lengths]
    lines.append(
        Line(
            f"neck to palm, {title}",
            f"mean {np.mean(errors):+.1f}; {figures(np.abs(errors))}; said {np.mean([sd for _, sd in lengths]):.1f}; "
            f"in 2 sd {share(inside)}",
        )
    )
    return lines


WANTED = 0.95
"""Share of coordinates that two stated deviations should hold."""


def _width_line(name: str, arms: Sequence[ArmReading]) -> Line:
    """By what a landmark's stated deviation would have to be multiplied; each photograph judged by what the others say.

    A factor above 1 asks for a larger deviation in `vision.arm.priors` or `vision.person.neck`.
    """
    photos = sorted({arm.photo for arm in arms})

    def scores(chosen: Sequence[str]) -> Array:
        points = [arm.points[name] for arm in arms if arm.photo in chosen]
        return np.abs([np.array(point.used) / (2 * np.array(point.deviation)) for point in points]).ravel()

    whole = float(np.quantile(scores(photos), WANTED))
    if len(photos) < 2:
        return Line(f"{name}, factor on its deviation", f"{whole:.2f}")
    without = {one: float(np.quantile(scores([p for p in photos if p != one]), WANTED)) for one in photos}
    inside = [bool(score <= without[one]) for one in photos for score in scores([one])]
    return Line(
        f"{name}, factor on its deviation",
        f"{whole:.2f}; one photo left out {min(without.values()):.2f} to {max(without.values()):.2f}, "
        f"then holds of the one left out {share(inside)}",
    )


def _neck_lines(arms: Sequence[ArmReading]) -> list[Line]:
    lines = []
    for title, seen in (("visible", True), ("hidden", False)):
        some = [arm for arm in arms if (arm.neck_label == "visible") is seen]
        if not some:
            continue
        points = [arm.points["neck"] for arm in some]
        lines.append(
            Line(
                f"neck {title}",
                f"{figures([point.size for point in points])}; "
                f"in 2 sd {share([each for point in points for each in point.covered])}; "
                f"told so {share([arm.neck_seen is seen for arm in some])}",
            )
        )
    right = [arm.neck_seen is (arm.neck_label == "visible") for arm in arms]
    return [*lines, Line("neck seen or hidden told right", share(right))]


def as_json(readings: Sequence[ArmReading]) -> list[dict[str, Any]]:
    """Plain values of every arm."""
    return [asdict(reading) for reading in readings]
