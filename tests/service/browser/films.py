"""Films for a browser's false camera: sample photos as still frames, changed the way a family gets it wrong."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from calibration.arrays import Picture
from tests.service.browser.conftest import SAMPLES

LONGEST_SIDE_PX = 1440
"""Of a frame: less than phones film."""
STEADY_FRAMES = 120
"""Frames of one view: four seconds, in which a busy machine looks a few times."""
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


def sample(name: str) -> Picture:
    """A sample photo's pixels."""
    with Image.open(SAMPLES / f"{name}.jpg") as image:
        return np.asarray(image.convert("RGB"))


def darkened(rgb: Picture, share: float) -> Picture:
    """The same room with less light."""
    return np.asarray(rgb * share, np.uint8)


def without_sheets(rgb: Picture, places_px: Sequence[tuple[int, int, int, int]]) -> Picture:
    """The wall where the sheets hung: (left, top, right, bottom), px."""
    mask = np.zeros(rgb.shape[:2], np.uint8)
    for left, top, right, bottom in places_px:
        mask[top:bottom, left:right] = 255
    return np.asarray(cv2.inpaint(rgb, mask, 5, cv2.INPAINT_TELEA), np.uint8)


def arm_lowered(name: str, by_deg: float) -> Picture:
    """A sample with its stretched arm turned down about the shoulder; the wall is filled in where the arm was."""
    rgb, truth = sample(name), TRUTH[name]
    side = truth["side"]
    shoulder, elbow, tip = (
        np.array(truth["points"][f"{point}_{side}"]["px"]) for point in ("shoulder_joint", "elbow", "middle_fingertip")
    )
    along = (tip - shoulder) / np.linalg.norm(tip - shoulder)
    across = np.array([-along[1], along[0]]) * 0.3 * np.linalg.norm(elbow - shoulder)
    start, end = shoulder + 0.12 * (tip - shoulder), tip + 0.05 * (tip - shoulder)
    mask = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round([start - across, end - across, end + across, start + across]).astype(int), 255)
    wall = cv2.inpaint(cv2.resize(rgb, None, fx=0.25, fy=0.25), cv2.resize(mask, None, fx=0.25, fy=0.25), 3, 0)
    wall = np.where(mask[..., None] > 0, cv2.resize(wall, rgb.shape[1::-1]), rgb)
    turn = -by_deg if along[0] > 0 else by_deg
    matrix = cv2.getRotationMatrix2D(tuple(map(float, shoulder)), turn, 1.0)
    turned = cv2.warpAffine(rgb, matrix, rgb.shape[1::-1])
    shown = cv2.warpAffine(mask, matrix, rgb.shape[1::-1])
    return np.asarray(np.where(shown[..., None] > 127, turned, wall), np.uint8)


def nearer(rgb: Picture, share: float, middle: tuple[float, float]) -> Picture:
    """What is left of the picture from nearer by: a part of it, about a place given in shares of width and height."""
    height, width = rgb.shape[:2]
    wide, high = share * width, share * height
    left = min(max(middle[0] * width - wide / 2, 0), width - wide)
    top = min(max(middle[1] * height - high / 2, 0), height - high)
    return rgb[round(top) : round(top + high), round(left) : round(left + wide)]


def film(path: Path, views: Sequence[Picture], shaken: bool = False) -> Path:
    """Write a film of views, each held for a while and panned a little where it begins; a shaken one never rests."""
    frames = b""
    first = views[0].shape
    scale = LONGEST_SIDE_PX / max(first[:2])
    size = 2 * round(first[1] * scale / 2), 2 * round(first[0] * scale / 2)
    swing = 96 if shaken else 32
    pan = [(px, px) for px in [*range(0, 33, 4)] + [32] * (STEADY_FRAMES - 9)]
    hand = [(int(x), int(y)) for x, y in np.random.default_rng(1).integers(0, swing + 1, (STEADY_FRAMES, 2))]
    for view in views:
        picture = Image.fromarray(view).resize((size[0] + swing, size[1] + swing))
        shifts = hand if shaken else pan
        jpegs = {(x, y): _jpeg(picture.crop((x, y, x + size[0], y + size[1]))) for x, y in set(shifts)}
        frames += b"".join(jpegs[place] for place in shifts)
    path.write_bytes(frames)
    return path


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=90)
    return out.getvalue()
