"""Print how good the networks are on rendered scenes with known truth.

python -m vision.training.evaluate instrument FOLDER         masks and points on whole scenes
python -m vision.training.evaluate stress FOLDER GROUNDS     the scenes' instruments, cut out, on other pictures
python -m vision.training.evaluate neck FOLDER               the neck points, against proportion between the shoulders
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Floats, Mask, Picture
from vision.instrument.net import QUICK_SIZE, InstrumentMap, InstrumentNet
from vision.person.neck import from_shoulders
from vision.person.neck_net import NeckNet
from vision.person.pose import find_people


def scenes(folder: Path) -> list[tuple[Path, dict[str, Any], Picture]]:
    """Read all scenes of a folder: where, truth, picture."""
    found = []
    for path in sorted(folder.rglob("truth.json")):
        truth = json.loads(path.read_text())
        picture = cv2.imread(str(path.parent / truth.get("image", "white.jpg")))
        found.append((path.parent, truth, np.ascontiguousarray(picture[..., ::-1])))
    return found


def true_masks(place: Path, truth: dict[str, Any]) -> tuple[Mask, Mask]:
    """Return the body, hidden parts too, and the visible whole instrument."""
    part = cv2.imread(str(place / "parts.png"), cv2.IMREAD_GRAYSCALE) // 30
    body = np.zeros(part.shape, np.uint8)
    outline = np.round(np.array(truth["outline_top_edge_px"]) * 16).astype(np.int32)
    cv2.fillPoly(body, [outline], 1, shift=4)
    return body > 0, (part == 1) | (part == 2)


def overlap(a: Mask, b: Mask) -> float:
    """Intersection over union."""
    return float((a & b).sum() / max(1, (a | b).sum()))


def row(seen: InstrumentMap, body: Mask, whole: Mask, points: dict[str, Array]) -> list[float]:
    """Overlap of body and whole, and the errors of body and total length from the points alone, per cent."""
    if not seen.instruments:
        return [0.0, 0.0, 100.0, 100.0]
    got = {name: np.array([p.x, p.y]) for name, p in seen.keypoints.items()}
    errors = []
    for top in ("body_top_center", "scroll_top"):
        true = float(np.linalg.norm(points[top] - points["body_bottom_center"]))
        errors.append(100 * abs(float(np.linalg.norm(got[top] - got["body_bottom_center"])) / true - 1))
    return [overlap(seen.body > 0.5, body), overlap(seen.whole > 0.5, whole), *errors]


def show(name: str, rows: list[list[float]]) -> None:
    """Print one line of figures."""
    a = np.array(rows)
    print(
        f"{name}: {len(a)} pictures; overlap median body {np.median(a[:, 0]):.3f}, whole {np.median(a[:, 1]):.3f}; "
        f"at least 0.95: body {np.mean(a[:, 0] >= 0.95):.0%}, whole {np.mean(a[:, 1] >= 0.95):.0%}; "
        f"at least 0.90: whole {np.mean(a[:, 1] >= 0.9):.0%}; lengths from points alone, median error body "
        f"{np.median(a[:, 2]):.2f} %, total {np.median(a[:, 3]):.2f} %, "
        f"both under 2 %: {np.mean(a[:, 2:].max(1) < 2):.0%}"
    )


def instrument(folder: Path) -> None:
    """Masks and points on whole scenes; those with a cut instrument are left out."""
    net, rows, quick = InstrumentNet(), [], 0
    errors: dict[str, list[tuple[float, float]]] = {}
    for place, truth, rgb in scenes(folder):
        if truth["quality"] == "instrument_cut":
            continue
        points = {k: np.array(v) for k, v in truth["points_px"].items()}
        seen = net(rgb)
        rows.append(row(seen, *true_masks(place, truth), points))
        quick += seen.crop.shape[:0:-1] == QUICK_SIZE
        length = float(np.linalg.norm(points["body_top_center"] - points["body_bottom_center"]))
        for name, p in seen.keypoints.items():
            error = float(np.hypot(p.x - points[name][0], p.y - points[name][1]))
            errors.setdefault(name, []).append((100 * error / length, 100 * p.sigma_px / length))
    show(folder.name, rows)
    print(f"  two small looks were enough in {quick} of {len(rows)}")
    for name, pairs in errors.items():
        e, s = np.array(pairs).T
        ratio = float(np.sqrt(np.mean((e / s) ** 2) / 2))
        print(
            f"  {name:20s} % of the body: median {np.median(e):.2f}, 95th percentile {np.percentile(e, 95):.2f}, "
            f"expected deviation {np.median(s):.2f}, error over expected {ratio:.2f}"
        )


def stress(folder: Path, grounds: Path) -> None:
    """Lay the scenes' instruments on other pictures: as they are, in the varnish's colour, and in a plain box."""
    rng, net = np.random.default_rng(11), InstrumentNet()
    pictures = sorted(p for p in grounds.iterdir() if p.suffix in (".jpg", ".png"))
    results: dict[str, list[list[float]]] = {"as it is": [], "varnish's colour": [], "in a box": []}
    for place, truth, rgb in scenes(folder):
        if truth["quality"] not in ("ok", "sheet_cut"):
            continue
        part = cv2.imread(str(place / "parts.png"), cv2.IMREAD_GRAYSCALE) // 30
        on = ((part >= 1) & (part <= 3)).astype(np.float32)
        body, whole = true_masks(place, truth)
        for kind, rows in results.items():
            ground = cv2.imread(str(pictures[rng.integers(len(pictures))]))[..., ::-1].astype(np.float32)
            ground = cv2.resize(ground, (int(rng.uniform(500, 1400)),) * 2)
            times = np.ceil(np.array(part.shape) / ground.shape[0]).astype(int)
            ground = np.tile(ground, (*times, 1))[: part.shape[0], : part.shape[1]]
            if kind == "varnish's colour":
                ground *= rgb[part == 1].mean(0) / np.maximum(ground.mean((0, 1)), 1) * rng.uniform(0.7, 1.3)
            if kind == "in a box":
                ground = boxed(ground, truth["points_px"], rng)
            shift = np.array([[1, 0, rng.uniform(-50, 50)], [0, 1, rng.uniform(-50, 50)]])
            shadow = cv2.warpAffine(cv2.GaussianBlur(on, (0, 0), rng.uniform(2, 22)), shift, on.shape[::-1])
            ground = ground * (1 - rng.uniform(0.25, 0.8) * shadow[..., None])
            alpha = cv2.GaussianBlur(cv2.erode(on, np.ones((3, 3))), (0, 0), 1.0)[..., None]
            picture = np.clip(ground * (1 - alpha) + rgb * alpha, 0, 255).astype(np.uint8)
            points = {k: np.array(v) for k, v in truth["points_px"].items()}
            rows.append(row(net(picture), body, whole, points))
    for kind, rows in results.items():
        show(kind, rows)


def boxed(ground: Floats, points: dict[str, list[float]], rng: np.random.Generator) -> Floats:
    """Draw an open box about the instrument: rim, lining of one colour, darker towards the rim."""
    top, foot = np.array(points["scroll_top"]), np.array(points["body_bottom_center"])
    total = float(np.linalg.norm(top - foot))
    up = (top - foot) / total
    side = np.array([-up[1], up[0]])
    taper = rng.uniform(0.45, 1.0)

    def corners(margin: float) -> NDArray[np.int32]:
        wide, narrow = 0.23 * total + margin, 0.23 * total * taper + margin
        low, bend, high = (
            foot - up * (0.06 * total + margin),
            foot + up * 0.55 * total,
            top + up * (0.06 * total + margin),
        )
        polygon = [low + side * wide, low - side * wide, bend - side * wide, high - side * narrow, high + side * narrow]
        return np.round(np.array([*polygon, bend + side * wide]) * 16).astype(np.int32)

    out = ground.copy()
    cv2.fillPoly(out, [corners(0.05 * total)], [float(v) for v in rng.uniform(5, 70, 3)], cv2.LINE_AA, 4)
    inside = np.zeros(ground.shape[:2], np.uint8)
    cv2.fillPoly(inside, [corners(0.0)], 255, cv2.LINE_AA, 4)
    depth = cv2.distanceTransform((inside > 127).astype(np.uint8), cv2.DIST_L2, 3)
    lining = rng.uniform(10, 150, 3) * (1 - 0.6 * np.exp(-depth / (0.05 * total)))[..., None]
    a = (inside / 255.0)[..., None]
    return np.asarray(out * (1 - a) + lining * a, np.float32)


def neck(folder: Path) -> None:
    """Neck points at the true depth, mm, of the outstretched arm's side; the trunk's turn to the wall."""
    net = NeckNet()
    rows, turns = [], []
    for place, truth, rgb in scenes(folder):
        people = find_people(rgb)
        if not people:
            print(f"  no person found in {place.name}")
            continue
        side = {"L": "left", "R": "right"}[truth["side"]]
        point = truth["points"][f"side_neck_{truth['side']}"]
        camera = truth["camera"]
        depth = (np.array(camera["R"]) @ np.array(point["mm"]) + np.array(camera["t"]))[2]
        scale = depth / camera["K"][0][0]
        told = net(rgb, people[0].point("shoulder", "left"), people[0].point("shoulder", "right"))
        got = told.points[side]
        error = (np.array([got.x, got.y]) - point["px"]) * scale
        plain = (from_shoulders(people[0], side).px - point["px"]) * scale
        rows.append([*error, np.hypot(*plain), got.sigma_px * scale])
        if told.turn is not None:
            sight = np.array(camera["centre_mm"]) - point["mm"]
            turned = told.turn.deg + np.degrees(np.arctan2(sight[0], sight[2])) - truth["pose"]["torso_yaw_deg"]
            turns.append((turned, told.turn.deviation_deg))
    a = np.array(rows)
    off, said = np.array(turns).T
    e = np.hypot(a[:, 0], a[:, 1])
    print(
        f"{folder.name}: {len(a)} pictures; network median {np.median(e):.1f} mm, "
        f"95th percentile {np.percentile(e, 95):.1f}, "
        f"mean right {a[:, 0].mean():+.1f}, down {a[:, 1].mean():+.1f}; expected deviation {np.median(a[:, 3]):.1f}; "
        f"by proportion median {np.median(a[:, 2]):.1f}, 95th percentile {np.percentile(a[:, 2], 95):.1f}; "
        f"turn mean {off.mean():+.1f}, root mean square {np.sqrt(np.mean(off**2)):.1f} degrees, "
        f"{np.sqrt(np.mean((off / said) ** 2)):.2f} of the expected"
    )


def main() -> None:
    """Run one of the three."""
    tasks = {"instrument": instrument, "stress": stress, "neck": neck}
    if len(sys.argv) < 3 or sys.argv[1] not in tasks:
        raise SystemExit(__doc__)
    tasks[sys.argv[1]](*(Path(p) for p in sys.argv[2:]))


if __name__ == "__main__":
    main()
