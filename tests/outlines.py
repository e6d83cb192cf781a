"""Traced instruments against masks labelled by hand: ``python -m tests.outlines FOLDER``.

For real photographs, which need no sheet.  Beside each photo NAME.jpg (or .png, .heic, .webp) lie its labels, white on
black and of the photo's size: NAME.body.png (the body without chin rest's overhang, button and neck) and
NAME.whole.png (the instrument with its chin rest, without bow and shoulder rest).  The labels' lengths are read along
the labels' own axis: from the body's lower end to its upper edge, and to the end of the scroll.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.problems import Refused
from tests.vision.trace import trace_instrument
from vision.photo import load_photo

Mask = NDArray[np.bool_]
PHOTO_ENDINGS = {".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif"}
ENOUGH_OVERLAP, ENOUGH_LENGTH = 0.95, 0.02
"""What counts as right: intersection over union, and relative error of both lengths."""


@dataclass(frozen=True)
class Comparison:
    """One photo: overlap of the masks, relative errors of the lengths; None where there is no label."""

    photo: str
    body_overlap: float | None
    whole_overlap: float | None
    body_error: float | None
    total_error: float | None
    refused: str = ""

    @property
    def overlaps(self) -> bool:
        """Whether all labelled masks overlap enough."""
        given = [each for each in (self.body_overlap, self.whole_overlap) if each is not None]
        return bool(given) and min(given) >= ENOUGH_OVERLAP

    @property
    def measures(self) -> bool:
        """Whether both lengths are right."""
        errors = [self.body_error, self.total_error]
        return all(error is not None and abs(error) <= ENOUGH_LENGTH for error in errors)


def compare(photo: Path) -> Comparison | None:
    """Trace one photo and hold it against its labels; None where it has none."""
    body, whole = (_label(photo, kind) for kind in ("body", "whole"))
    if body is None and whole is None:
        return None
    try:
        traced = trace_instrument(load_photo(photo))
    except Refused as refusal:
        reason = " ".join(problem.code for problem in refusal.problems)
        return Comparison(photo.name, 0.0 if body is not None else None, 0.0, None, None, reason)
    lengths = _lengths(body, whole) if body is not None and whole is not None else (None, None)
    return Comparison(
        photo.name,
        None if body is None else overlap(body, traced.body),
        None if whole is None else overlap(whole, traced.whole),
        None if lengths[0] is None else traced.body_length_px / lengths[0] - 1,
        None if lengths[1] is None else traced.total_length_px / lengths[1] - 1,
    )


def overlap(label: Mask, found: Mask) -> float:
    """Intersection over union."""
    union = float((label | found).sum())
    return float((label & found).sum()) / union if union else 1.0


def _lengths(body: Mask, whole: Mask) -> tuple[float, float]:
    """Lengths of body and instrument along the axis of the labels, px."""
    rows, columns = np.nonzero(body)
    places = np.stack([columns, rows], axis=1).astype(float)
    every_row, every_column = np.nonzero(whole)
    every = np.stack([every_column, every_row], axis=1).astype(float)
    axis = every.mean(axis=0) - places.mean(axis=0)
    # the direction of the instrument's greatest extent, pointing to the scroll
    _, _, directions = np.linalg.svd((every - every.mean(axis=0))[:: max(len(every) // 5000, 1)], full_matrices=False)
    direction = directions[0] if directions[0] @ axis > 0 else -directions[0]
    along_body, along_all = places @ direction, every @ direction
    return float(np.ptp(along_body)) + 1, float(along_all.max() - along_body.min()) + 1


def _label(photo: Path, kind: str) -> Mask | None:
    path = photo.with_suffix(f".{kind}.png")
    if not path.exists():
        return None
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    return None if grey is None else grey > 127


def main() -> None:
    """Compare every photo of a folder and print a table."""
    parser = argparse.ArgumentParser(prog="python -m tests.outlines", description=__doc__)
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    photos = [
        path
        for path in sorted(options.folder.iterdir())
        if path.suffix.lower() in PHOTO_ENDINGS and not path.stem.endswith((".body", ".whole"))
    ]
    results = [result for photo in photos if (result := compare(photo)) is not None]
    if not results:
        parser.error(f"no labelled photos in {options.folder}")
    print(f"{'photo':32} {'body':>6} {'whole':>6} {'body length':>12} {'total length':>13}")
    for result in results:
        overlaps = (_share(result.body_overlap), _share(result.whole_overlap))
        errors = (_percent(result.body_error), _percent(result.total_error))
        print(f"{result.photo:32} {overlaps[0]:>6} {overlaps[1]:>6} {errors[0]:>12} {errors[1]:>13} {result.refused}")
    print(f"overlap of {ENOUGH_OVERLAP}: {sum(r.overlaps for r in results)} of {len(results)}")
    print(f"both lengths within {ENOUGH_LENGTH:.0%}: {sum(r.measures for r in results)} of {len(results)}")


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:+.2f} %"


if __name__ == "__main__":
    main()
