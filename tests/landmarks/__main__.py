"""Landmarks on photographs of people: ``python -m tests.landmarks FOLDER [--annotations FILE]``.

FOLDER holds photos and a COCO keypoint annotation file (JSON with ``images``, ``annotations`` and 17 ``keypoints`` of
x, y, visibility each; COCO 2014 format).  The landmark step runs over every photo with a labelled arm, and the distance
of its shoulder, elbow and wrist from the labelled ones is printed in per cent of the labelled arm's length (shoulder to
elbow to wrist), median and 95th percentile.  Rendered figures are not the world: this is how to look at the world.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from calibration.problems import Refused
from vision.person.pose import Person, find_people
from vision.photo import load_photo

JOINTS = {"shoulder": (5, 6), "elbow": (7, 8), "wrist": (9, 10)}
"""COCO keypoint numbers, left and right."""
SIDES = ("left", "right")


def labelled_arms(annotation: dict[str, Any]) -> Iterator[tuple[str, dict[str, np.ndarray]]]:
    """Arms of one annotated person with all three joints labelled: side, and joints (2,) px."""
    points = np.array(annotation["keypoints"], float).reshape(-1, 3)
    for number, side in enumerate(SIDES):
        arm = {name: points[indices[number]] for name, indices in JOINTS.items()}
        if all(point[2] > 0 for point in arm.values()):
            yield side, {name: point[:2] for name, point in arm.items()}


def errors_percent(person: Person, side: str, arm: dict[str, np.ndarray]) -> dict[str, float]:
    """Distance of each joint from the labelled one, per cent of the labelled arm's length."""
    length = np.linalg.norm(arm["elbow"] - arm["shoulder"]) + np.linalg.norm(arm["wrist"] - arm["elbow"])
    return {name: float(100 * np.linalg.norm(person.point(name, side) - place) / length) for name, place in arm.items()}


def measure(folder: Path, annotations: Path) -> tuple[dict[str, list[float]], int, int]:
    """Errors of every joint over a folder, the number of labelled people, and how many of them were not found."""
    labels = json.loads(annotations.read_text())
    names = {image["id"]: image["file_name"] for image in labels["images"]}
    by_photo: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for annotation in labels["annotations"]:
        by_photo[names[annotation["image_id"]]].append(annotation)
    errors: dict[str, list[float]] = {name: [] for name in JOINTS}
    total = missed = 0
    for name, annotated in sorted(by_photo.items()):
        try:
            people = find_people(load_photo(folder / name).rgb)
        except Refused as refused:
            print(f"{name}: {refused}")
            people = ()
        for annotation in annotated:
            arms = list(labelled_arms(annotation))
            if not arms:
                continue
            total += 1
            found = nearest(people, arms)
            if found is None:
                missed += 1
                continue
            for side, arm in arms:
                for joint, error in errors_percent(found, side, arm).items():
                    errors[joint].append(error)
    return errors, total, missed


def nearest(people: tuple[Person, ...], arms: list[tuple[str, dict[str, np.ndarray]]]) -> Person | None:
    """The person found whose shoulders are nearest to the labelled ones, if within half an arm."""
    side, arm = arms[0]
    length = float(np.linalg.norm(arm["wrist"] - arm["elbow"]) + np.linalg.norm(arm["elbow"] - arm["shoulder"]))
    gaps = [(float(np.linalg.norm(person.point("shoulder", side) - arm["shoulder"])), person) for person in people]
    gap, person = min(gaps, key=lambda pair: pair[0], default=(np.inf, None))
    return person if gap < 0.5 * length else None


def main() -> None:
    """Run over a folder and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.landmarks", description=__doc__)
    parser.add_argument("folder", type=Path, help="folder with the photos")
    parser.add_argument("--annotations", type=Path, help="COCO file; by default the only .json in the folder")
    options = parser.parse_args()
    if not options.folder.is_dir():
        parser.error(f"there is no folder {options.folder}")
    found = [options.annotations] if options.annotations else sorted(options.folder.glob("*.json"))
    if len(found) != 1:
        parser.error(f"{len(found)} annotation files in {options.folder}: name one with --annotations")
    errors, total, missed = measure(options.folder, found[0])
    print(f"{total} people with a labelled arm, {missed} not found")
    print("per cent of the arm's length   n   median   95th percentile")
    for joint, values in errors.items():
        if values:
            print(f"{joint:28}{len(values):4}{np.median(values):9.1f}{np.percentile(values, 95):18.1f}")


if __name__ == "__main__":
    main()
